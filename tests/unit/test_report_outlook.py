"""What a report says beyond the run: forecast, night, findings, decision, twenty questions."""

from __future__ import annotations

import dataclasses
import json
import re
from itertools import pairwise
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from lxml import html
from markdown_it import MarkdownIt
from pydantic import TypeAdapter
from tests.practice.outlook import (
    course_of_profile,
    course_of_run,
    make_outlook,
    with_trials,
)
from tests.unit.test_report_html import CSS, HOSTILE, LOADING, contrast, read_palette, spoil
from tests.unit.test_report_render import find_undescribed
from tests.unit.test_runbook import make_run

from forerun.model.counters import Part
from forerun.model.estimate import Histogram
from forerun.model.finding import Finding, Ruling, Severity, Witness
from forerun.model.observation import RunRecord, Seen
from forerun.profiles import find_profile, load_profile, load_site
from forerun.report.answers import RUNBOOK_PLACES, list_answers
from forerun.report.found import account_findings
from forerun.report.night import draw_histogram, draw_night, draw_parts, draw_services
from forerun.report.outline import outline
from forerun.report.parts import LETTERS
from forerun.report.plan import list_moments
from forerun.report.render_html import CONTENTS, render_html
from forerun.report.render_json import build_document
from forerun.report.render_markdown import render_markdown
from forerun.report.render_terminal import render_terminal
from forerun.report.runbook_html import render_runbook
from forerun.report.schema import report_schema
from forerun.report.sections import Outlook, Report
from forerun.report.sheet import NOT_RULED, make_sheet
from forerun.report.wall_clock import read_instant, say_aloud, say_day, say_time

TESTS = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def run() -> RunRecord:
    """A completed run with trouble, of an invented organisation's server."""
    data = TESTS / "data" / "run-record-shelf01.json"
    read = TypeAdapter(RunRecord).validate_json(data.read_bytes())
    return with_trials(read, "quiesce")


@pytest.fixture(scope="module")
def full(run: RunRecord) -> Outlook:
    return make_outlook(course_of_run(run))


@pytest.fixture(scope="module")
def report(run: RunRecord, full: Outlook) -> Report:
    return outline(run, outlook=full)


def refuse(full: Outlook) -> Outlook:
    """The same without a forecast, for a reason."""
    assert full.forecast is not None
    bare = dataclasses.replace(
        full.forecast, refused="No speed of production was read.", steps=(), services=()
    )
    return dataclasses.replace(full, forecast=bare, plan=None)


def hurt(full: Outlook) -> Outlook:
    """Every text hostile but the instants, so that the drawings are drawn."""
    spoilt = spoil(full)
    assert full.plan is not None
    lines = tuple(
        dataclasses.replace(line, step=HOSTILE, title=HOSTILE) for line in full.plan.lines
    )
    plan = dataclasses.replace(full.plan, lines=lines, back_out_way=HOSTILE, objections=(HOSTILE,))
    made = dataclasses.replace(spoilt.forecast, refused="")
    found: Outlook = dataclasses.replace(spoilt, plan=plan, forecast=made)
    return found


LOOKS = [lambda _: None, lambda full: full, refuse, spoil, hurt]


# --- data


@pytest.mark.parametrize("change", LOOKS)
def test_the_data_fits_the_schema(run: RunRecord, full: Outlook, change: Any) -> None:
    """With nothing, all, a refusal and hostile texts; every written key is described."""
    document = json.loads(json.dumps(build_document(outline(run, outlook=change(full)))))
    schema = report_schema()
    jsonschema.validate(document, schema)
    assert find_undescribed(document, schema) == []


def test_the_keys_of_before_are_still_there(run: RunRecord) -> None:
    """A reader of the contract's first edition finds what it read: estimate with available
    and objections, findings with five texts."""
    document = build_document(outline(run))
    assert document["estimate"]["available"] is False
    assert document["estimate"]["objections"]
    for finding in document["findings"]:
        for key in ("severity", "title", "evidence", "advice", "source"):
            assert isinstance(finding[key], str)


