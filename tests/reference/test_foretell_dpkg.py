"""dpkg itself is asked whether it asks.

Reference: the lab host's dpkg, run on a root folder of its own; `conffile-prompt` lines of
its --status-fd (dpkg(1)) say about which files it put a question."""

from __future__ import annotations

import hashlib
import io
import shutil
import subprocess
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest
from tests.practice.bare_survey import make_entry, make_survey
from tests.practice.deb_file import build_deb

from forerun.distro.debian_facts import parse_control
from forerun.distro.debian_packages import PackageContents, read_package
from forerun.model.digest import seal_digest
from forerun.model.likeness import Foretold, PlannedPackage
from forerun.model.survey import CleanSurvey, Conffile
from forerun.stages.foretell import foretell
from forerun.stages.foretell_fetch import list_wanted

pytestmark = pytest.mark.tools

OLD, NEW, OWN = b"rows = 10\n", b"rows = 12\n", b"rows = 99\n"
EDITS: Mapping[str, bytes | None] = {
    "untouched": OLD,
    "edited": OWN,
    "deleted": None,
    "as-new": NEW,
}
HELPER = 'dpkg-maintscript-helper {} 1.9 -- "$@"\n'


@dataclass(frozen=True)
class Root:
    """A root folder with a package database of its own."""

    folder: Path

    def install(self, *packages: bytes) -> set[str]:
        """Unpack and configure all together; the files that dpkg asked about. Every
        question is answered with "keep"."""
        names = []
        for number, package in enumerate(packages):
            path = self.folder.parent / f"package-{number}.deb"
            path.write_bytes(package)
            names.append(str(path))
        # A file of its own: dpkg closes the status descriptor for the scripts it runs.
        said = self.folder.parent / "status-lines"
        with said.open("w+b") as status:
            done = subprocess.run(
                [
                    "dpkg",
                    f"--root={self.folder}",
                    "--force-not-root,script-chrootless",
                    f"--status-fd={status.fileno()}",
                    "--install",
                    *names,
                ],
                input=b"n\n" * 100,
                capture_output=True,
                pass_fds=[status.fileno()],
                env={"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C.UTF-8"},
                timeout=120,
                check=False,
            )
        assert done.returncode == 0, done.stderr.decode()
        rows = [line.split(" : ") for line in said.read_text(encoding="utf-8").splitlines()]
        return {row[0].removeprefix("status: ") for row in rows if row[1:2] == ["conffile-prompt"]}

    def place(self, path: str) -> Path:
        return self.folder / path.lstrip("/")

    def edit(self, path: str, content: bytes | None) -> None:
        place = self.place(path)
        if content is None:
            place.unlink()
        else:
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(content)

    def survey(self, *versions: str, seal: bool = False) -> CleanSurvey:
        """What a survey would say of it: conffiles that are not as they were shipped."""
        status = self.place("/var/lib/dpkg/status").read_text(encoding="utf-8")
        rows = []
        stanzas = {stanza.package: stanza for stanza in parse_control(status).values()}
        for shipped in (one for stanza in stanzas.values() for one in stanza.conffiles):
            place = self.place(shipped.path)
            disk = digest(place.read_bytes()) if place.exists() else ""
            if not disk and shipped.obsolete:
                continue
            state = "obsolete" if shipped.obsolete else "changed" if disk else "missing"
            if state != "changed" or disk != shipped.md5:
                disk = seal_digest(disk, b"salt-of-a-test") if seal and disk else disk
                rows.append(Conffile(shipped.path, shipped.package, state, shipped.md5, disk))
        entries = [
            make_entry("/" + str(path.relative_to(self.folder)))
            for path in sorted(self.place("/etc").rglob("*"))
            if path.is_file()
        ]
        return make_survey(*versions, conffiles=tuple(rows), entries=tuple(entries))


def digest(content: bytes) -> str:
    return hashlib.md5(content, usedforsecurity=False).hexdigest()


@pytest.fixture
def root(tmp_path: Path) -> Iterator[Root]:
    if not shutil.which("dpkg"):
        pytest.skip("not installed: dpkg")
    folder = tmp_path / "root"
    for part in ("etc", "usr", "var/lib/dpkg/info", "var/lib/dpkg/updates", "var/log"):
        (folder / part).mkdir(parents=True)
    (folder / "var/lib/dpkg/status").touch()
    (folder / "var/lib/dpkg/available").touch()
    yield Root(folder)


