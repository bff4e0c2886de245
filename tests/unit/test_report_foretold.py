"""How a report says what was foretold and what came of it."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import jsonschema
import pytest
from pydantic import TypeAdapter

from forerun.model.likeness import ForetellingCheck, Foretold, NotLookedAt
from forerun.model.observation import RunRecord
from forerun.report.foretold import say_foretelling
from forerun.report.outline import outline
from forerun.report.render_html import render_html
from forerun.report.render_json import render_json
from forerun.report.render_markdown import render_markdown
from forerun.report.render_terminal import render_terminal
from forerun.report.schema import report_schema

DATA = Path(__file__).parents[1] / "data" / "run-record-shelf01.json"
FORETOLD = (
    Foretold("debconf", "shelf/later", "shelf", "the script decides", sure=False),
    Foretold("conffile", "/etc/shelf.conf", "shelf", "edited here"),
    Foretold("ucf", "/etc/ssh/sshd_config", "openssh-server", "edited here"),
    Foretold("obsolete", "/etc/sysctl.conf", "procps", "becomes /etc/sysctl.conf.dpkg-bak"),
    Foretold("versioned", "/etc/php/8.2/fpm/php.ini", "php8.2-fpm", "left behind"),
)
CHECKS = (
    ForetellingCheck("conffile", "/etc/shelf.conf", "shelf", "met"),
    ForetellingCheck("ucf", "/etc/ssh/sshd_config", "openssh-server", "not met", "script"),
    ForetellingCheck("debconf", "shelf/later", "shelf", "met"),
    ForetellingCheck("obsolete", "/etc/sysctl.conf", "procps", "met", "lies beside it"),
    ForetellingCheck("other", "Keep the notes?", "", "not foretold", "by itself"),
)


@pytest.fixture(scope="module")
def run() -> RunRecord:
    """A run with a foretelling of each kind."""
    record = TypeAdapter(RunRecord).validate_json(DATA.read_bytes())
    return dataclasses.replace(
        record,
        foretold=FORETOLD,
        foretelling=CHECKS,
        not_looked_at=(NotLookedAt("linux-image", "too large"),),
    )


def test_the_account_counts_sure_and_possible_ones_apart(run: RunRecord) -> None:
    """Two sure questions of which one was met, a possible one that was met, and one
    question that nobody foretold."""
    report = outline(run)
    assert say_foretelling(report.foretold) == (
        "2 questions foretold and 1 more thought possible: 1 met and 1 of the possible ones, "
        "1 met that were not foretold"
    )
    assert [row.told.sure for row in report.foretold.questions] == [True, True, False]
    assert [row.result for row in report.foretold.losses] == ["met", ""]


def test_what_was_not_compared_is_not_called_unmet(run: RunRecord) -> None:
    """A run that ended before the comparison."""
    report = outline(dataclasses.replace(run, foretelling=()))
    assert "not compared" in say_foretelling(report.foretold)


def test_the_json_has_every_line_and_fits_the_schema(run: RunRecord) -> None:
    """Reference: the jsonschema library; the contract's name stays as it is."""
    document = json.loads(render_json(outline(run)))
    jsonschema.Draft202012Validator(report_schema()).validate(document)
    assert document["schema"] == "forerun.report/1"
    found = document["foretold"]
    assert {row["subject"] for row in found["questions"] + found["losses"]} == {
        row.subject for row in FORETOLD
    }
    assert found["not_foretold"] == [
        {"kind": "other", "subject": "Keep the notes?", "package": "", "why": "by itself"}
    ]
    assert found["not_looked_at"] == [{"package": "linux-image", "why": "too large"}]
    spoiled = json.loads(render_json(outline(run)))
    spoiled["foretold"]["questions"][0]["result"] = "perhaps"
    assert not jsonschema.Draft202012Validator(report_schema()).is_valid(spoiled)


@pytest.mark.parametrize("render", [render_html, render_markdown])
def test_pages_name_everything(run: RunRecord, render: object) -> None:
    """Each subject, what was met without being foretold, what was not looked into."""
    assert callable(render)
    page = render(outline(run)).replace("\\", "")
    for text in (*(row.subject for row in FORETOLD), "Keep the notes?", "linux-image"):
        assert text in page
    assert "Nothing was foretold" not in page


@pytest.mark.parametrize("render", [render_html, render_markdown])
def test_a_run_without_a_foretelling_says_so(run: RunRecord, render: object) -> None:
    """As runs of an earlier forerun are."""
    assert callable(render)
    bare = dataclasses.replace(run, foretold=(), foretelling=(), not_looked_at=())
    assert "Nothing was foretold for this run." in render(outline(bare))
    assert "foretold" not in render_terminal(outline(bare))


def test_the_terminal_names_the_losses(run: RunRecord) -> None:
    """They are what nobody is asked about; the page stays a screenful."""
    text = render_terminal(outline(run), width=100)
    assert "2 questions foretold" in text
    assert "/etc/sysctl.conf: put aside" in text
    assert len(text.splitlines()) <= 60
