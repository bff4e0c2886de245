"""The night's working timetable in the report: as data, and as Markdown."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from string import ascii_uppercase
from typing import Any

from forerun.model.window import PlanLine, WindowPlan
from forerun.report.markdown import escape, table
from forerun.report.wall_clock import read_instant, say_day, say_time

NIGHT_HEADING = "The night by the clock"
NO_PLAN = (
    "No timetable by the clock was drawn: it needs the window's beginning and a forecast "
    "(command plan)."
)
NO_WAY_BACK = "none: no way back was rehearsed, so there is no latest moment"
HEADS = ("No.", "Stage", "Step", "Begins", "Ends", "Begins late", "Ends late", "Notes")
EXPLAINED = (
    "Begins and ends: half of such nights are no later. Begins late and ends late: nineteen in "
    "twenty are no later."
)


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment of the night by its letter. `kind` names how it is drawn."""

    letter: str
    at: str
    words: str
    kind: str


def list_moments(plan: WindowPlan) -> tuple[Moment, ...]:
    """What must not be missed, in the order of the clock, lettered as the notes of a
    timetable are. What is no instant comes last."""
    found = [
        (plan.begins, "the window begins", "edge"),
        (plan.no_return_p50, "point of no return, half of nights", "no-return"),
        (plan.no_return_p95, "point of no return, late night", "no-return"),
        (plan.back_out_by, f"latest moment to begin going back ({plan.back_out_way})", "turn"),
        (plan.ends, "the window ends", "edge"),
    ]
    kept = [one for one in found if one[0]]
    kept.sort(key=lambda one: instant.timestamp() if (instant := read_instant(one[0])) else 1e18)
    return tuple(
        Moment(letter, at, words, kind)
        for letter, (at, words, kind) in zip(ascii_uppercase, kept, strict=False)
    )


def say_notes(line: PlanLine) -> str:
    """Hold point and point of no return, in words."""
    notes = (
        "hold point" if line.hold_point else "",
        "no return" if line.point_of_no_return else "",
    )
    return ", ".join(note for note in notes if note)


def list_rows(plan: WindowPlan) -> Iterator[tuple[str, ...]]:
    """A row for each step, as `HEADS` says."""
    for number, line in enumerate(plan.lines, 1):
        times = (line.begins_p50, line.ends_p50, line.begins_p95, line.ends_p95)
        yield (
            str(number),
            line.stage,
            line.title or line.step,
            *(say_time(at, since=plan.begins) for at in times),
            say_notes(line),
        )


def say_turn(plan: WindowPlan) -> str:
    """The latest moment to begin going back."""
    if not plan.back_out_by:
        return NO_WAY_BACK
    return f"{say_time(plan.back_out_by, since=plan.begins)} by way of {plan.back_out_way}"


def document_plan(plan: WindowPlan | None) -> dict[str, Any] | None:
    """The key `plan` of the JSON report; null where there is none. Times are RFC 3339."""
    if plan is None:
        return None
    return {
        "begins": plan.begins,
        "ends": plan.ends,
        "lines": [
            {
                "step": line.step,
                "title": line.title,
                "stage": line.stage,
                "begins_p50": line.begins_p50,
                "begins_p95": line.begins_p95,
                "ends_p50": line.ends_p50,
                "ends_p95": line.ends_p95,
                "hold_point": line.hold_point,
                "point_of_no_return": line.point_of_no_return,
            }
            for line in plan.lines
        ],
        "no_return_step": plan.no_return_step,
        "no_return_p50": plan.no_return_p50,
        "no_return_p95": plan.no_return_p95,
        "back_out_by": plan.back_out_by,
        "back_out_way": plan.back_out_way,
        "notices": [
            {"at": n.at, "whom": n.whom, "what": n.what, "name": n.name} for n in plan.notices
        ],
        "objections": list(plan.objections),
    }


def mark_down_plan(plan: WindowPlan | None) -> Iterator[str]:
    """The section of the Markdown report and of the runbook."""
    yield f"## {NIGHT_HEADING}"
    yield ""
    if plan is None:
        yield NO_PLAN
        return
    yield f"From {escape(say_day(plan.begins))} to {escape(say_day(plan.ends))}. {EXPLAINED}"
    yield ""
    yield from table(HEADS, list_rows(plan))
    yield ""
    yield "Moments of the night:"
    yield ""
    yield from table(
        ("Note", "Time", "What"),
        ((m.letter, say_time(m.at, since=plan.begins), m.words) for m in list_moments(plan)),
    )
    if not plan.back_out_by:
        yield ""
        yield f"Latest moment to begin going back: {escape(NO_WAY_BACK)}."
    if plan.objections:
        yield ""
        yield from (f"- {escape(text)}" for text in plan.objections)
