"""The same work timed on production and on a run's clone, side by side. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence

from forerun.model.speed import SpeedReading, Work
from forerun.stages.forecast_inputs import Priors, RunInput
from forerun.stages.forecast_laws import (
    Level,
    Occasions,
    average_levels,
    log_sd_of,
    pool_occasions,
)
from forerun.stages.speed_levels import find_levels


def pool(levels: Sequence[Level], priors: Priors) -> Occasions:
    """Several timings of one thing as one, with what is assumed of the next."""
    stated = log_sd_of(priors.reading_times)
    return pool_occasions(levels, stated, priors.reading_worth, priors.least_log_sd)


def pair_up(
    work: Work, production: Sequence[SpeedReading], run: RunInput, priors: Priors
) -> tuple[Occasions, Occasions] | None:
    """Both sides' timings of a kind of work, as logarithms; None where one has none. Of
    several subjects (file systems) that both have, the one where production is slowest
    against the clone: the cautious choice. Of kinds of computing their mean: an upgrade's own
    is none of them, and each alone may be lucky."""
    theirs, ours = find_levels(work, production), find_levels(work, run.speeds)
    if not ours or not theirs:
        return None
    shared = [subject for subject in theirs if subject in ours]
    if work is Work.COMPUTE and shared:
        return (
            pool(_average_kinds(work, production, shared), priors),
            pool(_average_kinds(work, run.speeds, shared), priors),
        )
    pairs = [(theirs[one], ours[one]) for one in shared] or [
        (one, other) for one in theirs.values() for other in ours.values()
    ]
    pooled = [(pool(one, priors), pool(other, priors)) for one, other in pairs]
    return max(pooled, key=lambda both: both[0].mean - both[1].mean)


def _average_kinds(
    work: Work, readings: Sequence[SpeedReading], kinds: Sequence[str]
) -> list[Level]:
    """On each occasion the mean of these kinds. One that an occasion lacks (its time ran out) is
    taken to differ from its own mean over all occasions as much as those that were timed do:
    both sides are then means of the same kinds, whatever ran out where."""
    levels = find_levels(work, readings)
    usual = {
        kind: math.fsum(one.mean for one in levels[kind]) / len(levels[kind]) for kind in kinds
    }
    middle = math.fsum(usual.values()) / len(usual)
    found = []
    for own in (find_levels(work, [reading]) for reading in readings):
        off = [Level(own[k][0].mean - usual[k], own[k][0].error) for k in kinds if k in own]
        if off:
            whole = average_levels(off)
            found.append(Level(middle + whole.mean, whole.error))
    return found
