"""The sheet for whoever signs: the ruling, the outage as a sentence, conditions, the way back."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from forerun.model.estimate import Forecast, ServiceForecast
from forerun.model.finding import Decision, Ruling
from forerun.report.figures import count_of, say_seconds
from forerun.report.forecast import has_figures
from forerun.report.forecast_words import say_chance
from forerun.report.markdown import escape, table
from forerun.report.objections import SHORT_CAUTIONS
from forerun.report.outage import say_outage
from forerun.report.plan import say_turn
from forerun.report.sections import Report, Transcript
from forerun.report.trials import say_state
from forerun.report.wall_clock import say_aloud, say_day, say_time

NOT_RULED = "not ruled"
NO_DECISION = (
    "No rule was asked: the run is older than the rules, or its findings were not gathered. "
    "Nothing on this page says that the work may be done."
)
NO_TRANSCRIPT = "What the operator would have seen was not kept with the run."
LOST = "whatever is written after the hold point that the way leads to"
SIGNERS = (
    ("Operator", "rehearsed and understood"),
    ("Owner of the services", "the outage is accepted"),
    ("Change authority", "approved, or sent back"),
)
MOST_SHOWN = 6


@dataclass(frozen=True, slots=True)
class Sheet:
    """One page. `ruling` is the word of a `Ruling` or NOT_RULED; `clock` and `back_out` are
    (label, value); `more` says how many conditions and reasons are left to the sections below."""

    ruling: str
    rule: str
    outage: str
    clock: tuple[tuple[str, str], ...]
    conditions: tuple[str, ...]
    reasons: tuple[str, ...]
    more: int
    back_out: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...] = SHORT_CAUTIONS
    signers: tuple[tuple[str, str], ...] = SIGNERS


def make_sheet(report: Report) -> Sheet:
    """All that stands on the first page."""
    decision = report.outlook.decision
    conditions = decision.conditions if decision else ()
    reasons = decision.reasons if decision else report.verdict.reasons
    shown = conditions[:MOST_SHOWN]
    room = max(MOST_SHOWN - len(shown), 1)
    left = len(conditions) - len(shown) + max(len(reasons) - room, 0)
    return Sheet(
        ruling=decision.ruling.value if decision else NOT_RULED,
        rule=decision.rule if decision else NO_DECISION,
        outage=say_outage_aloud(report),
        clock=tuple(_list_clock(report)),
        conditions=shown,
        reasons=reasons[:room],
        more=left,
        back_out=tuple(_list_back_out(report)),
    )


def find_mark(ruling: str) -> str:
    """How a ruling is marked: "good", "warn", "bad", or "" where nobody ruled."""
    marks = {Ruling.GO.value: "good", Ruling.CONDITIONS.value: "warn", Ruling.NO_GO.value: "bad"}
    return marks.get(ruling, "")


def say_outage_aloud(report: Report) -> str:
    """What users will notice, as sentences that can be read aloud."""
    made = report.outlook.forecast
    if made is None or not has_figures(made) or made.outage is None:
        return " ".join(_say_measured(report))
    return " ".join(_say_forecast(made))


def _say_forecast(made: Forecast) -> Iterator[str]:
    assert made.outage is not None  # noqa: S101 - the caller looked
    back = [one for one in made.services if one.returns]
    yield (
        "In half of such nights one service or another does not answer for "
        f"{say_aloud(made.outage.p50)} in all; in nineteen of twenty for no more than "
        f"{say_aloud(made.outage.p95)}."
    )
    if back:
        worst = max(back, key=lambda one: one.total.p95)
        yield f"Longest away is {worst.service}: no more than {say_aloud(worst.total.p95)}" + (
            _say_owner(worst) + "."
        )
    gone = [one.service for one in made.services if not one.returns]
    if gone:
        yield (
            f"{', '.join(gone)} did not come back by itself in the rehearsal: it stays away until "
            "somebody mends it."
        )


def _say_owner(one: ServiceForecast) -> str:
    if not one.tolerable_s:
        return "; what its owner tolerates is not set"
    return f"; its owner tolerates {say_aloud(one.tolerable_s)}"


def _say_measured(report: Report) -> Iterator[str]:
    yield "How long production would be without its services was not estimated."
    if not report.outages:
        yield "No service was watched in the rehearsal either."
        return
    told = "; ".join(f"{row.service}: {say_outage(row)}" for row in report.outages)
    yield f"On the clone, whose times are not production's: {told}."


def _list_clock(report: Report) -> Iterator[tuple[str, str]]:
    made, plan = report.outlook.forecast, report.outlook.plan
    if plan is not None:
        yield "Window", f"{say_day(plan.begins)} to {say_time(plan.ends, since=plan.begins)}"
        late = say_time(plan.no_return_p95, since=plan.begins)
        if plan.no_return_p50:
            early = say_time(plan.no_return_p50, since=plan.begins)
            yield "Point of no return", f"{early}, in a late night {late}"
    else:
        yield "Window", "its beginning was not given: no timetable by the clock"
    if made is not None and made.window is not None and has_figures(made):
        yield (
            "The work takes",
            f"{say_aloud(made.window.p50)} in half of nights, {say_aloud(made.window.p95)} in "
            "nineteen of twenty",
        )
        yield (
            "It fits the window",
            f"{say_chance(made.fits)}; with time to go back {say_chance(made.fits_with_back_out)}",
        )
    else:
        window = next(figure for figure in report.summary if figure.key == "window")
        yield "The work took", f"{say_seconds(window.value)} on the clone"


def _list_back_out(report: Report) -> Iterator[tuple[str, str]]:
    made, plan, tried = report.outlook.forecast, report.outlook.plan, report.record.back_outs
    if tried:
        first = min(tried, key=lambda one: (bool(one.why), one.wall_s))
        yield "Way back", f"{first.title}, to before {first.from_step}"
        yield "In the rehearsal", f"{say_seconds(first.wall_s)}; {say_state(first)}"
    else:
        yield "Way back", "none was rehearsed: nobody knows that one leads back"
    for one in made.back_outs[:2] if made is not None and has_figures(made) else ():
        yield (
            "Takes in production",
            f"{one.title}: {say_aloud(one.takes.p50)} in half of cases, "
            f"{say_aloud(one.takes.p95)} in nineteen of twenty",
        )
    if plan is not None:
        yield "Latest moment to begin", say_turn(plan)
    yield "Lost by going back", LOST


def name_steps(report: Report) -> tuple[tuple[str, str], ...]:
    """(name, title) of every step of the run."""
    return tuple((step.name, step.title) for step in report.record.steps)


def say_transcript(kept: Transcript) -> str:
    """Where the whole transcript lies, and what of it is shown."""
    what = f"The last {count_of(len(kept.lines), 'line')}" if kept.cut else "All of it"
    return (
        f"{what}, without control characters. The file {kept.path} beside this report has it as "
        "it was."
    )


def document_decision(decision: Decision | None) -> dict[str, Any] | None:
    """The key `decision` of the JSON report; null where nobody ruled."""
    if decision is None:
        return None
    return {
        "ruling": decision.ruling.value,
        "rule": decision.rule,
        "reasons": list(decision.reasons),
        "conditions": list(decision.conditions),
    }


def mark_down_sheet(report: Report) -> Iterator[str]:
    """The section of the Markdown report."""
    sheet = make_sheet(report)
    yield "## Decision"
    yield ""
    yield f"**{escape(sheet.ruling.upper())}.** {escape(sheet.rule)}"
    yield ""
    yield escape(sheet.outage)
    yield ""
    yield from table(("What", "By the clock"), sheet.clock)
    for heading, items in (("Conditions", sheet.conditions), ("Reasons", sheet.reasons)):
        if items:
            yield ""
            yield f"{heading}:"
            yield ""
            yield from (f"- {escape(item)}" for item in items)
    if sheet.more:
        yield f"- and {sheet.more} more in the sections below"
    yield ""
    yield from table(("What", "Back-out"), sheet.back_out)
    yield ""
    yield escape(" ".join(sheet.cautions))
    yield ""
    yield from table(
        ("Signs", "For", "Name", "Date"), ((who, what, "", "") for who, what in sheet.signers)
    )
