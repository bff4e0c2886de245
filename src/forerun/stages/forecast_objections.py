"""What speaks against a forecast, the weightiest first. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator

from forerun.model.counters import Part
from forerun.stages.forecast_factors import Factors
from forerun.stages.forecast_inputs import ForecastInputs
from forerun.stages.forecast_laws import chance_beyond_worst
from forerun.stages.forecast_night import Night

MOST_UNEXPLAINED = 0.10
MOST_DATA_TIMES = 10.0
# A reading taken beside other work says little of a quiet night; common practice.
_BUSY = 0.10


def find_objections(
    inputs: ForecastInputs, factors: Factors, night: Night, used: frozenset[str]
) -> tuple[str, ...]:
    """All of them, each once."""
    found = (
        *_about_runs(inputs),
        *inputs.objections,
        *factors.objections,
        *_about_unexplained(inputs),
        *_about_data(inputs),
        *_about_readings(inputs),
        *_about_downloads(inputs),
        *(
            f"{factor.about.name[:1].upper()}{factor.about.name[1:]}: {factor.about.objection}."
            for factor in factors.all
            if factor.key in used and factor.about.objection
        ),
        *_about_past(inputs),
    )
    return tuple(dict.fromkeys(found))


def _about_runs(inputs: ForecastInputs) -> Iterator[str]:
    runs = len(inputs.runs)
    if runs == 1:
        yield (
            "One rehearsal only: the spread from one night to the next is assumed. Three or more "
            "rehearsals measure it."
        )
    else:
        yield (
            f"{runs} rehearsals: whatever the law, the chance that the night takes longer than "
            f"all of them did is {chance_beyond_worst(runs):.0%} (1 in {runs + 1})."
        )
    if inputs.failed:
        yield (
            f"{inputs.failed} comparable rehearsals did not complete: they are in the odds, not in "
            "the times."
        )
    if inputs.newest.faults:
        yield "Faults that were let happen are not in the times; each is told beside them."


def _about_unexplained(inputs: ForecastInputs) -> Iterator[str]:
    steps = [step for step in inputs.newest.steps if step.stage == "window" and not step.skipped]
    whole = math.fsum(part.seconds for step in steps for part in step.parts)
    unknown = math.fsum(
        part.seconds for step in steps for part in step.parts if part.part is Part.UNEXPLAINED
    )
    if whole > 0 and unknown / whole > MOST_UNEXPLAINED:
        yield (
            f"{unknown / whole:.0%} of the window's time is not explained by what was counted: it "
            "is carried over as computing is, which may be wrong."
        )


def _about_data(inputs: ForecastInputs) -> Iterator[str]:
    for step in inputs.newest.steps:
        if step.data_times > MOST_DATA_TIMES:
            yield (
                f"{step.title or step.name}: carried over to {step.data_times:g} times the data "
                "that was rehearsed with. Beyond ten times this is no forecast: rehearse with more."
            )
        elif step.data_times != 1.0:
            yield (
                f"{step.title or step.name}: its work is taken to grow with the data, "
                f"{step.data_times:g} times what was rehearsed with."
            )


def _about_readings(inputs: ForecastInputs) -> Iterator[str]:
    if len(inputs.production) == 1:
        yield (
            "Production was timed at work once: what it varies by from one day to another is "
            "assumed. `forerun survey --calibrate` at other times tells it, also after the "
            "rehearsal."
        )
    named = [("production", reading) for reading in inputs.production]
    named += [("the lab host", reading) for reading in inputs.newest.speeds]
    for name, reading in named:
        if reading.load and max(reading.load.steal, reading.load.psi_cpu) > _BUSY:
            yield f"{name[:1].upper()}{name[1:]} was busy while its speed was timed."


def _about_downloads(inputs: ForecastInputs) -> Iterator[str]:
    unknown = [
        step.title or step.name
        for step in inputs.newest.steps
        for part in step.parts
        if part.part is Part.DOWNLOAD and part.amount < 0 and part.seconds > 0
    ]
    if unknown:
        yield (
            f"Bytes fetched are not on record for {', '.join(unknown)}: the lab's own time is "
            "taken for it."
        )


def _about_past(inputs: ForecastInputs) -> Iterator[str]:
    if inputs.widened > 1:
        yield (
            f"Every spread is multiplied by {inputs.widened:.2f}: earlier forecasts of this lab "
            "were too sure."
        )
