"""How like production a clone is: what agrees, what does not, and what is not compared."""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forerun.distro.base import ABSENT
from forerun.distro.debian import Debian
from forerun.errors import SurveyFailed
from forerun.model.blueprint import Blueprint, StandInPackage, TemplateRecipe
from forerun.model.likeness import Agreement, PlannedStep, UpgradePlan
from forerun.model.raw import RawSurvey, ServerNames
from forerun.model.survey import (
    ArchiveSource,
    CleanSurvey,
    Conffile,
    ConfigEntry,
    Machine,
    Mount,
    Package,
    Release,
    Socket,
    SurveyCost,
    Unit,
    Withheld,
)
from forerun.model.system import Account, Alternative, Block, Diversion, Group, Pin, SystemFacts
from forerun.ports.production import ProbeName
from forerun.ports.ssh import ExecResult
from forerun.stages.fidelity import compare_likeness, compare_plans, compare_tables
from forerun.stages.fidelity_ground import Judged
from forerun.stages.fidelity_read import (
    NOT_ASKED,
    CloneFacts,
    parse_outsides,
    read_files,
    split_answers,
    survey_clone,
)
from forerun.testing import FakeClock, FakeGuest

RELEASE = Release("debian", "12", "bookworm", "Debian 12", "12.11")
MACHINE = Machine("bios", "6.1.0-37-amd64", "amd64", 2, 1 << 30)
SYSTEM = SystemFacts(
    accounts=(Account("root", 0, 0, "/root", "/bin/bash"), Account("shelf", 998, 998, "/srv")),
    groups=(Group("shelf", 998, ("root",)),),
    blocks=(Block("sda1", "part", 1, fstype="ext4", uuid="1234-u", label="root"),),
    diversions=(Diversion("/bin/x", "/bin/x.old", ":"),),
    alternatives=(Alternative("editor", "/usr/bin/editor", "manual", "/usr/bin/vi"),),
    pins=(Pin("/etc/apt/preferences", 1, "shelf", "version 1*", 1001),),
)
FACTS: dict[str, Any] = {
    "release": RELEASE,
    "machine": MACHINE,
    "packages": (
        Package("apt", "2.6.1", "amd64"),
        Package("shelf", "1.0", "all", held=True, automatic=True),
        Package("past", "1.0", "all", state="rc"),
    ),
    "sources": (ArchiveSource("/a", 1, ("deb",), ("http://a.test/d",), ("s",), ("main",)),),
    "units": (
        Unit("shelf.service", "active", "running", "enabled"),
        Unit("quiet.service", "inactive", "dead", "disabled"),
    ),
    "sockets": (Socket("tcp", "192.0.2.7", 8080, "shelf"),),
    "mounts": (Mount("/dev/sda1", "/", "ext4", "rw,noatime", "1234-u", "root"),),
    "conffiles": (Conffile("/etc/shelf.conf", "shelf", "changed"),),
    "system": SYSTEM,
}
FILES = (
    ConfigEntry("/etc/shelf.conf", "file", 0o640, "root", "shelf", 3, "a" * 64),
    ConfigEntry("/etc/hosts", "file", 0o644, "root", "root", 3, "b" * 64),
    ConfigEntry("/etc/shelf.d", "folder", 0o755, "root", "root"),
)


def make_survey(**changes: Any) -> CleanSurvey:
    return CleanSurvey(
        id="s", taken_at="", host="h", disks=(), entries=changes.pop("entries", FILES),
        withheld=(), replacements=(), not_readable=changes.pop("not_readable", ()),
        cost=SurveyCost(0, 0, 0), **{**FACTS, **changes},
    )  # fmt: skip


def make_clone(**changes: Any) -> CloneFacts:
    files = changes.pop("files", FILES)
    return CloneFacts(RawSurvey(names=ServerNames(), **{**FACTS, **changes}), files)


def make_blueprint(*stand_ins: str, held_back: tuple[tuple[str, str], ...] = ()) -> Blueprint:
    hollow = tuple(StandInPackage(name, "1.0", "all", "") for name in stand_ins)
    recipe = TemplateRecipe("debian", "bookworm", "amd64", "bios", 1, (), stand_ins=hollow)
    return Blueprint("r", "s", "h", recipe, 1, 1, (), (), (), (), held_back, (), ())


def compare(survey: CleanSurvey, clone: CloneFacts, *stand_ins: str) -> dict[str, Agreement]:
    rows = compare_likeness(survey, clone, make_blueprint(*stand_ins))
    assert len({row.subject for row in rows}) == len(rows)
    return {row.subject: row for row in rows}


