"""What-ifs: changes to a forecast's inputs, in words. Pure; nothing is rehearsed again.

A wish never touches a figure: it changes what the figures are made from, and the same
engine is asked. So "download before the window" gives what a rehearsal whose profile
fetches in the stage before would give.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from forerun.errors import UsageError
from forerun.model.counters import Part, PartTime
from forerun.model.estimate import WISH_FORMS, Wish
from forerun.model.rates import parse_rate
from forerun.model.speed import Work
from forerun.profiles import parse_duration
from forerun.stages.forecast_inputs import (
    ForecastInputs,
    RunInput,
    Span,
    StepInput,
)
from forerun.stages.forecast_laws import ThreePoint

FETCH_STEP = "download-first"
FETCH_TITLE = "Fetch what the window will need"

_TIMES = re.compile(r"(\d{1,6}(?:\.\d{1,6})?)x")
_SHARE = re.compile(r"\d(?:\.\d{1,6})?")
_MOST_TIMES = 1000.0


def parse_times(text: str) -> float:
    """2.0 from "2x". Raises UsageError."""
    found = _TIMES.fullmatch(text.strip())
    value = float(found[1]) if found else 0.0
    if not 1 / _MOST_TIMES <= value <= _MOST_TIMES:
        raise UsageError(
            "That is no factor.",
            found=text or "nothing",
            wanted="a number above 0 and an x, for example 2x for twice as fast or 0.5x for half",
            hint=f"Factors go from {1 / _MOST_TIMES:g}x to {_MOST_TIMES:g}x.",
        )
    return value


def parse_guess(text: str) -> ThreePoint:
    """A duration, or three with commas: at least, most likely, at most. Raises UsageError."""
    pieces = text.split(",")
    try:
        if len(pieces) not in (1, 3):
            raise ValueError(f"{len(pieces)} durations")
        seconds = [parse_duration(_space(piece)) for piece in pieces]
        return ThreePoint(*seconds) if len(seconds) == 3 else ThreePoint(*seconds * 3)
    except ValueError as problem:
        raise UsageError(
            "That is no guess.",
            found=text or "nothing",
            wanted="one duration, or at least, most likely and at most: 2min,4min,10min",
            hint=str(problem),
        ) from problem


def _space(text: str) -> str:
    return re.sub(r"(\d)([a-z])", r"\1 \2", re.sub(r"([a-z])(\d)", r"\1 \2", text.strip()))


def _say_guess(guess: ThreePoint) -> str:
    if guess.least == guess.most:
        return f"{guess.likely:g} s"
    return f"{guess.least:g} to {guess.most:g} s, most likely {guess.likely:g} s"


Change = Callable[[ForecastInputs], ForecastInputs]
Reader = Callable[[str, Sequence[str]], tuple[str, Change]]


def _read_first(value: str, _steps: Sequence[str]) -> tuple[str, Change]:
    if value:
        raise UsageError(
            "That what-if takes no value.", found=f"{FETCH_STEP}={value}", wanted=FETCH_STEP
        )
    return "everything downloaded before the window", _download_first


def _read_link(value: str, _steps: Sequence[str]) -> tuple[str, Change]:
    rate = parse_rate(value)

    def change(inputs: ForecastInputs) -> ForecastInputs:
        return replace(inputs, declared=replace(inputs.declared, link_bits_per_s=rate))

    return f"the line at {value.strip()}", change


_CPU_WORK = (Work.SPAWN, Work.COMPUTE, Work.UNPACK)
_DISK_WORK = (Work.SYNC, Work.WRITE, Work.READ)


def _read_faster(works: Sequence[Work], thing: str) -> Reader:
    def read(value: str, _steps: Sequence[str]) -> tuple[str, Change]:
        times = parse_times(value)

        def change(inputs: ForecastInputs) -> ForecastInputs:
            before = dict(inputs.declared.faster)
            faster = {**before, **{work: before.get(work, 1.0) * times for work in works}}
            return replace(inputs, declared=replace(inputs.declared, faster=tuple(faster.items())))

        return f"{thing} {times:g} times as fast", change

    return read


def _read_skip(value: str, steps: Sequence[str]) -> tuple[str, Change]:
    name = _check_step(value, steps)

    def skip(step: StepInput) -> StepInput:
        return replace(step, skipped=True) if step.name == name else step

    return f"without the step {name}", lambda inputs: _each_step(inputs, skip)


def _read_data(value: str, steps: Sequence[str]) -> tuple[str, Change]:
    named, colon, told = value.rpartition(":")
    if not colon:
        raise UsageError(
            "That what-if needs a step and a factor.",
            found=f"data={value}",
            wanted="for example data=full-upgrade:4x",
        )
    name, times = _check_step(named, steps), parse_times(told)

    def grow(step: StepInput) -> StepInput:
        return replace(step, data_times=step.data_times * times) if step.name == name else step

    return (
        f"{times:g} times the rehearsed data in the step {name}",
        lambda inputs: replace(_each_step(inputs, grow), unscaled=""),
    )


def _read_firmware(value: str, _steps: Sequence[str]) -> tuple[str, Change]:
    guess = parse_guess(value)
    return (
        f"firmware and loader {_say_guess(guess)}",
        lambda inputs: replace(inputs, declared=replace(inputs.declared, firmware=guess)),
    )


def _read_reaction(value: str, _steps: Sequence[str]) -> tuple[str, Change]:
    guess = parse_guess(value)
    return (
        f"a question answered in {_say_guess(guess)}",
        lambda inputs: replace(inputs, declared=replace(inputs.declared, reaction=guess)),
    )


def _read_other_work(value: str, _steps: Sequence[str]) -> tuple[str, Change]:
    share = float(value) if _SHARE.fullmatch(value.strip()) else -1.0
    if not 0 <= share <= 1:
        raise UsageError(
            "That is no share.",
            found=value or "nothing",
            wanted="a number from 0 (no other work in the night) to 1 (as much as was seen)",
        )
    guess = ThreePoint(share, share, share)
    return (
        f"{share:.0%} of production's other work in the night",
        lambda inputs: replace(inputs, declared=replace(inputs.declared, other_work=guess)),
    )


READERS: dict[str, Reader] = {
    FETCH_STEP: _read_first,
    "link": _read_link,
    "cpu": _read_faster(_CPU_WORK, "processor"),
    "disk": _read_faster(_DISK_WORK, "storage"),
    "skip": _read_skip,
    "firmware": _read_firmware,
    "reaction": _read_reaction,
    "other-work": _read_other_work,
    "data": _read_data,
}


def apply_wishes(
    inputs: ForecastInputs, wanted: Iterable[str]
) -> tuple[ForecastInputs, tuple[Wish, ...]]:
    """The inputs with every wish done to them, in the order given. Raises UsageError."""
    told: list[Wish] = []
    steps = [step.name for step in inputs.newest.steps] if inputs.runs else []
    for text in wanted:
        key, _, value = text.partition("=")
        reader = READERS.get(key.strip())
        if reader is None:
            near = difflib.get_close_matches(key, READERS, 1)
            raise UsageError(
                "There is no such what-if.",
                found=text or "nothing",
                wanted=" | ".join(WISH_FORMS),
                hint=f"Did you mean {near[0]}?" if near else "",
            )
        said, change = reader(value, steps)
        inputs = change(inputs)
        told.append(Wish(key.strip(), value.strip(), said))
    return inputs, tuple(told)


def _check_step(name: str, steps: Sequence[str]) -> str:
    if name in steps:
        return name
    near = difflib.get_close_matches(name, steps, 1)
    raise UsageError(
        "That step did not run in the rehearsal.",
        found=name or "nothing",
        wanted=", ".join(steps),
        hint=f"Did you mean {near[0]}?" if near else "Name one of these.",
    )


def _each_step(inputs: ForecastInputs, change: Callable[[StepInput], StepInput]) -> ForecastInputs:
    runs = tuple(
        replace(run, steps=tuple(change(step) for step in run.steps)) for run in inputs.runs
    )
    return replace(inputs, runs=runs)


def _download_first(inputs: ForecastInputs) -> ForecastInputs:
    return replace(inputs, runs=tuple(_fetch_first(run) for run in inputs.runs))


def _fetch_first(run: RunInput) -> RunInput:
    """The downloads of the window's steps as a step of their own, right before it. Where
    they lay in the window's steps stays known: no outage moves into their place."""
    window = [step for step in run.steps if step.stage == "window" and not step.skipped]
    moved = [part for step in window for part in step.parts if part.part is Part.DOWNLOAD]
    if not moved:
        return run
    at_s = window[0].span.start_s
    handling_s = sum(step.handling_s for step in window)
    own = (*_merge(moved), PartTime(Part.COMPUTE, handling_s, how="moved with it"))
    fetched = StepInput(
        FETCH_STEP, FETCH_TITLE, "prepare", Span(at_s, at_s), own, handling_s=handling_s
    )
    steps: list[StepInput] = []
    for step in run.steps:
        if step is window[0]:
            steps.append(fetched)
        if step in window:
            kept = tuple(_keep_without_fetching(step))
            step = replace(step, parts=kept, handling_s=0.0)  # noqa: PLW2901 - as it then is
        steps.append(step)
    return replace(run, steps=tuple(steps))


def _keep_without_fetching(step: StepInput) -> Iterable[PartTime]:
    """Its parts but for the download, and for the computing that ran while it went on."""
    left_s = step.handling_s
    for part in step.parts:
        if part.part is Part.DOWNLOAD:
            continue
        taken = min(part.seconds, left_s) if part.part is Part.COMPUTE else 0.0
        left_s -= taken
        yield replace(part, seconds=part.seconds - taken)


def _merge(parts: Sequence[PartTime]) -> Iterable[PartTime]:
    counted = [part for part in parts if part.amount >= 0]
    if counted:
        yield PartTime(
            Part.DOWNLOAD,
            sum(part.seconds for part in counted),
            sum(part.amount for part in counted),
            "bytes",
            "moved out of the window",
        )
    yield from (part for part in parts if part.amount < 0)
