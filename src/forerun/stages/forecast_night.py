"""One night as arithmetic: how long each stretch of each step takes for given inputs.

    step = pause + work + max(download, what is done with it meanwhile) + firmware + people
    work = exp(night * load) * (sum of parts * their ratio * their group) + fixed waits

The same function is asked with a hundred thousand draws, and with an input's two bounds
when its share is told.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from forerun.model.counters import Part, PartTime
from forerun.model.speed import Work
from forerun.stages.forecast_factors import (
    BESIDE,
    CARRIED_BY,
    CPU,
    FIRMWARE,
    GROUPS,
    LINK,
    NIGHT,
    OTHERS,
    REACTION,
    Factors,
)
from forerun.stages.forecast_inputs import ForecastInputs, RunInput, StepInput, Stretch
from forerun.stages.forecast_laws import MOST_LOG, Floats, log_sd_of, summarise_logs

# Below this a step's own spread is the resolution of its clock, and nothing is learned of
# nights from it.
SHORTEST_TOLD_S = 1.0

# A synchronous write that a journal has to follow: before the record that ends its transaction,
# and after it where the disk knows no write that is through at once (Linux's own
# Documentation/block/writeback_cache_control.rst; a virtio disk is one).
FLUSHES_A_WRITE = 2


@dataclass(frozen=True, slots=True)
class CarriedPart:
    """A part in production's seconds at the middle of all factors, and the factors that
    multiply it."""

    part: Part
    seconds: float
    factors: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NightStep:
    """One step of the night. `load` is the standard deviation of its logarithm from one
    night to the next; `firmwares` how many starts of the machine it waits for."""

    name: str
    title: str
    stage: str
    pause_s: float
    work: tuple[CarriedPart, ...]
    load: float
    fixed_s: float = 0.0
    download_bytes: float = 0.0
    download_s: float = 0.0
    handling: tuple[CarriedPart, ...] = ()
    firmwares: float = 0.0
    prompts: int = 0
    skipped: bool = False

    def lengths(
        self, values: Mapping[str, Floats], products: dict[tuple[str, ...], Floats]
    ) -> dict[Stretch, Floats]:
        """Seconds of each kind of stretch, for every draw; kinds it has none of left out.
        `products` are those of factors multiplied for steps before, which this one adds to."""
        found: dict[Stretch, Floats] = {}
        if self.skipped:
            return found
        if self.work or self.fixed_s:
            found[Stretch.WORK] = self._carry(self.work, values, products) + self.fixed_s
        if self.download_bytes or self.download_s:
            fetched = self.download_bytes * values[LINK] + self.download_s
            handled = self._carry(self.handling, values, products)
            found[Stretch.DOWNLOAD] = np.maximum(fetched, handled)
        if self.firmwares:
            found[Stretch.FIRMWARE] = self.firmwares * values[FIRMWARE]
        if self.prompts:
            found[Stretch.PEOPLE] = self.prompts * values[REACTION]
        return found

    def _carry(
        self,
        parts: Sequence[CarriedPart],
        values: Mapping[str, Floats],
        products: dict[tuple[str, ...], Floats],
    ) -> Floats:
        carried = np.zeros_like(values[NIGHT])
        for part in parts:
            if part.factors not in products:
                products[part.factors] = _multiply(values, part.factors)
            carried += part.seconds * products[part.factors]
        if self.load and parts:
            carried *= np.exp(np.clip(values[NIGHT] * self.load, -MOST_LOG, MOST_LOG))
        return carried

    def part_seconds(self, middles: Mapping[str, Floats]) -> tuple[tuple[str, float], ...]:
        """Each part's seconds where every factor is at its middle."""
        parts: dict[str, float] = {}
        for carried in self.work:
            parts[carried.part.value] = parts.get(carried.part.value, 0.0) + carried.seconds
        told = self.lengths(middles, {})
        if self.fixed_s:
            parts[Part.FIXED.value] = self.fixed_s
        for kind, part in (
            (Stretch.DOWNLOAD, Part.DOWNLOAD),
            (Stretch.FIRMWARE, Part.FIRMWARE),
            (Stretch.PEOPLE, Part.PEOPLE),
        ):
            if kind in told:
                parts[part.value] = float(told[kind][0])
        return tuple(parts.items())

    def list_factors(self) -> Iterator[str]:
        """Keys of the factors that this step depends on."""
        if self.skipped:
            return
        for part in (*self.work, *self.handling):
            yield from part.factors
        if (self.work or self.handling) and self.load:
            yield NIGHT
        if self.download_bytes:
            yield LINK
        if self.firmwares:
            yield FIRMWARE
        if self.prompts:
            yield REACTION


