"""The debrief of a drill: what it says, and that it does no harm.

The words are those of NIST SP 800-84, "Guide to Test, Training, and Exercise Programs for IT
Plans and Capabilities" (2006): objectives, injects, the debrief or hot wash straight after an
exercise (quoted from memory).
"""

from __future__ import annotations

import dataclasses
import json
import math
import re
from datetime import date
from itertools import pairwise
from typing import Any

import jsonschema
import pytest
from lxml import html
from markdown_it import MarkdownIt
from tests.practice.drills import DRILL, event, make_empty, make_failed, make_passed, spoil

from forerun.model.drill import DrillRecord, DrillState, InjectCourse, Judged, Passing, Standing
from forerun.report.debrief import DRILL_CAUTIONS, Mended, outline_debrief
from forerun.report.debrief_data import document_debrief, render_debrief_json
from forerun.report.debrief_terminal import render_debrief_terminal
from forerun.report.debrief_words import list_times, say_next, say_refresher, say_verdict
from forerun.report.refresher import add_months, find_due, is_fresh
from forerun.report.render_debrief import render_debrief_html, render_debrief_markdown
from forerun.report.schema_debrief import debrief_schema

replace = dataclasses.replace

# C0, DEL, C1 and the bidirectional ones, as JSON in ASCII would have them.
CONTROLS = r"\\u(00[01][0-9a-f]|007f|00[89][0-9a-f]|20[26][0-9a-f])"


def spoil_all(record: DrillRecord) -> DrillRecord:
    """Also the kinds, which then nobody knows."""
    return spoil(record, frozenset())  # type: ignore[no-any-return]


def make_hostile() -> DrillRecord:
    """The failed drill with every text hostile; what was said lies in its sections."""
    return spoil(make_failed())  # type: ignore[no-any-return]


def make_open() -> DrillRecord:
    """The failed drill while it still went on."""
    return replace(make_failed(), state=DrillState.RUNNING, finished_at="", verdict="")


def make_left() -> DrillRecord:
    """The failed drill, left by its trainee."""
    return replace(make_failed(), state=DrillState.LEFT)


def make_crowd() -> DrillRecord:
    """Forty of everything."""
    fill = "a long title that goes on "
    objectives = tuple(
        replace(DRILL.objectives[0], name=f"o{n}", title=fill * 4) for n in range(40)
    )
    injects = tuple(replace(DRILL.injects[0], name=f"i{n}", title=fill * 4) for n in range(40))
    return replace(
        make_failed(),
        drill=replace(DRILL, objectives=objectives, injects=injects),
        judged=(),
        injects=tuple(InjectCourse(f"i{n}", float(n)) for n in range(40)),
        events=tuple(event(n, "wrong", "w", fill * 9) for n in range(40)),
    )


MAKERS: list[Any] = [
    make_passed,
    make_failed,
    make_open,
    make_left,
    make_empty,
    make_hostile,
    lambda: spoil_all(make_failed()),
    make_crowd,
]


def part_of(markdown: str, heading: str) -> str:
    """What stands under one second-level heading."""
    (part,) = [p for p in re.split(r"^## ", markdown, flags=re.M) if p.startswith(f"{heading}\n")]
    return part


# --- what is said


@pytest.mark.parametrize(
    ("record", "said"),
    [
        (
            make_passed(),
            "Passed: 4 of 4 objectives met, 58 of 60 points (70 % wanted), "
            "in 31 min 00 s of the 45 min 00 s allowed.",
        ),
        (
            make_failed(),
            "Not passed: 1 of 4 objectives met (2 critical ones not), 5 of 60 points "
            "(70 % wanted), in 1 h 00 min 30 s of the 45 min 00 s allowed.",
        ),
        (
            make_left(),
            "Not passed, since the drill was left before its end: 1 of 4 objectives met (2 "
            "critical ones not), 5 of 60 points (70 % wanted), in 1 h 00 min 30 s of the "
            "45 min 00 s allowed.",
        ),
        (make_empty(), "The drill could not be made: nothing was practised."),
    ],
)
def test_the_verdict_is_one_sentence(record: DrillRecord, said: str) -> None:
    """It has the counts, the points with what is wanted, and the time with what is allowed."""
    assert say_verdict(outline_debrief(record)) == said