def test_a_finding_that_is_graver_than_what_was_seen_is_told_once(run: RunRecord) -> None:
    """The SSH service's unit failed: a service down as seen, a lost access as a finding."""
    seen = Seen("service down", "The unit ssh.service has failed.", "ssh.service failed")
    found = Finding(
        "unit-failed", Severity.LOSES_ACCESS, seen.title, "ssh.service", ("failed",), "", "",
        Witness.REHEARSAL,
    )  # fmt: skip
    lines = account_findings(dataclasses.replace(run, seen=(seen,)), (found,))
    assert [(line.title, line.severity) for line in lines] == [(seen.title, "loses access")]


def test_the_forecast_is_there_unrounded(report: Report, full: Outlook) -> None:
    """What a program reads is what was computed."""
    made = full.forecast
    assert made is not None
    assert made.window is not None
    told = build_document(report)["estimate"]["forecast"]
    assert told["window_seconds"] == {**dataclasses.asdict(made.window), "p20": None}
    assert [s["takes_seconds"]["p95"] for s in told["steps"]] == [s.takes.p95 for s in made.steps]
    assert told["seed"] == made.seed
    assert {a["basis"] for a in told["assumptions"]} == {
        "measured",
        "production's own history",
        "declared",
        "assumed",
    }


def test_rules_and_rehearsal_are_one_list(report: Report, run: RunRecord, full: Outlook) -> None:
    """The gravest first, in the order of the severities; what the rehearsal saw stands in it
    once, also where a finding tells the same."""
    assert full.findings is not None
    titles = [line.title for line in report.found]
    told = {one.title for one in full.findings} | {seen.title for seen in run.seen}
    assert told == set(titles)
    order = [s.value for s in Severity]
    assert [order.index(line.severity) for line in report.found] == sorted(
        order.index(line.severity) for line in report.found
    )
    same = dataclasses.replace(full.findings[0], title=run.seen[1].title)
    again = outline(run, outlook=dataclasses.replace(full, findings=(same,)))
    assert [line.title for line in again.found].count(run.seen[1].title) == 1


# --- the sheet


@pytest.mark.parametrize("ruling", list(Ruling))
def test_each_ruling_is_said_with_its_rule(run: RunRecord, full: Outlook, ruling: Ruling) -> None:
    """Page, Markdown and terminal say the word and the rule that decided."""
    assert full.decision is not None
    decision = dataclasses.replace(full.decision, ruling=ruling)
    drawn = outline(run, outlook=dataclasses.replace(full, decision=decision))
    (section,) = html.document_fromstring(render_html(drawn)).xpath('//section[@class="sheet"]')
    assert section.xpath('string(.//p[@class="stamp"])') == ruling.value
    assert decision.rule in section.text_content()
    assert f"**{ruling.value.upper()}.** " in render_markdown(drawn)
    assert f"Decision: {ruling.value.upper()}. {decision.rule}"[:70] in render_terminal(drawn)


def test_nothing_passes_for_a_go_where_nobody_ruled(run: RunRecord) -> None:
    """An older run is not ruled: no mark, and a sentence that it says nothing."""
    drawn = outline(run)
    assert make_sheet(drawn).ruling == NOT_RULED
    tree = html.document_fromstring(render_html(drawn))
    (box,) = tree.xpath('//div[contains(@class, "ruling")]')
    assert not {"good", "warn", "bad"} & set(box.get("class").split())
    assert "Nothing on this page says that the work may be done" in box.text_content()
    assert "not ruled" in render_terminal(drawn)


def test_the_sheet_has_what_a_signer_needs(report: Report, full: Outlook) -> None:
    """Conditions to tick, the way back with its time and latest moment, cautions, and a
    place for each name and date."""
    (section,) = html.document_fromstring(render_html(report)).xpath('//section[@class="sheet"]')
    text = section.text_content()
    assert full.decision is not None
    for words in (
        *full.decision.conditions,
        "Saturday 21 March 2026, 22:00 (UTC+01:00) to 23:30",
        "23:07 by way of return to the hold point",
        "16 minutes in nineteen of twenty",
        "all as before",
        "local change control",
    ):
        assert words in text
    heads = [th.text_content() for th in section.xpath(".//thead//th")]
    assert heads == ["Signs", "For", "Name", "Date", "Signature"]
    assert len(section.xpath('.//tr[@class="sign"]')) == 3


