"""What is said after a drill, taken from its record alone; `render_debrief` says how.

The words are those of exercises (NIST SP 800-84): objectives, injects, and the debrief, the talk
straight after it (the "hot wash"), whose sheet this is. Nothing is judged here: which objective
is met and whether the drill is passed stands in the record. Where the record's verdict
and the drill's own rules differ, that is an objection and no new verdict.
Durations are seconds, None where they are not known.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import Enum

from forerun.model.drill import (
    DrillEvent,
    DrillRecord,
    DrillState,
    Hint,
    Inject,
    InjectCourse,
    Judged,
    Objective,
    Standing,
)
from forerun.report.figures import count_of
from forerun.report.plain import clean_record
from forerun.report.refresher import find_due, is_passed

DRILL_CAUTIONS = (
    "A drill on an approximate clone shows practice; it certifies nobody. Local rules decide who "
    "may work on production.",
    "The times are those of a clone on the lab host, with a person who knows it is a drill: they "
    "foretell nothing about production.",
    "What is kept of a person's training is data about staff: agree on purpose, access and how "
    "long it is kept. It is there to learn from, not to rank people.",
    "What was typed and shown is recorded: look it over before anybody else gets it.",
)
# A drill that goes on, or never began, is held against no rule.
PLAYED = (DrillState.FINISHED, DrillState.LEFT)
# What the trainee did or asked for; the other kinds of event are told by the machine.
_TRAINEES_ACTS = ("shell", "call", "note", "hint")


class Mended(Enum):
    """What became of an inject, in the words that are shown."""

    IN_TIME = "mended within its limit"
    LATE = "mended later than its limit"
    NO_LIMIT = "mended; it has no limit"
    UNTIMED = "mended; how long that took is not known"
    OPEN = "not mended"
    NOT_REACHED = "its moment did not come"
    NOT_MADE = "could not be made"


@dataclass(frozen=True, slots=True)
class ObjectiveLine:
    """An objective as it stands. `points` were earned by it, before hints; `at_s` is when it was
    decided; `shown` are the hints that the trainee asked for, in their order."""

    objective: Objective
    standing: Standing
    evidence: str
    points: int
    at_s: float | None
    shown: tuple[Hint, ...]

    @property
    def is_met(self) -> bool:
        """Whether it stands as met."""
        return self.standing is Standing.MET

    @property
    def hint_cost(self) -> int:
        """Points that its hints cost."""
        return sum(hint.cost for hint in self.shown)


@dataclass(frozen=True, slots=True)
class InjectLine:
    """An inject and its course. `took_s` is from its beginning until its trouble was gone;
    `first_act` the first thing that the trainee did or asked for after it, as far as it is on
    record, `first_act_s` how long after; `mended_by` what the event line says of its end."""

    inject: Inject
    mended: Mended
    struck_s: float | None
    mended_s: float | None
    took_s: float | None
    limit_s: float | None
    detection: str
    why: str
    first_act: DrillEvent | None
    first_act_s: float | None
    mended_by: str


@dataclass(frozen=True, slots=True)
class TimeSpent:
    """The trainee's time beside what it is held against. `cold_start_s` is what making the clone
    from nothing took, for the resets."""

    spent_s: float | None
    allowed_s: float | None
    window_s: float | None
    reference_s: float | None
    cold_start_s: float | None


@dataclass(frozen=True, slots=True)
class Debrief:
    """All that is said. `reasons` are the drill's own rules that were not kept; `undrawn` how
    many injects of its file were left for another time. The objectives not met come first."""

    record: DrillRecord
    objectives: tuple[ObjectiveLine, ...]
    injects: tuple[InjectLine, ...]
    undrawn: int
    time: TimeSpent
    reasons: tuple[str, ...]
    went_well: tuple[str, ...]
    objections: tuple[str, ...]
    resets: tuple[tuple[float | None, float | None], ...]
    wrong_turns: tuple[DrillEvent, ...]
    calls: tuple[DrillEvent, ...]
    notes: tuple[DrillEvent, ...]
    events: tuple[DrillEvent, ...]
    refresher_due: date | None
    cautions: tuple[str, ...] = DRILL_CAUTIONS

    @property
    def passed(self) -> bool:
        """Whether the drill counts as passed."""
        return is_passed(self.record)

    @property
    def hint_cost(self) -> int:
        """Points that all hints cost."""
        return sum(line.hint_cost for line in self.objectives)


def outline_debrief(record: DrillRecord) -> Debrief:
    """The debrief of one drill, every text of it made harmless; also of one that goes on."""
    told = _sort_events(clean_record(record))
    objectives = tuple(sorted(_list_objectives(told), key=_rank_objective))
    injects = tuple(_list_injects(told))
    time = _account_time(told)
    reasons = tuple(_find_reasons(told, objectives, time)) if told.state in PLAYED else ()
    known = {line.inject.name for line in injects}
    return Debrief(
        record=told,
        objectives=objectives,
        injects=injects,
        undrawn=sum(inject.name not in known for inject in told.drill.injects),
        time=time,
        reasons=reasons,
        went_well=tuple(_list_good(told, objectives, injects, time)),
        objections=tuple(_list_objections(told, injects, reasons)),
        resets=tuple((known_seconds(at), known_seconds(took)) for at, took in told.resets),
        wrong_turns=_pick(told.events, "wrong"),
        calls=_pick(told.events, "call"),
        notes=_pick(told.events, "note"),
        events=told.events,
        refresher_due=find_due(told),
    )


def _sort_events(record: DrillRecord) -> DrillRecord:
    """What the machine saw late is written late: by attempt and time it stands where it was."""
    ordered = sorted(record.events, key=lambda event: (event.attempt, event.at_s))
    return replace(record, events=tuple(ordered))


def known_seconds(value: float) -> float | None:
    """A record's seconds; None where it has none (-1), or what cannot be one."""
    return value if math.isfinite(value) and value >= 0 else None


