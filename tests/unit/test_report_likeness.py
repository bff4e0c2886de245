"""The score of a clone's likeness: its rule, its edges, and how it is said."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from forerun.model.likeness import Agreement, Difference
from forerun.model.observation import RunRecord
from forerun.report.likeness import SHOWN, account_likeness, say_likeness, say_score
from forerun.report.outline import outline
from forerun.report.render_html import render_html
from forerun.report.render_json import render_json
from forerun.report.render_markdown import render_markdown
from forerun.report.schema import report_schema

DATA = Path(__file__).parents[1] / "data" / "run-record-shelf01.json"


@pytest.fixture(scope="module")
def run() -> RunRecord:
    return TypeAdapter(RunRecord).validate_json(DATA.read_bytes())


def agree(run: RunRecord, *agreements: Agreement) -> RunRecord:
    return dataclasses.replace(run, agreements=agreements)


OPEN = Difference("shelf <b>", "1.0", "absent", "its outage is not seen")
EXPLAINED = Difference("forerun-access.service", "absent", "enabled", "forerun's own", True)
PACKAGES = Agreement("packages", 98, 100, "one thing is a package", (EXPLAINED, OPEN))
USERS = Agreement("users", 1, 2, "one thing is a user", (OPEN,))
UNREAD = Agreement("sockets", 0, 0, "not compared: not read of the clone: no answer")


def test_the_score_is_the_mean_of_shares(run: RunRecord) -> None:
    """(98/100 + 1/2) / 2, whatever the subjects' sizes; one not compared has no part."""
    account = account_likeness(agree(run, PACKAGES, USERS, UNREAD))
    assert account is not None
    assert account.score == pytest.approx((0.98 + 0.5) / 2)
    assert account.compared == 2
    assert [s.share for s in account.subjects] == [0.98, 0.5, None]
    assert [(s.explained, s.unexplained) for s in account.subjects] == [(1, 1), (0, 1), (0, 0)]
    assert account.subjects[0].differences == (OPEN, EXPLAINED)


def test_nothing_compared_has_no_score(run: RunRecord) -> None:
    """Neither 0 nor 100 %; and a run from before has no account at all."""
    account = account_likeness(agree(run, UNREAD))
    assert account is not None
    assert account.score is None
    assert "no score" in say_score(account)
    assert "sockets" in say_score(account)
    assert account_likeness(run) is None


def test_explained_differences_are_never_alike(run: RunRecord) -> None:
    """One explained difference among a thousand things keeps the score below 100 %."""
    row = Agreement("units", 9999, 10000, "r", (EXPLAINED,))
    account = account_likeness(agree(run, row))
    assert account is not None
    assert account.score is not None
    assert account.score < 1
    assert say_likeness(account.score) == "99.9 %"


@given(st.integers(1, 100_000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_only_a_whole_agreement_reads_100(pair: tuple[int, int]) -> None:
    """Rounded down always."""
    alike, total = pair
    said = float(say_likeness(alike / total).removesuffix(" %"))
    assert (said == 100) is (alike == total)
    assert said <= 100 * alike / total + 1e-9


def test_the_report_says_score_rule_and_differences(run: RunRecord) -> None:
    """In HTML, Markdown and JSON; hostile names stay text; the JSON fits its schema."""
    many = tuple(Difference(f"n{i:02}", "a", "b", "h") for i in range(SHOWN + 3))
    record = agree(run, PACKAGES, UNREAD, Agreement("mounts", 0, len(many), "r", many))
    report = outline(record)
    assert any("Likeness of the clone" in text for text in report.objections)
    page, text = render_html(report), render_markdown(report)
    for shown in (page, text):
        assert "49.0 %" in shown
        assert "plain mean of the shares" in shown
        assert "and 3 more in the JSON report" in shown
        assert "<b>" not in shown.replace("\\<b", "")
    document = json.loads(render_json(report))
    jsonschema.Draft202012Validator(report_schema()).validate(document)
    likeness = document["likeness"]
    assert likeness["score_share"] == pytest.approx(0.49)
    assert len(likeness["subjects"][2]["differences"]) == len(many)
    assert likeness["subjects"][0]["differences"][1]["explanation"] == "forerun's own"
    assert likeness["subjects"][0]["differences"][1]["hides"] == ""
    assert likeness["subjects"][1]["alike_share"] is None


def test_a_run_without_comparison_says_so(run: RunRecord) -> None:
    """Old records draw as before, with null in the JSON."""
    report = outline(run)
    assert json.loads(render_json(report))["likeness"] is None
    assert "was not compared" in render_markdown(report)
    assert "was not compared" in render_html(report)