def test_equal_facts_agree_in_every_subject() -> None:
    """All that is there is alike; a subject with nothing in it is not compared."""
    rows = compare(make_survey(), make_clone())
    assert {name for name, row in rows.items() if row.total == 0} == {"overrides"}
    for row in rows.values():
        assert row.alike == row.total
        assert row.differences == ()
    assert rows["packages"].total == 2  # what is removed but for its configuration is not there
    assert rows["mounts"].total == 4


CHANGES: tuple[tuple[str, dict[str, Any]], ...] = (
    ("packages", {"packages": FACTS["packages"][:1]}),
    (
        "package versions",
        {"packages": (Package("apt", "2.6.0", "amd64"), FACTS["packages"][1])},
    ),
    (
        "holds and automatic marks",
        {"packages": (FACTS["packages"][0], Package("shelf", "1.0", "all", held=True))},
    ),
    ("conffiles", {"conffiles": ()}),
    (
        "configuration files",
        {"files": (dataclasses.replace(FILES[0], digest="c" * 64), *FILES[1:])},
    ),
    ("configuration files", {"files": (dataclasses.replace(FILES[0], mode=0o644), *FILES[1:])}),
    ("archive sources", {"sources": (dataclasses.replace(FACTS["sources"][0], enabled=False),)}),
    ("units at start-up", {"units": (Unit("shelf.service", "active", "running", "disabled"),)}),
    ("running units", {"units": (Unit("shelf.service", "failed", "failed", "enabled"),)}),
    ("listening sockets", {"sockets": (Socket("tcp", "127.0.0.1", 8080, "other"),)}),
    ("mounts", {"mounts": (dataclasses.replace(FACTS["mounts"][0], uuid="other"),)}),
    ("boot mode", {"machine": dataclasses.replace(MACHINE, boot_mode="uefi")}),
    ("running kernel", {"machine": dataclasses.replace(MACHINE, kernel="6.1.0-35-amd64")}),
    ("block devices", {"system": dataclasses.replace(SYSTEM, blocks=())}),
    (
        "users",
        {"system": dataclasses.replace(SYSTEM, accounts=(SYSTEM.accounts[0], Account("x", 1, 1)))},
    ),
    ("groups", {"system": dataclasses.replace(SYSTEM, groups=(Group("shelf", 997, ("root",)),))}),
    ("pins", {"system": dataclasses.replace(SYSTEM, pins=())}),
    ("alternatives", {"system": dataclasses.replace(SYSTEM, alternatives=())}),
    ("diversions", {"system": dataclasses.replace(SYSTEM, diversions=())}),
)


@pytest.mark.parametrize(("subject", "changes"), CHANGES)
def test_one_change_is_one_subjects_difference(subject: str, changes: dict[str, Any]) -> None:
    """A clone that differs in one thing is unlike in that subject, says what it may hide,
    and stays alike in all others."""
    rows = compare(make_survey(), make_clone(**dict(changes)))
    assert rows[subject].alike < rows[subject].total
    assert all(d.hides and not d.explained for d in rows[subject].differences)
    assert [n for n, row in rows.items() if row.alike < row.total] == [subject]


@pytest.mark.parametrize("side", ["production", "clone", "both"])
def test_nothing_read_is_never_an_agreement(side: str) -> None:
    """With the facts of one side empty no subject is wholly alike, and with both empty none
    is compared but for what a survey always has."""
    empty: dict[str, Any] = {
        **{name: () for name, value in FACTS.items() if isinstance(value, tuple)},
        "system": SystemFacts(),
        "machine": Machine("", "", "amd64", 1, 1),
    }
    survey = make_survey(**empty, entries=()) if side != "clone" else make_survey()
    clone = make_clone(**empty, files=()) if side != "production" else make_clone()
    rows = compare(survey, clone).values()
    assert not [row for row in rows if row.total and row.alike == row.total]
    assert all(row.rule.startswith("not compared: ") for row in rows if not row.total)
    if side == "both":
        assert not any(row.total for row in rows)


def test_a_side_that_could_not_be_read_is_not_compared() -> None:
    """A probe without an answer is a reason, on either side, even with equal facts."""
    unread = (Withheld("units", "the service manager did not answer"),)
    here = compare(make_survey(not_readable=unread), make_clone())
    there = compare(make_survey(), make_clone(not_readable=unread))
    for rows, word in ((here, "production"), (there, "the clone")):
        for subject in ("units at start-up", "running units"):
            assert (rows[subject].alike, rows[subject].total) == (0, 0)
            assert word in rows[subject].rule
            assert "did not answer" in rows[subject].rule
        assert rows["packages"].total == 2


def test_a_stand_in_without_content_is_not_alike() -> None:
    """Same name and version in the database are not enough."""
    row = compare(make_survey(), make_clone(), "shelf")["package contents"]
    assert (row.alike, row.total) == (1, 2)
    assert "without content" in row.differences[0].hides
    assert not row.differences[0].explained


