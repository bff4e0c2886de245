"""The training record: who is trained for what, when last, as of which day."""

from __future__ import annotations

import dataclasses
import json
import re
from datetime import date
from typing import Any

import jsonschema
import pytest
from markdown_it import MarkdownIt
from tests.practice.drills import DRILL, make_failed, make_passed
from tests.unit.test_debrief import CONTROLS, MAKERS

from forerun.model.drill import DrillRecord, DrillState
from forerun.report.render_training import (
    document_training,
    render_training_json,
    render_training_markdown,
    render_training_terminal,
)
from forerun.report.schema_training import training_record_schema
from forerun.report.training_record import Training, gather_training

replace = dataclasses.replace


def pass_on(
    day: str, person: str = "trainee-blue", drill: str = DRILL.name, **changed: Any
) -> DrillRecord:
    """A drill passed on that day."""
    return replace(
        make_passed(),
        id=f"drill-{day}",
        person=person,
        drill=replace(DRILL, name=drill, digest=changed.pop("digest", DRILL.digest)),
        finished_at=f"{day}T21:31:00Z",
        **changed,
    )


def fail_on(day: str, person: str = "trainee-blue") -> DrillRecord:
    """A drill not passed on that day."""
    return replace(pass_on(day, person), passed=False)


def test_the_newest_pass_counts() -> None:
    """By the day it ended, whatever the order of the records and of their making."""
    records = [pass_on("2026-03-14"), pass_on("2026-05-01"), pass_on("2026-01-10")]
    records[1] = replace(records[1], id="drill-2025-12-31")
    (row,) = gather_training(records, as_of=date(2026, 6, 1)).trained
    assert row.newest is not None
    assert row.newest.day == date(2026, 5, 1)
    assert row.newest.refresher_due == date(2026, 11, 1)
    assert row.training is Training.CURRENT


@pytest.mark.parametrize(
    ("as_of", "training"),
    [
        (date(2026, 3, 14), Training.CURRENT),
        (date(2026, 9, 14), Training.CURRENT),
        (date(2026, 9, 15), Training.OVERDUE),
    ],
)
def test_a_refresher_is_overdue_after_its_day(as_of: date, training: Training) -> None:
    """On the day that is due nothing is late yet; a day after it is."""
    (row,) = gather_training([pass_on("2026-03-14")], as_of=as_of).trained
    assert row.training is training


def test_what_comes_later_is_left_out() -> None:
    """On a day in the past nobody is trained by what they did afterwards; that is counted."""
    training = gather_training(
        [pass_on("2026-03-14"), pass_on("2026-05-01")], as_of=date(2026, 4, 1)
    )
    assert training.later == 1
    assert [row.newest.day for row in training.trained if row.newest] == [date(2026, 3, 14)]
    assert "Left out, since they ended after that day: 1 drill." in render_training_markdown(
        training
    )


def test_people_drills_and_profiles_are_told_apart() -> None:
    """A pass of one person, drill or upgrade path trains nobody for another."""
    records = [
        pass_on("2026-03-14"),
        pass_on("2026-03-15", "trainee-green"),
        pass_on("2026-03-16", drill="other"),
        pass_on("2026-03-17", profile="debian-13-to-14"),
    ]
    trained = gather_training(records, as_of=date(2026, 4, 1)).trained
    assert len(trained) == 4
    assert {(row.person, row.drill, row.profile) for row in trained} == {
        (one.person, one.drill.name, one.profile) for one in records
    }


def test_a_fail_never_trains_and_a_later_one_is_told() -> None:
    """Who never passed is listed as such; a fail after a pass stands beside it."""
    records = [
        pass_on("2026-03-14"),
        fail_on("2026-05-01"),
        fail_on("2026-03-01", "trainee-green"),
        pass_on("2026-04-01", "trainee-red"),
        fail_on("2026-03-01", "trainee-red"),
        replace(pass_on("2026-03-02", "trainee-grey"), state=DrillState.LEFT),
        replace(pass_on("2026-03-02", "trainee-white"), state=DrillState.RUNNING, finished_at=""),
    ]
    found = {row.person: row for row in gather_training(records, as_of=date(2026, 6, 1)).trained}
    assert {person: row.training for person, row in found.items()} == {
        "trainee-blue": Training.CURRENT,
        "trainee-green": Training.NEVER,
        "trainee-red": Training.CURRENT,
        "trainee-grey": Training.NEVER,
    }
    assert [person for person, row in found.items() if row.failed_since] == ["trainee-blue"]
    assert found["trainee-blue"].last_played == date(2026, 5, 1)