def list_shown(record: DrillRecord) -> dict[str, tuple[Hint, ...]]:
    """The hints of each objective that were shown. They are given in their order, so the record
    has the number of the last one; where it has an objective twice, the higher one counts."""
    counted: dict[str, int] = {}
    for name, number in record.hints:
        counted[name] = max(counted.get(name, 0), number)
    return {one.name: one.hints[: counted.get(one.name, 0)] for one in record.drill.objectives}


def _account_time(record: DrillRecord) -> TimeSpent:
    began = bool(record.began_at) or record.spent_s > 0
    drill = record.drill
    return TimeSpent(
        spent_s=known_seconds(record.spent_s) if began else None,
        # In the record 0 stands for "has none".
        allowed_s=known_seconds(drill.time_allowed_s) or None,
        window_s=known_seconds(drill.window_s) or None,
        reference_s=known_seconds(record.reference_s) or None,
        cold_start_s=known_seconds(record.cold_start_s) or None,
    )


def _pick(events: Sequence[DrillEvent], kind: str) -> tuple[DrillEvent, ...]:
    return tuple(event for event in events if event.kind == kind)


# --- objectives


def _list_objectives(record: DrillRecord) -> Iterator[ObjectiveLine]:
    judged = {one.name: one for one in record.judged}
    shown = list_shown(record)
    for objective in record.drill.objectives:
        stands = judged.get(objective.name, Judged(objective.name, Standing.NOT_YET, ""))
        yield ObjectiveLine(
            objective=objective,
            standing=stands.standing,
            evidence=stands.evidence,
            points=objective.points if stands.standing is Standing.MET else 0,
            at_s=known_seconds(stands.at_s),
            shown=shown[objective.name],
        )


def _rank_objective(line: ObjectiveLine) -> tuple[bool, bool]:
    return line.is_met, not line.objective.critical


# --- injects


def _list_injects(record: DrillRecord) -> Iterator[InjectLine]:
    """Those that happened by their time, then those that did not, in the record's order."""
    planned = {inject.name: inject for inject in record.drill.injects}
    told = {course.name for course in record.injects}
    missing = (InjectCourse(name) for name in record.drawn if name not in told)
    courses = (*record.injects, *missing)
    for course in sorted(courses, key=_rank_course):
        inject = planned.get(course.name, Inject(course.name, "", course.name))
        yield _line_inject(record, inject, course)


def _rank_course(course: InjectCourse) -> float:
    struck = known_seconds(course.struck_s)
    return math.inf if struck is None else struck