def test_forerun_s_own_is_explained_and_not_alike() -> None:
    """Access unit, port, held-back files: each with its reason, none as agreement."""
    units = (*FACTS["units"], Unit("forerun-access.service", "active", "running", "enabled"))
    sockets = (*FACTS["sockets"], Socket("tcp", "0.0.0.0", 20022, "sshd"))
    files = (FILES[0], dataclasses.replace(FILES[1], digest="d" * 64), FILES[2])
    rows = compare(make_survey(), make_clone(units=units, sockets=sockets, files=files))
    for subject in ("units at start-up", "running units", "listening sockets"):
        assert rows[subject].alike == rows[subject].total - 1
        assert [d.explained for d in rows[subject].differences] == [True]
    [row] = rows["configuration files"].differences
    assert (row.name, row.explained) == ("/etc/hosts", True)
    assert "seed" in row.hides


def test_https_is_the_gateways_matter() -> None:
    """An archive asked over http by the clone and https by production is one and the same."""
    https = dataclasses.replace(FACTS["sources"][0], uris=("https://a.test/d",))
    row = compare(make_survey(sources=(https,)), make_clone())["archive sources"]
    assert (row.alike, row.total) == (1, 1)


def test_ids_that_are_replaced_are_not_compared() -> None:
    """Serial numbers and addresses of production are stand-ins: unlike, and no difference."""
    block = dataclasses.replace(SYSTEM.blocks[0], name="vda1", serial="other", model="other")
    socket = Socket("tcp", "127.0.0.1", 8080, "shelf")
    system = dataclasses.replace(SYSTEM, blocks=(block,))
    rows = compare(make_survey(), make_clone(system=system, sockets=(socket,)))
    assert rows["block devices"].differences == rows["listening sockets"].differences == ()


def test_a_disc_is_explained_on_either_side() -> None:
    """A seed's image and a disc in production's drive are no part of the system; another
    device that is absent may hide something."""
    discs = [Block("sr0", "rom", 1, fstype="iso9660", uuid=name) for name in ("here", "there")]
    lost = Block("sdb", "disk", 1, fstype="ext4", uuid="lost")
    rows = compare(
        make_survey(system=dataclasses.replace(SYSTEM, blocks=(*SYSTEM.blocks, discs[0], lost))),
        make_clone(system=dataclasses.replace(SYSTEM, blocks=(*SYSTEM.blocks, discs[1]))),
    )
    told = {d.name: d.explained for d in rows["block devices"].differences}
    assert told == {"UUID here": True, "UUID there": True, "UUID lost": False}


TABLES = st.dictionaries(st.sampled_from("abcdef"), st.sampled_from("xyz"))


@given(TABLES, TABLES)
def test_every_thing_is_alike_or_a_difference(
    here: Mapping[str, str], there: Mapping[str, str]
) -> None:
    """Alike and differences add up to the things on either side, whichever side is which."""
    row = compare_tables("x", "r", here, there, lambda *_: Judged("h"))
    assert row.alike + len(row.differences) == row.total == len({*here, *there})
    back = compare_tables("x", "r", there, here, lambda *_: Judged("h"))
    assert (back.alike, back.total) == (row.alike, row.total)
    assert row.alike == sum(here.get(n) == there.get(n) for n in {*here, *there})


# --- plans


def step(name: str, action: str = "upgrade", new: str = "2") -> PlannedStep:
    return PlannedStep(name, "all", action, "1", new)


def test_plans_are_compared_by_action_and_versions() -> None:
    """Another version, another action and a missing step are each a difference."""
    here = UpgradePlan((step("a"), step("b"), step("c")), (step("d", "remove", ""),), ("e",))
    there = UpgradePlan((step("a"), step("b", new="3"), step("d")), (), ("e",))
    whole, first = compare_plans(here, there)
    assert (whole.alike, whole.total) == (2, 5)
    assert {d.name for d in whole.differences} == {"b", "c", "d"}
    assert (first.alike, first.total) == (0, 0)
    assert "not compared" in first.rule


def test_another_package_manager_is_said_and_not_counted() -> None:
    """The version that planned, and archives left out, may hide something."""
    plan = UpgradePlan((step("a"),), manager="3.0.3")
    whole, _ = compare_plans(
        plan, dataclasses.replace(plan, problems=("W: old key",)), own_manager="2.6.1"
    )
    assert (whole.alike, whole.total) == (1, 1)
    assert [d.production for d in whole.differences] == ["not said", "2.6.1"]
    assert all(d.hides and not d.explained for d in whole.differences)