def test_a_pass_without_a_day_is_not_current() -> None:
    """A time that is none makes nobody trained, and hides no other pass."""
    odd = replace(pass_on("2026-03-14"), finished_at="last week")
    (row,) = gather_training([odd], as_of=date(2026, 4, 1)).trained
    assert row.training is Training.NO_DAY
    both = gather_training([pass_on("2026-03-01"), odd], as_of=date(2026, 4, 1)).trained
    assert [one.training for one in both] == [Training.CURRENT]


def test_a_file_that_changed_since_is_told() -> None:
    """Once somebody has played another file of that name, older passes say so; newer do not."""
    records = [
        pass_on("2026-03-14"),
        pass_on("2026-03-20", "trainee-green", digest="d2" * 32),
        pass_on("2026-03-20", "trainee-grey", digest="d2" * 32),
        pass_on("2026-03-21", "trainee-red", drill="other", digest="d3" * 32),
    ]
    trained = gather_training(records, as_of=date(2026, 4, 1)).trained
    assert [row.person for row in trained if row.other_file_since] == ["trainee-blue"]


def test_who_is_fresh_for_a_change() -> None:
    """With a change planned each standing says whether its pass lies within four weeks of it."""
    records = [pass_on("2026-03-14"), pass_on("2026-03-10", "trainee-green")]
    as_of, change = date(2026, 4, 1), date(2026, 4, 11)
    trained = gather_training(records, as_of=as_of, change=change).trained
    assert {row.person: row.fresh for row in trained} == {
        "trainee-blue": True,
        "trainee-green": False,
    }
    assert [row.fresh for row in gather_training(records, as_of=as_of).trained] == [None, None]


def gather_all() -> Any:
    return gather_training(
        [make() for make in MAKERS], as_of=date(2026, 10, 1), change=date(2026, 10, 20)
    )


def test_the_training_record_in_every_form() -> None:
    """One row a drill with its points, time, hints, resets and due day; and who is trained."""
    training = gather_training([make_passed(), make_failed()], as_of=date(2026, 10, 1))
    text = render_training_markdown(training).replace("\\", "")
    assert (
        "| trainee-blue | night-with-trouble | assessed | 2026-03-14 | yes | 58 of 60 | "
        "31 min 00 s | 1 | 0 | 2026-09-14 |"
    ) in text
    assert (
        "| trainee-green | night-with-trouble | assessed | 2026-06-01 | no | 5 of 60 | "
        "1 h 00 min 30 s | 3 | 2 | – |"  # noqa: RUF001 - the dash of an unknown time
    ) in text
    assert "1 refresher overdue, 1 never passed" in text
    shown = render_training_terminal(training)
    assert re.search(r"trainee-blue .* refresher overdue +2026-03-14 +2026-09-14", shown)
    assert shown.index("2026-06-01") < shown.rindex("2026-03-14")
    assert "certifies nobody" in " ".join(shown.split())
    rows = document_training(training)["drills"]
    assert [row["spent_seconds"] for row in rows] == [3630.0, 1860.0]


def test_the_training_record_keeps_its_schema() -> None:
    """`forerun.training-record/1` by its JSON Schema, with every kind of drill in it."""
    text = render_training_json(gather_all())
    assert text.isascii()
    jsonschema.Draft202012Validator.check_schema(training_record_schema())
    jsonschema.validate(json.loads(text), training_record_schema())
    assert not re.search(CONTROLS, text)
    none = gather_training([], as_of=date(2026, 10, 1))
    jsonschema.validate(document_training(none), training_record_schema())
    assert "nobody has played" in render_training_terminal(none)
    assert "No drill is on record." in render_training_markdown(none)


def test_the_training_record_does_no_harm() -> None:
    """Hostile names form no markup in Markdown and bring no control character to a terminal."""
    training = gather_all()
    text = render_training_markdown(training)
    tokens = MarkdownIt("commonmark").enable(["table", "strikethrough"]).parse(text)
    inline = {child.type for token in tokens for child in token.children or ()}
    assert not inline & {"link_open", "image", "code_inline", "html_inline", "em_open", "s_open"}
    assert sum(token.type == "heading_open" for token in tokens) == 4
    shown = render_training_terminal(training)
    rows = len(training.trained) + len(training.drills)
    filled = [line for line in shown.splitlines() if line.strip()]
    assert len(filled) == rows + 7  # heads and sentences
    assert max(map(len, shown.splitlines())) < 200
    for drawn in (text, shown):
        assert all(char == "\n" or char.isprintable() for char in drawn)
