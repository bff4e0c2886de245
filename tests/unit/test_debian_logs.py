"""Parsers of apt's and dpkg's output, on output recorded from a real upgrade of a
578-package Debian 12 tree to Debian 13 (tests/data/recorded)."""

from __future__ import annotations

import gzip
from collections import Counter
from pathlib import Path

import pytest

from forerun.distro.debian_logs import (
    list_changes,
    parse_apt_fetched,
    parse_dpkg_log,
    parse_history_log,
    parse_need_to_get,
    parse_print_uris,
    parse_simulation,
)

RECORDED = Path(__file__).parent.parent / "data" / "recorded"


def read(name: str) -> str:
    return gzip.decompress((RECORDED / name).read_bytes()).decode()


@pytest.mark.parametrize("name", ["apt-simulate-stage1.txt.gz", "apt-simulate-stage2.txt.gz"])
def test_simulation_agrees_with_apts_own_summary(name: str) -> None:
    """The lines counted one by one give the four numbers apt prints at the end."""
    plan = parse_simulation(read(name))
    assert len(plan.upgrades) == plan.upgraded > 0
    assert len(plan.installs) == plan.newly_installed
    assert len(plan.removals) == plan.to_remove
    assert len(plan.kept_back) == plan.not_upgraded


def test_simulation_details() -> None:
    """Versions, archive and architecture of one line; a removal has no new version."""
    plan = parse_simulation(read("apt-simulate-stage2.txt.gz"))
    libc = next(change for change in plan.upgrades if change.name == "libc6")
    assert (libc.old, libc.new) == ("2.36-9+deb12u14", "2.41-12+deb13u5")
    assert (libc.archive, libc.architecture) == ("Debian:13.8/stable", "amd64")
    assert all(change.old and not change.new for change in plan.removals)
    assert plan.configures == len(plan.upgrades) + len(plan.installs)
    assert len(plan.unused) == 38


def test_simulation_of_apt_3_and_of_nothing() -> None:
    """A summary without lines, as apt prints when there is nothing to do."""
    text = "0 upgraded, 0 newly installed, 0 to remove and 0 not upgraded.\n"
    plan = parse_simulation(text)
    assert (plan.upgraded, plan.installs, plan.upgrades) == (0, (), ())
    assert parse_simulation("E: broken\n").upgraded == -1


def test_history_log_totals_match_the_simulation() -> None:
    """Both stages together changed what one simulation had announced: 500, 108, 40."""
    _install, *stages = parse_history_log(read("apt-history.log.gz"))
    kinds = Counter(change.kind for entry in stages for change in entry.changes)
    plan = parse_simulation(read("apt-simulate-stage2.txt.gz"))
    assert kinds == {
        "upgrade": len(plan.upgrades), "install": len(plan.installs), "remove": len(plan.removals)
    }  # fmt: skip
    assert stages[0].started == "2026-11-25 09:39:09"
    assert stages[-1].ended == "2026-11-25 09:45:13"
    assert stages[-1].command.endswith("full-upgrade")


def test_history_log_of_an_interrupted_run() -> None:
    """No End-Date is an empty `ended`; automatic marks and both versions are read."""
    entry = parse_history_log(
        "\nStart-Date: 2026-01-01  10:00:00\nCommandline: apt-get install x\n"
        "Requested-By: op (1000)\nInstall: x:amd64 (1.0-1), y:amd64 (2:3, automatic)\n"
        "Upgrade: z:all (1, 2)\nError: Sub-process dpkg returned an error code (1)\n"
    )[0]
    assert entry.ended == "" and entry.error.startswith("Sub-process")
    assert [(c.name, c.old, c.new, c.automatic) for c in entry.changes] == [
        ("x", "", "1.0-1", False), ("y", "", "2:3", True), ("z", "1", "2", False),
    ]  # fmt: skip


def test_dpkg_log_agrees_with_the_history() -> None:
    """The same 500 upgrades, 108 installs and 40 removals are in dpkg's own log."""
    changes = list_changes(parse_dpkg_log(read("dpkg-upgrade.log.gz")))
    assert Counter(change.kind for change in changes) == {
        "upgraded": 500, "installed": 108, "removed": 40
    }  # fmt: skip


