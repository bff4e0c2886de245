"""Which edits an upgrade loses without a question.

They stay on the disk under another name, or where nothing reads them any more.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from forerun.distro.debian import compare_versions
from forerun.distro.debian_packages import PackageContents
from forerun.distro.debian_scripts import ConffileCall, match_words
from forerun.model.digest import matches_digest
from forerun.model.likeness import Foretold, PlannedPackage
from forerun.model.survey import CleanSurvey, Conffile

_NUMBER = re.compile(r"\d+(?:\.\d+)*")


@dataclass(frozen=True, slots=True)
class _Succession:
    """An installed package whose name holds a version, and the new one beside it."""

    old: str
    new: str
    before: str
    after: str


def is_same(md5: str, disk: str) -> bool:
    """Whether the file on production's disk has this MD5; `disk` as in `Conffile`."""
    if not disk.startswith("scrypt:"):
        return md5 == disk
    return matches_digest(md5, disk)


def is_edited(row: Conffile) -> bool:
    """Whether there is a file, and it is known to differ from what was shipped."""
    if row.state == "obsolete":
        return bool(row.shipped and row.disk) and not is_same(row.shipped, row.disk)
    return row.state == "changed"


def list_owned(survey: CleanSurvey) -> dict[str, str]:
    """Path to package of every configuration file that is not as it was shipped."""
    owned = {row.path: row.package for row in survey.system.managed if row.state}
    return owned | {row.path: row.package for row in survey.conffiles}


def find_helper_losses(survey: CleanSurvey, contents: Sequence[PackageContents]) -> list[Foretold]:
    """Edited conffiles that the new versions' scripts put aside or rename."""
    edited = {row.path: row for row in survey.conffiles if is_edited(row)}
    rows: list[Foretold] = []
    for package in contents:
        # The scripts come first: dpkg finds nothing to remove where they moved a file.
        for call in package.conffile_calls:
            rows += _judge_call(survey, package, call, edited.values())
        for new in package.conffiles:
            row = edited.get(new.path)
            if new.remove and row is not None:
                why = (
                    f"{package.name} {package.version} marks it remove-on-upgrade "
                    f"(deb-conffiles(5)): the edited file becomes {new.path}.dpkg-old"
                )
                rows.append(Foretold("obsolete", new.path, package.name, why))
    return rows


def _judge_call(
    survey: CleanSurvey,
    package: PackageContents,
    call: ConffileCall,
    edited: Iterable[Conffile],
) -> Iterator[Foretold]:
    """dpkg-maintscript-helper(1): the preinst puts an edited file aside for removal; the
    postinst renames a moved one. Both only from versions up to the prior one, where the
    package was installed and owns the file."""
    if call.script != ("postinst" if call.new_path else "preinst"):
        return
    old = survey.find_package(package.name)
    if old is None or not _is_due(old.version, call.prior):
        return
    owner = (call.owner or package.name).partition(":")[0]
    for row in edited:
        table = match_words(call.path, row.path)
        if row.package != owner or (call.path != row.path and table is None):
            continue
        said = f"{package.name} {package.version} (its {call.script}, dpkg-maintscript-helper)"
        doubt = "" if call.sure else "; the script decides"
        if call.new_path:
            why = (
                f"{said} renames it to {call.new_path}: the edits go with it, and the new "
                f"version's file becomes {call.new_path}.dpkg-new{doubt}"
            )
            yield Foretold("moved", row.path, package.name, why, call.sure)
        else:
            why = f"{said} takes it away: the edited file becomes {row.path}.dpkg-bak{doubt}"
            yield Foretold("obsolete", row.path, package.name, why, call.sure)


def _is_due(installed: str, prior: str) -> bool:
    """`le-nl` of dpkg(1): an empty prior version counts as later than any."""
    if not prior:
        return True
    try:
        return compare_versions(installed, prior) <= 0
    except ValueError:
        return True


def find_losses(
    survey: CleanSurvey,
    planned: Sequence[PlannedPackage],
    contents: Sequence[PackageContents],
    removed: Iterable[str],
    *,
    known: set[str],
) -> Iterator[Foretold]:
    """Edits that stay where nothing may read them: in folders of an old version, of
    packages that go, or in files that are packaged no more. `known` are paths of which
    something has been foretold already."""
    successions = list(_find_successions(survey, planned))
    gone = set(removed)
    told = set(known)
    for path, owner in _list_edited(survey):
        if path in told:
            continue
        row = _judge_edit(path, owner, successions, contents, gone)
        if row is not None:
            told.add(path)
            yield row
    yield from _find_own_folders(survey, successions, contents)


