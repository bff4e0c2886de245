"""How fast a machine is, read in the same way on production and on every clone."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


@dataclass(frozen=True, slots=True)
class LabLoad:
    """The lab host during an interval: share of CPU time stolen and busy elsewhere
    (0..1), mean run queue, and pressure-stall shares (0..1; -1 where unknown)."""

    steal: float
    run_queue: float
    psi_cpu: float
    psi_io: float
    psi_memory: float


class Work(Enum):
    """A kind of work that is timed. An upgrade's time is made of these, and they do not
    become faster or slower together: an emulated processor is dear, its storage cheap."""

    SPAWN = "spawn"
    COMPUTE = "compute"
    UNPACK = "unpack"
    SYNC = "sync"
    WRITE = "write"
    READ = "read"
    LINK = "link"


@dataclass(frozen=True, slots=True)
class Speed:
    """One kind of work, timed several times: `seconds` of one `unit` each ("process",
    "round", "MB" of 1,000,000 bytes, "synchronous write" and "read" past the caches, of 4096
    bytes). `subject` says of what where there are several of a kind: an archive's address, the
    program that unpacks (its MB are of what comes out) or computes, the mount point and kind
    of the file system that was written to."""

    work: Work
    unit: str
    seconds: tuple[float, ...]
    subject: str = ""


@dataclass(frozen=True, slots=True)
class SpeedReading:
    """One look at a machine's speed: when (RFC 3339), what it cost, and how busy the machine
    was meanwhile, the timed work included (`load`; for a clone the lab host's). `left_out`
    says what was not timed, or less often than it should, and why, as (what, reason): "sync",
    "xz", "link ADDRESS", "all" for a reading that was cut short. -1 bytes: not told. `granted` is
    the share of the time in which computing, at the lowest priority, had the processor that it
    wanted (0..1; 1 where nothing else wanted one); `others` how many processors other work
    took on the mean (-1: not told)."""

    taken_at: str
    speeds: tuple[Speed, ...]
    wall_s: float
    written_bytes: int = 0
    fetched_bytes: int = 0
    load: LabLoad | None = None
    left_out: tuple[tuple[str, str], ...] = ()
    granted: float = 1.0
    others: float = -1.0
