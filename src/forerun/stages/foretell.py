"""Which questions an upgrade will ask, and which edits it loses without one.

Pure: from the survey, the package manager's plan and what the new packages hold. Each
line says which rule decided. What the packages' own scripts decide is not `sure`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from forerun.distro.debian_packages import (
    NewConffile,
    PackageContents,
    Template,
    resolve_ucf,
)
from forerun.distro.debian_scripts import InputCall, UcfCall
from forerun.model.likeness import Foretold, PlannedPackage
from forerun.model.survey import CleanSurvey, Conffile
from forerun.model.system import ManagedFile
from forerun.stages.foretell_losses import find_helper_losses, find_losses, is_same

_VALUE = re.compile(r"\$\{[^}]*\}")
_PRIORITIES = ("low", "medium", "high", "critical")


@dataclass(frozen=True, slots=True)
class Facts:
    """What the rules look at. `environment` is that of the upgrade's steps; `removed`
    are packages that the plan takes away."""

    survey: CleanSurvey
    planned: tuple[PlannedPackage, ...]
    contents: tuple[PackageContents, ...]
    removed: tuple[str, ...] = ()
    environment: Mapping[str, str] = field(default_factory=dict)


def foretell(
    survey: CleanSurvey,
    planned: Sequence[PlannedPackage],
    contents: Sequence[PackageContents],
    *,
    removed: Sequence[str] = (),
    environment: Mapping[str, str] | None = None,
) -> tuple[Foretold, ...]:
    """All that is foretold, questions first, each subject once.

    `contents` are the packages of the plan that could be read. `environment` counts with
    DEBIAN_FRONTEND, DEBIAN_PRIORITY and ucf's UCF_FORCE_CONFF*."""
    facts = Facts(survey, tuple(planned), tuple(contents), tuple(removed), dict(environment or {}))
    helped = find_helper_losses(facts.survey, facts.contents)
    moved = [row for row in helped if not _is_taken_over(facts, row)]
    gone = {row.subject for row in moved}
    contested = {row.subject for row in helped} - gone
    rows = [
        *_foretell_conffiles(facts, gone, contested),
        *_foretell_new_conffiles(facts),
        *_foretell_ucf(facts, gone),
        *_foretell_debconf(facts),
    ]
    asked = {row.subject for row in rows}
    rows += moved
    rows += find_losses(survey, planned, contents, removed, known=asked | gone)
    unique: dict[tuple[str, str], Foretold] = {}
    for row in rows:
        key = (row.kind, row.subject)
        if key not in unique or (row.sure and not unique[key].sure):
            unique[key] = row
    return tuple(unique.values())


# --- conffiles


def find_conffile(
    contents: Iterable[PackageContents], path: str, owner: str
) -> tuple[PackageContents, NewConffile] | None:
    """The new package that brings a conffile, the owner's own new version first."""
    found = [
        (package, conffile)
        for package in contents
        for conffile in package.conffiles
        if conffile.path == path and not conffile.remove
    ]
    return min(found, key=lambda pair: pair[0].name != owner, default=None)


def _is_taken_over(facts: Facts, loss: Foretold) -> bool:
    """Whether another package brings the file that the old owner's script takes away.
    dpkg-maintscript-helper(1) leaves alone what its package no longer owns, and that is
    so once the other one is unpacked (seen with login and login.defs of Debian 13)."""
    found = find_conffile(facts.contents, loss.subject, "")
    return found is not None and found[0].name != loss.package


def _foretell_conffiles(facts: Facts, gone: set[str], contested: set[str]) -> Iterator[Foretold]:
    """dpkg(1)'s table (src/main/configure.c, deferred_configure_conffile): it asks when
    the file differs from the recorded version, the new version differs from it too, and
    both differ from each other. A deleted file counts as edited. The record is copied
    to another package that takes the file over, and from an obsolete entry too
    (src/main/unpack.c, deb_parse_conffiles)."""
    for row in facts.survey.conffiles:
        found = find_conffile(facts.contents, row.path, row.package)
        if found is None or row.path in gone:
            continue
        package, new = found
        if not new.md5 or not row.shipped or new.md5 == row.shipped:
            continue
        if row.state != "missing" and row.disk and is_same(new.md5, row.disk):
            continue
        if row.state == "obsolete" and row.disk and is_same(row.shipped, row.disk):
            continue
        doubt = _doubt_conffile(facts, row, package.name, contested)
        edit = "deleted here" if row.state == "missing" else "edited here"
        why = f"dpkg: {edit}, and {package.name} {package.version} brings another version"
        if package.name != row.package:
            why += f" (the file comes over from {row.package})"
        yield Foretold(
            "conffile", row.path, package.name, f"{why}{doubt and f'; {doubt}'}", not doubt
        )


def _doubt_conffile(facts: Facts, row: Conffile, taker: str, contested: set[str]) -> str:
    if row.state != "missing" and not row.disk:
        return "whether the edited file equals the new version is not known"
    if row.state == "missing" and taker != row.package:  # seen with dpkg 1.21
        return f"not when {row.package} is unpacked first, which drops the deleted file's record"
    if any(d.path == row.path and d.package != row.package for d in facts.survey.system.diversions):
        return "the path is diverted: dpkg compares the file it is diverted to"
    if row.path in contested:
        return f"not when the script of {row.package} runs first, which takes the file away"
    return ""


