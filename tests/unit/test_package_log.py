"""The package manager's log, step by step, and the sizes of what it unpacked."""

from __future__ import annotations

from forerun.stages.package_log import PackageLog, PackageWork, sum_sizes
from forerun.testing import FakeClock, FakeGuest

LOG = "/var/log/dpkg.log"
OLD = b"""\
2026-01-31 21:00:00 upgrade old:amd64 1 2
2026-01-31 21:00:09 status installed old:amd64 2
"""
FIRST = b"""\
2026-01-31 22:10:00 upgrade nano:amd64 7.2-1 1:8.4-1
2026-01-31 22:10:02 status unpacked nano:amd64 1:8.4-1
2026-01-31 22:10:03 configure nano:amd64 1:8.4-1 <none>
2026-01-31 22:10:04 status installed nano:amd64 1:8.4-1
"""
SECOND = b"""\
2026-01-31 22:20:00 trigproc man-db:amd64 2.11.2-2 <none>
2026-01-31 22:20:05 status installed man-db:amd64 2.11.2-2
"""
SIZES = """\
nano amd64 1:8.4-1 2900
man-db amd64 2.11.2-2 3000
-- files --
nano_1%3a8.4-1_amd64.deb 690000
partial 5
"""


def open_log() -> tuple[PackageLog, FakeGuest]:
    guest = FakeGuest(
        FakeClock(),
        files={LOG: OLD},
        answers={"date '+": "2026-01-31 22:00:00\n", "dpkg-query": SIZES},
    )
    log = PackageLog(guest)
    log.start()
    return log, guest


def test_each_step_has_its_own_seconds() -> None:
    """Unpacking, configuring and triggers by step, as dpkg(1) logs them; sizes are asked for
    where packages were unpacked, and only there. What the template did is in none."""
    log, guest = open_log()
    assert log.take_step() == PackageWork(0.0, 0.0, 0.0, 0, 0)
    guest.files[LOG] += FIRST
    assert log.take_step() == PackageWork(2.0, 1.0, 0.0, 690_000, 2900 * 1024)
    guest.files[LOG] += SECOND
    asked = len(guest.ran)
    assert log.take_step() == PackageWork(0.0, 0.0, 5.0, 0, 0)
    assert len(guest.ran) == asked
    assert [(one.name, one.unpack_s) for one in log.changes()] == [("nano", 2.0)]


def test_a_log_that_cannot_be_read_is_not_known() -> None:
    """No log: nothing is known. A clone that goes away later: nothing is new."""
    log, guest = open_log()
    del guest.files[LOG]
    assert log.take_step() == PackageWork()
    guest.files[LOG] = OLD + FIRST
    assert log.take_step().unpacking_s == 2.0
    guest.lost = True
    assert log.take_step() == PackageWork(0.0, 0.0, 0.0, 0, 0)
    assert len(log.changes()) == 1


def test_a_sum_with_holes_is_not_known() -> None:
    """A package file that is gone, a package that is not listed, an answer that is garbage."""
    log, guest = open_log()
    guest.files[LOG] += FIRST
    guest.answers["dpkg-query"] = SIZES.replace("nano_1", "pico_1")
    assert log.take_step() == PackageWork(2.0, 1.0, 0.0, -1, 2900 * 1024)
    guest.answers["dpkg-query"] = SIZES.replace(" 2900", "")
    guest.files[LOG] += FIRST.replace(b"22:10", b"22:30")
    assert log.take_step() == PackageWork(2.0, 1.0, 0.0, 690_000, 690_000), "no Installed-Size"
    for garbage in ("", "nano amd64 1:8.4-1 x\n", "\0\x1b[2J", "-- files --\n"):
        assert sum_sizes(garbage, []) == (0, 0)
        log, guest = open_log()
        guest.files[LOG] += FIRST
        guest.answers["dpkg-query"] = garbage
        assert log.take_step() == PackageWork(2.0, 1.0, 0.0, -1, -1)