def _line_inject(record: DrillRecord, inject: Inject, course: InjectCourse) -> InjectLine:
    struck, mended = known_seconds(course.struck_s), known_seconds(course.mended_s)
    limit = known_seconds(inject.limit_s) or None
    took = _subtract(mended, struck)
    act = _find_first_act(record.events, course.name) if struck is not None else None
    return InjectLine(
        inject=inject,
        mended=_name_course(course, struck, mended, took, limit),
        struck_s=struck,
        mended_s=mended,
        took_s=took,
        limit_s=limit,
        detection=course.detection,
        why=course.why,
        first_act=act,
        first_act_s=_subtract(act.at_s, struck) if act is not None else None,
        mended_by=next(
            (
                e.text
                for e in reversed(record.events)
                if (e.kind, e.name) == ("mended", course.name)
            ),
            "",
        ),
    )


def _subtract(later: float | None, earlier: float | None) -> float | None:
    if later is None or earlier is None:
        return None
    return known_seconds(later - earlier)


def _name_course(
    course: InjectCourse,
    struck: float | None,
    mended: float | None,
    took: float | None,
    limit: float | None,
) -> Mended:
    if struck is None:
        return Mended.NOT_MADE if course.why.strip() else Mended.NOT_REACHED
    if mended is None:
        return Mended.OPEN
    if took is None:
        return Mended.UNTIMED
    if limit is None:
        return Mended.NO_LIMIT
    return Mended.IN_TIME if took <= limit else Mended.LATE


def _find_first_act(events: Sequence[DrillEvent], name: str) -> DrillEvent | None:
    """What the trainee did first after the inject last happened. When trouble was noticed the
    machine cannot tell; this is the next best thing, and is called what it is."""
    places = [n for n, e in enumerate(events) if (e.kind, e.name) == ("inject", name)]
    for event in events[places[-1] + 1 :] if places else ():
        if event.kind == "reset" or (event.kind, event.name) == ("mended", name):
            return None
        if event.kind in _TRAINEES_ACTS:
            return event
    return None


# --- what follows from both


def _find_reasons(
    record: DrillRecord, objectives: Sequence[ObjectiveLine], time: TimeSpent
) -> Iterator[str]:
    """The drill's own rules for passing that were not kept, each with what it rests on."""
    for line in objectives:
        if line.objective.critical and not line.is_met:
            yield f"Critical and not met: {line.objective.title}"
    wanted = record.drill.passing.points_share * record.most_points
    if math.isfinite(wanted) and record.points < wanted - 1e-9:  # 0.55 * 100 is a little over 55
        yield (
            f"{record.points} of {count_of(record.most_points, 'point')} are left after hints; "
            f"{math.ceil(wanted - 1e-9)} are wanted"
        )
    late = time.spent_s is not None and time.allowed_s is not None and time.spent_s > time.allowed_s
    if record.drill.passing.within_time and late:
        yield "The time allowed was used up, and this drill wants it kept"


def _list_good(
    record: DrillRecord,
    objectives: Sequence[ObjectiveLine],
    injects: Sequence[InjectLine],
    time: TimeSpent,
) -> Iterator[str]:
    for line in objectives:
        if line.is_met and not line.shown:
            yield f"Met without a hint: {line.objective.title}"
    for inject in injects:
        if inject.mended is Mended.IN_TIME:
            yield f"Mended within its limit: {inject.inject.title}"
    ended = record.state is DrillState.FINISHED
    within = time.spent_s is not None and time.allowed_s is not None
    if ended and within and (time.spent_s or 0.0) <= (time.allowed_s or 0.0):
        yield "Within the time allowed"
    if ended and not record.resets:
        yield "Without going back to a hold point"


def _list_objections(
    record: DrillRecord, injects: Sequence[InjectLine], reasons: Sequence[str]
) -> Iterator[str]:
    if record.passed and record.state is not DrillState.FINISHED:
        yield "The record says passed, but the drill was not played to its end: it does not count."
    elif record.passed and reasons:
        yield "The record says passed, but not all of the drill's rules for that were kept."
    elif record.state is DrillState.FINISHED and not record.passed and not reasons:
        yield "The record says not passed, and none of the drill's rules says why."
    unmade = sum(line.mended is Mended.NOT_MADE for line in injects)
    if unmade:
        yield (
            f"{count_of(unmade, 'inject')} could not be made: the drill was easier than its file "
            "says."
        )
    if record.attempt > 1 or record.resets:
        yield "After a reset the trainee knows what comes: later attempts are no first attempts."
    judged = {one.name for one in record.judged}
    forgotten = sum(objective.name not in judged for objective in record.drill.objectives)
    if forgotten and record.state in PLAYED:
        yield f"{count_of(forgotten, 'objective')} not judged: counted as not met."