@dataclass(frozen=True, slots=True)
class Night:
    """All steps in order."""

    steps: tuple[NightStep, ...]

    def lengths(self, values: Mapping[str, Floats]) -> tuple[dict[Stretch, Floats], ...]:
        """Of each step."""
        products: dict[tuple[str, ...], Floats] = {}
        return tuple(step.lengths(values, products) for step in self.steps)


def _multiply(values: Mapping[str, Floats], keys: Sequence[str]) -> Floats:
    product: Floats = np.ones_like(values[NIGHT])
    for key in keys:
        product = product * values[key]
    return product


def add_up(lengths: Mapping[Stretch, Floats], like: Floats) -> Floats:
    """A step's whole length, without the pause before it."""
    whole = np.zeros_like(like)
    for seconds in lengths.values():
        whole += seconds
    return whole


def total_stage(
    night: Night, lengths: Sequence[Mapping[Stretch, Floats]], stage: str, like: Floats
) -> Floats:
    """From the start of a stage's first step to the end of its last, pauses included."""
    whole = np.zeros_like(like)
    begun = False
    for step, own in zip(night.steps, lengths, strict=True):
        if step.stage != stage or step.skipped:
            continue
        whole += add_up(own, like) + (step.pause_s if begun else 0.0)
        begun = True
    return whole


def plan_night(inputs: ForecastInputs, factors: Factors) -> Night:
    """The newest run's steps with what all runs say of their length."""
    works = {
        step.name: [_carry(run, own, factors) for run, own in _find_runs_of(inputs, step.name)]
        for step in inputs.newest.steps
    }
    loads = _find_loads(inputs, works)
    steps = []
    for step in inputs.newest.steps:
        carried = _join([parts for parts in works[step.name] if parts])
        times = step.data_times
        fixed = [_sum_parts(own.parts, Part.FIXED) for _, own in _find_runs_of(inputs, step.name)]
        downloads = [one for one in step.parts if one.part is Part.DOWNLOAD]
        firmwares = [one for one in step.parts if one.part is Part.FIRMWARE]
        work, handling = _split_handling(step, carried, fetched=bool(downloads))
        steps.append(
            NightStep(
                name=step.name,
                title=step.title,
                stage=step.stage,
                pause_s=step.pause_s,
                work=tuple(CarriedPart(p.part, p.seconds * times, p.factors) for p in work),
                load=loads[step.name],
                fixed_s=math.fsum(fixed) / max(1, len(fixed)),
                download_bytes=math.fsum(max(0.0, one.amount) for one in downloads),
                download_s=math.fsum(one.seconds for one in downloads if one.amount < 0),
                handling=tuple(handling),
                firmwares=math.fsum(max(1.0, one.amount) for one in firmwares),
                prompts=step.prompts,
                skipped=step.skipped,
            )
        )
    return Night(tuple(steps))


def _split_handling(
    step: StepInput, carried: Sequence[CarriedPart], *, fetched: bool
) -> tuple[list[CarriedPart], list[CarriedPart]]:
    """The work without what ran while the step fetched, and that; a step that fetches nothing
    in production has all of it as work."""
    computing = _sum_parts(step.parts, Part.COMPUTE)
    share = min(1.0, step.handling_s / computing) if fetched and computing > 0 else 0.0
    if share <= 0:
        return list(carried), []
    work, handling = [], []
    for one in carried:
        own = share if one.part is Part.COMPUTE else 0.0
        work.append(CarriedPart(one.part, one.seconds * (1 - own), one.factors))
        if own:
            handling.append(CarriedPart(one.part, one.seconds * own, one.factors))
    return work, handling


def _find_runs_of(inputs: ForecastInputs, name: str) -> list[tuple[RunInput, StepInput]]:
    return [(run, step) for run in inputs.runs for step in run.steps if step.name == name]


def _sum_parts(parts: Sequence[PartTime], kind: Part) -> float:
    return math.fsum(one.seconds for one in parts if one.part is kind)


