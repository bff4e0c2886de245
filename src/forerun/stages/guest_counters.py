"""What a clone's kernel has counted since its boot, read through files alone.

Sources: proc(5) (/proc/stat, in USER_HZ), and the kernel's Documentation/accounting/psi.rst:
`some` is the time in which at least one task waited for a resource, `full` that in which all
that were not idle did, so that nothing at all was got on with; `total` is in microseconds.
A clone may say anything: what is no such number is not known.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from forerun.errors import ForerunError
from forerun.ports.guest import Guest

TICKS_PER_SECOND = 100  # USER_HZ of every Linux port in use, proc(5)
BOOT_ID = "/proc/sys/kernel/random/boot_id"
PRESSURES = ("cpu", "io", "memory")
_CPU = re.compile(r"cpu((?: +[0-9]{1,15}){7,12}) *")
_ONE_CPU = re.compile(r"^cpu[0-9]+ ", re.MULTILINE)
_PROCESSES = re.compile(r"^processes ([0-9]{1,15})$", re.MULTILINE)
_PRESSURE = re.compile(r"^(some|full) .{0,80}total=([0-9]{1,15})$", re.MULTILINE)
_BOOT = re.compile(r"[0-9a-f-]{36}")


@dataclass(frozen=True, slots=True)
class GuestMark:
    """Counters since the clone's boot: seconds of all its `cpus` together, processes and
    threads started, seconds of waiting; -1 where they could not be read."""

    boot_id: str = ""
    cpus: int = 1
    user_s: float = -1.0
    system_s: float = -1.0
    idle_s: float = -1.0
    iowait_s: float = -1.0
    steal_s: float = -1.0
    processes: int = -1
    cpu_some_s: float = -1.0
    io_some_s: float = -1.0
    io_full_s: float = -1.0
    memory_full_s: float = -1.0

    @property
    def busy_s(self) -> float:
        """Seconds of work: user and system; idle, waiting and stolen ones are none."""
        return max(0.0, self.user_s) + max(0.0, self.system_s)


def read_guest_mark(guest: Guest) -> GuestMark:
    """The counters now; those of an unreachable clone are not known."""
    stat = _read(guest, "/proc/stat")
    boot = _read(guest, BOOT_ID).strip()
    pressure = {name: _read(guest, f"/proc/pressure/{name}") for name in PRESSURES}
    return parse_guest_mark(stat, pressure, boot if _BOOT.fullmatch(boot) else "")


def _read(guest: Guest, path: str) -> str:
    try:
        return guest.read_file(path).decode("ascii", "replace")
    except (ForerunError, FileNotFoundError):
        return ""


def parse_guest_mark(stat: str, pressure: Mapping[str, str], boot_id: str = "") -> GuestMark:
    """The text of /proc/stat and of the files in /proc/pressure by their names. Nice counts
    as user, interrupts as system; a guest's own guests are in user already."""
    found = _CPU.fullmatch(stat.split("\n", 1)[0])
    ticks = [int(one) / TICKS_PER_SECOND for one in found[1].split()] if found else []
    started = _PROCESSES.search(stat)
    waits: dict[str, float] = {}
    for name, text in pressure.items():
        for kind, total in _PRESSURE.findall(text):
            waits[f"{name} {kind}"] = int(total) / 1e6
    return GuestMark(
        boot_id=boot_id,
        cpus=max(1, len(_ONE_CPU.findall(stat))),
        user_s=ticks[0] + ticks[1] if ticks else -1.0,
        system_s=ticks[2] + ticks[5] + ticks[6] if ticks else -1.0,
        idle_s=ticks[3] if ticks else -1.0,
        iowait_s=ticks[4] if ticks else -1.0,
        steal_s=(ticks[7] if len(ticks) > 7 else 0.0) if ticks else -1.0,
        processes=int(started[1]) if started else -1,
        cpu_some_s=waits.get("cpu some", -1.0),
        io_some_s=waits.get("io some", -1.0),
        io_full_s=waits.get("io full", -1.0),
        memory_full_s=waits.get("memory full", -1.0),
    )


def subtract(later: float, earlier: float) -> float:
    """What a counter grew by; -1 where one is not known, or where it began anew between."""
    return round(later - earlier, 6) if 0 <= earlier <= later else -1.0


def compare_marks(before: GuestMark, after: GuestMark) -> tuple[GuestMark, bool]:
    """What was counted between two marks, and whether the clone was booted between them: it
    is then what was counted since, for the counters of before went with the old boot."""
    booted = bool(before.boot_id and after.boot_id and before.boot_id != after.boot_id)

    def grown(of: Callable[[GuestMark], float]) -> float:
        return of(after) if booted else subtract(of(after), of(before))

    return GuestMark(
        boot_id=after.boot_id,
        cpus=after.cpus,
        user_s=grown(lambda mark: mark.user_s),
        system_s=grown(lambda mark: mark.system_s),
        idle_s=grown(lambda mark: mark.idle_s),
        iowait_s=grown(lambda mark: mark.iowait_s),
        steal_s=grown(lambda mark: mark.steal_s),
        processes=int(grown(lambda mark: mark.processes)),
        cpu_some_s=grown(lambda mark: mark.cpu_some_s),
        io_some_s=grown(lambda mark: mark.io_some_s),
        io_full_s=grown(lambda mark: mark.io_full_s),
        memory_full_s=grown(lambda mark: mark.memory_full_s),
    ), booted
