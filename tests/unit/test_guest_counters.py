"""A clone's counters from the kernel's own files: real text, and lies."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forerun.stages.guest_counters import (
    GuestMark,
    compare_marks,
    parse_guest_mark,
    read_guest_mark,
    subtract,
)
from forerun.testing import FakeClock, FakeGuest

STAT = """\
cpu  1000 200 300 99999 5555 40 60 77 11 22
cpu0 500 100 150 50000 2777 20 30 38 5 11
cpu1 500 100 150 49999 2778 20 30 39 6 11
intr 123456 0 1 2
ctxt 998877
btime 1769896800
processes 4321
procs_running 1
"""
# As Linux 6.1 (Debian 12) prints them.
IO = (
    "some avg10=0.00 avg60=0.12 avg300=0.40 total=2500000\n"
    "full avg10=0.00 avg60=0.10 avg300=0.33 total=1750000\n"
)
CPU = (
    "some avg10=3.10 avg60=2.00 avg300=1.00 total=6000000\n"
    "full avg10=0.00 avg60=0.00 avg300=0.00 total=0\n"
)
BOOT = "919108f7-52d1-4320-9bac-f847db4148a8"


def test_the_kernels_files_are_understood() -> None:
    """proc(5), /proc/stat: user nice system idle iowait irq softirq steal guest guest_nice, in
    USER_HZ (100 a second); psi.rst: totals in microseconds."""
    mark = parse_guest_mark(STAT, {"io": IO, "cpu": CPU, "memory": ""}, BOOT)
    assert mark == GuestMark(
        boot_id=BOOT, cpus=2, user_s=12.0, system_s=4.0, idle_s=999.99, iowait_s=55.55,
        steal_s=0.77, processes=4321, cpu_some_s=6.0, io_some_s=2.5, io_full_s=1.75,
        memory_full_s=-1.0,
    )  # fmt: skip
    assert mark.busy_s == pytest.approx(16.0)


def test_this_machines_own_files_are_understood() -> None:
    """The real files of the kernel the tests run on read as positive, plausible figures."""
    names = [f"/proc/pressure/{name}" for name in ("cpu", "io", "memory")]
    files = {
        name: Path(name).read_bytes()
        for name in ("/proc/stat", "/proc/sys/kernel/random/boot_id", *names)
        if Path(name).exists()
    }
    mark = read_guest_mark(FakeGuest(FakeClock(), files=files))
    fields = [int(one) for one in files["/proc/stat"].split(b"\n")[0].split()[1:9]]
    assert mark.boot_id and mark.processes > 1000
    assert 0 < mark.busy_s <= sum(fields) / 100
    total = mark.user_s + mark.system_s + mark.idle_s + mark.iowait_s + mark.steal_s
    assert total == pytest.approx(sum(fields) / 100)
    if names[1] in files:
        assert 0 <= mark.io_full_s <= mark.io_some_s


def test_a_kernel_without_pressure_says_so() -> None:
    """Booted with psi=0 the files are not there, or read as nothing: not known, not zero."""
    guest = FakeGuest(FakeClock(), files={"/proc/stat": STAT.encode(), "/proc/pressure/io": b""})
    mark = read_guest_mark(guest)
    assert (mark.io_full_s, mark.cpu_some_s, mark.user_s) == (-1.0, -1.0, 12.0)


def test_a_clone_that_is_away_is_not_known() -> None:
    """No error, no figures."""
    guest = FakeGuest(FakeClock(), files={"/proc/stat": STAT.encode()})
    guest.lost = True
    assert read_guest_mark(guest) == GuestMark()


@pytest.mark.parametrize(
    "stat",
    ["", "cpu", "cpu  1 2 3", "cpu  1 2 3 4 5 6 x", f"cpu {'9' * 200}", f"cpu  {'9' * 5000}",
     "cpu  -1 2 3 4 5 6 7 8", "\x1b[2J", "cpu0 1 2 3 4 5 6 7 8\n"],
)  # fmt: skip
def test_what_is_no_number_is_not_known(stat: str) -> None:
    """A clone's lies: no figure, and no time lost over them."""
    mark = parse_guest_mark(stat, {"io": "some total=-1\nfull total=1e9\n"})
    assert (mark.user_s, mark.idle_s, mark.processes, mark.io_some_s) == (-1, -1, -1, -1)
    assert mark.busy_s == 0


@given(st.text(max_size=300), st.text(max_size=200))
def test_any_text_is_a_mark(stat: str, io: str) -> None:
    """Whatever the files hold: known figures are not negative, unknown ones are -1."""
    mark = parse_guest_mark(stat, {"io": io})
    for figure in (mark.user_s, mark.system_s, mark.idle_s, mark.processes, mark.io_full_s):
        assert figure == -1 or 0 <= figure < 1e15


def test_a_counter_that_went_back_is_not_known() -> None:
    """Smaller than before, or unknown on one side: -1, never negative."""
    assert [subtract(5, 3), subtract(3, 5), subtract(-1, 3), subtract(3, -1)] == [2, -1, -1, -1]


def test_the_boot_decides_what_is_compared() -> None:
    """Of the same boot differences, of another what it has counted itself."""
    first = parse_guest_mark(STAT, {"io": IO}, BOOT)
    same, booted = compare_marks(first, first)
    assert (same.user_s, same.processes, same.io_full_s, booted) == (0, 0, 0, False)
    other, booted = compare_marks(first, parse_guest_mark(STAT, {"io": IO}, BOOT[::-1]))
    assert (other.user_s, other.processes, other.io_full_s, booted) == (12.0, 4321, 1.75, True)
