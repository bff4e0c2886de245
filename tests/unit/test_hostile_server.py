"""What a hostile server, or an edited survey, says must not become a word that the lab host's
own programs act on: names stay names, addresses addresses, or they are left out and said."""

from __future__ import annotations

import re
import shlex
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.practice.bare_survey import make_survey
from tests.practice.mutation import HOSTILE

from forerun.distro.debian_sources import find_doubled_sources
from forerun.errors import NoRoom
from forerun.events import Notice
from forerun.model.blueprint import Gap, TemplateRecipe
from forerun.model.profile import Profile
from forerun.model.survey import ArchiveSource, CleanSurvey, Package
from forerun.model.system import Account, Group
from forerun.ports.command import Completed
from forerun.ports.disks import Disks
from forerun.ports.store import Store
from forerun.profiles import load_profile
from forerun.stages.design_recipe import design_recipe, list_allowed
from forerun.stages.template import Workshop, _Build
from forerun.stages.template_scripts import list_mmdebstrap, write_customise_script
from forerun.testing import FakeClock, FakeHypervisor

ROOT = Path(__file__).parents[2]
PROFILE = load_profile(ROOT / "profiles" / "debian-12-to-13" / "profile.yaml")
SHELL = (
    "$(touch /x)", "`touch /x`", "a;touch /x", "a\ntouch /x", "a\nEND\ntouch /x", "a|b", "a&b",
    "-oDPkg::Pre-Invoke::=touch", "--hook-dir=/x", "a,b", "a b", "'", '"', "a\\", "*", "~", "#",
)  # fmt: skip
ODD = (*SHELL, *HOSTILE)


def describe(survey: CleanSurvey, profile: Profile = PROFILE) -> TemplateRecipe:
    return design_recipe(survey, profile, {"/key.gpg": b"key"}, [])


def list_words(recipe: TemplateRecipe) -> list[str]:
    """All that the template's build hands to programs of the lab host and to shells."""
    there = Path("/s")
    argv = list_mmdebstrap(
        recipe, target=there / "tree.tar", preferences=there / "p", customise=there / "c",
        stand_ins=there / "d", proxy_port=1,
    )  # fmt: skip
    return [*argv, write_customise_script(recipe)]


VERSION = re.compile(r"[A-Za-z0-9.+:~-]*")  # Debian Policy 5.6.12


@pytest.mark.parametrize("odd", ODD)
def test_a_packages_name_is_a_name(odd: str) -> None:
    """Odd names, versions and architectures (Debian Policy 5.6) leave the argument list and
    the script as they are without the package; what is left out is counted in a gap."""
    sound = Package("nano", "7.2-1", "amd64", automatic=True, held=True)
    base = make_survey("bash=5.2")
    plain = list_words(describe(base))
    spoilt = [replace(sound, architecture=odd), replace(sound, name=odd, stanza="Package: x\n")]
    spoilt += [] if VERSION.fullmatch(odd) else [replace(sound, version=odd)]
    spoilt += [] if odd == "NaN" else [replace(sound, name=odd)]
    for package in spoilt if odd not in ("NaN", "1e999") else ():
        gaps: list[Gap] = []
        survey = replace(base, packages=(*base.packages, package))
        assert list_words(design_recipe(survey, PROFILE, {}, gaps)) == plain
        assert "packages without a proper name" in {gap.subject for gap in gaps}


@pytest.mark.parametrize("odd", ODD)
def test_an_archive_is_an_address(odd: str) -> None:
    """An entry is one line of three kinds of plain words, or it is no archive."""
    good = ArchiveSource("/etc/apt/a.list", 1, ("deb",), ("http://a.test/d",), ("x",), ("y",),
                         signed_by="/key.gpg")  # fmt: skip
    for spoilt in (
        replace(good, uris=(odd,)),
        replace(good, uris=(f"http://{odd}",)),
        replace(good, uris=(f"http://a.test/{odd}",)),
        replace(good, suites=(odd,)),
        replace(good, components=(odd,)),
    ):
        gaps: list[Gap] = []
        survey = replace(make_survey(), sources=(spoilt,))
        recipe = design_recipe(survey, PROFILE, {"/key.gpg": b"key"}, gaps)
        counted = "odd archive entries" in {gap.subject for gap in gaps}
        web = spoilt.uris[0].startswith(("http://", "https://"))
        assert counted is (web and recipe.sources == ()), "none goes without a word"
        for source in recipe.sources:
            words = f"{source.uri} {source.suite} {' '.join(source.components)}"
            assert words.split() == [source.uri, source.suite, *source.components]
            assert words.isprintable() and "[" not in source.suite + "".join(source.components)
        for archive in list_allowed((spoilt,)):
            assert archive.scheme in ("http", "https") and 0 < archive.port < 65536
        find_doubled_sources((spoilt, spoilt))


