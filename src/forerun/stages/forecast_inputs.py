"""What a forecast is made from, as plain records: the engine reads these and nothing else.

`forecast_gather.py` fills them from stored records, `what_if.py` changes them; both are
pure, so that a what-if and a rehearsal of the same thing go one road.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from forerun.model.counters import PartTime
from forerun.model.speed import SpeedReading, Work
from forerun.model.trial import FaultTried
from forerun.stages.forecast_laws import ThreePoint


class Stretch(Enum):
    """The kinds of time that a step is laid out in: each has a length of its own in
    production, so an outage that lies in one grows with it and with nothing else."""

    WORK = "work"
    DOWNLOAD = "download"
    FIRMWARE = "firmware"
    PEOPLE = "people"


@dataclass(frozen=True, slots=True)
class Span:
    """From `start_s` to `end_s` on the run's clock."""

    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class LaidOut:
    """A part of a step whose place in it is known; what no such part covers is WORK."""

    kind: Stretch
    span: Span


@dataclass(frozen=True, slots=True)
class StepInput:
    """One step as one run saw it. `parts` add up to its length. `pause_s` lies between the step
    before and this one. `prompts` were answered in it. `data_times` is how many times larger
    production's data is than the clone's was, where the step's work grows with it. One that is
    `skipped` takes no time, nor does an outage in it: only its place is left. A `restart` is
    one of the machine. `handling_s` of its computing ran while it fetched: whichever of the two
    takes longer is what is waited for. `reads` and `flushes` were asked of the clone's disks.
    `crowded` is the share of its processors' time in which something that could have run waited
    for one."""

    name: str
    title: str
    stage: str
    span: Span
    parts: tuple[PartTime, ...]
    laid_out: tuple[LaidOut, ...] = ()
    pause_s: float = 0.0
    prompts: int = 0
    data_times: float = 1.0
    skipped: bool = False
    restart: bool = False
    handling_s: float = 0.0
    reads: int = 0
    flushes: int = 0
    crowded: float = 0.0


@dataclass(frozen=True, slots=True)
class OutageInput:
    """One outage of a service in one run."""

    service: str
    span: Span
    ended: bool


@dataclass(frozen=True, slots=True)
class WayBack:
    """A way back as it was timed: `parts` are (name, seconds)."""

    way: str
    title: str
    from_step: str
    parts: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class RunInput:
    """One completed rehearsal. `speeds` were read on its own clone of `cpus` processors (0: not
    known)."""

    id: str
    steps: tuple[StepInput, ...]
    outages: tuple[OutageInput, ...] = ()
    ways_back: tuple[WayBack, ...] = ()
    faults: tuple[FaultTried, ...] = ()
    speeds: tuple[SpeedReading, ...] = ()
    cpus: int = 0


@dataclass(frozen=True, slots=True)
class Watched:
    """A service and the outage its owner agreed to (0: none was agreed)."""

    service: str
    tolerable_s: float = 0.0


# Operators report 3 to 45 minutes of large physical machines; a virtual one is through its
# firmware in seconds (5 s and less were seen on lab hosts).
_FIRMWARE = ThreePoint(10.0, 120.0, 900.0)
VIRTUAL_FIRMWARE = ThreePoint(2.0, 6.0, 60.0)
_REACTION = ThreePoint(5.0, 20.0, 120.0)
_OTHER_WORK = ThreePoint(0.0, 0.5, 1.0)


@dataclass(frozen=True, slots=True)
class Priors:
    """What is assumed where nothing was measured. Each is "four in five lie within times or
    divided by". None of these has a published source: they are wide on purpose, marked as
    assumed wherever they are used, and give way to measurements."""

    ratio_times: float = 1.5  # production against clone, neither timed; per kind of machine part
    carry_times: float = 1.2  # how far timed work stands for the upgrade's own
    reading_times: float = 1.1  # one timing, from its next
    reading_worth: int = 3  # how many timings that is worth against those taken
    side_by_side: float = 0.5  # of what waits for a processor, where there are more of them
    beside_times: float = 1.2  # work on more or fewer processors, from what that says
    night_times: float = 1.2  # one night from the next, where only one was seen
    firmware_times: float = 1.1  # one start's firmware, from the next's
    firmware_worth: int = 4  # how many starts that is worth against those on record
    link_times: float = 3.0  # the line, where it was not timed
    way_back_times: float = 1.5  # production's own way back against the lab's
    least_log_sd: float = 0.01  # a clock's resolution: no spread is less
    link_bits_per_s: float = 20e6
    firmware: ThreePoint = _FIRMWARE
    reaction: ThreePoint = _REACTION
    other_work: ThreePoint = _OTHER_WORK  # the share of what was seen that goes on in the night


@dataclass(frozen=True, slots=True)
class Declared:
    """What somebody said instead of having it measured. `faster` are (kind of work, times)."""

    link_bits_per_s: float = 0.0
    firmware: ThreePoint | None = None
    reaction: ThreePoint | None = None
    other_work: ThreePoint | None = None
    faster: tuple[tuple[Work, float], ...] = ()


@dataclass(frozen=True, slots=True)
class ForecastInputs:
    """Everything. `runs` are comparable, the one asked for last: its steps, outages and
    prompts shape the night. `firmware_s` are production's own firmware and loader times, one
    a boot. `failed` comparable rehearsals did not complete. `widened` multiplies every
    spread, as past forecasts call for. `unscaled` says which data of production make a length
    that nothing rehearsed tells, until somebody says how it grows. `cpus` are production's (0:
    not known). `objections` came up while gathering."""

    runs: tuple[RunInput, ...]
    emulated: bool
    production: tuple[SpeedReading, ...] = ()
    firmware_s: tuple[float, ...] = ()
    watched: tuple[Watched, ...] = ()
    window_s: float = 0.0
    declared: Declared = Declared()
    priors: Priors = Priors()
    failed: int = 0
    widened: float = 1.0
    refused: str = ""
    unscaled: str = ""
    cpus: int = 0
    objections: tuple[str, ...] = ()

    @property
    def newest(self) -> RunInput:
        """The run that the forecast is asked for."""
        return self.runs[-1]
