"""What a second survey says about the first and about the rehearsals made from it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from tests.practice.bare_survey import make_survey

from forerun.cli_drift import show_drift
from forerun.model.observation import RunRecord
from forerun.model.survey import CleanSurvey
from forerun.ports.records import dump_record, load_record
from forerun.ports.store import Store

RUN = Path(__file__).parent.parent / "data" / "run-record-shelf01.json"
ORIGIN = "0123456789abcdef"
FIRST, SECOND = "survey-20260131-220000-aaaa", "survey-20260201-220000-bbbb"


def keep(store: Store, record: CleanSurvey | RunRecord) -> None:
    parent, name = (
        (store.surveys, "survey.json")
        if isinstance(record, CleanSurvey)
        else (store.runs, "record.json")
    )
    with store.new_folder(parent, record.id) as folder:
        (folder / name).write_bytes(dump_record(record))


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """A first survey, a rehearsal made from it, and one of another server."""
    store = Store(tmp_path)
    keep(store, make_survey("bash=5.2-1", "curl=7.88-1", id=FIRST, origin=ORIGIN))
    keep(store, make_survey("bash=1.0", id="survey-20260131-230000-cccc", origin="f" * 16))
    run = load_record(RunRecord, RUN)
    keep(store, replace(run, id="run-1", survey_id=FIRST))
    keep(store, replace(run, id="run-2", survey_id="survey-20260131-230000-cccc"))
    return store


def test_a_first_survey_is_compared_with_nothing(
    store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    """Surveys of other servers are not its own past."""
    show_drift(store, make_survey("bash=5.2-1", id=SECOND, origin="1" * 16))
    assert capsys.readouterr().out == ""


def test_a_changed_package_is_named_and_makes_its_rehearsal_stale(
    store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    """The package with both versions, and the one rehearsal that was made before."""
    show_drift(store, make_survey("bash=5.2-2", "curl=7.88-1", id=SECOND, origin=ORIGIN))
    said = capsys.readouterr().out
    assert f"since {FIRST}: 1 change, 1 of weight" in said
    (row,) = [line for line in said.splitlines() if line.startswith("matters")]
    assert "bash" in row and "5.2-1" in row and "5.2-2" in row
    assert "stale: rehearsal run-1, for 1 reason," in said
    assert "run-2" not in said


def test_an_unchanged_server_keeps_its_rehearsal(
    store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    """It says so, and calls nothing stale."""
    show_drift(store, make_survey("bash=5.2-1", "curl=7.88-1", id=SECOND, origin=ORIGIN))
    said = capsys.readouterr().out
    assert "nothing has changed that can be told" in said
    assert "stale" not in said