def test_a_drill_that_goes_on_has_no_verdict() -> None:
    """While it runs nothing counts as failed: the JSON says null, the objectives "not yet"."""
    debrief = outline_debrief(make_open())
    document = document_debrief(debrief)
    assert document["verdict"]["passed"] is None
    assert document["verdict"]["reasons"] == []
    assert say_verdict(debrief).startswith("Not over yet (running)")
    assert [one["standing"] for one in document["objectives"]] == [
        "not yet", "lost", "not yet", "met",
    ]  # fmt: skip


def test_the_objectives_not_met_come_first() -> None:
    """Critical ones before the others, each with evidence, why it matters and what to read."""
    debrief = outline_debrief(make_failed())
    assert [line.objective.name for line in debrief.objectives] == [
        "whole", "one-at-a-time", "note", "kernel",
    ]  # fmt: skip
    text = part_of(render_debrief_markdown(debrief), "Objectives")
    first = text.split("### ")[1]
    assert first.startswith("Not met: Every package is whole")
    assert "Evidence: 2 packages half configured" in first
    assert "Why it matters: A package half configured fails at its next start." in first
    assert "To read: Runbook, section Checks" in first
    assert text.split("### ")[2].startswith("Lost: Never two package managers at once")


def test_points_and_hints_add_up_to_the_record() -> None:
    """What the lines earn less what the hints cost is what the record counts (both drills)."""
    for record in (make_passed(), make_failed()):
        debrief = outline_debrief(record)
        earned = sum(line.points for line in debrief.objectives)
        assert earned - debrief.hint_cost == record.points
    assert outline_debrief(make_failed()).hint_cost == 10


def test_hints_stand_with_their_text_and_cost() -> None:
    """Both steps of a ladder are listed when the second was shown, only the first otherwise."""
    both = part_of(render_debrief_markdown(outline_debrief(make_failed())), "Hints")
    assert "3 hints, for 10 points." in both
    assert "| Every package is whole | 2 | Audit the packages. | 5 points |" in both
    one = part_of(render_debrief_markdown(outline_debrief(make_passed())), "Hints")
    assert "Look at what is half done." in one
    assert "Audit the packages." not in one


def test_a_hint_listed_twice_costs_once() -> None:
    """A record that has one line for each hint shown means the same as one with the last."""
    whole = replace(make_failed(), hints=(("whole", 1), ("whole", 2), ("one-at-a-time", 1)))
    assert outline_debrief(whole).hint_cost == outline_debrief(make_failed()).hint_cost
    beyond = replace(make_failed(), hints=(("whole", 9), ("kernel", -4), ("nobody", 3)))
    assert outline_debrief(beyond).hint_cost == 7
    below = replace(make_failed(), hints=(("whole", -1),))
    assert outline_debrief(below).hint_cost == 0


def test_each_inject_says_what_became_of_it() -> None:
    """Those that happened by their time, then those that did not, with the times and limits."""
    lines = outline_debrief(make_failed()).injects
    assert [(line.inject.name, line.mended) for line in lines] == [
        ("line-cut", Mended.LATE),
        ("boot-full", Mended.OPEN),
        ("slow", Mended.NOT_MADE),
    ]
    assert (lines[0].took_s, lines[0].limit_s) == (450.0, 300.0)
    assert (lines[1].took_s, lines[1].limit_s) == (None, 600.0)
    first = outline_debrief(make_passed()).injects
    assert [(line.inject.name, line.mended) for line in first] == [
        ("line-cut", Mended.IN_TIME),
        ("slow", Mended.NOT_REACHED),
    ]


