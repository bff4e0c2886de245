"""Two surveys compared: what is told, how grave it is, and what cannot be told."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest
from tests.unit.test_debian_state import read_answers
from tests.unit.test_survey import FixedClock

from forerun.distro.debian import Debian
from forerun.model.digest import seal_digest
from forerun.model.survey import (
    ArchiveSource,
    CleanSurvey,
    Conffile,
    Mount,
    Package,
    Replacement,
    Unit,
)
from forerun.model.system import Account, Block, Interface, Loader, Pin
from forerun.ports.production import ProbeName
from forerun.stages.drift import Drift, compare_surveys, is_stale
from forerun.stages.survey import take_survey
from forerun.testing import FakeEntry, FakeProduction

TREE: dict[str, bytes | FakeEntry] = {
    "/etc/app.conf": b"workers = 4\n",
    "/etc/hosts": b"127.0.0.1 localhost\n10.20.30.40 atlas7.corp.example atlas7\n",
    "/etc/keys.conf": b"password = Hoarfrost-Lantern-52\n",
    "/etc/adjtime": b"0.0 0 0.0\n",
}


def take(
    tree: dict[str, bytes | FakeEntry] | None = None,
    answers: dict[ProbeName, bytes] | None = None,
) -> CleanSurvey:
    return take_survey(
        FakeProduction(answers or read_answers(), {**TREE, **(tree or {})}),
        distro=Debian(), clock=FixedClock(), host="atlas7.corp.example", survey_id="s-1",
        copy_to=io.BytesIO(),
    )  # fmt: skip


@pytest.fixture(scope="module")
def base() -> CleanSurvey:
    return take()


def show(drift: Drift) -> list[tuple[str, str, str, str, str]]:
    return [(r.subject, r.name, r.before, r.after, r.severity) for r in drift.rows]


def test_an_unchanged_server_has_no_drift(base: CleanSurvey) -> None:
    """Two surveys with replacements drawn anew: nothing is told, nothing is stale, and
    the one changed conffile that is not in the copy is named as unsure."""
    drift = compare_surveys(base, take())
    assert show(drift) == [] and not is_stale(drift)
    assert "/etc/bash.bashrc" in drift.unsure and "/etc/app.conf" not in drift.unsure


def test_one_upgraded_package_is_a_warning(base: CleanSurvey) -> None:
    """Named with both versions, and the rehearsal is stale."""
    answers = read_answers()
    answers[ProbeName.PACKAGES] = answers[ProbeName.PACKAGES].replace(
        b"apt\t2.6.1\tamd64", b"apt\t2.6.2\tamd64"
    )
    drift = compare_surveys(base, take(answers=answers))
    assert show(drift) == [("package", "apt:amd64", "2.6.1", "2.6.2", "matters")]
    assert is_stale(drift) and drift.list_reasons()[0].why


def test_one_changed_configuration_file_is_a_warning(base: CleanSurvey) -> None:
    """Also where its size is the same: nothing was replaced in it, so its digest tells."""
    drift = compare_surveys(base, take({"/etc/app.conf": b"workers = 8\n"}))
    assert show(drift) == [
        ("file", "/etc/app.conf", "12 bytes", "12 bytes, other content", "matters")
    ]
    assert is_stale(drift)


def test_one_newly_changed_conffile_is_one_warning(base: CleanSurvey) -> None:
    """The file's own row is not told a second time."""
    row = Conffile("/etc/app.conf", "app", "changed", "1" * 32, "x")
    new = take({"/etc/app.conf": b"workers = 8\n"})
    drift = compare_surveys(base, replace(new, conffiles=(*new.conffiles, row)))
    assert show(drift) == [("conffile", "/etc/app.conf", "as shipped", "changed", "matters")]


def test_a_file_with_replacements(base: CleanSurvey) -> None:
    """Another secret cannot be told from the same one; another size or kind can."""
    same = compare_surveys(base, take({"/etc/keys.conf": b"password = Hoarfrost-Lantern-53\n"}))
    assert show(same) == [] and "/etc/keys.conf" in same.unsure
    longer = compare_surveys(base, take({"/etc/keys.conf": b"password = Hoarfrost-Lantern-5234\n"}))
    assert [row[:2] for row in show(longer)] == [("file", "/etc/keys.conf")]
    assert is_stale(longer)
    text = b"password = Hoarfrost-Lantern-52\npassword = Umber-Quartz-9981\n"
    assert is_stale(compare_surveys(base, take({"/etc/keys.conf": text})))


def test_an_address_may_vary_in_length(base: CleanSurvey) -> None:
    """What stands for an address is longer or shorter by some characters: no change."""
    for _ in range(5):
        assert show(compare_surveys(base, take())) == []


def test_everyday_files_are_notes(base: CleanSurvey) -> None:
    """What the system writes itself makes no rehearsal stale."""
    drift = compare_surveys(base, take({"/etc/adjtime": b"1.5 0 0.0\n"}))
    assert [row[-1] for row in show(drift)] == ["note"] and not is_stale(drift)


def test_owner_mode_and_missing_files(base: CleanSurvey) -> None:
    """A new file matters, another mode is a note."""
    tree: dict[str, bytes | FakeEntry] = {
        "/etc/app.conf": FakeEntry(b"workers = 4\n", mode=0o600),
        "/etc/new.conf": b"a\n",
    }
    rows = show(compare_surveys(base, take(tree)))
    assert rows == [
        ("file", "/etc/app.conf", "file 0644 root:root", "file 0600 root:root", "note"),
        ("file", "/etc/new.conf", "", "file", "matters"),
    ]


