"""What production's processors do besides: more of them than the clone has, and other work that
wants them. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from forerun.model.estimate import Assumption, Basis
from forerun.model.speed import SpeedReading
from forerun.stages.forecast_inputs import ForecastInputs
from forerun.stages.forecast_laws import Floats, draw_pert, log_sd_of
from forerun.stages.speed_levels import tells_others

_LEAST_OTHERS = 0.05  # processors; any system's own housekeeping takes as much


def say_stated(times: float) -> str:
    """How a spread without a source is told."""
    return (
        f"four in five within a factor of {times:g} either way, stated by forerun; no published "
        "source"
    )


def find_beside(inputs: ForecastInputs) -> tuple[Assumption, float] | None:
    """Work on production's processors against the clone's, where there are more or fewer, and
    the deviation of its logarithm: a start's services run side by side, and so may what waits
    for a processor in a step."""
    ours, theirs = inputs.newest.cpus, inputs.cpus
    if ours < 1 or theirs < 1 or ours == theirs:
        return None
    priors = inputs.priors
    middle = 1 - priors.side_by_side + priors.side_by_side * ours / theirs
    about = Assumption(
        f"work side by side on {theirs} processors for the clone's {ours}",
        middle,
        0.0,
        0.0,
        "times",
        Basis.ASSUMED,
        f"{priors.side_by_side:.0%} of what could, does; {say_stated(priors.beside_times)}",
        "rehearse with as many processors as production has (--cpus)",
    )
    return about, log_sd_of(priors.beside_times)


def count_others(readings: Sequence[SpeedReading]) -> float:
    """Processors that other work took, the mean of all timings that tell it; 0 without one."""
    told = [one.others for one in readings if tells_others(one)]
    return math.fsum(told) / len(told) if told else 0.0


def share_granted(others: Floats, cpus: int) -> Floats:
    """The share of a processor that work of usual priority gets where other work wants so
    many of them: what that leaves, one at most, and not less than half, since Linux shares a
    processor evenly between two that want it (sched(7), SCHED_OTHER)."""
    granted: Floats = np.clip(cpus - others, 0.5, 1.0)
    return granted


def draw_others(
    inputs: ForecastInputs, rng: np.random.Generator, draws: int
) -> tuple[Assumption, Floats] | None:
    """What other work of production's lengthens computing by, and its draws relative to their
    middle. The timing runs at the lowest priority, which gets what other work leaves; the
    upgrade does not. None where no other work was seen, or it leaves a processor free."""
    others, cpus = count_others(inputs.production), max(1, inputs.cpus)
    said = inputs.declared.other_work
    goes_on = said or inputs.priors.other_work
    if others < _LEAST_OTHERS or cpus - others * goes_on.most >= 1:
        return None
    longer = 1 / share_granted(others * draw_pert(rng, goes_on, draws), cpus)
    middle = float(np.median(longer))
    about = Assumption(
        "other work of production's: computing's time for its second alone",
        middle,
        0.0,
        0.0,
        "s",
        Basis.DECLARED if said else Basis.ASSUMED,
        f"while it was timed, other work took {others:.2f} of {cpus} processors; in the night "
        f"{goes_on.least:.0%} to {goes_on.most:.0%} of it goes on, most likely "
        f"{goes_on.likely:.0%} (Beta-PERT){'' if said else ', stated by forerun'}",
        "" if said else "how much of it goes on is not known: say --if other-work=0.2",
    )
    return about, longer / middle