@pytest.mark.parametrize(
    ("course", "limit_s", "mended", "took_s"),
    [
        (InjectCourse("line-cut", 0.0, 300.0), 300.0, Mended.IN_TIME, 300.0),
        (InjectCourse("line-cut", 0.0, 300.1), 300.0, Mended.LATE, 300.1),
        (InjectCourse("line-cut", 0.0, 9999.0), 0.0, Mended.NO_LIMIT, 9999.0),
        (InjectCourse("line-cut", 0.0), 300.0, Mended.OPEN, None),
        (InjectCourse("line-cut", 50.0, 40.0), 300.0, Mended.UNTIMED, None),
        (InjectCourse("line-cut", math.nan, math.inf), 300.0, Mended.NOT_REACHED, None),
        (InjectCourse("line-cut", why="no room"), 300.0, Mended.NOT_MADE, None),
        (InjectCourse("line-cut", why="  "), 300.0, Mended.NOT_REACHED, None),
    ],
)
def test_the_limit_of_an_inject(
    course: InjectCourse, limit_s: float, mended: Mended, took_s: float | None
) -> None:
    """At the limit is in time; 0 is no limit, and 0 seconds is a time; an end before the
    beginning gives no duration."""
    injects = (replace(DRILL.injects[0], limit_s=limit_s),)
    record = replace(make_passed(), drill=replace(DRILL, injects=injects), injects=(course,))
    line = outline_debrief(record).injects[0]
    assert (line.mended, line.took_s) == (mended, took_s)


def test_an_inject_that_happens_at_once_is_listed_first() -> None:
    """0 is a time, and the earliest there is."""
    courses = (InjectCourse("line-cut", 5.0), InjectCourse("slow"), InjectCourse("boot-full", 0.0))
    lines = outline_debrief(replace(make_failed(), injects=courses)).injects
    assert [line.inject.name for line in lines] == ["boot-full", "line-cut", "slow"]


def test_what_was_done_first_after_an_inject() -> None:
    """The act is looked for after its last happening, up to a reset or its end, by the clock
    and not by the order of the lines; it is never called noticing."""
    late, still, unmade = outline_debrief(make_failed()).injects
    assert late.first_act is not None
    assert (late.first_act.text, late.first_act_s) == ("I ask the second person", 30.0)
    assert still.first_act is not None
    assert (still.first_act.text, still.first_act_s) == ("the window is too short", 1000.0)
    assert unmade.first_act is None
    cut_off = (event(400, "inject", "line-cut"), event(500, "reset", "r"), event(501, "note", "n"))
    assert outline_debrief(replace(make_failed(), events=cut_off)).injects[0].first_act is None
    quiet = tuple(one for one in make_failed().events if one.kind != "call")
    assert outline_debrief(replace(make_failed(), events=quiet)).injects[0].first_act is None
    text = part_of(render_debrief_markdown(outline_debrief(make_failed())), "Injects")
    assert "When trouble was noticed no machine can tell" in text


def test_an_inject_has_all_that_is_to_be_learnt_from_it() -> None:
    """Cue, what the machine saw, end, right way, lesson, reading; why it could not be made."""
    text = part_of(render_debrief_markdown(outline_debrief(make_failed())), "Injects")
    first, second, third = text.split("### ")[1:]
    for words in (
        "The connection is lost",
        "Happened at 0:16:40",
        "7 min 30 s (limit 5 min 00 s)",
        "a new login took up the session",
        "the job was found again",
        "The terminal freezes.",
        "Log in again and find the running job.",
        "Work in a session that outlives its line.",
        "Runbook, section Mishaps",
    ):
        assert words in first
    assert "to the end (limit 10 min 00 s)" in second
    assert "Why it could not be made: the gateway had every package already" in third
    assert "Happened at" not in third


def test_what_was_not_drawn_is_counted_and_not_named() -> None:
    """An inject that is left for another time must still surprise then, in every form."""
    debrief = outline_debrief(make_failed())
    assert debrief.undrawn == 1
    text = render_debrief_markdown(debrief)
    assert "its file has 1 more inject, not named here" in text
    for drawn in (text, render_debrief_html(debrief), render_debrief_json(debrief)):
        assert "SURPRISE LEFT" not in drawn
        assert "key-old" not in drawn


