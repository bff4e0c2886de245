"""The commands that draw again what is stored: report, two reports compared, runbook."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from tests.practice.bare_survey import make_survey
from tests.unit.test_cli import run
from tests.unit.test_store import RUN

from forerun.errors import EXIT_OK, NotFound, UsageError
from forerun.model.observation import RunRecord
from forerun.model.profile import Procedure
from forerun.ports.records import dump_record, load_record
from forerun.ports.store import PROCEDURE_NAME, Store, write_durably
from forerun.profiles import load_profile, load_site

DATA = Path(__file__).parents[1] / "data" / "profiles"
OLD, NEW = "run-20260314-220312-a7d0", "run-20260320-220312-b1c2"


@pytest.fixture
def state(tmp_path: Path) -> Path:
    """A state folder with two runs of one procedure, a transcript, and two surveys."""
    store = Store(tmp_path / "state")
    profile = load_profile(DATA / "small-profile.yaml")
    site = load_site(DATA / "small-site.yaml")
    for name, started in ((OLD, "2026-03-14T22:03:12Z"), (NEW, "2026-03-20T22:03:12Z")):
        record = replace(
            load_record(RunRecord, RUN),
            id=name,
            started_at=started,
            profile_digest=profile.digest,
            site_digest=site.digest,
        )
        with store.new_folder(store.runs, name) as aside:
            write_durably(aside / "record.json", dump_record(record))
            write_durably(aside / PROCEDURE_NAME, dump_record(Procedure(profile, site)))
            (aside / "terminal.log").write_bytes(b"Setting up bash\r\n\x1b[31mred\x1b[0m\n" * 200)
    for name, version in (("survey-20260301-220000-a1", "1"), ("survey-20260302-220000-a2", "2")):
        with store.new_folder(store.surveys, name) as aside:
            kept = replace(make_survey(f"bash={version}"), id=name, keep_until="2099-01-01")
            write_durably(aside / "survey.json", dump_record(kept))
    return tmp_path / "state"


@pytest.mark.parametrize("form", ["terminal", "markdown", "json", "html"])
def test_two_runs_are_compared_in_every_form(
    state: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    form: str,
) -> None:
    """Both ids stand in it; two runs of one profile have one run each behind them."""
    assert run(["report", OLD, NEW, "--format", form], state, monkeypatch) == EXIT_OK
    out = capsys.readouterr().out.replace("\\", "")
    assert OLD in out
    assert NEW in out
    assert "nothing can be told from noise" in " ".join(out.split())
    if form == "json":
        assert json.loads(out)["schema"] == "forerun.comparison/1"


def test_two_surveys_are_compared(
    state: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What drifted from the first to the second, and that rehearsals on the first are stale."""
    ids = ["survey-20260301-220000-a1", "survey-20260302-220000-a2"]
    assert run(["report", *ids, "--format", "json"], state, monkeypatch) == EXIT_OK
    told = json.loads(capsys.readouterr().out)
    assert told["kind"] == "surveys"
    (change,) = told["groups"][0]["changes"]
    assert (change["before"], change["after"], change["kind"]) == ("1", "2", "matters")
    assert any("no longer holds" in note for note in told["notes"])


@pytest.mark.parametrize(
    ("argv", "code"),
    [
        ([OLD, "survey-20260301-220000-a1"], UsageError.exit_code),
        (["survey-20260301-220000-a1"], UsageError.exit_code),
        ([OLD, NEW, "--format", "pdf"], UsageError.exit_code),
        ([OLD, "run-20260101-000000-ffff"], NotFound.exit_code),
    ],
)
def test_what_cannot_be_compared_is_refused(
    state: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    argv: list[str],
    code: int,
) -> None:
    """A run with a survey, one survey alone, an unknown format, an unknown run: each with its
    exit code and nothing printed."""
    assert run(["report", *argv], state, monkeypatch) == code
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize("form", ["markdown", "html"])
def test_a_runbook_is_printed_again(
    state: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    form: str,
) -> None:
    """From what is kept with the run, in both forms, with the steps that were run."""
    assert run(["runbook", "last", "--format", form], state, monkeypatch) == EXIT_OK
    out = capsys.readouterr().out
    profile = load_profile(DATA / "small-profile.yaml")
    for step in profile.steps:
        assert step.title in out.replace("\\", "")
    assert ("<!DOCTYPE html>" in out) == (form == "html")


def test_a_runbook_without_its_procedure_is_not_drawn(
    state: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A folder that has lost it: it is said what is missing."""
    (Store(state).runs / NEW / PROCEDURE_NAME).unlink()
    assert run(["runbook", NEW], state, monkeypatch) == NotFound.exit_code
    assert "The procedure of this run is gone" in capsys.readouterr().err


def test_the_report_shows_the_end_of_the_transcript(
    state: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its last lines without control characters, and where all of it lies."""
    assert run(["report", NEW, "--format", "html"], state, monkeypatch) == EXIT_OK
    out = capsys.readouterr().out
    (block,) = [part for part in out.split("<pre") if "End of the transcript" in part]
    lines = block.partition(">")[2].partition("</pre>")[0].splitlines()
    assert len(lines) == 120
    assert set(lines) == {"Setting up bash", "red"}
    assert "The file terminal.log beside this report" in out