def test_a_plan_that_was_not_made_is_not_compared() -> None:
    """Whichever side has none."""
    plan = UpgradePlan((step("a"),))
    none = UpgradePlan(reason="this lab host has no apt-get")
    for here, there in ((plan, none), (none, plan), (none, none)):
        rows = compare_plans(here, there)
        assert [(row.alike, row.total) for row in rows] == [(0, 0), (0, 0)]
        assert all("no apt-get" in row.rule for row in rows)


# --- reading the clone


def answer_probes(script: str, answers: Mapping[ProbeName, bytes]) -> ExecResult:
    """What a shell would print for the probes, by the mark that the script chose."""
    mark = script.split()[2].encode()
    out = b"".join(
        mark + probe.value.encode() + b"\n" + answers.get(probe, b"") + mark + b" 0\n"
        for probe in ProbeName
        if f" {probe.value};" in script
    )
    return ExecResult(0, out, b"")


ANSWERS = {
    ProbeName.OS_RELEASE: b'ID=debian\nVERSION_ID="12"\n',
    ProbeName.MACHINE: b"6.1.0\namd64\n2\nbios\nMemTotal: 1000 kB\nquiet\n",
    ProbeName.PACKAGES: b"apt\t2.6.1\tamd64\tii \n",
    ProbeName.CONTROL: b"Package: apt\nStatus: install ok installed\nArchitecture: amd64\n",
}


def test_a_clone_is_read_by_production_s_own_probes() -> None:
    """Every probe that is asked is the distro's own command; one script asks them all."""
    guest = FakeGuest(FakeClock(), answers={"--": lambda script: answer_probes(script, ANSWERS)})
    raw = survey_clone(guest, Debian())
    assert [p.name for p in raw.packages] == ["apt"]
    assert raw.machine.kernel == "6.1.0"
    [script] = guest.ran
    for probe, command in Debian().probes().items():
        asked = probe.value not in NOT_ASKED
        assert (f" {probe.value};" in script) is asked
        if asked and "'" not in command:
            assert command in script
    assert {row.path for row in raw.not_readable} >= {"archives"}


def test_a_clone_that_gives_no_packages_is_an_error() -> None:
    """As for production: nothing can be said without them."""
    guest = FakeGuest(FakeClock(), answers={"--": lambda script: answer_probes(script, {})})
    with pytest.raises(SurveyFailed):
        survey_clone(guest, Debian())


def test_a_probe_cut_short_or_failed_is_no_answer() -> None:
    """Half an answer must not pass for a whole one."""
    found = split_answers(b"Munits\na b\nM 0\nMsockets\nxM 1\nMmounts\nhalf", b"M")
    assert found["units"] == b"a b\n"
    assert found["sockets"].startswith(ABSENT)
    assert found["mounts"].startswith(ABSENT)


def test_outsides_of_files_are_read() -> None:
    """Records as stat(1) prints them: mode in hexadecimal, target after the arrow."""
    text = (
        "/etc/a b\t81a4\troot\tshelf\t12\t/etc/a b\0/etc/l\ta1ff\troot\troot\t3\t/etc/l -> ../x\0"
        "/etc/d\t41ed\troot\troot\t4096\t/etc/d\0cut\t1"
    )
    assert parse_outsides(text) == (
        ConfigEntry("/etc/a b", "file", 0o644, "root", "shelf", 12),
        ConfigEntry("/etc/l", "symlink", 0o777, "root", "root", link="../x"),
        ConfigEntry("/etc/d", "folder", 0o755, "root", "root"),
    )


def test_files_of_the_copy_get_their_digests() -> None:
    """Only paths that were asked for, by a list that is removed again."""
    digest = hashlib.sha256(b"x = 1\n").hexdigest()

    def answer(script: str) -> ExecResult:
        mark = script.partition("printf %s ")[2].partition(";")[0]
        text = (
            f"/etc/a\t81a4\troot\troot\t6\t/etc/a\0/x\t81a4\ta\tb\t1\t/x\0{mark}{digest}  /etc/a\0"
        )
        return ExecResult(0, text.encode(), b"")

    guest = FakeGuest(FakeClock(), answers={"stat": answer})
    wanted = ConfigEntry("/etc/a", "file", 0o644, "root", "root", 6, digest)
    assert read_files(guest, (wanted, ConfigEntry("/etc/d", "folder", 0o755, "r", "r"))) == (
        wanted,
    )
    assert guest.files["/run/forerun-paths"] == b"/etc/a\0/etc/d\0"
    assert guest.files["/run/forerun-paths-files"] == b"/etc/a\0"
    assert guest.ran[0].endswith("rm -f /run/forerun-paths /run/forerun-paths-files")
    assert read_files(guest, ()) == ()
