"""The forecast for production: seeded draws of one night, and what they say.

Method: propagation of distributions by Monte Carlo (JCGM 101). The same inputs, seed and
number of draws give the same figures.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from forerun.model.estimate import (
    BackOutForecast,
    Contributor,
    Forecast,
    Hazard,
    Histogram,
    Quantiles,
    ServiceForecast,
    StepForecast,
    TrackRecord,
    Wish,
)
from forerun.model.speed import Work
from forerun.stages.forecast_factors import (
    CPU,
    FIRMWARE,
    WAY_BACK,
    Factors,
    can_carry_over,
    draw_factors,
)
from forerun.stages.forecast_inputs import ForecastInputs, Stretch, WayBack
from forerun.stages.forecast_laws import Floats, draw_stream, odds_of, upper_when_none
from forerun.stages.forecast_laws import wilson_interval as find_wilson
from forerun.stages.forecast_night import Night, NightStep, add_up, plan_night, total_stage
from forerun.stages.forecast_objections import find_objections
from forerun.stages.forecast_outages import Away, list_services, total_outage

DRAWS = 100_000
SEED = 1
WINDOW = "window"
CONFIRM = "confirm"
_BINS = 40
# Shares are told to the percent; so many draws tell them, and sorting is what takes longest.
_RANKED = 20_000
# A factor that explains less of the spread is not told.
_LEAST_SHARE = 0.005

EMULATED = (
    "The clone's processor was emulated and no timed work says how much faster production's is: "
    "some twenty times, but by how much nobody knows, so any figure would be made up."
)


@dataclass(frozen=True, slots=True)
class Draws:
    """Every draw of the night, never stored: `lengths` of each step by kind of stretch,
    `window`, `verify` (the stage that confirms), `outage`, each service's whole outage and each
    way back, in seconds."""

    night: Night
    lengths: tuple[Mapping[Stretch, Floats], ...]
    window: Floats
    verify: Floats
    outage: Floats
    services: tuple[tuple[str, Floats], ...]
    ways_back: tuple[tuple[WayBack, Floats], ...]

    def walk(self, stages: Sequence[str]) -> Iterator[tuple[NightStep, Floats, Floats]]:
        """(step, its begin, its end) of each step of these stages that is not skipped, in
        seconds from the first one's begin: of every draw, since quantiles of sums are not
        sums of quantiles."""
        now = np.zeros_like(self.window)
        begun = False
        for step, lengths in zip(self.night.steps, self.lengths, strict=True):
            if step.skipped or step.stage not in stages:
                continue
            begin = now + (step.pause_s if begun else 0.0)
            now, begun = begin + add_up(lengths, now), True
            yield step, begin, now


@dataclass(frozen=True, slots=True)
class Foreseen:
    """The forecast and, unless it is refused, its draws."""

    told: Forecast
    draws: Draws | None


def quantiles_of(values: Floats) -> Quantiles:
    """Those that are told."""
    return Quantiles(*map(float, np.quantile(values, (0.5, 0.8, 0.95, 0.2))))


def foresee(
    inputs: ForecastInputs,
    *,
    wishes: tuple[Wish, ...] = (),
    past: TrackRecord | None = None,
    seed: int = SEED,
    draws: int = DRAWS,
) -> Foreseen:
    """The forecast of these inputs, `wishes` already done to them."""
    empty = Forecast(
        runs=tuple(run.id for run in inputs.runs),
        draws=draws,
        seed=seed,
        wishes=wishes,
        window_s=inputs.window_s,
        past=past,
    )
    refused = _refuse(inputs)
    if refused:
        return Foreseen(replace(empty, refused=refused, objections=inputs.objections), None)
    factors = draw_factors(inputs, seed, draws)
    drawn, services = _draw_night(inputs, factors, seed)
    night = drawn.night
    limit = _limit_with_back_out(inputs, drawn)
    used = _find_used(night, drawn)
    middles = {one.key: np.array([np.median(one.draws)]) for one in factors.all}
    told = replace(
        empty,
        window=quantiles_of(drawn.window),
        outage=quantiles_of(drawn.outage),
        steps=tuple(_tell_steps(drawn, middles)),
        services=services,
        back_outs=tuple(
            BackOutForecast(way.way, way.title, way.from_step, quantiles_of(seconds))
            for way, seconds in drawn.ways_back
        ),
        fits=_share_within(drawn.window, inputs.window_s) if inputs.window_s else None,
        fits_with_back_out=None
        if limit is None
        else _share_within(drawn.window + drawn.verify, limit),
        contributors=tuple(_rank(night, factors, drawn.window, middles)),
        assumptions=tuple(one.about for one in factors.all if one.key in used),
        objections=find_objections(inputs, factors, night, used),
        histogram=_count(drawn.window),
        hazards=tuple(_tell_hazards(inputs, factors, drawn)),
    )
    return Foreseen(told, drawn)


def _refuse(inputs: ForecastInputs) -> str:
    if inputs.refused:
        return inputs.refused
    if not inputs.runs:
        return "No completed rehearsal to forecast from."
    if not any(step.stage == WINDOW and not step.skipped for step in inputs.newest.steps):
        return "No step of the window ran, so there is no window to forecast."
    if inputs.unscaled:
        return inputs.unscaled
    if can_carry_over(inputs):
        return ""
    lacks = []
    timed = {speed.work for reading in inputs.production for speed in reading.speeds}
    if Work.COMPUTE not in timed:
        lacks.append("Time production with `forerun survey --calibrate`.")
    if any(not run.speeds for run in inputs.runs):
        lacks.append("The clone was not timed either: rehearse again.")
    return " ".join((EMULATED, *lacks))


def _share_within(values: Floats, limit: float) -> float:
    return float(np.mean(values <= limit))


def _draw_night(
    inputs: ForecastInputs, factors: Factors, seed: int
) -> tuple[Draws, tuple[ServiceForecast, ...]]:
    values = factors.values()
    night = plan_night(inputs, factors)
    lengths = night.lengths(values)
    like = values[CPU]
    window = total_stage(night, lengths, WINDOW, like)
    which = draw_stream(seed, "course").integers(0, len(inputs.runs), len(like)).astype(np.float64)
    by_name = {step.name: own for step, own in zip(night.steps, lengths, strict=True)}
    outage = total_outage(inputs.runs, which, by_name, "")
    tolerable = {one.service: one.tolerable_s for one in inputs.watched}
    names = dict.fromkeys((*tolerable, *list_services(inputs.runs)))
    aways = {name: total_outage(inputs.runs, which, by_name, name) for name in names}
    services = tuple(
        _tell_service(name, away, tolerable.get(name, 0.0)) for name, away in aways.items()
    )
    totals = tuple((name, away.total) for name, away in aways.items())
    ways = tuple((way, _draw_way_back(way, inputs, factors)) for way in inputs.newest.ways_back)
    verify = total_stage(night, lengths, CONFIRM, like)
    return Draws(night, lengths, window, verify, outage.total, totals, ways), services


# What a way back's parts are made of (`stages/back_out.py` names them); any other is the
# lab's own work, and taken as long on production but for a wide factor.
_IN_THE_GUEST = ("proof", "restart")


def _draw_way_back(way: WayBack, inputs: ForecastInputs, factors: Factors) -> Floats:
    values = factors.values()
    whole = np.zeros_like(values[WAY_BACK])
    for name, seconds in way.parts:
        if name in _IN_THE_GUEST:
            whole += factors.compute(inputs.newest.id, seconds)
        else:
            whole += seconds * values[WAY_BACK]
    # Whatever the way, the machine is started once.
    return whole + values[FIRMWARE]


def _limit_with_back_out(inputs: ForecastInputs, drawn: Draws) -> float | None:
    """What window and verification may take so that going back still fits: the window less
    nineteen in twenty of the slowest way back's durations."""
    if not inputs.window_s or not drawn.ways_back:
        return None
    slowest = max(float(np.quantile(seconds, 0.95)) for _, seconds in drawn.ways_back)
    return inputs.window_s - slowest