def _foretell_new_conffiles(facts: Facts) -> Iterator[Foretold]:
    """dpkg asks, too, about a file that is there though no package has a record of it.

    Only of packages that are new here: the survey names no unedited conffiles, so it
    cannot tell an old package's own file from a stranger's."""
    files = {entry.path for entry in facts.survey.entries if entry.kind == "file"}
    known = {row.path for row in facts.survey.conffiles}
    for package in facts.contents:
        if facts.survey.find_package(package.name) is not None:
            continue
        if any(facts.survey.find_package(name) for name in package.replaces):
            continue
        for new in package.conffiles:
            if new.path in files - known and not new.remove:
                why = (
                    f"dpkg: {package.name} is new here and brings this file, which is there "
                    "already; whether they are equal is not known"
                )
                yield Foretold("conffile", new.path, package.name, why, sure=False)


# --- ucf


def _foretell_ucf(facts: Facts, gone: set[str]) -> Iterator[Foretold]:
    """ucf(1): asks when the file differs from the recorded version, the new one differs
    from it too, and both differ; also for a deleted file whose new version changed."""
    if facts.environment.get("DEBIAN_FRONTEND") == "noninteractive" or any(
        facts.environment.get(f"UCF_FORCE_CONFF{what}") for what in ("OLD", "NEW")
    ):
        return
    managed = {row.path for row in facts.survey.system.managed}
    for row in facts.survey.system.managed:
        if row.state in ("changed", "missing") and row.path not in gone:
            yield from _foretell_managed(facts, row)
    for conffile in facts.survey.conffiles:
        if conffile.path not in managed | gone and conffile.state != "missing":
            yield from _foretell_adopted(facts, conffile)


def _foretell_managed(facts: Facts, row: ManagedFile) -> Iterator[Foretold]:
    for package in sorted(facts.contents, key=lambda one: one.name != row.package):
        calls = resolve_ucf(package.ucf_calls, row.path)
        for call in calls:
            new = dict(package.files).get(call.source, "")
            if new and new == row.recorded:
                continue
            missing = row.state == "missing"
            if new and not missing and row.disk and is_same(new, row.disk):
                continue
            yield _say_managed(package, row, call, new)
        if calls:
            return
        blind = [call for call in package.ucf_calls if "$" in call.target]
        if blind and package.name == row.package:
            why = f"ucf: {package.name}'s {blind[0].script} calls it with names only it knows"
            yield Foretold("ucf", row.path, package.name, why, sure=False)
            return


def _say_managed(package: PackageContents, row: ManagedFile, call: UcfCall, new: str) -> Foretold:
    edit = "deleted here" if row.state == "missing" else "edited here"
    if not new:
        why = f"ucf: {edit}; the new version is written by {package.name}'s {call.script} itself"
        return Foretold("ucf", row.path, package.name, why, sure=False)
    why = f"ucf: {edit}, and {package.name} {package.version} offers another version"
    known = bool(row.disk) or row.state == "missing"
    if not known:
        why += "; whether the edited file equals it is not known"
    elif not call.sure:
        why += f"; its {call.script} decides whether to offer it"
    return Foretold("ucf", row.path, package.name, why, sure=call.sure and known)


def _foretell_adopted(facts: Facts, row: Conffile) -> Iterator[Foretold]:
    """A conffile that the new version keeps by ucf: without a record ucf asks, unless
    the file equals the new one or an earlier version it has a list of."""
    for package in facts.contents:
        if any(new.path == row.path and not new.remove for new in package.conffiles):
            continue
        for call in resolve_ucf(package.ucf_calls, row.path):
            new = dict(package.files).get(call.source, "")
            lists = dict(package.history)
            names = [call.sum_file, f"{call.source}.md5sum"]
            earlier = [md5 for name in names for md5 in lists.get(name, ())]
            if not row.disk or not any(is_same(md5, row.disk) for md5 in (new, *earlier) if md5):
                why = (
                    f"ucf: {package.name} {package.version} keeps this file by ucf from now on, "
                    "which has no record of it"
                )
                yield Foretold("ucf", row.path, package.name, why, sure=False)


# --- debconf


def _foretell_debconf(facts: Facts) -> Iterator[Foretold]:
    """debconf-devel(7): a question is put when a script inputs it, its priority is not
    below the one shown (default: high), and nobody has seen it."""
    if facts.environment.get("DEBIAN_FRONTEND") == "noninteractive":
        return
    shown = facts.environment.get("DEBIAN_PRIORITY", "high")
    least = _PRIORITIES.index(shown) if shown in _PRIORITIES else _PRIORITIES.index("high")
    seen = {row.name for row in facts.survey.system.questions if row.seen}
    for package in facts.contents:
        templates = {template.name: template for template in package.templates}
        for call in package.input_calls:
            template = templates.get(call.name)
            if template is None or template.kind in ("title", "text") or "$" in call.name:
                continue
            if call.priority and _PRIORITIES.index(call.priority) < least:
                continue
            if call.name in seen and not call.again:
                continue
            row = _say_question(facts, package, call, template)
            if row.sure or template.kind != "error":  # an error that may never come
                yield row


def _say_question(
    facts: Facts, package: PackageContents, call: InputCall, template: Template
) -> Foretold:
    when = "before unpacking" if call.script == "config" else f"by its {call.script}"
    known = {row.name for row in facts.survey.system.questions}
    state = "never seen here" if call.name in known else "new here"
    if call.again:
        state = "asked anew each time"
    priority = call.priority or "unknown"
    words = _VALUE.sub("…", template.description)
    why = f"debconf: asked {when} with priority {priority}, {state}: “{words}”"
    sure = call.sure and bool(known)
    if not sure:
        why += "; the script decides" if not call.sure else "; what was seen is not known"
    return Foretold("debconf", call.name, package.name, why, sure)