def test_sealed_digests_of_one_salt_tell(base: CleanSurvey) -> None:
    """With the earlier survey's salt a further edit of a changed conffile is seen."""

    def make(md5: str, salt: bytes) -> CleanSurvey:
        row = Conffile("/opt/x.conf", "x", "changed", "0" * 32, seal_digest(md5, salt))
        return replace(base, conffiles=(row,))

    salt = b"s" * 16
    assert show(compare_surveys(make("1" * 32, salt), make("1" * 32, salt))) == []
    changed = compare_surveys(make("1" * 32, salt), make("2" * 32, salt))
    assert [(row[0], row[1], row[4]) for row in show(changed)] == [
        ("conffile", "/opt/x.conf", "matters")
    ]
    other = compare_surveys(make("1" * 32, salt), make("1" * 32, b"t" * 16))
    assert show(other) == [] and other.unsure == ("/opt/x.conf",)


def change(base: CleanSurvey, what: str) -> CleanSurvey:
    system, machine = base.system, base.machine
    first = base.packages[0]
    changes: dict[str, CleanSurvey] = {
        "release": replace(base, release=replace(base.release, version="13")),
        "point release": replace(base, release=replace(base.release, point="12.99")),
        "boot mode": replace(base, machine=replace(machine, boot_mode="bios")),
        "memory": replace(base, machine=replace(machine, memory_bytes=machine.memory_bytes * 2)),
        "held": replace(base, packages=(replace(first, held=not first.held), *base.packages[1:])),
        "new package": replace(base, packages=(*base.packages, Package("zz", "1", "all"))),
        "interrupted": replace(base, packages=(replace(first, state="iF"), *base.packages[1:])),
        "automatic": replace(
            base, packages=(replace(first, automatic=not first.automatic), *base.packages[1:])
        ),
        "removed": replace(base, packages=(replace(first, state="rc"), *base.packages[1:])),
        "archive": replace(
            base,
            sources=(*base.sources,
                     ArchiveSource("/f", 1, ("deb",), ("http://v.example",), ("s",), ("main",))),
        ),
        "disabled archive": replace(
            base, sources=(replace(base.sources[0], enabled=False), *base.sources[1:])
        ),
        "pin": replace(
            base, system=replace(system, pins=(*system.pins, Pin("/p", 1, "z", "x", 9)))
        ),
        "unit": replace(
            base, units=(*base.units, Unit("zz.service", "active", "running", "enabled"))
        ),
        "static unit": replace(
            base, units=(*base.units, Unit("zz.service", "inactive", "dead", "static"))
        ),
        "failed": replace(base, units=(*base.units, Unit("zz.service", "failed", "failed", ""))),
        "mount": replace(base, mounts=(*base.mounts, Mount("/dev/sdz", "/z", "ext4"))),
        "block": replace(
            base, system=replace(system, blocks=(*system.blocks, Block("sdz", "disk", 5)))
        ),
        "loader": replace(
            base, system=replace(system, loader=Loader("grub-pc", ("/dev/x",), ("",)))
        ),
        "interface": replace(
            base, system=replace(system, interfaces=(*system.interfaces, Interface("z", "")))
        ),
        "account": replace(
            base, system=replace(system, accounts=(*system.accounts, Account("z", 9, 9)))
        ),
        "age": replace(base, taken_at="2026-03-03T22:00:01Z"),
    }  # fmt: skip
    return changes[what]


@pytest.mark.parametrize(
    ("what", "subject", "stale"),
    [
        ("release", "release", True),
        ("point release", "release", False),
        ("boot mode", "machine", True),
        ("memory", "machine", False),
        ("held", "hold", True),
        ("new package", "package", True),
        ("interrupted", "package state", True),
        ("automatic", "automatic mark", False),
        ("removed", "package", True),
        ("archive", "archive", True),
        ("disabled archive", "archive", True),
        ("pin", "pin", True),
        ("unit", "unit", True),
        ("static unit", "unit", False),
        ("failed", "failed unit", False),
        ("mount", "mount", True),
        ("block", "block device", True),
        ("loader", "boot loader", True),
        ("interface", "interface", False),
        ("account", "account", False),
        ("age", "age", True),
    ],
)
def test_each_subject(base: CleanSurvey, what: str, subject: str, stale: bool) -> None:
    """One change, in the named subject, with the named gravity; backwards too."""
    changed = change(base, what)
    for drift in (compare_surveys(base, changed), compare_surveys(changed, base)):
        if what == "age" and drift.days < 0:
            continue
        assert subject in {row.subject for row in drift.rows}
        assert is_stale(drift) is stale


def test_thirty_days_are_not_too_old(base: CleanSurvey) -> None:
    """The limit is common practice and says so."""
    assert not is_stale(compare_surveys(base, replace(base, taken_at="2026-03-02T22:00:00Z")))
    old = compare_surveys(base, replace(base, taken_at="2026-03-02T22:00:01Z"))
    assert "common practice" in old.list_reasons()[0].why
    assert compare_surveys(base, replace(base, taken_at="soon")).days == -1.0


def test_counts_of_replacements_are_compared(base: CleanSurvey) -> None:
    """One more replacement in a file is a change of the file."""
    entry = next(e for e in base.entries if e.path == "/etc/keys.conf")
    more = replace(
        base,
        entries=tuple(replace(e, digest="0" * 64) if e is entry else e for e in base.entries),
        replacements=(*base.replacements, Replacement("/etc/keys.conf", 9, "named-value", "x")),
    )
    assert is_stale(compare_surveys(base, more))