def test_conditions_that_find_no_room_are_counted(run: RunRecord, full: Outlook) -> None:
    """Twenty conditions: six stand on the page, and it says how many more there are."""
    assert full.decision is not None
    many = dataclasses.replace(full.decision, conditions=tuple(f"Do {n}." for n in range(20)))
    sheet = make_sheet(outline(run, outlook=dataclasses.replace(full, decision=many)))
    assert len(sheet.conditions) == 6
    assert len(sheet.reasons) == 1
    assert sheet.more == 14 + len(many.reasons) - 1


def test_the_outage_can_be_read_aloud(report: Report, run: RunRecord, full: Outlook) -> None:
    """With a forecast: half, nineteen in twenty, the worst service, who never came back.
    Without: that it was not estimated, and that the clone's times are not production's."""
    said = make_sheet(report).outage
    for words in ("4 minutes in all", "no more than 11 minutes", "file sync", "until somebody"):
        assert words in said
    bare = make_sheet(outline(run, outlook=refuse(full))).outage
    assert "was not estimated" in bare
    assert "not production's" in bare


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0.2, "1 second"),
        (40.0, "40 seconds"),
        (89.5, "90 seconds"),
        (121.0, "3 minutes"),
        (3600.0, "1 hour"),
        (4801.0, "1 hour 21 minutes"),
        (7260.0, "2 hours 1 minute"),
    ],
)
def test_a_time_read_aloud_is_never_too_short(seconds: float, said: str) -> None:
    """Rounded up: an outage that is announced too short is a broken promise."""
    assert say_aloud(seconds) == said


# --- twenty questions


@pytest.mark.parametrize("change", LOOKS)
def test_every_question_has_a_place(run: RunRecord, full: Outlook, change: Any) -> None:
    """Twenty, numbered; each place in the report and in the runbook is a heading there, by
    its id and by its words."""
    look = change(full)
    drawn = outline(run, outlook=look)
    tree = html.document_fromstring(render_html(drawn))
    profile = load_profile(find_profile("debian-12-to-13"))
    site = load_site(TESTS.parent / "demo" / "site.yaml")
    sheet = render_runbook(profile, site, make_run(run, profile, site), look)
    runbook = {h.text_content() for h in html.document_fromstring(sheet).xpath("//h2")}
    found = list_answers(drawn)
    assert [one.number for one in found] == list(range(1, 21))
    for one in found:
        assert one.answer
        assert one.places or one.runbook
        for place, name in one.places:
            assert tree.xpath(f'string(//h2[@id="{place}"])') == name
        for key in one.runbook:
            assert RUNBOOK_PLACES[key] in runbook
    rows = tree.xpath('//section[@aria-labelledby="questions"]//tbody/tr')
    links = [a.get("href") for row in rows for a in row.xpath(".//a")]
    assert links == [f"#{place}" for one in found for place, _ in one.places]


# --- the page


@pytest.mark.parametrize("change", LOOKS)
def test_the_page_stays_harmless(run: RunRecord, full: Outlook, change: Any) -> None:
    """Whatever the outlook says: nothing is loaded, no handler, no style attribute, no
    control character; ids are unique and every reference resolves; headings in order."""
    page = render_html(outline(run, outlook=change(full)))
    tree = html.document_fromstring(page)
    check_page(page, tree)
    assert {"script", "img", "link", "form", "iframe"}.isdisjoint(e.tag for e in tree.iter("*"))


