"""How fast a machine is, from several timings of it. Pure.

One timing is over in seconds, and a machine that others share is twice as slow for seconds and
minutes: repetitions within a timing tell its own noise, and only several timings, on several
occasions, tell what the machine varies by.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from forerun.model.speed import SpeedReading, Work
from forerun.stages.forecast_laws import Level, summarise_logs

_OF_PROCESSOR = (Work.SPAWN, Work.COMPUTE, Work.UNPACK)


def tells_others(reading: SpeedReading) -> bool:
    """Whether it is known how much other work there was on the machine."""
    return reading.others >= 0


def seconds_of(work: Work, reading: SpeedReading) -> dict[str, list[float]]:
    """A kind of work's seconds a unit, by subject; what took none is left out. Work of the
    processor as it would take alone on the machine: without the time in which other work had
    the processor, where that is known."""
    found: dict[str, list[float]] = {}
    own = work in _OF_PROCESSOR and tells_others(reading)
    share = reading.granted if own else 1.0
    for speed in reading.speeds:
        if speed.work is work:
            found.setdefault(speed.subject, []).extend(s * share for s in speed.seconds if s > 0)
    return {subject: seconds for subject, seconds in found.items() if seconds}


def find_levels(work: Work, readings: Sequence[SpeedReading]) -> dict[str, list[Level]]:
    """The logarithm of a unit's seconds on each occasion that timed it, by subject."""
    found: dict[str, list[Level]] = {}
    for reading in readings:
        for subject, seconds in seconds_of(work, reading).items():
            sample = summarise_logs(seconds)
            error = sample.sd / math.sqrt(sample.count)
            found.setdefault(subject, []).append(Level(sample.mean, error))
    return found


def find_unit(
    readings: Sequence[SpeedReading], work: Work, subjects: Sequence[str] = ("",)
) -> tuple[float, str]:
    """Seconds of one unit, the geometric mean of all occasions, and of which subject: the
    first of these that was timed. -1 where none was."""
    found = find_levels(work, readings)
    for subject in subjects:
        if subject in found:
            levels = found[subject]
            return math.exp(math.fsum(one.mean for one in levels) / len(levels)), subject
    return -1.0, ""