def _carry(run: RunInput, step: StepInput, factors: Factors) -> dict[Part, CarriedPart]:
    """A run's parts of a step in production's seconds at the middle of all factors."""
    found: dict[Part, CarriedPart] = {}
    for one in step.parts:
        if one.part not in CARRIED_BY or one.seconds <= 0:
            continue
        work = CARRIED_BY[one.part]
        ratio = factors.ratios[run.id, work]
        keys = (ratio.own, GROUPS[work]) if ratio.own else (GROUPS[work],)
        seconds = one.seconds * ratio.middle
        share = 1.0 if step.restart else step.crowded
        if share > 0 and factors.beside is not None and GROUPS[work] == CPU:
            # Amdahl 1967 (AFIPS spring joint computer conference), for the share that can.
            seconds *= 1 - share * (1 - factors.beside)
            keys = (*keys, BESIDE)
        if factors.others is not None and GROUPS[work] == CPU:
            seconds *= factors.others
            keys = (*keys, OTHERS)
        before = found[one.part].seconds if one.part in found else 0.0
        found[one.part] = CarriedPart(one.part, before + seconds, keys)
    flushed = _wait_for_flushes(run, step, factors)
    if flushed is not None and (
        Part.SYNC not in found or flushed.seconds > found[Part.SYNC].seconds
    ):
        found[Part.SYNC] = flushed
    slower = _wait_for_reads(run, step, factors)
    if slower is not None:
        found[Part.WRITE] = _add_to(found.get(Part.WRITE), slower)
    return found


def _wait_for_flushes(run: RunInput, step: StepInput, factors: Factors) -> CarriedPart | None:
    """The step's wait for storage by the number of its flushes: what each takes longer on
    production's disk, and what the clone waited. Where a clone's disk flushes while its
    processor is at work it hardly waits, and a ratio of next to nothing is next to nothing."""
    ratio = factors.ratios[run.id, Work.SYNC]
    more_s = step.flushes / FLUSHES_A_WRITE * (ratio.theirs_s - ratio.ours_s)
    if more_s <= 0 or not ratio.own:
        return None
    waited_s = _sum_parts(step.parts, Part.SYNC)
    return CarriedPart(Part.SYNC, waited_s + more_s, (ratio.own, GROUPS[Work.SYNC]))


def _wait_for_reads(run: RunInput, step: StepInput, factors: Factors) -> CarriedPart | None:
    """What production's disk takes longer for the step's reads than the clone's did. Where a
    clone's disk answers at once, its processor never waits for one, and the parts of its time
    tell nothing of that; where production's is no slower, nothing is taken off."""
    ratio = factors.ratios[run.id, Work.READ]
    more_s = step.reads * (ratio.theirs_s - ratio.ours_s)
    if more_s <= 0 or not ratio.own:
        return None
    return CarriedPart(Part.WRITE, more_s, (ratio.own, GROUPS[Work.READ]))


def _add_to(before: CarriedPart | None, more: CarriedPart) -> CarriedPart:
    """Both as one; the larger one's factors are its."""
    if before is None:
        return more
    larger = max(before, more, key=lambda part: part.seconds)
    return CarriedPart(more.part, before.seconds + more.seconds, larger.factors)


def _join(runs: Sequence[Mapping[Part, CarriedPart]]) -> list[CarriedPart]:
    """Several runs' parts as one: the whole is the geometric mean of the wholes, the parts
    share it as they do on average."""
    if not runs:
        return []
    wholes = [math.fsum(part.seconds for part in parts.values()) for parts in runs]
    middle = math.exp(summarise_logs(wholes).mean) if len(runs) > 1 else wholes[0]
    joined = []
    for kind in dict.fromkeys(kind for parts in runs for kind in parts):
        shares = [
            parts[kind].seconds / whole if kind in parts else 0.0
            for parts, whole in zip(runs, wholes, strict=True)
        ]
        last = next(parts[kind] for parts in reversed(runs) if kind in parts)
        seconds = middle * math.fsum(shares) / len(shares) if len(runs) > 1 else last.seconds
        joined.append(CarriedPart(kind, seconds, last.factors))
    return joined


def _find_loads(
    inputs: ForecastInputs, works: Mapping[str, Sequence[Mapping[Part, CarriedPart]]]
) -> dict[str, float]:
    """Each step's standard deviation of logarithms from one night to the next. A step's own
    one is never taken as less than that of the other steps together (weighted by their
    seconds): with few runs, two alike are more often luck than steadiness."""
    stated = log_sd_of(inputs.priors.night_times)
    own: dict[str, tuple[float, float]] = {}
    for name, runs in works.items():
        wholes = [math.fsum(part.seconds for part in parts.values()) for parts in runs]
        if len(wholes) > 1 and min(wholes) >= SHORTEST_TOLD_S:
            sample = summarise_logs(wholes)
            own[name] = (max(sample.sd, inputs.priors.least_log_sd), math.exp(sample.mean))
    loads = {}
    for name in works:
        others = [pair for other, pair in own.items() if other != name]
        weight = math.fsum(seconds for _, seconds in others)
        square = math.fsum(sd * sd * seconds for sd, seconds in others)
        pooled = math.sqrt(square / weight) if weight else 0.0
        if name in own:
            loads[name] = max(own[name][0], pooled)
        else:
            loads[name] = pooled or (stated if len(inputs.runs) == 1 else 0.0)
    return loads
