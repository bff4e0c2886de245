"""The one door to the lab host's own state: memory, disk, load, ports."""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import socket
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from forerun.model.speed import LabLoad


@dataclass(frozen=True, slots=True)
class LoadMark:
    """Cumulative counters at one instant, to take a difference from."""

    at_s: float
    total_ticks: int
    steal_ticks: int
    psi_us: tuple[int, int, int]
    run_queue: float


class LabHost:
    """This machine, read through /proc (proc(5)) and the standard library."""

    def __init__(self, proc: Path = Path("/proc")) -> None:
        self._proc = proc

    def cpus(self) -> int:
        """Processors this process may use."""
        return len(os.sched_getaffinity(0))

    def memory_bytes(self) -> tuple[int, int]:
        """(total, available) memory."""
        fields = dict(
            line.split(":", 1) for line in (self._proc / "meminfo").read_text().splitlines()
        )
        total, available = (
            int(fields[name].split()[0]) * 1024 for name in ("MemTotal", "MemAvailable")
        )
        return total, available

    def free_bytes(self, folder: Path) -> int:
        """Free room on the file system of that folder or its nearest parent."""
        while not folder.exists():
            folder = folder.parent
        return shutil.disk_usage(folder).free

    def is_root(self) -> bool:
        """Whether this process may do everything."""
        return os.geteuid() == 0

    def subordinate_ids(self, file: Path = Path("/etc/subuid")) -> int:
        """How many user numbers this process's user may hand out (subuid(5))."""
        uid = os.getuid()
        try:
            owners = {str(uid), pwd.getpwuid(uid).pw_name}
            lines = file.read_text(encoding="utf-8").splitlines()
        except (KeyError, OSError):
            return 0
        fields = [line.split(":") for line in lines]
        return sum(int(one[2]) for one in fields if len(one) == 3 and one[0] in owners)

    def boot_id(self) -> str:
        """Changes at every boot of this machine."""
        return (self._proc / "sys/kernel/random/boot_id").read_text().strip()

    def uptime_s(self) -> float:
        """Seconds since this machine booted, sleep included; no clock setting moves it."""
        return float((self._proc / "uptime").read_text().split()[0])

    def mark_load(self, now: float) -> LoadMark:
        """Counters for `LoadMark`; pressure is -1 where the kernel does not tell."""
        said = {name: (self._proc / name).read_text() for name in ("stat", "loadavg")}
        for name in PRESSURES:
            with contextlib.suppress(OSError):
                said[name] = (self._proc / name).read_text()
        return parse_load({name: text.split("\n")[0] for name, text in said.items()}, now)

    def load_between(self, before: LoadMark, after: LoadMark) -> LabLoad:
        """The load of the interval between two marks."""
        return compare_loads(before, after)


PRESSURES = ("pressure/cpu", "pressure/io", "pressure/memory")


def parse_load(said: Mapping[str, str], now: float) -> LoadMark:
    """Counters from the first lines of files in /proc by name: stat, loadavg (proc(5)) and
    PRESSURES (Documentation/accounting/psi.rst: `total` is microseconds). Raises ValueError,
    IndexError or KeyError where they are not of that shape."""
    cpu = [int(field) for field in said["stat"].split()[1:]]
    psi = [int(said[name].rpartition("total=")[2]) if name in said else -1 for name in PRESSURES]
    return LoadMark(
        now,
        sum(cpu[:8]),
        cpu[7] if len(cpu) > 7 else 0,
        (psi[0], psi[1], psi[2]),
        float(said["loadavg"].split()[0]),
    )


def compare_loads(before: LoadMark, after: LoadMark) -> LabLoad:
    """Shares of the interval between two marks; the run queue is the later 1 min mean."""
    ticks = max(1, after.total_ticks - before.total_ticks)
    wall_us = max(1.0, (after.at_s - before.at_s) * 1e6)
    shares = [
        -1.0 if late < 0 else min(1.0, max(0.0, (late - early) / wall_us))
        for early, late in zip(before.psi_us, after.psi_us, strict=True)
    ]
    return LabLoad(
        steal=round((after.steal_ticks - before.steal_ticks) / ticks, 4),
        run_queue=after.run_queue,
        psi_cpu=round(shares[0], 4),
        psi_io=round(shares[1], 4),
        psi_memory=round(shares[2], 4),
    )


def find_free_port() -> int:
    """A loopback TCP port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
