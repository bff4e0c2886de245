"""Two runs side by side: what moved, and whether it can be told from noise."""

from __future__ import annotations

import dataclasses
import json
import math
import statistics
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import html
from markdown_it import MarkdownIt
from pydantic import TypeAdapter
from tests.practice.outlook import course_of_run, make_outlook
from tests.unit.test_report_html import spoil
from tests.unit.test_report_outlook import check_page
from tests.unit.test_report_render import find_undescribed

from forerun.model.observation import Outcome, PackageChange, RunRecord
from forerun.report.compare import Comparison, Judged, compare_runs, predict_next
from forerun.report.compare_render import (
    document_comparison,
    draw_both,
    render_comparison_html,
    render_comparison_json,
    render_comparison_markdown,
    render_comparison_terminal,
    say_summary,
)
from forerun.report.outline import outline
from forerun.report.schema_compare import comparison_schema

DATA = Path(__file__).parents[1] / "data" / "run-record-shelf01.json"


@pytest.fixture(scope="module")
def old() -> RunRecord:
    return TypeAdapter(RunRecord).validate_json(DATA.read_bytes())


def slow(run: RunRecord, number: int, factor: float, **other: Any) -> RunRecord:
    """Another run of the same, its steps so many times as long."""
    steps = tuple(dataclasses.replace(s, wall_s=s.wall_s * factor) for s in run.steps)
    return dataclasses.replace(run, id=f"run-{number}", steps=steps, **other)


def compare(old: RunRecord, new: RunRecord, *references: RunRecord) -> Comparison:
    return compare_runs(outline(old), outline(new), references)


def judge(comparison: Comparison) -> dict[str, Judged]:
    return {moved.key: moved.judged for moved in comparison.figures}


# --- the interval


@pytest.mark.parametrize(
    ("count", "quantile"), [(2, 12.706), (3, 4.303), (5, 2.776), (10, 2.262), (31, 2.042)]
)
def test_the_interval_is_that_of_one_more_observation(count: int, quantile: float) -> None:
    """Mean plus and minus t s sqrt(1 + 1/n), with t at 0.975 of the table of critical values
    (NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2; quoted from memory)."""
    values = [1000.0 + 7.0 * (n % 5) + n for n in range(count)]
    half = quantile * statistics.stdev(values) * math.sqrt(1 + 1 / count)
    bounds = predict_next(values)
    assert bounds is not None
    assert bounds[1] - statistics.fmean(values) == pytest.approx(half, rel=3e-4)
    assert bounds[0] == pytest.approx(max(statistics.fmean(values) - half, 0.0), rel=3e-3, abs=0.5)


def test_one_value_has_no_interval() -> None:
    """Nor has none."""
    assert predict_next([]) is None
    assert predict_next([5.0]) is None


@given(st.lists(st.floats(0.1, 1e6), min_size=2, max_size=20))
@settings(max_examples=60)
def test_the_mean_lies_inside_and_nothing_below_nought(values: list[float]) -> None:
    """A duration cannot be negative, and the mean is never called noise."""
    bounds = predict_next(values)
    assert bounds is not None
    assert 0 <= bounds[0] <= statistics.fmean(values) * (1 + 1e-9)
    assert bounds[1] >= statistics.fmean(values) * (1 - 1e-9)


# --- what is judged


def test_one_run_each_tells_nothing(old: RunRecord) -> None:
    """However far they lie apart: no figure is judged, and the summary says so."""
    found = compare(old, slow(old, 2, 3.0))
    seconds = {m.judged for m in found.figures if m.unit == "s" and m.difference is not None}
    assert seconds == {Judged.ONE_EACH}
    assert "one run each: nothing can be told from noise" in say_summary(found)


def test_what_lies_outside_the_spread_moved(old: RunRecord) -> None:
    """Five runs within two percent: three percent is within noise, half as long again is not."""
    like = [slow(old, n, 1 + n / 100) for n in (-2, -1, 1, 2)]
    assert judge(compare(old, slow(old, 8, 1.03), *like))["procedure"] is Judged.WITHIN
    found = compare(old, slow(old, 9, 1.5), *like)
    assert judge(found)["procedure"] is Judged.MORE
    (moved,) = [m for m in found.figures if m.key == "procedure"]
    assert moved.runs == 5
    assert moved.low is not None
    assert moved.high is not None
    assert moved.low < (moved.old or 0) < moved.high < (moved.new or 0)


def test_the_newer_run_is_no_reference_for_itself(old: RunRecord) -> None:
    """A run among its own references would widen the spread it is judged by."""
    new = slow(old, 9, 1.5)
    assert judge(compare(old, new, new, old))["procedure"] is Judged.ONE_EACH


@pytest.mark.parametrize(
    "other",
    [
        {"host": "shelf02.records.example"},
        {"profile_digest": "0" * 64},
        {"clone_cpus": 8},
    ],
)
def test_other_circumstances_are_not_judged(old: RunRecord, other: dict[str, Any]) -> None:
    """Another server, profile or clone: the circumstance is told and no figure is judged."""
    like = [slow(old, n, 1 + n / 100) for n in (1, 2)]
    found = compare(old, slow(old, 9, 1.5, **other), *like)
    assert len(found.circumstances) == 1
    judged = {m.judged for m in found.figures if m.unit != "count" and m.difference is not None}
    assert judged == {Judged.OTHER}
    assert "not comparable" in say_summary(found)