def look_into(survey: CleanSurvey, *packages: bytes) -> tuple[PackageContents, ...]:
    return tuple(read_package(io.BytesIO(one), list_wanted(survey)) for one in packages)


def ask_forerun(survey: CleanSurvey, *packages: bytes) -> tuple[Foretold, ...]:
    contents = look_into(survey, *packages)
    plan = [PlannedPackage(c.name, c.architecture, c.version, "", "", 0) for c in contents]
    return foretell(survey, plan, contents)


def pick(foretold: tuple[Foretold, ...], *kinds: str, sure: bool | None = None) -> set[str]:
    return {t.subject for t in foretold if t.kind in kinds and sure in (None, t.sure)}


# How the new version treats a file, and what belongs to it in the package.
FATES: Mapping[str, Callable[[str], tuple[bytes | None, str, str]]] = {
    "same": lambda path: (OLD, path, ""),
    "changed": lambda path: (NEW, path, ""),
    "dropped": lambda path: (None, "", ""),
    "flagged": lambda path: (None, f"remove-on-upgrade {path}", ""),
    "removed": lambda path: (None, "", HELPER.format(f"rm_conffile {path}")),
    "renamed": lambda path: (None, "", HELPER.format(f"mv_conffile {path} {path}.moved")),
}


def build_pair() -> tuple[bytes, bytes, dict[str, str]]:
    """Two versions with a conffile for every fate and edit; path to its edit."""
    paths = {f"/etc/shelf/{fate}-{edit}": edit for fate in FATES for edit in EDITS}
    new_files: dict[str, bytes] = {}
    lines: list[str] = []
    script = "#!/bin/sh\nset -e\n"
    for path in paths:
        fate = path.rpartition("/")[2].partition("-")[0]
        content, line, call = FATES[fate](path)
        if content is not None:
            new_files[path] = content
        if fate == "renamed":
            new_files[f"{path}.moved"] = NEW
            lines.append(f"{path}.moved")
        lines += [line] if line else []
        script += call
    first = build_deb("shelf", "1.0", files=dict.fromkeys(paths, OLD), conffiles=list(paths))
    second = build_deb(
        "shelf",
        "2.0",
        files=new_files,
        conffiles=lines,
        scripts=dict.fromkeys(("preinst", "postinst", "postrm"), script),
    )
    return first, second, paths


@pytest.mark.parametrize("seal", [False, True])
def test_dpkg_asks_about_just_the_files_foretold(root: Root, seal: bool) -> None:
    """All edits times all fates: the foretold set is dpkg's own, with MD5s at hand and
    with sealed digests."""
    first, second, paths = build_pair()
    assert root.install(first) == set()
    for path, edit in paths.items():
        root.edit(path, EDITS[edit])
    survey = root.survey("shelf=1.0", seal=seal)
    foretold = ask_forerun(survey, second)
    asked = root.install(second)
    assert asked == {"/etc/shelf/changed-edited", "/etc/shelf/changed-deleted"}
    assert pick(foretold, "conffile", sure=True) == asked
    assert pick(foretold, "conffile") == asked


def test_lost_edits_are_those_that_dpkg_puts_aside(root: Root) -> None:
    """Files that end as .dpkg-bak, .dpkg-old, under another name, or as obsolete ones
    are the foretold losses; nothing else is."""
    first, second, paths = build_pair()
    root.install(first)
    for path, edit in paths.items():
        root.edit(path, EDITS[edit])
    foretold = ask_forerun(root.survey("shelf=1.0"), second)
    root.install(second)
    status = root.place("/var/lib/dpkg/status").read_text(encoding="utf-8")
    obsolete = {c.path for c in parse_control(status)["shelf"].conffiles if c.obsolete}
    put_aside = {
        path
        for path in paths
        for end in (".dpkg-bak", ".dpkg-old")
        if root.place(path + end).exists()
    }
    left = {
        path
        for path in obsolete
        if root.place(path).exists() and root.place(path).read_bytes() != OLD
    }
    renamed = {
        path
        for path in paths
        if root.place(f"{path}.moved").exists() and root.place(f"{path}.moved").read_bytes() == OWN
    }
    assert put_aside and left and renamed
    assert pick(foretold, "obsolete", sure=True) == put_aside | left
    # An edit that happens to equal the new file is renamed as well.
    assert pick(foretold, "moved", sure=True) == renamed | {"/etc/shelf/renamed-as-new"}
    assert all(root.place(f"{path}.moved.dpkg-new").exists() for path in renamed)


