"""The night's working timetable. Times are RFC 3339 with the offset of the place."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PlanLine:
    """One step by the clock: when it begins and ends in the middle case and in the one of
    nineteen nights in twenty."""

    step: str
    title: str
    stage: str
    begins_p50: str
    begins_p95: str
    ends_p50: str
    ends_p95: str
    hold_point: bool = False
    point_of_no_return: bool = False


@dataclass(frozen=True, slots=True)
class Notice:
    """Whom to tell what, and when. `name` says which text of the runbook."""

    at: str
    whom: str
    what: str
    name: str


@dataclass(frozen=True, slots=True)
class WindowPlan:
    """From `begins` to `ends`. `back_out_by` is the latest moment to begin going back by the
    way named: the window's end less nineteen in twenty of that way's durations and of the
    verification that all is as it was, rounded down to the minute; "" where no way back was
    rehearsed. `objections` say what the plan lacks."""

    begins: str
    ends: str
    lines: tuple[PlanLine, ...]
    no_return_step: str
    no_return_p50: str
    no_return_p95: str
    back_out_by: str
    back_out_way: str
    notices: tuple[Notice, ...]
    objections: tuple[str, ...] = ()