def test_times_are_held_against_what_was_allowed_and_rehearsed() -> None:
    """Over and left, more and less; and where nothing was measured nothing is compared."""
    assert list(list_times(outline_debrief(make_failed()))) == [
        ("Spent", "1 h 00 min 30 s"),
        ("Allowed", "45 min 00 s"),
        ("Over", "15 min 30 s"),
        ("Window in the drill", "1 h 30 min 00 s"),
        ("Measured rehearsal, run run-7", "20 min 40 s"),
        ("More than that", "39 min 50 s (2.9 times as long)"),
    ]
    fast = dict(list_times(outline_debrief(replace(make_passed(), spent_s=620.0))))
    assert fast["Left"] == "34 min 40 s"
    assert fast["Less than that"] == "10 min 20 s (0.5 times as long)"
    bare = outline_debrief(replace(make_passed(), reference_s=0.0))
    assert not any("rehearsal" in what for what, _ in list_times(bare))
    text = part_of(render_debrief_markdown(bare), "Time")
    assert "there is nothing to compare with" in text
    assert document_debrief(bare)["time"]["rehearsal_seconds"] is None


def test_resets_are_held_against_a_cold_start() -> None:
    """Each with its seconds, the longest beside what making the clone anew took."""
    text = part_of(render_debrief_markdown(outline_debrief(make_failed())), "Resets")
    assert "2 resets; the longest took 11 s." in text
    assert "from nothing had taken 4 min 10 s" in text
    assert "| 0:11:40 | 9.0 s |" in text
    cold = outline_debrief(replace(make_failed(), cold_start_s=0.0))
    assert "was not measured" in part_of(render_debrief_markdown(cold), "Resets")


def test_wrong_turns_calls_and_notes() -> None:
    """Each stands in its own list with its time; where there is none, that is said."""
    text = render_debrief_markdown(outline_debrief(make_failed()))
    assert "- 0:10:40 lock-deleted: the lock was deleted" in part_of(
        text, "Wrong turns that mattered"
    )
    said = part_of(text, "Calls and notes")
    assert "- 0:50:00 back-out: the window is too short" in said
    assert "Notes of the trainee\n\nNone on record." in said
    other = render_debrief_markdown(outline_debrief(make_passed()))
    assert "None that the machine could tell." in part_of(other, "Wrong turns that mattered")
    assert "- 0:28:20 stayed on the new release" in part_of(other, "Calls and notes")


def test_the_event_line_has_every_event_by_its_time() -> None:
    """As many rows as events, ordered by attempt and the trainee's clock, whatever the order in
    the record and whatever the wall clock said."""
    record = make_failed()
    events = tuple(replace(one, at="2026-03-14T21:00:00Z") for one in record.events[::-1])
    debrief = outline_debrief(replace(record, events=events))
    rows = [(one.attempt, one.at_s) for one in debrief.events]
    assert rows == sorted(rows)
    assert len(rows) == len(record.events)
    text = part_of(render_debrief_markdown(debrief), "Event line")
    assert text.count("\n| 0:") + text.count("\n| 1:") == len(record.events)


def test_the_rules_that_were_not_kept_are_named() -> None:
    """Each critical objective, the points with what is wanted, and the time where it counts."""
    assert outline_debrief(make_failed()).reasons == (
        "Critical and not met: Every package is whole",
        "Critical and not met: Never two package managers at once",
        "5 of 60 points are left after hints; 42 are wanted",
    )
    strict = replace(DRILL, passing=Passing(0.7, within_time=True))
    assert "time allowed" in outline_debrief(replace(make_failed(), drill=strict)).reasons[-1]
    assert outline_debrief(make_passed()).reasons == ()


def test_points_just_enough_are_enough() -> None:
    """0.55 times 100 is a little more than 55 in binary fractions, and 55 points still pass."""
    assert 0.55 * 100 > 55
    drill = replace(DRILL, passing=Passing(0.55))
    enough = replace(make_passed(), drill=drill, points=55, most_points=100)
    assert outline_debrief(enough).reasons == ()
    short = outline_debrief(replace(enough, points=54)).reasons
    assert short == ("54 of 100 points are left after hints; 55 are wanted",)


@pytest.mark.parametrize(
    ("record", "words"),
    [
        (replace(make_failed(), passed=True), "not all of the drill's rules"),
        (replace(make_passed(), passed=False), "none of the drill's rules says why"),
        (replace(make_passed(), state=DrillState.LEFT), "not played to its end"),
        (make_failed(), "1 inject could not be made"),
        (make_failed(), "no first attempts"),
        (replace(make_passed(), judged=()), "4 objectives not judged"),
    ],
)
def test_what_speaks_against_the_record_is_said(record: DrillRecord, words: str) -> None:
    """A verdict that the drill's own rules do not bear is not believed in silence."""
    text = render_debrief_markdown(outline_debrief(record))
    assert words in part_of(text, "What speaks against it")