def test_a_file_that_comes_back_is_compared_with_its_old_record(root: Root) -> None:
    """An obsolete conffile that the third version ships again: dpkg copies the hash of
    the obsolete entry, so edits of before bring a question."""
    paths = {f"/etc/shelf/{edit}": edit for edit in EDITS if edit != "deleted"}
    files = dict.fromkeys(paths, OLD)
    root.install(build_deb("shelf", "1.0", files=files, conffiles=list(paths)))
    root.install(build_deb("shelf", "2.0"))
    for path, edit in paths.items():
        root.edit(path, EDITS[edit])
    survey = root.survey("shelf=2.0")
    assert {row.state for row in survey.conffiles} == {"obsolete"}
    third = build_deb("shelf", "3.0", files=dict.fromkeys(paths, NEW), conffiles=list(paths))
    foretold = ask_forerun(survey, third)
    asked = root.install(third)
    assert asked == {"/etc/shelf/edited"}
    assert pick(foretold, "conffile", sure=True) == asked


@pytest.mark.parametrize("taker_first", [False, True])
def test_a_file_that_another_package_takes_over_keeps_its_record(
    root: Root, taker_first: bool
) -> None:
    """shelf-common replaces shelf: dpkg copies the hash across, so only edited files
    whose content changed are asked about. A deleted one's record is gone when the old
    owner is unpacked first: that is foretold as not sure."""
    paths = {f"/etc/shelf/{edit}": edit for edit in EDITS}
    root.install(build_deb("shelf", "1.0", files=dict.fromkeys(paths, OLD), conffiles=list(paths)))
    for path, edit in paths.items():
        root.edit(path, EDITS[edit])
    survey = root.survey("shelf=1.0")
    taker = build_deb(
        "shelf-common",
        "2.0",
        files=dict.fromkeys(paths, NEW),
        conffiles=list(paths),
        fields={"Replaces": "shelf (<< 2.0)"},
    )
    pair = (build_deb("shelf", "2.0"), taker)
    foretold = ask_forerun(survey, *pair)
    asked = root.install(*(reversed(pair) if taker_first else pair))
    assert asked == {"/etc/shelf/edited"} | ({"/etc/shelf/deleted"} if taker_first else set())
    assert pick(foretold, "conffile", sure=True) == {"/etc/shelf/edited"}
    assert pick(foretold, "conffile", sure=False) == {"/etc/shelf/deleted"}
    assert {t.package for t in foretold if t.kind == "conffile"} == {"shelf-common"}
    assert not pick(foretold, "obsolete")


def test_a_file_nobody_has_a_record_of_may_bring_a_question(root: Root) -> None:
    """A new package ships a file that is there already: dpkg asks unless it is equal,
    which a survey cannot tell; so it is foretold, but not as sure."""
    root.edit("/etc/stand/own", OWN)
    root.edit("/etc/stand/equal", NEW)
    files = {"/etc/stand/own": NEW, "/etc/stand/equal": NEW, "/etc/stand/fresh": NEW}
    package = build_deb("stand", "1.0", files=files, conffiles=list(files))
    foretold = ask_forerun(root.survey(), package)
    asked = root.install(package)
    assert asked == {"/etc/stand/own"}
    assert pick(foretold, "conffile", sure=False) == {"/etc/stand/own", "/etc/stand/equal"}
    assert not pick(foretold, "conffile", sure=True)


def test_the_prior_version_of_a_removal_counts_as_dpkg_counts_it(root: Root) -> None:
    """rm_conffile with a prior version below the installed one does nothing; without
    one it is done at every upgrade."""
    paths = {"/etc/shelf/before": "rm_conffile {} 0.5~", "/etc/shelf/always": "rm_conffile {}"}
    root.install(build_deb("shelf", "1.0", files=dict.fromkeys(paths, OLD), conffiles=list(paths)))
    for path in paths:
        root.edit(path, OWN)
    script = "#!/bin/sh\nset -e\n" + "".join(
        f'dpkg-maintscript-helper {call.format(path)} -- "$@"\n' for path, call in paths.items()
    )
    second = build_deb(
        "shelf", "2.0", scripts=dict.fromkeys(("preinst", "postinst", "postrm"), script)
    )
    foretold = ask_forerun(root.survey("shelf=1.0"), second)
    root.install(second)
    aside = {path for path in paths if root.place(f"{path}.dpkg-bak").exists()}
    assert aside == {"/etc/shelf/always"}
    assert {t.subject for t in foretold if ".dpkg-bak" in t.why} == aside