def test_dpkg_log_times_of_one_package() -> None:
    """Unpack, configure and trigger seconds are those between the lines of the log."""
    text = (
        "2026-11-25 09:42:36 upgrade db:amd64 1:10 1:11\n"
        "2026-11-25 09:42:36 status half-configured db:amd64 1:10\n"
        "2026-11-25 09:42:39 status unpacked db:amd64 1:11\n"
        "2026-11-25 09:43:00 startup packages configure\n"
        "2026-11-25 09:44:22 configure db:amd64 1:11 <none>\n"
        "2026-11-25 09:44:27 status half-configured db:amd64 1:11\n"
        "2026-11-25 09:44:30 status installed db:amd64 1:11\n"
        "2026-11-25 09:44:31 trigproc man-db:amd64 2.1 <none>\n"
        "2026-11-25 09:44:35 status installed man-db:amd64 2.1\n"
    )
    db, man = parse_dpkg_log(text)
    assert (db.kind, db.old, db.new) == ("upgraded", "1:10", "1:11")
    assert (db.unpack_s, db.configure_s, db.trigger_s) == (3.0, 8.0, 0.0)
    assert (man.kind, man.trigger_s) == ("", 4.0)
    assert [change.name for change in list_changes((db, man))] == ["db"]


def test_dpkg_log_seconds_never_exceed_the_run() -> None:
    """dpkg works on one package at a time: the sums stay within first to last line."""
    log = read("dpkg-upgrade.log.gz")
    times = parse_dpkg_log(log)
    spent = sum(t.unpack_s + t.configure_s + t.trigger_s for t in times)
    # Two runs: 09:39:09-09:40:53 and 09:41:33-09:45:13 by apt's history log.
    assert 200 < spent <= 104 + 220


def test_dpkg_log_since() -> None:
    """Entries before the given instant belong to another run."""
    log = read("dpkg-upgrade.log.gz")
    assert len(list_changes(parse_dpkg_log(log, since="2026-11-25 09:41:00"))) == 226 + 108 + 40


def test_print_uris() -> None:
    """apt-get(8): 'URI' FILE SIZE HASH; an escaped + in the URI stays as it is."""
    plan = parse_print_uris(
        "'http://archive.example/pool/a/a_1%2b2_amd64.deb' a_1+2_amd64.deb 1234 MD5Sum:0cc1\n"
        "'http://archive.example/pool/b/b_1_all.deb' b_1_all.deb 66 SHA256:ab\n"
        "'http://archive.example/dists/trixie/InRelease' x_InRelease 0 \n"
        "Reading package lists...\n"
    )
    assert (len(plan.files), plan.total_bytes) == (3, 1300)
    assert plan.files[0].file == "a_1+2_amd64.deb"


@pytest.mark.parametrize(
    ("line", "size", "within", "seconds"),
    [
        ("Fetched 156 MB in 1min 2s (2,500 kB/s)", 156_000_000, 500_000, 62.0),
        ("Fetched 8,901 kB in 2s (4,100 kB/s)", 8_901_000, 500, 2.0),
        ("Fetched 12.3 MB in 0s (40.1 MB/s)", 12_300_000, 50_000, 0.0),
        ("Fetched 464 B in 1s (500 B/s)", 464, 0, 1.0),
        ("Fetched 1,024 MB in 1h 1min 1s (1 kB/s)", 1_024_000_000, 500_000, 3661.0),
    ],
)
def test_fetched_line(line: str, size: int, within: int, seconds: float) -> None:
    """apt counts in powers of 1000; the rounding is stated beside the size."""
    found = parse_apt_fetched(f"Get:1 ...\n{line}\nReading package lists...\n")
    assert [(row.size_bytes, row.within_bytes, row.seconds) for row in found] == [
        (size, within, seconds)
    ]


def test_what_apt_needs_to_get_is_summed_over_its_runs() -> None:
    """`Need to get` lines, with and without the part that is there already, in apt's units
    (SizeToStr in apt-pkg/contrib/strutl.cc: powers of 1000)."""
    text = "Need to get 27.2 MB of archives.\nx\nNeed to get 606 kB/1,204 kB of archives.\n"
    assert parse_need_to_get(text) == 27_200_000 + 606_000
    assert parse_need_to_get("Need to get 0 B/96.1 MB of archives.\n") == 0
    assert parse_need_to_get("Fetched 5 B in 0s (1 B/s)\n") == -1