def test_nothing_speaks_against_a_plain_pass() -> None:
    """There is no such section where there is nothing to say."""
    assert outline_debrief(make_passed()).objections == ()
    assert "speaks against" not in render_debrief_markdown(outline_debrief(make_passed()))


def test_what_went_well_is_said_first_of_the_details() -> None:
    """Objectives met without help, injects mended in time, no reset; of the failed one less."""
    assert outline_debrief(make_passed()).went_well == (
        "Met without a hint: Never two package managers at once",
        "Met without a hint: The new kernel runs",
        "Met without a hint: The decision is written down",
        "Mended within its limit: The connection is lost",
        "Within the time allowed",
        "Without going back to a hold point",
    )
    assert outline_debrief(make_failed()).went_well == ("Met without a hint: The new kernel runs",)


@pytest.mark.parametrize(
    ("record", "words"),
    [
        (make_open(), "to its end"),
        (make_empty(), "kept it from being made is mended"),
        (make_failed(), "again, soon"),
        (make_passed(), "without hints and resets"),
        (replace(make_passed(), hints=()), "another draw"),
        (
            replace(make_passed(), hints=(), drill=replace(DRILL, injects=DRILL.injects[:1])),
            "higher level",
        ),
    ],
)
def test_the_next_drill(record: DrillRecord, words: str) -> None:
    """First what is not met, then the same without help, other injects, more."""
    assert re.search(words, say_next(outline_debrief(record)))


def test_casts_and_what_to_read_are_named() -> None:
    """Each recorded terminal, key point and text to read stands there; the format is named."""
    text = render_debrief_markdown(outline_debrief(make_passed()))
    casts = part_of(text, "Recorded terminals")
    assert "asciicast v2" in casts
    assert "- terminal-2.cast" in casts
    taken = part_of(text, "To take along")
    for words in (*DRILL.key_points, *DRILL.debrief, *DRILL.read):
        assert words in taken


def test_there_is_room_for_the_trainees_own_words() -> None:
    """Two things to keep and two to change, and a remark, in the text and as null in the JSON."""
    text = part_of(
        render_debrief_markdown(outline_debrief(make_failed())), "In the trainee's own words"
    )
    kept, changed = text.split("### ")[2:]
    assert kept.startswith("Two things to keep")
    assert len(re.findall(r"^\d\. \.+$", kept, re.M)) == 2
    assert changed.startswith("Two things to change")
    assert len(re.findall(r"^\d\. \.+$", changed, re.M)) == 2
    room = document_debrief(outline_debrief(make_failed()))["to_fill_in"]
    assert room == {"remark": None, "keep": [None, None], "change": [None, None]}


def test_the_cautions_stand_in_every_form() -> None:
    """That a drill certifies nobody is said wherever it is drawn."""
    debrief = outline_debrief(make_passed())
    for text in (render_debrief_markdown(debrief), render_debrief_json(debrief)):
        for caution in DRILL_CAUTIONS:
            assert caution in text
    for text in (render_debrief_html(debrief), render_debrief_terminal(debrief)):
        assert "certifies nobody" in " ".join(text.replace("&#x27;", "'").split())


def test_the_words_are_those_of_exercises() -> None:
    """Objectives, injects, debrief and hot wash, as NIST SP 800-84 uses them (exercises:
    design with objectives and injects, evaluation with a debrief or hot wash)."""
    text = render_debrief_markdown(outline_debrief(make_failed()))
    headings = re.findall(r"^#+ (.*)$", text, flags=re.M)
    assert headings[0] == "Debrief: A night with trouble"
    assert {"Objectives", "Injects"} <= set(headings)
    assert "hot wash of NIST SP 800-84" in text


# --- the refresher


@pytest.mark.parametrize(
    ("day", "due"),
    [
        ("2026-03-14", "2026-09-14"),
        ("2026-08-31", "2027-02-28"),
        ("2027-08-31", "2028-02-29"),
        ("2026-12-31", "2027-06-30"),
        ("2026-07-01", "2027-01-01"),
        ("9999-12-31", "9999-12-31"),
    ],
)
def test_six_months_later(day: str, due: str) -> None:
    """The same day six calendar months on, or the last one of a shorter month."""
    assert add_months(date.fromisoformat(day), 6) == date.fromisoformat(due)