def _tell_steps(drawn: Draws, middles: Mapping[str, Floats]) -> Iterator[StepForecast]:
    for step, own in zip(drawn.night.steps, drawn.lengths, strict=True):
        if not step.skipped:
            takes = quantiles_of(add_up(own, drawn.window))
            yield StepForecast(step.name, step.title, step.stage, takes, step.part_seconds(middles))


def _tell_service(name: str, away: Away, tolerable_s: float) -> ServiceForecast:
    within: float | None = None
    if tolerable_s:
        # What does not come back by itself stays inside no limit by itself.
        within = float(np.mean((away.total <= tolerable_s) & away.returned))
    return ServiceForecast(
        name,
        quantiles_of(away.total),
        quantiles_of(away.longest),
        tolerable_s,
        within,
        away.returns,
    )


def _find_used(night: Night, drawn: Draws) -> frozenset[str]:
    used = {key for step in night.steps for key in step.list_factors()}
    return frozenset(used | ({WAY_BACK, FIRMWARE} if drawn.ways_back else set()))


def _rank(
    night: Night, factors: Factors, window: Floats, middles: Mapping[str, Floats]
) -> Iterator[Contributor]:
    """Shares by squared rank correlation with the window's length, adding up to 1: unlike
    variances they exist for a student's t of few degrees of freedom. Seconds by moving one
    input from its tenth to its ninetieth part, the others at their middles."""
    used = {key for step in night.steps if step.stage == WINDOW for key in step.list_factors()}
    spread = [one for one in factors.all if one.key in used and np.ptp(one.draws) > 0]
    if not spread or np.ptp(window) <= 0:
        return
    of_window = _ranks(window[:_RANKED])
    squares = {
        one.key: float(np.corrcoef(_ranks(one.draws[:_RANKED]), of_window)[0, 1]) for one in spread
    }
    whole = sum(value * value for value in squares.values())
    both = {key: np.repeat(middle, 2) for key, middle in middles.items()}
    for one in sorted(spread, key=lambda factor: -(squares[factor.key] ** 2)):
        share = squares[one.key] ** 2 / whole
        bounds = np.quantile(one.draws, (0.1, 0.9))
        moved = {**both, one.key: bounds}
        low, high = total_stage(night, night.lengths(moved), WINDOW, bounds)
        if share >= _LEAST_SHARE:
            sign = 1 if squares[one.key] >= 0 else -1
            yield Contributor(one.about.name, share, sign, float(abs(high - low)))