def test_another_survey_is_told_and_still_judged(old: RunRecord) -> None:
    """Packages move on from survey to survey; that is what is asked for."""
    like = [slow(old, n, 1 + n / 100) for n in (1, 2)]
    found = compare(old, slow(old, 9, 1.5, survey_id="survey-2"), *like)
    assert found.circumstances == (("Survey", old.survey_id, "survey-2"),)
    assert judge(found)["procedure"] is Judged.MORE


def test_a_figure_that_one_run_lacks_is_not_judged(old: RunRecord) -> None:
    """A step that did not run to its end has no time to compare; the note says why."""
    cut = dataclasses.replace(
        slow(old, 2, 1.0), outcome=Outcome.FAILED, steps=old.steps[:3], reboots=()
    )
    found = compare(old, cut)
    assert judge(found)["step upgrade-full"] is Judged.NO_FIGURE
    assert judge(found)["reboot"] is Judged.NO_FIGURE
    assert any("did not complete" in note for note in found.notes)


# --- what appeared, went, changed


def test_packages_findings_and_checks_are_set_against_each_other(old: RunRecord) -> None:
    """Appeared, gone and changed, with what each was before and is after."""
    new = dataclasses.replace(
        slow(old, 2, 1.0),
        packages=(
            *old.packages[1:-1],
            dataclasses.replace(old.packages[-1], new="9.9-1"),
            PackageChange("zzz", "installed", "", "1.0"),
        ),
        seen=old.seen[1:],
        checks=tuple(
            dataclasses.replace(c, result="pass") if c.moment == "after" else c for c in old.checks
        ),
    )
    groups = {group.title: group for group in compare(old, new).groups}
    kinds = {c.what: c.kind for c in groups["Packages"].changes}
    assert kinds == {
        old.packages[0].name: "gone",
        old.packages[-1].name: "changed",
        "zzz": "appeared",
    }
    assert groups["Packages"].same == len(old.packages) - 2
    assert [(c.kind, c.what) for c in groups["Findings"].changes] == [("gone", old.seen[0].title)]
    changed = groups["Checks"].changes
    assert changed
    assert all(c.kind == "changed" and c.after.endswith("then pass") for c in changed)


def test_a_settled_finding_has_changed(old: RunRecord) -> None:
    """The same finding, open before and settled now."""
    look = make_outlook(course_of_run(old))
    assert look.findings is not None
    settled = tuple(dataclasses.replace(f, settled="step x") for f in look.findings)
    first = outline(old, outlook=look)
    second = outline(slow(old, 2, 1.0), outlook=dataclasses.replace(look, findings=settled))
    groups = {g.title: g for g in compare_runs(first, second).groups}
    after = {c.after for c in groups["Findings"].changes}
    assert after == {"loses access, settled", "service down, settled"}


# --- forms


def spoilt(old: RunRecord) -> Comparison:
    return compare(spoil(old), spoil(slow(old, 2, 2.0)))


def whole(old: RunRecord) -> Comparison:
    return compare(old, slow(old, 9, 1.5), *(slow(old, n, 1 + n / 100) for n in (1, 2)))


def surveys(_old: RunRecord) -> Comparison:
    return Comparison("surveys", "h.example", "survey-1", "survey-2", (), (), (), ("n",))


@pytest.mark.parametrize("make", [whole, spoilt, surveys])
def test_every_form_is_whole(old: RunRecord, make: Any) -> None:
    """JSON fits its schema in ASCII; Markdown's tables are whole and form no link or HTML
    (reference: markdown-it); the page is harmless; no line of the screen is too wide."""
    found = make(old)
    text = render_comparison_json(found)
    assert text.isascii()
    jsonschema.validate(json.loads(text), comparison_schema())
    assert find_undescribed(json.loads(text), comparison_schema()) == []
    tokens = MarkdownIt("commonmark").enable("table").parse(render_comparison_markdown(found))
    inline = {child.type for token in tokens for child in token.children or ()}
    assert not inline & {"link_open", "image", "html_inline", "code_inline"}
    page = render_comparison_html(found)
    check_page(page, html.document_fromstring(page))
    screen = render_comparison_terminal(found, width=80)
    assert all(len(line) <= 80 for line in screen.splitlines())
    assert all(c == "\n" or c.isprintable() for c in screen)


def test_every_form_has_the_caution_and_the_judgement(old: RunRecord) -> None:
    """What it rests on stands beside it, and that it is evidence from clones."""
    found = whole(old)
    for text in (
        render_comparison_markdown(found).replace("\\", ""),
        html.document_fromstring(render_comparison_html(found)).text_content(),
    ):
        assert "expected from 3 runs" in text
        assert "evidence of a change" in text
    assert "more than noise" in render_comparison_terminal(found)
    assert document_comparison(found)["cautions"]


def test_both_runs_are_drawn_on_one_axis(old: RunRecord) -> None:
    """Each step's two bars are in the proportion of their times."""
    found = whole(old)
    drawing = draw_both(found)
    assert drawing is not None
    for row in drawing.rows:
        first, second = row.bars
        assert second.width == pytest.approx(first.width * 1.5, rel=0.02, abs=0.02)
