"""How forecasts held: what was told is kept, scored against what came, and learned from.

Why: people's own dates are met far less often than they believe (in a study of 1994 13, 19
and 45 % finished by the dates they had called 50, 75 and 99 % sure; from memory). Nothing
but earlier forecasts of the same kind says whether these are better.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from forerun.model.estimate import (
    TOLD_LEVELS,
    Actual,
    Prediction,
    Score,
    Told,
    TrackRecord,
)
from forerun.stages.forecast import Draws, curve_of, quantiles_of
from forerun.stages.forecast_inputs import Stretch
from forerun.stages.forecast_laws import Z80, Floats
from forerun.stages.forecast_night import add_up

WINDOW = "window"
OUTAGE = "outage"
# How many nights' worth the belief "forecasts are as sure as they should be" counts for.
SHRINKAGE = 4.0
# A spread is made narrower only on so many nights, and never below this.
NIGHTS_TO_NARROW = 10
LEAST_WIDENED = 0.7
MOST_WIDENED = 10.0
WANTED_HITS = 0.8


def list_told(drawn: Draws) -> Iterator[Told]:
    """Every figure of a forecast under the name by which it will be looked for."""
    yield _tell(WINDOW, drawn.window)
    yield _tell(OUTAGE, drawn.outage)
    for name, seconds in drawn.services:
        yield _tell(f"service {name}", seconds)
    for step, lengths in zip(drawn.night.steps, drawn.lengths, strict=True):
        if step.skipped:
            continue
        whole = add_up(lengths, drawn.window)
        yield _tell(f"step {step.name}", whole)
        yield _tell(f"work {step.name}", whole - lengths.get(Stretch.DOWNLOAD, 0.0))


def _tell(name: str, seconds: Floats) -> Told:
    return Told(name, quantiles_of(seconds), curve_of(seconds, TOLD_LEVELS))


def find_standard_error(scored: Score) -> float:
    """The error in the told law's own standard deviations (of logarithms)."""
    if not 0 < scored.low < scored.high:
        return 0.0
    sd = (math.log(scored.high) - math.log(scored.low)) / (2 * Z80)
    return scored.log_error / sd


def score(prediction: Prediction, actual: Actual) -> tuple[Score, ...]:
    """Every figure that was both told and entered, in the order entered."""
    told = {one.name: one for one in prediction.figures}
    return tuple(_score(told[name], seconds) for name, seconds in actual.figures if name in told)


def _score(told: Told, seconds: float) -> Score:
    low, high = (told.curve[TOLD_LEVELS.index(level)] for level in (0.1, 0.9))
    middle = told.takes.p50
    error = math.log(seconds / middle) if seconds > 0 and middle > 0 else 0.0
    return Score(
        told.name,
        told.takes,
        low,
        high,
        seconds,
        low <= seconds <= high,
        find_place(told.curve, seconds),
        error,
    )


def find_place(curve: Sequence[float], seconds: float) -> float:
    """Where in a told law a value lies: the share of nights that would have been shorter.
    Between the kept quantiles by a straight line; beyond them 0.0 or 1.0."""
    return float(np.interp(seconds, curve, TOLD_LEVELS, left=0.0, right=1.0))


def pick_leading(scores: Sequence[Score]) -> Score | None:
    """The one figure that stands for a night: the window, else the longest step. A night
    counts once, since its figures rise and fall together."""
    window = next((one for one in scores if one.name == WINDOW), None)
    return window or max(scores, key=lambda one: one.actual, default=None)


def keep_track(nights: Sequence[tuple[Prediction, Actual]]) -> TrackRecord:
    """The record of earlier nights, and what spreads are multiplied by because of it.

    Rule: with z the error of a night in the told law's standard deviations, the factor is
    sqrt((4 + sum of z squared) / (4 + nights)): four nights' worth of belief that forecasts
    are right, then what was seen. While fewer than 80 % of the nights lay inside the middle
    80 %, it is never below 1; above that it may narrow, from ten nights on, to 0.7 at most."""
    scored = [pick_leading(score(*night)) for night in nights]
    leading = [one for one in scored if one is not None]
    hits, of = sum(one.inside for one in leading), len(leading)
    if not of:
        return TrackRecord(0, 0, 0.0, 0.0, 1.0)
    errors = [one.log_error for one in leading]
    squares = math.fsum(find_standard_error(one) ** 2 for one in leading)
    factor = math.sqrt((SHRINKAGE + squares) / (SHRINKAGE + of))
    may_narrow = of >= NIGHTS_TO_NARROW and hits / of >= WANTED_HITS
    least = LEAST_WIDENED if may_narrow else 1.0
    return TrackRecord(
        hits=hits,
        of=of,
        bias=math.fsum(errors) / of,
        worst=max(errors, key=abs),
        widened=min(MOST_WIDENED, max(least, factor)),
        places=tuple(one.place for one in leading),
    )
