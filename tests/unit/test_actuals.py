"""A real night's logs: which transactions are the upgrade's, and what they took.

The logs are those of a real Debian 12 to 13 upgrade (tests/data/recorded).
"""

from __future__ import annotations

import gzip
import re
from dataclasses import replace
from pathlib import Path

import pytest

from forerun.distro.debian_logs import list_changes, parse_dpkg_log
from forerun.errors import UsageError
from forerun.model.observation import RunRecord
from forerun.model.profile import Profile
from forerun.ports.log_files import MOST_BYTES, read_log
from forerun.ports.records import load_record
from forerun.profiles import find_profile, load_profile
from forerun.stages.actuals import find_belonging, find_verb, list_verbs, make_actual, sort_logs

DATA = Path(__file__).parents[1] / "data"
HISTORY = DATA / "recorded" / "apt-history.log.gz"
DPKG = DATA / "recorded" / "dpkg-upgrade.log.gz"


@pytest.fixture(scope="module")
def profile() -> Profile:
    return load_profile(find_profile("debian-12-to-13"))


@pytest.fixture(scope="module")
def run() -> RunRecord:
    """A rehearsal that changed what the recorded upgrade changed."""
    record = load_record(RunRecord, DATA / "run-record-shelf01.json")
    return replace(record, packages=list_changes(parse_dpkg_log(read_log(DPKG))))


def test_the_upgrades_transactions_are_found_and_timed(run: RunRecord, profile: Profile) -> None:
    """Of the recorded log's three the installation half an hour before is left out; the
    other two are the two upgrade steps with apt's own 104 and 220 s."""
    logs = sort_logs([("history.log", read_log(HISTORY)), ("dpkg.log", read_log(DPKG))])
    found = find_belonging(run, profile, logs)
    assert [(one.step, one.seconds) for one in found] == [
        ("minimal-upgrade", 104.0),
        ("full-upgrade", 220.0),
    ]
    actual = make_actual(run, found, ["history.log"], entered_at="2026-11-26T00:00:00Z")
    assert actual.figures == (("work minimal-upgrade", 104.0), ("work full-upgrade", 220.0))


def test_a_transaction_cut_off_ends_where_dpkgs_log_does(run: RunRecord, profile: Profile) -> None:
    """Without End-Date (apt was killed) dpkg's last line before the next begin counts; with
    no log of dpkg the length stays unknown and is said."""
    cut = re.sub(r"End-Date: 2026-11-25  09:40:53\n", "", read_log(HISTORY))
    both = sort_logs([("h", cut), ("d", read_log(DPKG))])
    first = find_belonging(run, profile, both)[0]
    assert 90 <= first.seconds <= 104
    alone = find_belonging(run, profile, sort_logs([("h", cut)]))
    assert alone[0].seconds == -1
    actual = make_actual(run, alone, (), entered_at="n")
    assert [name for name, _ in actual.figures] == ["work full-upgrade"]
    assert "1 transactions have no end" in actual.note


def test_a_second_go_is_the_same_step(run: RunRecord, profile: Profile) -> None:
    """The operator starts the upgrade again: one step, the sum of both."""
    text = read_log(HISTORY)
    again = text + "\n" + text[text.rindex("Start-Date") :].replace("09:4", "10:4")
    found = find_belonging(run, profile, sort_logs([("h", again)]))
    assert [one.step for one in found] == ["minimal-upgrade", "full-upgrade", "full-upgrade"]
    actual = make_actual(run, found, (), entered_at="n")
    assert dict(actual.figures)["work full-upgrade"] == 440.0


def test_another_servers_logs_are_refused(run: RunRecord, profile: Profile) -> None:
    """Nothing changed as in the rehearsal: an error that says what to bring."""
    other = replace(run, packages=run.packages[:0])
    found = find_belonging(other, profile, sort_logs([("h", read_log(HISTORY))]))
    assert found == ()
    with pytest.raises(UsageError, match="belongs to the upgrade"):
        make_actual(other, found, (), entered_at="n")
    window = make_actual(other, found, (), entered_at="n", window_s=3000.0)
    assert window.figures == (("window", 3000.0),)


def test_verbs_of_the_shipped_profile(profile: Profile) -> None:
    """Each step that changes packages by apt has its command; simulations have none."""
    assert list_verbs(profile) == (
        ("last-point-release", "prepare", "full-upgrade"),
        ("minimal-upgrade", "window", "upgrade"),
        ("full-upgrade", "window", "full-upgrade"),
        ("autoremove", "tidy", "autoremove"),
        ("leftover-configuration", "tidy", "purge"),
    )


@pytest.mark.parametrize(
    ("command", "verb"),
    [
        ("apt-get -q -o DPkg::Lock::Timeout=300 dist-upgrade", "full-upgrade"),
        ("apt upgrade --without-new-pkgs", "upgrade"),
        ("/usr/bin/unattended-upgrade", ""),
        ("", ""),
    ],
)
def test_what_a_command_does(command: str, verb: str) -> None:
    """dist-upgrade is full-upgrade's older name (apt-get(8))."""
    assert find_verb(command) == verb


def test_files_that_are_no_logs(tmp_path: Path) -> None:
    """Anything else is refused by name; so are dpkg's logs without apt's."""
    with pytest.raises(UsageError) as caught:
        sort_logs([("passwd", "root:x:0:0::/root:/bin/sh\n")])
    assert caught.value.where == "passwd"
    with pytest.raises(UsageError, match="history log is missing"):
        sort_logs([("d", read_log(DPKG))])
    with pytest.raises(UsageError):
        read_log(tmp_path / "none")
    broken = tmp_path / "history.log.gz"
    broken.write_bytes(HISTORY.read_bytes()[:200])
    with pytest.raises(UsageError):
        read_log(broken)


def test_a_log_that_unpacks_without_end_is_refused(tmp_path: Path) -> None:
    """64 MiB unpacked are the most that is read, however small the file is."""
    bomb = tmp_path / "history.log.gz"
    with gzip.open(bomb, "wb", compresslevel=9) as out:
        for _ in range((MOST_BYTES >> 20) + 1):
            out.write(bytes(1 << 20))
    assert bomb.stat().st_size < 1 << 20
    with pytest.raises(UsageError, match="too large"):
        read_log(bomb)
