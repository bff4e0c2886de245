"""The same work timed on production and on a run's clone, side by side. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence

from forerun.model.speed import SpeedReading, Work
from forerun.stages.forecast_inputs import RunInput
from forerun.stages.forecast_laws import Sample, summarise_logs


def seconds_of(work: Work, reading: SpeedReading) -> dict[str, list[float]]:
    """A kind of work's seconds a unit, by subject; what took none is left out."""
    found: dict[str, list[float]] = {}
    for speed in reading.speeds:
        if speed.work is work:
            found.setdefault(speed.subject, []).extend(s for s in speed.seconds if s > 0)
    return {subject: seconds for subject, seconds in found.items() if seconds}


def pair_up(
    work: Work, production: SpeedReading | None, run: RunInput
) -> tuple[Sample, Sample] | None:
    """Both sides' timings of a kind of work, as logarithms; None where one has none. Of
    several subjects (file systems) that both have, the one where production is slowest
    against the clone: the cautious choice. Of kinds of computing their mean: an upgrade's own
    is none of them, and each alone may be lucky."""
    ours: dict[str, list[float]] = {}
    for reading in run.speeds:
        for subject, seconds in seconds_of(work, reading).items():
            ours.setdefault(subject, []).extend(seconds)
    theirs = seconds_of(work, production) if production else {}
    if not ours or not theirs:
        return None
    shared = [subject for subject in theirs if subject in ours]
    pairs = [(theirs[one], ours[one]) for one in shared] or [
        (one, other) for one in theirs.values() for other in ours.values()
    ]
    samples = [(summarise_logs(one), summarise_logs(other)) for one, other in pairs]
    if work is Work.COMPUTE:
        return _average([one for one, _ in samples]), _average([other for _, other in samples])
    return max(samples, key=lambda both: both[0].mean - both[1].mean)


def _average(samples: Sequence[Sample]) -> Sample:
    """The mean of several, spread as one of them is: the pooled deviation of all, with all
    their degrees of freedom (NIST/SEMATECH handbook 7.3.1)."""
    freedom = sum(one.count - 1 for one in samples)
    squares = math.fsum(one.sd * one.sd * (one.count - 1) for one in samples)
    mean = math.fsum(one.mean for one in samples) / len(samples)
    return Sample(freedom + 1, mean, math.sqrt(squares / freedom) if freedom else 0.0)