@given(st.text(max_size=30))
def test_any_address_is_judged(text: str) -> None:
    """An open bracket, a port that is no number: no error, and no entry for it."""
    source = ArchiveSource("f", 1, ("deb",), (f"http://{text}", text), ("x",), ("main",))
    list_allowed((source,))
    find_doubled_sources((source, source))


@pytest.mark.parametrize("odd", ODD)
def test_an_accounts_name_is_a_name(odd: str) -> None:
    """Names of system accounts stand in a here-document that root reads in a tree."""
    survey = make_survey()
    accounts = (
        Account("good", 101, 101, "/", "/bin/sh"),
        Account(odd, 102, 102, "/", "/x"),
    )
    groups = (Group("fine", 103), Group(odd, 104))
    system = replace(survey.system, accounts=accounts, groups=groups)
    script = write_customise_script(describe(replace(survey, system=system)))
    block = script.partition("/tmp/numbers/passwd <<'END'\n")[2].partition("perl /tmp")[0]
    assert "good:x:101:101:::" in block and "fine:x:103:" in block
    lines = [line for line in block.splitlines() if ":x:" in line]
    assert all(line.count(":") in (3, 6) for line in lines)
    others = {line.partition(":")[0] for line in lines} - {"good", "fine"}
    assert all(shlex.quote(name) == name for name in others)


class Recorder:
    """Keeps what a program would have read on standard input."""

    def __init__(self) -> None:
        self.stdin = b""

    def run(self, argv: list[str], *, stdin: bytes = b"", **_: object) -> Completed:
        self.stdin = stdin
        return Completed(tuple(argv), 0, b"", b"")

    def find(self, program: str) -> str:
        return program


@pytest.mark.parametrize("odd", [*ODD, "é", "0x83, bootable"])
def test_a_partition_table_has_ids_only(odd: str, tmp_path: Path) -> None:
    """sfdisk(8) reads a script: types and UUIDs that are none are left out of it."""
    command = Recorder()
    for table in ("gpt", "dos"):
        disks = Disks(command)  # type: ignore[arg-type]
        disks.write_table(tmp_path / "d", table, [(1, 1 << 20, odd, odd)])
        assert command.stdin == f"label: {table}\n1 : size=2048\n".encode()


def test_a_disk_larger_than_any_is_refused(tmp_path: Path) -> None:
    """A server that says its root file system has 8 EiB makes no error without a name."""
    with pytest.raises(NoRoom) as caught:
        Disks(Recorder()).make_empty_disk(tmp_path / "d", (1 << 63) - 1)  # type: ignore[arg-type]
    assert str(tmp_path) in caught.value.where


class Ear:
    """Keeps events."""

    def __init__(self) -> None:
        self.heard: list[object] = []

    def emit(self, event: object) -> None:
        self.heard.append(event)

    def close(self) -> None:
        """Nothing to close."""


def test_a_third_partys_scripts_are_cautioned_of(tmp_path: Path) -> None:
    """A template's build runs the scripts of the packages it installs on the lab host: where
    an archive is not the distribution's own, that is said before it begins."""
    third = ArchiveSource("f", 1, ("deb",), ("http://third.test/d",), ("x",), ("y",),
                          signed_by="/key.gpg")  # fmt: skip
    own = ArchiveSource("f", 2, ("deb",), ("http://own.test/d",), ("bookworm",), ("main",))
    recipe = describe(replace(make_survey(), sources=(third, own)))
    ear = Ear()
    shop = Workshop(
        Store(tmp_path / "state"), Recorder(), Disks(Recorder()), FakeHypervisor(), FakeClock(),  # type: ignore[arg-type]
        ear, "emulation", 1,
    )  # fmt: skip
    aside = tmp_path / "aside"
    aside.mkdir()
    _Build(recipe, "t", aside, tmp_path / "work", shop)._make_tree(aside / "tree.tar")
    cautions = [e.text for e in ear.heard if isinstance(e, Notice) and e.level == "caution"]
    assert len(cautions) == 1
    assert "http://third.test/d run on this lab host" in cautions[0]
