"""A debrief for people: Markdown, and a page of the same text.

Every text of a record is escaped here or stands in a table, whose cells are. The short form is
in `debrief_terminal`, the JSON in `debrief_data`.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

from jinja2 import Environment
from markupsafe import Markup

from forerun.model.drill import DrillEvent
from forerun.report.debrief import Debrief, InjectLine, Mended, ObjectiveLine
from forerun.report.debrief_words import (
    NO_REHEARSAL,
    NOTICED_CAVEAT,
    REFERENCE_CAVEAT,
    list_facts,
    list_times,
    say_at,
    say_earned,
    say_kind,
    say_next,
    say_noticed,
    say_refresher,
    say_resets,
    say_standing,
    say_took,
    say_undrawn,
    say_verdict,
    say_weight,
)
from forerun.report.figures import count_of, say_clock, say_seconds
from forerun.report.markdown import escape, listed, table
from forerun.report.markdown_html import read_sheet
from forerun.report.page import draw_page, make_environment
from forerun.report.refresher import REFRESHER_BASIS
from forerun.report.wall_clock import say_day

BLANK = "................................"
_CAST_NOTE = (
    "Each is a file in the format asciicast v2: lines of JSON, which any player of that open "
    "format shows at its real pace, without a network."
)


def render_debrief_markdown(debrief: Debrief) -> str:
    """The whole debrief as Markdown."""
    sections = (
        _head(debrief),
        *([listed("What speaks against it", debrief.objections)] if debrief.objections else []),
        _time(debrief),
        _went_well(debrief),
        _objectives(debrief),
        _injects(debrief),
        _hints(debrief),
        _wrong_turns(debrief),
        _resets(debrief),
        _said(debrief),
        _learn(debrief),
        _next(debrief),
        _remark(debrief),
        _event_line(debrief),
        _casts(debrief),
        _facts(debrief),
        listed("Cautions", debrief.cautions),
    )
    return "\n".join("\n".join(section).rstrip("\n") + "\n" for section in map(tuple, sections))


def render_debrief_html(debrief: Debrief) -> str:
    """The same text as one page that needs no network, to be read or printed."""
    sheet = read_sheet(render_debrief_markdown(debrief))
    record = debrief.record
    return draw_page(
        _environment(),
        "debrief.html.j2",
        title=sheet.title,
        heading=sheet.title.removeprefix("Debrief: "),
        kind="debrief",
        footer=f"Drawn by forerun from drill {record.id}.",
        record=record,
        ended=say_day(record.finished_at),
        passed=debrief.passed,
        parts=[(part.place, part.title, Markup(part.html)) for part in sheet.parts],  # noqa: S704 - escaped by its writer
    )


@cache
def _environment() -> Environment:
    return make_environment()


def _titled(title: str, *paragraphs: str) -> Iterator[str]:
    yield f"## {title}"
    for text in paragraphs:
        yield ""
        yield escape(text)


def _head(debrief: Debrief) -> Iterator[str]:
    record = debrief.record
    yield f"# Debrief: {escape(record.drill.title or record.drill.name)}"
    yield ""
    yield from _titled("Verdict", say_verdict(debrief))
    if debrief.reasons:
        yield ""
        yield from (f"- {escape(text)}" for text in debrief.reasons)
    if record.verdict.strip():
        yield ""
        yield f"As judged when it ended: {escape(record.verdict)}"


def _time(debrief: Debrief) -> Iterator[str]:
    yield from _titled("Time")
    yield ""
    yield from table(("What", "Time"), list_times(debrief))
    yield ""
    yield REFERENCE_CAVEAT if debrief.time.reference_s is not None else NO_REHEARSAL


def _went_well(debrief: Debrief) -> Iterator[str]:
    yield from _titled("What went well")
    yield ""
    nothing = "Nothing that a machine can tell. What did the trainee see?"
    yield from (f"- {escape(text)}" for text in debrief.went_well or (nothing,))


def _objectives(debrief: Debrief) -> Iterator[str]:
    yield from _titled("Objectives")
    yield ""
    if not debrief.objectives:
        yield "The drill has none."
        return
    yield from table(
        ("Objective", "Standing", "Weight", "Points", "Decided at", "Evidence"),
        (
            (
                line.objective.title,
                say_standing(line, debrief),
                say_weight(line),
                say_earned(line),
                say_clock(line.at_s),
                line.evidence or "none on record",
            )
            for line in debrief.objectives
        ),
    )
    for line in debrief.objectives:
        yield from _explain_objective(line, debrief)


def _explain_objective(line: ObjectiveLine, debrief: Debrief) -> Iterator[str]:
    """Why an objective matters; of those met only where there is something to tell."""
    objective = line.objective
    if line.is_met and not (objective.why or objective.read):
        return
    yield ""
    standing = say_standing(line, debrief).capitalize()
    yield f"### {standing}: {escape(objective.title)}"
    yield ""
    if not line.is_met:
        yield f"- Evidence: {escape(line.evidence or 'none on record')}"
    yield f"- Why it matters: {escape(objective.why or 'the drill does not say')}"
    if objective.read:
        yield f"- To read: {escape(objective.read)}"


def _injects(debrief: Debrief) -> Iterator[str]:
    yield from _titled("Injects")
    yield ""
    if not debrief.injects:
        yield "None happened in this drill."
    else:
        yield from table(
            ("Inject", "Happened at", "What became of it", "Trouble lasted"),
            (
                (line.inject.title, say_clock(line.struck_s), line.mended.value, say_took(line))
                for line in debrief.injects
            ),
        )
        yield ""
        yield escape(NOTICED_CAVEAT)
        for line in debrief.injects:
            yield from _explain_inject(line)
    if debrief.undrawn:
        yield ""
        yield escape(f"Not drawn this time: {say_undrawn(debrief)}")


def _explain_inject(line: InjectLine) -> Iterator[str]:
    inject = line.inject
    yield ""
    yield f"### Inject: {escape(inject.title)}"
    yield ""
    yield f"- What became of it: {escape(line.mended.value)}"
    if line.mended is Mended.NOT_MADE:
        yield f"- Why it could not be made: {escape(line.why)}"
    if line.struck_s is not None:
        yield f"- Happened at {say_clock(line.struck_s)}"
        yield f"- Trouble lasted: {escape(say_took(line))}"
        yield f"- First act afterwards: {escape(say_noticed(line))}"
        yield f"- What the machine saw: {escape(line.detection or 'nothing on record')}"
        if line.mended_by:
            yield f"- Its end, by the event line: {escape(line.mended_by)}"
    told = (
        ("What could be noticed", inject.cue),
        ("The right way", inject.right),
        ("Lesson", inject.lesson),
        ("To read", inject.read),
    )
    yield from (f"- {label}: {escape(text)}" for label, text in told if text.strip())


def _hints(debrief: Debrief) -> Iterator[str]:
    rows = [
        (line.objective.title, f"{number}", hint.text, count_of(hint.cost, "point"))
        for line in debrief.objectives
        for number, hint in enumerate(line.shown, 1)
    ]
    yield from _titled("Hints")
    yield ""
    if not rows:
        yield "None was asked for."
        return
    yield f"{count_of(len(rows), 'hint').capitalize()}, for {count_of(debrief.hint_cost, 'point')}."
    yield ""
    yield from table(("Objective", "No.", "Hint", "Cost"), rows)


def _wrong_turns(debrief: Debrief) -> Iterator[str]:
    yield from _titled("Wrong turns that mattered")
    yield ""
    if not debrief.wrong_turns:
        yield "None that the machine could tell."
        return
    yield from (f"- {_say_event(event)}" for event in debrief.wrong_turns)


def _resets(debrief: Debrief) -> Iterator[str]:
    yield from _titled("Resets", say_resets(debrief))
    if debrief.resets:
        yield ""
        rows = ((say_clock(at), say_seconds(took)) for at, took in debrief.resets)
        yield from table(("At", "Back at the hold point in"), rows)


def _said(debrief: Debrief) -> Iterator[str]:
    yield from _titled("Calls and notes")
    for title, events in (("Calls", debrief.calls), ("Notes of the trainee", debrief.notes)):
        yield ""
        yield f"### {title}"
        yield ""
        yield from (f"- {_say_event(event)}" for event in events)
        if not events:
            yield "None on record."


def _say_event(event: DrillEvent) -> str:
    """An event as the text of a list item, escaped."""
    told = ": ".join(part for part in (event.name, event.text) if part.strip())
    return f"{say_at(event)} {escape(told or say_kind(event.kind))}"


def _learn(debrief: Debrief) -> Iterator[str]:
    drill = debrief.record.drill
    yield from _titled("To take along")
    for title, texts in (
        ("Key points", drill.key_points),
        ("For the talk", drill.debrief),
        ("To read", drill.read),
    ):
        kept = [text for text in texts if text.strip()]
        if kept:
            yield ""
            yield f"### {title}"
            yield ""
            yield from (f"- {escape(text)}" for text in kept)
    if not (drill.key_points or drill.debrief or drill.read):
        yield ""
        yield "The drill's file has no key points, nothing for the talk and nothing to read."


def _next(debrief: Debrief) -> Iterator[str]:
    yield from _titled("Next")
    yield ""
    yield f"- Next refresher: {escape(say_refresher(debrief))}"
    yield f"- Best next drill: {escape(say_next(debrief))}"
    yield f"- {escape(REFRESHER_BASIS)}"


def _remark(debrief: Debrief) -> Iterator[str]:
    yield from _titled(
        "In the trainee's own words",
        "To be filled in, in the talk straight after the drill (the hot wash of NIST SP 800-84) or "
        "by hand: what happened, not whose fault it was.",
    )
    for title, lines in (
        ("What I saw, thought and did", 3),
        ("Two things to keep", 2),
        ("Two things to change", 2),
    ):
        yield ""
        yield f"### {title}"
        yield ""
        yield from (f"{number}. {BLANK}" for number in range(1, lines + 1))


def _event_line(debrief: Debrief) -> Iterator[str]:
    yield from _titled("Event line")
    yield ""
    if not debrief.events:
        yield "Nothing is on record."
        return
    yield from table(
        ("At", "Attempt", "What", "Name", "Told"),
        (
            (say_at(event), f"{event.attempt}", say_kind(event.kind), event.name, event.text)
            for event in debrief.events
        ),
    )


def _casts(debrief: Debrief) -> Iterator[str]:
    yield from _titled("Recorded terminals")
    yield ""
    if not debrief.record.casts:
        yield "No terminal was recorded."
        return
    yield _CAST_NOTE
    yield ""
    yield from (f"- {escape(name)}" for name in debrief.record.casts)


def _facts(debrief: Debrief) -> Iterator[str]:
    yield from _titled("The drill")
    yield ""
    if debrief.record.drill.situation.strip():
        yield f"The situation: {escape(debrief.record.drill.situation)}"
        yield ""
    yield from table(("What", "Value"), list_facts(debrief))