def test_only_a_pass_has_a_refresher() -> None:
    """Six months from its end; what was not passed, left, or has no day has no term."""
    assert find_due(make_passed()) == date(2026, 9, 14)
    for record in (
        make_failed(),
        replace(make_passed(), state=DrillState.LEFT),
        replace(make_passed(), finished_at="some time"),
        replace(make_passed(), finished_at=""),
    ):
        assert find_due(record) is None
    assert "By 2026-09-14, 6 months after" in say_refresher(outline_debrief(make_passed()))
    assert "within 4 weeks before a real change" in say_refresher(outline_debrief(make_passed()))
    assert "Repeat it soon" in say_refresher(outline_debrief(make_failed()))
    lost = outline_debrief(replace(make_passed(), finished_at="some time"))
    assert "not on record" in say_refresher(lost)


def test_fresh_is_four_weeks_before_a_change() -> None:
    """28 days before and the day itself; not a day more, and never after the change."""
    change = date(2026, 4, 11)
    assert [is_fresh(date(2026, 3, day), change) for day in (13, 14, 31)] == [False, True, True]
    assert is_fresh(change, change)
    assert not is_fresh(date(2026, 4, 12), change)


# --- how it is drawn


@pytest.mark.parametrize("make", MAKERS)
def test_the_page_refers_to_nothing_outside(make: Any) -> None:
    """No element loads, links or sends anywhere; the only addresses are places in the
    page itself, and each of them exists once."""
    tree = html.document_fromstring(render_debrief_html(outline_debrief(make())))
    loading = {"src", "href", "srcset", "action", "formaction", "data", "poster", "background"}
    targets = [v for e in tree.iter("*") for n, v in e.attrib.items() if n in loading]
    assert targets
    assert all(value.startswith("#") for value in targets)
    assert not tree.xpath("//script|//link|//img|//iframe|//object|//embed|//form|//base|//image")
    assert not re.search(r"url\(|@import|expression\(", tree.findtext(".//style"))
    ids = tree.xpath("//@id")
    assert len(ids) == len(set(ids))
    named = {name for names in tree.xpath("//@aria-labelledby") for name in names.split()}
    assert {value[1:] for value in targets} | named <= set(ids)


@pytest.mark.parametrize("make", MAKERS)
def test_headings_are_in_order(make: Any) -> None:
    """One h1, and no level is skipped on the way down (WCAG 2.2 technique G141)."""
    tree = html.document_fromstring(render_debrief_html(outline_debrief(make())))
    levels = [int(e.tag[1]) for e in tree.iter("h1", "h2", "h3", "h4", "h5", "h6")]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert len(levels) > 15
    assert all(after - before <= 1 for before, after in pairwise(levels))


@pytest.mark.parametrize("make", [make_hostile, lambda: spoil_all(make_failed())])
def test_hostile_text_is_shown_and_does_nothing(make: Any) -> None:
    """With every text of the record hostile, the page has the elements it has otherwise,
    no event handler, no style attribute, and no control or invisible character."""
    page = render_debrief_html(outline_debrief(make()))
    tree = html.document_fromstring(page)
    names = {n for e in tree.iter("*") for n in e.attrib}
    assert not {n for n in names if n.startswith("on")} | (names & {"style"})
    plain = html.document_fromstring(render_debrief_html(outline_debrief(make_failed())))
    assert {e.tag for e in tree.iter("*")} <= {e.tag for e in plain.iter("*")}
    assert len(tree.xpath("//style")) == 1
    assert all(c == "\n" or c.isprintable() for c in page)
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "{{ 7*7 }}" in page


