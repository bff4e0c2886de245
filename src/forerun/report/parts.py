"""Where a step's time went: as data, and as Markdown."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from forerun.model.counters import Part, StepParts
from forerun.model.speed import SpeedReading
from forerun.report.figures import known, say_seconds
from forerun.report.markdown import table

NO_PARTS = "What the time of each step was spent on was not recorded in this run."
LETTERS = {part: "DUSWPCFHBX"[place] for place, part in enumerate(Part)}


def titles_of(steps: Sequence[tuple[str, str]]) -> dict[str, str]:
    """Step names to titles."""
    return {name: title or name for name, title in steps}


def document_parts(parts: Sequence[StepParts]) -> list[dict[str, Any]]:
    """The key `parts` of the JSON report; an amount that was not counted is null."""
    return [
        {
            "step": step.step,
            "wall_seconds": step.wall_s,
            "parts": [
                {
                    "part": one.part.value,
                    "seconds": one.seconds,
                    "amount": known(one.amount),
                    "unit": one.unit,
                    "how": one.how,
                }
                for one in step.parts
            ],
        }
        for step in parts
    ]


def document_speed(reading: SpeedReading) -> dict[str, Any]:
    """One reading of a machine's speed for the JSON report."""
    return {
        "taken_at": reading.taken_at,
        "wall_seconds": reading.wall_s,
        "granted_share": reading.granted,
        "other_work_processors": reading.others if reading.others >= 0 else None,
        "speeds": [
            {
                "work": speed.work.value,
                "unit": speed.unit,
                "subject": speed.subject,
                "seconds": list(speed.seconds),
            }
            for speed in reading.speeds
        ],
        "left_out": [{"work": work, "why": why} for work, why in reading.left_out],
    }


def list_parts_seen(parts: Sequence[StepParts]) -> tuple[Part, ...]:
    """The parts that took any time, in the order of the enum."""
    seen = {one.part for step in parts for one in step.parts if one.seconds > 0}
    return tuple(part for part in Part if part in seen)


def sum_part(step: StepParts, part: Part) -> float:
    """Seconds of one part in a step."""
    return sum(one.seconds for one in step.parts if one.part is part)


def list_part_rows(parts: Sequence[StepParts], titles: dict[str, str]) -> Iterator[tuple[str, ...]]:
    """A row for each step: its title, its time, and each part that is anywhere seen."""
    seen = list_parts_seen(parts)
    for step in parts:
        cells = (sum_part(step, part) for part in seen)
        yield (
            titles.get(step.step, step.step),
            say_seconds(step.wall_s),
            *(say_seconds(seconds) if seconds else "" for seconds in cells),
        )


def mark_down_parts(parts: Sequence[StepParts], titles: dict[str, str]) -> Iterator[str]:
    """The section of the Markdown report."""
    yield "## Where the time went"
    yield ""
    if not parts:
        yield NO_PARTS
        return
    heads = ("Step", "Took", *(part.value.capitalize() for part in list_parts_seen(parts)))
    yield from table(heads, list_part_rows(parts, titles))