def _list_edited(survey: CleanSurvey) -> Iterator[tuple[str, str]]:
    yield from ((row.path, row.package) for row in survey.conffiles if row.state == "changed")
    managed = survey.system.managed
    yield from ((row.path, row.package) for row in managed if row.state == "changed")


def _judge_edit(
    path: str,
    owner: str,
    successions: Iterable[_Succession],
    contents: Sequence[PackageContents],
    gone: set[str],
) -> Foretold | None:
    for pair in successions:
        if (not owner or _stem(owner) == _stem(pair.old)) and holds_version(path, pair.before):
            other = _replace_version(path, pair.before, pair.after)
            sure = other in _list_targets(contents)
            there = "brings" if sure else "would read"
            why = (
                f"{pair.new} comes beside {pair.old} and {there} {other}: the edits in this "
                "file are not carried over"
            )
            return Foretold("versioned", path, pair.old, why, sure)
    if owner in gone:
        why = f"the plan removes {owner}: its edited file stays, and nothing may read it"
        return Foretold("obsolete", path, owner, why)
    own = [package for package in contents if package.name == owner]
    if own and path not in _list_targets(contents) and not own[0].ucf_calls:
        why = (
            f"{owner} {own[0].version} no longer brings this file: the edited one is left in "
            "place, and nothing may read it"
        )
        return Foretold("obsolete", path, owner, why)
    return None


def _list_targets(contents: Iterable[PackageContents]) -> set[str]:
    """Every configuration file that the new packages bring by name."""
    return {
        path
        for package in contents
        for path in (
            *(new.path for new in package.conffiles if not new.remove),
            *(call.target for call in package.ucf_calls),
        )
    }


def _stem(name: str) -> str:
    return _NUMBER.sub("#", name)


def _find_successions(
    survey: CleanSurvey, planned: Sequence[PlannedPackage]
) -> Iterator[_Succession]:
    """Pairs such as php8.2-fpm and php8.4-fpm, of which the second is new."""
    new_ones = [one for one in planned if survey.find_package(one.name) is None]
    by_stem: dict[str, list[str]] = {}
    for one in new_ones:
        by_stem.setdefault(_stem(one.name), []).append(one.name)
    for package in survey.packages:
        before = _NUMBER.findall(package.name)
        for new in by_stem.get(_stem(package.name), []) if before else ():
            after = _NUMBER.findall(new)
            differing = [(a, b) for a, b in zip(before, after, strict=True) if a != b]
            if len(differing) == 1 and _order(differing[0][0]) < _order(differing[0][1]):
                yield _Succession(package.name, new, *differing[0])


def find_successors(survey: CleanSurvey, planned: Sequence[PlannedPackage]) -> frozenset[str]:
    """New packages whose name is that of an installed one with a higher version in it."""
    return frozenset(pair.new for pair in _find_successions(survey, planned))


def _order(version: str) -> tuple[int, ...]:
    return tuple(int(part) for part in version.split("."))


def holds_version(path: str, version: str) -> bool:
    """Whether a folder of the path is named by the version, alone ("15") or at its end
    ("python3.11")."""
    wanted = re.compile(rf"(?:^|.*[^\d.]){re.escape(version)}")
    return any(wanted.fullmatch(part) for part in path.split("/")[1:-1])


def _replace_version(path: str, before: str, after: str) -> str:
    wanted = re.compile(rf"(?<![\d.]){re.escape(before)}(?=/)")
    return wanted.sub(after, path)


def _find_own_folders(
    survey: CleanSurvey,
    successions: Iterable[_Succession],
    contents: Sequence[PackageContents],
) -> Iterator[Foretold]:
    """Folders /etc/NAME/VERSION whose files are no package's: written on the server, as
    a database cluster's are."""
    targets = _list_targets(contents)
    read = {package.name for package in contents}
    told: set[str] = set()
    for pair in successions:
        name = pair.old.partition(pair.before)[0].rstrip("-.")
        folder = f"/etc/{name}/{pair.before}"
        other = f"/etc/{name}/{pair.after}"
        files = [e.path for e in survey.entries if e.path.startswith(f"{folder}/")]
        packaged = any(path.startswith(f"{other}/") for path in targets)
        if name and files and not packaged and folder not in told and pair.new in read:
            told.add(folder)
            why = (
                f"{pair.new} comes beside {pair.old} and reads {other}; what stands in {folder} "
                "was written on this server and is not carried over by the package itself"
            )
            yield Foretold("versioned", folder, pair.old, why, sure=False)