@pytest.mark.parametrize("make", [make_hostile, lambda: spoil_all(make_failed())])
def test_hostile_markdown_stays_text(make: Any) -> None:
    """What a trainee, a file or a clone said forms no link, image, raw HTML, heading or list
    (reference: markdown-it, CommonMark with tables), and no bare address is left whole."""
    text = render_debrief_markdown(outline_debrief(make()))
    tokens = MarkdownIt("commonmark").enable(["table", "strikethrough"]).parse(text)
    kinds = {token.type for token in tokens}
    inline = {child.type for token in tokens for child in token.children or ()}
    assert not kinds & {"html_block", "fence", "code_block", "hr", "blockquote_open"}
    assert not inline & {"link_open", "image", "code_inline", "html_inline", "em_open", "s_open"}
    plain = MarkdownIt("commonmark").parse(render_debrief_markdown(outline_debrief(make_failed())))
    if make is make_hostile:  # unknown kinds fill no section, so that there are fewer
        assert _count_headings(tokens) == _count_headings(plain)
    assert "http://" not in text
    assert not re.search(r"(?<!\\)@|www\.x", text)
    assert all(char == "\n" or char.isprintable() for char in text)


def _count_headings(tokens: Any) -> int:
    return sum(token.type == "heading_open" for token in tokens)


def test_the_page_says_what_the_markdown_says() -> None:
    """Every line of text in the Markdown stands on the page."""
    debrief = outline_debrief(make_failed())
    page = " ".join(html.document_fromstring(render_debrief_html(debrief)).text_content().split())
    tokens = MarkdownIt("commonmark").enable("table").parse(render_debrief_markdown(debrief))
    lines = [token for token in tokens[3:] if token.type == "inline"]  # the cover has the title
    assert len(lines) > 150
    for line in lines:
        words = "".join(child.content for child in line.children or ())
        assert " ".join(words.split()) in page


@pytest.mark.parametrize("make", MAKERS)
@pytest.mark.parametrize("width", [60, 80, 132])
def test_the_terminal_form_is_short_and_harmless(make: Any, width: int) -> None:
    """At most 60 lines, none wider than asked for, no control character."""
    lines = render_debrief_terminal(outline_debrief(make()), width=width).splitlines()
    assert 8 < len(lines) <= 60
    assert max(map(len, lines)) <= width
    assert all(char.isprintable() for line in lines for char in line)


def test_the_terminal_form_has_what_matters() -> None:
    """Verdict, why not, the objectives and injects with what became of them, and the folder."""
    text = render_debrief_terminal(outline_debrief(make_failed()), width=100, folder="/tmp/d")
    for words in (
        "Not passed: 1 of 4",
        "  Critical and not met: Every package is whole",
        "  Over: 15 min 30 s",
        "  Help: 3 hints (10 points), 2 resets",
        "mended later than its limit",
        "the lock was deleted",
        "Next refresher: ",
        "Whole debrief: /tmp/d",
    ):
        assert words in text
    assert re.search(r"Never two package managers at once +lost +0 of 15, hints -3", text)


@pytest.mark.parametrize("make", MAKERS)
def test_the_json_keeps_its_schema(make: Any) -> None:
    """ASCII, `forerun.debrief/1`, every key as the JSON Schema says (draft 2020-12, by the
    jsonschema library), and no text with a control character but the newline."""
    text = render_debrief_json(outline_debrief(make()))
    assert text.isascii()
    document = json.loads(text, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))
    jsonschema.Draft202012Validator.check_schema(debrief_schema())
    jsonschema.validate(document, debrief_schema())
    assert document["schema"] == "forerun.debrief/1"
    assert not re.search(CONTROLS, text)


def test_what_is_not_known_is_null() -> None:
    """-1, 0 where it stands for none, and what is no number are null and never a figure; a path
    of the lab host is not told."""
    document = document_debrief(outline_debrief(make_empty()))
    assert set(document["time"].values()) == {None}
    assert document["next"]["refresher_due"] is None
    odd = replace(
        make_failed(),
        spent_s=math.nan,
        reference_s=math.inf,
        resets=((math.nan, -1.0),),
        judged=(Judged("note", Standing.MET, "", -1.0),),
        events=(event(0, "note", "n"), replace(event(0, "wrong", "w"), at_s=math.inf)),
    )
    text = render_debrief_json(outline_debrief(odd))
    assert "NaN" not in text
    assert "Infinity" not in text
    assert render_debrief_html(outline_debrief(odd))
    assert render_debrief_terminal(outline_debrief(odd))
    assert "/home/somebody" not in text