def check_page(page: str, tree: Any) -> None:
    values = [(n, v) for e in tree.iter("*") for n, v in e.attrib.items()]
    assert all(v.startswith("#") for n, v in values if n in LOADING)
    assert not [n for n, _ in values if n.startswith("on") or n == "style"]
    assert all(c == "\n" or c.isprintable() or c == "\u00a0" for c in page)
    ids = tree.xpath("//@id")
    assert len(ids) == len(set(ids))
    wanted = {href[1:] for href in tree.xpath("//a/@href")}
    for names in tree.xpath("//@aria-labelledby | //@aria-details"):
        wanted |= set(names.split())
    assert wanted <= set(ids)
    levels = [int(e.tag[1]) for e in tree.iter("h1", "h2", "h3", "h4")]
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_hostile_words_are_shown_as_words(run: RunRecord, full: Outlook) -> None:
    """In the drawings and tables of the outlook, too: the elements are those of a harmless
    one, and the text is there."""
    hostile = render_html(outline(run, outlook=hurt(full)))
    tree = html.document_fromstring(hostile)
    plain = html.document_fromstring(render_html(outline(run, outlook=full)))
    assert {e.tag for e in tree.iter("*")} <= {e.tag for e in plain.iter("*")}
    assert len(tree.xpath("//svg")) == len(plain.xpath("//svg"))
    labels = tree.xpath('//svg[@aria-details="night-drawn-table"]//text')
    assert any("<script>alert(1)</script>" in label.text_content() for label in labels)


def test_hostile_words_stay_words_in_markdown_and_terminal(run: RunRecord, full: Outlook) -> None:
    """No link, image, HTML or heading comes of any text, no row breaks, and the terminal
    gets no control character (reference: markdown-it, CommonMark with tables)."""
    harmless, hostile = (
        MarkdownIt("commonmark").enable("table").parse(render_markdown(outline(run, outlook=look)))
        for look in (full, hurt(full))
    )
    inline = {child.type for token in hostile for child in token.children or ()}
    assert not inline & {"link_open", "image", "code_inline", "html_inline", "em_open"}
    for kind in ("heading_open", "table_open", "th_open", "html_block", "ordered_list_open"):
        count = [token.type for token in hostile].count(kind)
        assert count == [token.type for token in harmless].count(kind), kind
    screen = render_terminal(outline(run, outlook=hurt(full)))
    assert all(c == "\n" or c.isprintable() for c in screen)
    assert len(screen.splitlines()) <= 60


def test_every_drawing_has_a_text_and_a_table(report: Report) -> None:
    """Each drawing is an image with a name, a description, and a table that has its figures
    (WCAG 2.2, 1.1.1; WAI-ARIA 1.2, aria-details)."""
    tree = html.document_fromstring(render_html(report))
    drawings = tree.xpath('//svg[not(@aria-hidden="true")]')
    assert len(drawings) == 6
    for drawing in drawings:
        assert drawing.get("role") == "img"
        for name in drawing.get("aria-labelledby").split():
            assert tree.xpath(f'string(//*[@id="{name}"])').strip()
        assert drawing.xpath("string(desc)").strip()
        (table,) = tree.xpath(f'//table[@id="{drawing.get("aria-details")}"]')
        assert table.xpath("tbody/tr")


def test_contents_markdown_and_page_have_the_same_sections(report: Report) -> None:
    """One order of sections: the page's, its contents list's and the Markdown's, which has
    the first of its sections without a heading."""
    tree = html.document_fromstring(render_html(report))
    headings = [h.text_content() for h in tree.xpath("//main//h2")]
    assert headings == [name for _, name in CONTENTS]
    told = re.findall(r"^## (.+)$", render_markdown(report), re.MULTILINE)
    assert set(headings) - set(told) <= {"The rehearsal", "Since the survey"}
    assert set(told) <= set(headings)


def test_what_is_missing_is_said(run: RunRecord) -> None:
    """Without an outlook each section says that, and why."""
    text = html.document_fromstring(render_html(outline(run))).text_content()
    for words in (
        "None has been made.",
        "No timetable by the clock was drawn",
        "was not recorded in this run",
        "known changes were not looked for",
        "What the operator would have seen was not kept",
    ):
        assert words in text
        assert words in render_markdown(outline(run)).replace("\\", "")


