"""Who is trained for what, and when last: drills of one or more persons, put together.

Persons are pseudonyms. A pass counts for its person, its drill and its profile: what was practised
with one upgrade path says little about another. Durations are seconds, None where unknown.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from enum import Enum

from forerun.model.drill import DrillRecord, DrillState
from forerun.report.debrief import DRILL_CAUTIONS, PLAYED, known_seconds, list_shown
from forerun.report.plain import clean_record
from forerun.report.refresher import find_due, find_end, is_fresh, is_passed

TRAINING_CAUTIONS = (
    "A drill shows practice; it certifies nobody. Local rules decide who may work on production.",
    DRILL_CAUTIONS[2],
)


class Training(Enum):
    """How a person stands with a drill, in the words that are shown."""

    CURRENT = "current"
    OVERDUE = "refresher overdue"
    NO_DAY = "passed on a day that is not on record"
    NEVER = "never passed"


@dataclass(frozen=True, slots=True)
class DrillRow:
    """One drill. `day` is when it ended, None while it has not; `spent_s` the trainee's time."""

    id: str
    person: str
    drill: str
    title: str
    level: str
    profile: str
    digest: str
    day: date | None
    state: DrillState
    passed: bool
    points: int
    most_points: int
    spent_s: float | None
    hints: int
    resets: int
    refresher_due: date | None


@dataclass(frozen=True, slots=True)
class TrainedRow:
    """A person's standing with a drill. `newest` is the newest drill passed, None without one;
    `failed_since` says that a later one was not passed, `other_file_since` that the drill's file
    has since become another; `fresh` whether the pass lies within the weeks before the change,
    None where no change is planned."""

    person: str
    drill: str
    profile: str
    training: Training
    newest: DrillRow | None
    last_played: date | None
    failed_since: bool
    other_file_since: bool
    fresh: bool | None


@dataclass(frozen=True, slots=True)
class TrainingRecord:
    """What is known `as_of` a day; `later` drills ended after it and are left out. `change` is
    the day of a real change that is planned."""

    as_of: date
    change: date | None
    trained: tuple[TrainedRow, ...]
    drills: tuple[DrillRow, ...]
    later: int
    cautions: tuple[str, ...] = TRAINING_CAUTIONS


def gather_training(
    records: Sequence[DrillRecord], *, as_of: date, change: date | None = None
) -> TrainingRecord:
    """All drills as rows, the newest first, and how each person stands on the day `as_of`."""
    rows = [_row(clean_record(record)) for record in records]
    known = sorted(
        (row for row in rows if row.day is None or row.day <= as_of), key=_age, reverse=True
    )
    groups: dict[tuple[str, str, str], list[DrillRow]] = defaultdict(list)
    for row in known:
        if row.state in PLAYED:
            groups[row.drill, row.profile, row.person].append(row)
    trained = (_stand(members, known, as_of, change) for _, members in sorted(groups.items()))
    return TrainingRecord(
        as_of=as_of,
        change=change,
        trained=tuple(trained),
        drills=tuple(known),
        later=len(rows) - len(known),
    )


def _age(row: DrillRow) -> tuple[date, str]:
    """By the day it ended, since a drill may lie between its making and its end; ids tell drills
    of one day apart. One without a day counts as the oldest: it must hide nothing."""
    return row.day or date.min, row.id


def _row(record: DrillRecord) -> DrillRow:
    drill = record.drill
    played = bool(record.began_at) or record.spent_s > 0
    return DrillRow(
        id=record.id,
        person=record.person,
        drill=drill.name,
        title=drill.title,
        level=drill.level,
        profile=record.profile,
        digest=drill.digest,
        day=find_end(record),
        state=record.state,
        passed=is_passed(record),
        points=record.points,
        most_points=record.most_points,
        spent_s=known_seconds(record.spent_s) if played else None,
        hints=sum(map(len, list_shown(record).values())),
        resets=len(record.resets),
        refresher_due=find_due(record),
    )


def _stand(
    members: Sequence[DrillRow], everybody: Sequence[DrillRow], as_of: date, change: date | None
) -> TrainedRow:
    first = members[0]
    newest = next((row for row in members if row.passed), None)
    days = [row.day for row in members if row.day is not None]
    return TrainedRow(
        person=first.person,
        drill=first.drill,
        profile=first.profile,
        training=_judge(newest, as_of),
        newest=newest,
        last_played=max(days, default=None),
        failed_since=newest is not None and newest is not first,
        other_file_since=newest is not None and any(_replaces(row, newest) for row in everybody),
        fresh=_is_fresh(newest, change),
    )


def _judge(newest: DrillRow | None, as_of: date) -> Training:
    if newest is None:
        return Training.NEVER
    if newest.refresher_due is None:
        return Training.NO_DAY
    return Training.OVERDUE if as_of > newest.refresher_due else Training.CURRENT


def _is_fresh(newest: DrillRow | None, change: date | None) -> bool | None:
    if change is None:
        return None
    return newest is not None and newest.day is not None and is_fresh(newest.day, change)


def _replaces(row: DrillRow, passed: DrillRow) -> bool:
    """Whether somebody has played another file of the same drill since."""
    same = (row.drill, row.profile) == (passed.drill, passed.profile)
    return same and row.digest != passed.digest and _age(row) > _age(passed)


def list_remarks(row: TrainedRow) -> Iterator[str]:
    """What a reader must know beside the standing."""
    if row.failed_since:
        yield "a later one not passed"
    if row.other_file_since:
        yield "the drill's file has changed since"
    if row.fresh is not None:
        yield "fresh for the change" if row.fresh else "not fresh for the change"
