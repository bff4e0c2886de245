"""What was counted while a step ran: raw differences between its end and its begin.

-1 where a counter could not be read. What a step's time was spent on is derived from
these (`PartTime`) and never stored.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


@dataclass(frozen=True, slots=True)
class StepCounters:
    """Counters of one step (seconds, bytes, counts).

    Of the clone (proc(5)): `user_s`, `system_s`, `idle_s`, `iowait_s`, `steal_s` summed over
    its `cpus`, `processes` (threads among them) started, and pressure: the seconds in which
    some task, or every one that was not idle, waited (`io_some_s`, `io_full_s`, `cpu_some_s`,
    `memory_full_s`). Where the clone was booted in the step, these are since that boot
    (`since_boot`): what the old one counted is gone.
    Of the hypervisor, all disks: bytes and seconds of reading and writing, `reads` and
    `flushes` asked for, and the seconds these took, those of requests under way at once added
    up. Of the gateway: `fetching_s`, in which at least one answer with a body was under way.
    Of the package manager: `packed_bytes` of package files that were unpacked, `unpacked_bytes`
    they became, and the seconds in which a package was being unpacked, configured, or its
    triggers run. `people_s`: waiting for answers.
    """

    cpus: int = 1
    user_s: float = -1.0
    system_s: float = -1.0
    idle_s: float = -1.0
    iowait_s: float = -1.0
    steal_s: float = -1.0
    processes: int = -1
    io_some_s: float = -1.0
    io_full_s: float = -1.0
    cpu_some_s: float = -1.0
    memory_full_s: float = -1.0
    read_bytes: int = -1
    written_bytes: int = -1
    flushes: int = -1
    flush_s: float = -1.0
    read_s: float = -1.0
    write_s: float = -1.0
    fetching_s: float = -1.0
    packed_bytes: int = -1
    unpacked_bytes: int = -1
    unpacking_s: float = -1.0
    configuring_s: float = -1.0
    triggers_s: float = -1.0
    people_s: float = 0.0
    since_boot: bool = False
    reads: int = -1


class Part(Enum):
    """What a stretch of time was spent on. Each part is carried over to production by a
    factor of its own."""

    DOWNLOAD = "download"
    UNPACK = "unpacking"
    SYNC = "waiting for storage"
    WRITE = "reading and writing"
    SPAWN = "starting programs"
    COMPUTE = "computing"
    FIXED = "fixed waits"
    PEOPLE = "people"
    FIRMWARE = "firmware and loader"
    UNEXPLAINED = "not explained"


@dataclass(frozen=True, slots=True)
class PartTime:
    """Seconds of one part, and the amount of work in it where it can be counted ("bytes",
    "processes", "synchronous writes"; -1 where not). `how` says how it was told apart."""

    part: Part
    seconds: float
    amount: float = -1.0
    unit: str = ""
    how: str = ""


@dataclass(frozen=True, slots=True)
class StepParts:
    """A step's time by what it was spent on. The parts add up to `wall_s`."""

    step: str
    wall_s: float
    parts: tuple[PartTime, ...]