def test_a_refused_forecast_gives_its_reason_and_no_figure(run: RunRecord, full: Outlook) -> None:
    """The reason stands in every form; the ledger and the quantiles do not."""
    drawn = outline(run, outlook=refuse(full))
    for text in (render_html(drawn), render_markdown(drawn).replace("\\", "")):
        assert "No speed of production was read." in text
        assert "Assumption ledger" not in text
    told = build_document(drawn)["estimate"]
    assert (told["available"], told["forecast"]) == (False, None)


def test_findings_say_what_settles_them(report: Report) -> None:
    """A finding of a rule is settled or open, in words; evidence, advice and source stand
    with it."""
    tree = html.document_fromstring(render_html(report))
    (section,) = tree.xpath('//section[@aria-labelledby="findings"]')
    blocks = {b.xpath("string(h3)"): b.text_content() for b in section.xpath(".//article")}
    assert (
        "settled by step kept-files moves them"
        in blocks["Settings in /etc/sysctl.conf are read no more"]
    )
    job = blocks["The report job imports a module that is gone"]
    for words in ("open", "nothing in the procedure", "import telnetlib", "Python 3.13"):
        assert words in job


# --- drawings


def test_two_courses_lead_through_the_night(full: Outlook) -> None:
    """A bar's place is its share of the time drawn, for the middle night and the late one;
    what must not be missed is lettered in the order of the clock."""
    plan = full.plan
    drawing = draw_night(plan)
    assert plan is not None
    assert drawing is not None
    times = [read_instant(plan.lines[0].begins_p50), read_instant(plan.ends)]
    start, end = (at.timestamp() for at in times if at is not None)
    for row, line in zip(drawing.rows, plan.lines, strict=True):
        for bar, begins, ends in zip(
            row.bars,
            (line.begins_p50, line.begins_p95),
            (line.ends_p50, line.ends_p95),
            strict=True,
        ):
            places = [read_instant(at) for at in (begins, ends)]
            left, right = (
                (at.timestamp() - start) / (end - start) * 100 for at in places if at is not None
            )
            assert bar.left == pytest.approx(left, abs=0.01)
            assert bar.left + bar.width == pytest.approx(right, abs=0.01)
    moments = list_moments(plan)
    assert [m.letter for m in moments] == ["A", "B", "C", "D", "E"]
    assert [f.letter for f in drawing.flags] == [m.letter for m in moments]
    assert [f.left for f in drawing.flags] == sorted(f.left for f in drawing.flags)
    assert len(drawing.ticks) <= 6
    assert all(re.fullmatch(r"\d\d:(00|30)", tick.label) for tick in drawing.ticks)


def test_a_plan_without_instants_is_a_table_only(full: Outlook) -> None:
    """Times that are none are shown as they are, and nothing is drawn."""
    assert full.plan is not None
    line = dataclasses.replace(full.plan.lines[0], ends_p95="later")
    assert draw_night(dataclasses.replace(full.plan, lines=(line,))) is None
    assert draw_night(None) is None
    assert say_time("later") == "later"


@pytest.mark.parametrize(
    ("at", "since", "said"),
    [
        ("2026-03-21T22:04:59+01:00", "", "22:04"),
        ("2026-03-22T00:12:00+01:00", "2026-03-21T22:00:00+01:00", "Sun 00:12"),
        ("2026-03-21T23:12:00Z", "2026-03-21T22:00:00Z", "23:12"),
        ("2026-03-21T22:04:00", "", "2026-03-21T22:04:00"),
        ("", "", "\u2013"),
    ],
)
def test_clock_times_are_those_of_the_place(at: str, since: str, said: str) -> None:
    """By the instant's own offset, never the lab host's; the day is named where it is another
    (21 March 2026 is a Saturday). A time without offset is no instant."""
    assert say_time(at, since=since) == said


def test_the_day_is_written_out() -> None:
    """The offset stands with it, so that nobody reads another zone's time."""
    assert say_day("2026-03-21T22:00:00+01:00") == "Saturday 21 March 2026, 22:00 (UTC+01:00)"
    assert say_day("soon") == "soon"