def _ranks(values: Floats) -> Floats:
    ranks = np.empty(len(values))
    ranks[np.argsort(values)] = np.arange(len(values))
    return ranks


def _count(window: Floats) -> Histogram:
    """Forty bins over all but one draw in two hundred, which the last bin takes up."""
    low, high = float(window.min()), float(np.quantile(window, 0.995))
    # Where all nights are alike, bins need a width all the same, and one that floats can tell.
    edges = np.linspace(low, max(high, low + 1.0, low * (1 + 1e-6)), _BINS + 1)
    counts, _ = np.histogram(np.minimum(window, edges[-1]), edges)
    return Histogram(tuple(map(float, edges)), tuple(map(int, counts)))


def _tell_hazards(inputs: ForecastInputs, factors: Factors, drawn: Draws) -> Iterator[Hazard]:
    runs = len(inputs.runs) + inputs.failed
    upper = find_wilson(inputs.failed, runs)[1] if inputs.failed else upper_when_none(runs)
    yield Hazard(
        "not-completed",
        "the upgrade does not come to its end",
        inputs.failed,
        runs,
        odds_of(inputs.failed, runs),
        upper,
    )
    for fault in inputs.newest.faults:
        if not fault.recovered or fault.recovery_s <= 0:
            continue
        window = drawn.window + factors.compute(inputs.newest.id, fault.recovery_s)
        yield Hazard(
            f"{fault.fault}@{fault.step}",
            f"{fault.title}, in {fault.step}",
            1,
            0,
            -1.0,
            -1.0,
            quantiles_of(window),
            _share_within(window, inputs.window_s) if inputs.window_s else None,
        )


def curve_of(values: Floats, levels: Sequence[float]) -> tuple[float, ...]:
    """Quantiles at these levels."""
    return tuple(float(value) for value in np.quantile(values, levels))
