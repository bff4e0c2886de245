"""The lab host's load and memory, read from a folder that looks like /proc."""

from __future__ import annotations

import os
import pwd
from pathlib import Path

import pytest

from forerun.model.speed import LabLoad
from forerun.ports.labhost import LabHost

# Text of a Linux 6.1 kernel; fields as in proc(5) and Documentation/accounting/psi.rst.
STAT = "cpu  {user} 0 200 5000 30 0 10 {steal} 0 0\ncpu0 1 2 3 4 5 6 7 8 9 10\nintr 1\n"
MEMINFO = "MemTotal:       24683520 kB\nMemFree:  100 kB\nMemAvailable:   8388608 kB\n"


def fill(proc: Path, *, user: int, steal: int, pressure: int | None, load: str) -> None:
    (proc / "stat").write_text(STAT.format(user=user, steal=steal))
    (proc / "loadavg").write_text(f"{load} 1.10 0.90 2/345 6789\n")
    (proc / "meminfo").write_text(MEMINFO)
    if pressure is not None:
        (proc / "pressure").mkdir(exist_ok=True)
        for name in ("cpu", "io", "memory"):
            (proc / "pressure" / name).write_text(
                f"some avg10=0.00 avg60=0.00 avg300=0.00 total={pressure}\n"
                "full avg10=0.00 avg60=0.00 avg300=0.00 total=7\n"
            )


def test_memory_is_total_and_available(tmp_path: Path) -> None:
    """/proc/meminfo counts in KiB (proc(5)); "available" is what a new program can have."""
    fill(tmp_path, user=0, steal=0, pressure=None, load="0.00")
    assert LabHost(tmp_path).memory_bytes() == (24683520 * 1024, 8 * 1024**3)


def test_shares_of_an_interval(tmp_path: Path) -> None:
    """400 ticks passed, 100 of them stolen: 0.25; 2.5 s of pressure in 10 s: 0.25."""
    lab = LabHost(tmp_path)
    fill(tmp_path, user=1000, steal=40, pressure=1_000_000, load="0.50")
    before = lab.mark_load(100.0)
    fill(tmp_path, user=1300, steal=140, pressure=3_500_000, load="2.75")
    after = lab.mark_load(110.0)
    assert lab.load_between(before, after) == LabLoad(0.25, 2.75, 0.25, 0.25, 0.25)


def test_guest_time_is_not_counted_twice(tmp_path: Path) -> None:
    """proc(5): guest and guest_nice, fields 9 and 10, are already in user and nice."""
    lab = LabHost(tmp_path)
    fill(tmp_path, user=0, steal=0, pressure=None, load="0.00")
    plain = lab.mark_load(0.0)
    text = (tmp_path / "stat").read_text().replace(" 0 0\n", " 900 90\n", 1)
    (tmp_path / "stat").write_text(text)
    assert lab.mark_load(0.0).total_ticks == plain.total_ticks


def test_a_kernel_without_pressure_is_unknown_not_zero(tmp_path: Path) -> None:
    """Without /proc/pressure the shares are -1, "unknown"."""
    lab = LabHost(tmp_path)
    fill(tmp_path, user=0, steal=0, pressure=None, load="0.10")
    mark = lab.mark_load(1.0)
    load = lab.load_between(mark, mark)
    assert (load.psi_cpu, load.psi_io, load.psi_memory) == (-1.0, -1.0, -1.0)
    assert load.steal == 0.0


def test_two_marks_at_once_divide_by_nothing(tmp_path: Path) -> None:
    """An interval of no length gives shares in 0..1."""
    lab = LabHost(tmp_path)
    fill(tmp_path, user=5, steal=5, pressure=10, load="0.10")
    mark = lab.mark_load(1.0)
    load = lab.load_between(mark, mark)
    assert load == LabLoad(0.0, 0.1, 0.0, 0.0, 0.0)


def test_this_kernels_own_files_are_understood() -> None:
    """On the real /proc: load, memory, processors and the boot's id can be read."""
    lab = LabHost()
    total, available = lab.memory_bytes()
    assert total > available > 0
    assert lab.cpus() >= 1
    assert len(lab.boot_id()) == 36
    first, second = lab.mark_load(0.0), lab.mark_load(1.0)
    load = lab.load_between(first, second)
    assert 0.0 <= load.steal <= 1.0
    assert load.run_queue >= 0.0


def test_free_room_of_a_folder_that_is_not_there_yet(tmp_path: Path) -> None:
    """The nearest parent that exists is asked."""
    there = LabHost().free_bytes(tmp_path)
    deeper = LabHost().free_bytes(tmp_path / "a" / "b" / "c")
    assert there > 0
    assert deeper == pytest.approx(there, rel=0.05)


@pytest.mark.parametrize(
    ("text", "count"),
    [
        ("", 0),
        ("other:100000:65536\n", 0),
        ("{name}:100000:65536\n", 65536),
        ("{uid}:100000:65536\n{name}:300000:1000\n", 66536),
        ("# {name}\n{name}:1\n", 0),
    ],
)
def test_numbers_to_hand_out_are_counted(tmp_path: Path, text: str, count: int) -> None:
    """subuid(5): login name or number, first number, count; several lines add up."""
    uid = os.getuid()
    file = tmp_path / "subuid"
    file.write_text(text.format(uid=uid, name=pwd.getpwuid(uid).pw_name))
    assert LabHost().subordinate_ids(file) == count


def test_without_the_file_there_are_none(tmp_path: Path) -> None:
    """A lab host without it hands out nothing."""
    assert LabHost().subordinate_ids(tmp_path / "none") == 0