def test_columns_are_as_high_as_their_counts(full: Outlook) -> None:
    """Heights are in proportion, no column leaves the drawing, and what lies past the
    declared window is marked; marks stand at the quantiles."""
    made = full.forecast
    drawing = draw_histogram(made)
    assert made is not None
    assert made.histogram is not None
    assert drawing is not None
    counts = made.histogram.counts
    for column, count in zip(drawing.columns, counts, strict=True):
        assert column.height == pytest.approx(118 * count / max(counts), abs=0.01)
        assert column.y + column.height == pytest.approx(160, abs=0.02)
        assert 0 <= column.left <= column.left + column.width <= 100.001
    assert [row[2] for row in drawing.rows] == [str(count) for count in counts]
    edges = made.histogram.edges_s
    kinds = ["beyond" if edge >= made.window_s else "draws" for edge in edges[:-1]]
    assert [column.kind for column in drawing.columns] == kinds
    assert [letter for letter, _ in drawing.keys] == ["A", "B", "C", "D"]


def test_a_broken_histogram_is_not_drawn(full: Outlook) -> None:
    """Edges that do not fit the counts, or no draws at all."""
    assert full.forecast is not None
    for broken in (Histogram((0.0, 1.0), (1, 2)), Histogram((0.0, 1.0), (0,))):
        assert draw_histogram(dataclasses.replace(full.forecast, histogram=broken)) is None


def test_parts_lie_end_to_end(full: Outlook) -> None:
    """Each step's parts follow each other without a gap and add up to its share of the
    longest step; every part has a letter of its own."""
    drawing = draw_parts(full.parts, {})
    assert drawing is not None
    longest = max(step.wall_s for step in full.parts)
    for row, step in zip(drawing.rows, full.parts, strict=True):
        for one, other in pairwise(row.bars):
            assert one.left + one.width == pytest.approx(other.left, abs=0.01)
        whole = row.bars[-1].left + row.bars[-1].width
        assert whole == pytest.approx(step.wall_s / longest * 100, abs=0.02)
    assert len(set(LETTERS.values())) == len(Part)


def test_a_service_that_stays_away_is_marked_so(full: Outlook) -> None:
    """Its bar has a kind of its own, and its words say that it does not come back."""
    drawing = draw_services(full.forecast)
    assert drawing is not None
    (row,) = [row for row in drawing.rows if row.label == "SSH push of scans"]
    assert "outage-open" in {bar.kind for bar in row.bars}
    assert row.word == "does not come back by itself"
    assert "until somebody mends it" in drawing.told


# --- contrast


def test_letters_in_bars_have_contrast() -> None:
    """The letter of each part reaches 4.5 to 1 on its bar, and the focus ring 3 to 1 on
    paper, in both schemes (WCAG 2.2, 1.4.3 and 1.4.11)."""
    css = CSS.read_text(encoding="utf-8")
    fills = dict(re.findall(r"^\.part-([a-z]+) \{ fill: var\(--([a-z]+)\)", css, re.MULTILINE))
    assert len(fills) == len(Part) - 1
    fills["unexplained"] = "paper"
    inks = {part.name.lower(): "on-light" for part in Part}
    for names, ink in re.findall(
        r"^(svg text\.in-bar\.[^{]+)\{ fill: var\(--([a-z-]+)\)", css, re.M
    ):
        inks.update(dict.fromkeys(re.findall(r"part-([a-z]+)", names), ink))
    for palette in read_palette(css):
        for part, fill in fills.items():
            assert contrast(palette[inks[part]], palette[fill]) >= 4.5, part
        assert contrast(palette["focus"], palette["paper"]) >= 3


def test_a_profiles_course_can_be_planned(full: Outlook) -> None:
    """The shipped profile's steps fill a night, too (used by the runbook's tests)."""
    profile = load_profile(find_profile("debian-12-to-13"))
    assert draw_night(make_outlook(course_of_profile(profile)).plan) is not None
