"""Inputs of a forecast that a test puts together: steps in a row, a clone as fast as said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from forerun.model.counters import Part, PartTime
from forerun.model.speed import Speed, SpeedReading, Work
from forerun.stages.forecast_inputs import (
    ForecastInputs,
    LaidOut,
    OutageInput,
    Priors,
    RunInput,
    Span,
    StepInput,
    Stretch,
)
from forerun.stages.forecast_laws import ThreePoint

# For the arithmetic alone: everything stands for itself.
NO_SPREAD = Priors(
    ratio_times=1.0,
    carry_times=1.0,
    reading_times=1.0,
    beside_times=1.0,
    night_times=1.0,
    link_times=1.0,
    way_back_times=1.0,
    least_log_sd=0.0,
    firmware=ThreePoint(0.0, 0.0, 0.0),
    reaction=ThreePoint(0.0, 0.0, 0.0),
)
ALL_WORK = (Work.SPAWN, Work.COMPUTE, Work.UNPACK, Work.SYNC, Work.WRITE)


def make_reading(
    seconds: Sequence[float], works: Sequence[Work] = ALL_WORK, *, link: Sequence[float] = ()
) -> SpeedReading:
    """Every kind of work timed alike; `link` are seconds a megabyte."""
    speeds = [Speed(work, "unit", tuple(seconds)) for work in works]
    if link:
        speeds.append(Speed(Work.LINK, "MB", tuple(link), "archive"))
    return SpeedReading("2026-01-31T22:00:00Z", tuple(speeds), 1.0)


def make_step(
    name: str,
    start_s: float,
    *,
    stage: str = "window",
    prompts: Sequence[tuple[float, float]] = (),
    firmware_at: float = -1.0,
    pause_s: float = 0.0,
    **parts: float,
) -> StepInput:
    """A step from its parts' seconds by their lower-case names; `download_bytes` is no part.
    `prompts` are (at, waited) on the run's clock."""
    size = parts.pop("download_bytes", -1.0)
    times = tuple(
        PartTime(Part[key.upper()], value, size if key == "download" else -1.0)
        for key, value in parts.items()
    )
    whole = sum(parts.values())
    laid: list[LaidOut] = []
    if parts.get("download"):
        laid.append(LaidOut(Stretch.DOWNLOAD, Span(start_s, start_s + parts["download"])))
    if firmware_at >= 0:
        end_s = firmware_at + parts["firmware"]
        laid.append(LaidOut(Stretch.FIRMWARE, Span(firmware_at, end_s)))
    laid += [LaidOut(Stretch.PEOPLE, Span(at, at + waited)) for at, waited in prompts]
    return StepInput(
        name,
        f"Step {name}",
        stage,
        Span(start_s, start_s + whole),
        times,
        tuple(laid),
        pause_s,
        len(prompts),
    )


def make_night(
    *steps: StepInput,
    outages: Sequence[tuple[str, float, float]] = (),
    production: SpeedReading | Sequence[SpeedReading] | None = None,
    clone: SpeedReading | Sequence[SpeedReading] | None = None,
    priors: Priors = NO_SPREAD,
) -> ForecastInputs:
    """One run of these steps; both sides timed once and alike unless said."""
    run = RunInput(
        "run-1",
        steps,
        tuple(OutageInput(name, Span(start, end), ended=True) for name, start, end in outages),
        speeds=_list_readings(clone),
    )
    return ForecastInputs(
        (run,), emulated=False, production=_list_readings(production), priors=priors
    )


def _list_readings(
    said: SpeedReading | Sequence[SpeedReading] | None,
) -> tuple[SpeedReading, ...]:
    if isinstance(said, SpeedReading):
        return (said,)
    return tuple(said) if said is not None else (make_reading([1.0]),)


def with_runs(inputs: ForecastInputs, *factors: float) -> ForecastInputs:
    """The same run several times, its parts longer by these factors; the last is the one
    that is asked for."""
    run = inputs.newest
    runs = []
    for number, factor in enumerate(factors, start=1):
        steps = tuple(
            replace(
                step,
                parts=tuple(replace(part, seconds=part.seconds * factor) for part in step.parts),
            )
            for step in run.steps
        )
        runs.append(replace(run, id=f"run-{number}", steps=steps))
    return replace(inputs, runs=tuple(runs))
