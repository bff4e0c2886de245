"""A training record for people and programs: terminal, Markdown, JSON."""

from __future__ import annotations

import json
import textwrap
from collections import Counter
from collections.abc import Iterator
from datetime import date
from typing import Any

from tabulate import tabulate

from forerun.model.drill import DrillState
from forerun.report.figures import count_of, say_seconds
from forerun.report.markdown import escape, listed, table
from forerun.report.plain import one_line
from forerun.report.refresher import BEFORE_CHANGE_WEEKS, REFRESHER_BASIS, REFRESHER_MONTHS
from forerun.report.training_record import (
    DrillRow,
    TrainedRow,
    Training,
    TrainingRecord,
    list_remarks,
)
from forerun.report.wall_clock import NO_TIME

TRAINING_SCHEMA = "forerun.training-record/1"

Json = dict[str, Any]

_TRAINED_HEADS = (
    "Person", "Drill", "Profile", "Standing", "Last passed", "Refresher due", "Remarks",
)  # fmt: skip
_DRILL_HEADS = (
    "Person", "Drill", "Level", "Date", "Passed", "Points", "Time", "Hints", "Resets",
    "Refresher due",
)  # fmt: skip
_LONGEST = 28  # of a name in a column of the terminal's tables
_NOBODY = "not named"
NO_DRILL = "No drill is on record."


def say_training(training: TrainingRecord) -> str:
    """Who is trained, in a sentence or two."""
    if not training.trained:
        return f"As of {training.as_of.isoformat()} nobody has played a drill to an end."
    found = Counter(row.training for row in training.trained)
    counts = ", ".join(f"{found[one]} {one.value}" for one in Training if found[one])
    told = f"As of {training.as_of.isoformat()}, by person and drill: {counts}."
    if training.change is not None:
        fresh = sum(row.fresh is True for row in training.trained)
        told += (
            f" Passed within {BEFORE_CHANGE_WEEKS} weeks before the change of "
            f"{training.change.isoformat()}: {fresh}."
        )
    return told


def say_rule() -> str:
    """When a refresher is due."""
    return (
        f"A refresher is due {REFRESHER_MONTHS} months after a pass, and within "
        f"{BEFORE_CHANGE_WEEKS} weeks before a real change. {REFRESHER_BASIS}"
    )


def _say_later(training: TrainingRecord) -> str:
    return f"Left out, since they ended after that day: {count_of(training.later, 'drill')}."


def _day(day: date | None) -> str:
    return NO_TIME if day is None else day.isoformat()


def _say_passed(row: DrillRow) -> str:
    if row.state is DrillState.FINISHED:
        return "yes" if row.passed else "no"
    return "not made" if row.state is DrillState.FAILED else row.state.value


def _trained_cells(row: TrainedRow) -> tuple[str, ...]:
    return (
        row.person or _NOBODY,
        row.drill,
        row.profile,
        row.training.value,
        _day(row.newest.day if row.newest else None),
        _day(row.newest.refresher_due if row.newest else None),
        "; ".join(list_remarks(row)),
    )


def _drill_cells(row: DrillRow) -> tuple[str, ...]:
    return (
        row.person or _NOBODY,
        row.drill,
        row.level,
        _day(row.day),
        _say_passed(row),
        f"{row.points} of {row.most_points}",
        NO_TIME if row.spent_s is None else say_seconds(row.spent_s),
        f"{row.hints}",
        f"{row.resets}",
        _day(row.refresher_due),
    )


# --- terminal


def render_training_terminal(training: TrainingRecord, *, width: int = 120) -> str:
    """Who is trained, then every drill, the newest first. Sentences are wrapped at `width`
    columns; the tables are as wide as their rows, with names cut at 28 characters."""
    return "\n".join(_list_lines(training, max(width, 60))) + "\n"


def _list_lines(training: TrainingRecord, width: int) -> Iterator[str]:
    yield from textwrap.wrap(say_training(training), width)
    if training.trained:
        yield ""
        yield _tabulate(_TRAINED_HEADS, [_trained_cells(row) for row in training.trained])
    yield ""
    if training.drills:
        yield _tabulate(_DRILL_HEADS, [_drill_cells(row) for row in training.drills])
    else:
        yield NO_DRILL
    if training.later:
        yield _say_later(training)
    yield ""
    yield from textwrap.wrap(training.cautions[0], width)


def _tabulate(heads: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    cut = [tuple(one_line(c, longest=_LONGEST) for c in row[:-1]) + row[-1:] for row in rows]
    text = tabulate(cut, headers=heads, disable_numparse=True)
    return "\n".join(line.rstrip() for line in text.splitlines())


# --- Markdown


def render_training_markdown(training: TrainingRecord) -> str:
    """The training record as Markdown."""
    return "\n".join(_mark_down(training)) + "\n"


def _mark_down(training: TrainingRecord) -> Iterator[str]:
    yield "# Training record"
    yield ""
    yield escape(say_training(training))
    yield ""
    yield "## Who is trained, when last"
    yield ""
    if training.trained:
        yield from table(_TRAINED_HEADS, (_trained_cells(row) for row in training.trained))
        yield ""
    yield escape(say_rule())
    yield ""
    yield "## Drills"
    yield ""
    if training.drills:
        yield from table(_DRILL_HEADS, (_drill_cells(row) for row in training.drills))
    else:
        yield NO_DRILL
    if training.later:
        yield ""
        yield _say_later(training)
    yield ""
    yield from listed("Cautions", training.cautions)


# --- JSON


def render_training_json(training: TrainingRecord) -> str:
    """The contract `forerun.training-record/1` as indented ASCII."""
    return json.dumps(document_training(training), indent=2, ensure_ascii=True) + "\n"


def document_training(training: TrainingRecord) -> Json:
    """The training record as plain data: days as YYYY-MM-DD, null where not known."""
    return {
        "schema": TRAINING_SCHEMA,
        "as_of": training.as_of.isoformat(),
        "change_on": _maybe(training.change),
        "refresher_months": REFRESHER_MONTHS,
        "before_change_weeks": BEFORE_CHANGE_WEEKS,
        "basis": REFRESHER_BASIS,
        "trained": [_document_trained(row) for row in training.trained],
        "drills": [_document_drill(row) for row in training.drills],
        "later_drills": training.later,
        "cautions": list(training.cautions),
    }


def _maybe(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _document_trained(row: TrainedRow) -> Json:
    newest = row.newest
    return {
        "person": row.person,
        "drill": row.drill,
        "profile": row.profile,
        "standing": row.training.value,
        "overdue": row.training is Training.OVERDUE,
        "last_passed": _maybe(newest.day if newest else None),
        "last_played": _maybe(row.last_played),
        "refresher_due": _maybe(newest.refresher_due if newest else None),
        "record": newest.id if newest else None,
        "digest": newest.digest if newest else None,
        "failed_since": row.failed_since,
        "other_file_since": row.other_file_since,
        "fresh_for_change": row.fresh,
    }


def _document_drill(row: DrillRow) -> Json:
    return {
        "id": row.id,
        "person": row.person,
        "drill": row.drill,
        "title": row.title,
        "level": row.level,
        "profile": row.profile,
        "digest": row.digest,
        "day": _maybe(row.day),
        "state": row.state.value,
        "passed": row.passed,
        "points": row.points,
        "most_points": row.most_points,
        "spent_seconds": row.spent_s,
        "hints": row.hints,
        "resets": row.resets,
        "refresher_due": _maybe(row.refresher_due),
    }
