"""Papers for others: texts for users, and the fields of a change request, a back-out plan and
the record afterwards. What forerun does not know stands there as not provided, to be filled in.

The fields are common practice of change control; which are wanted is for local change control.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from forerun.model.profile import Profile, Site
from forerun.report.answers import RUNBOOK_PLACES
from forerun.report.figures import count_of, say_seconds
from forerun.report.forecast import has_figures, say_fit
from forerun.report.markdown import escape, fence, table
from forerun.report.plain import one_line
from forerun.report.plan import say_turn
from forerun.report.runbook_night import NOT_PROVIDED
from forerun.report.sections import Report
from forerun.report.sheet import LOST, NOT_RULED, say_outage_aloud
from forerun.report.trials import NOT_TRIED_BACK_OUT, say_way_back
from forerun.report.wall_clock import say_aloud, say_day, say_time

TEXT_NAMES = ("notice", "start", "end", "overrun")


@dataclass(frozen=True, slots=True)
class Paper:
    """One paper: its fields as (label, value), never an empty value."""

    title: str
    fields: tuple[tuple[str, str], ...]


def list_papers(profile: Profile, site: Site, report: Report) -> tuple[Paper, ...]:
    """All papers, each with every field that is usual."""
    return (
        _change_request(profile, site, report),
        _back_out_plan(report),
        _user_paper(site, report),
        _record_after(report),
    )


def _paper(title: str, report: Report, role: str, *fields: tuple[str, str]) -> Paper:
    run = report.record
    head = (
        ("Number", NOT_PROVIDED),
        ("Version", f"forerun {run.forerun_version or 'of unknown version'}, run {run.id}"),
        ("Date", run.started_at),
        ("Author's role", role),
        (
            "Digest of the evidence",
            f"profile {run.profile_digest or NOT_PROVIDED}, site file "
            f"{run.site_digest or NOT_PROVIDED}; those of the files beside this one are in "
            "digests.sha256",
        ),
    )
    filled = tuple((label, value or NOT_PROVIDED) for label, value in (*head, *fields))
    return Paper(title, (*filled, ("Approvals", NOT_PROVIDED)))


def _change_request(profile: Profile, site: Site, report: Report) -> Paper:
    run, look = report.record, report.outlook
    made, decision = look.forecast, look.decision
    risks = [f"{one.title} ({one.severity}): {one.settled or 'open'}" for one in report.found]
    tests = f"{count_of(report.runs_compared, 'run')} ({run.id} and those comparable)"
    people = ", ".join(f"{c.role}: {c.name or NOT_PROVIDED}" for c in site.contacts)
    return _paper(
        "Change request",
        report,
        "operator",
        ("Changed", f"{run.host}: {run.release_before} to {run.release_after or profile.title}"),
        ("Reason, and effect of not doing it (end of support)", ""),
        ("Services and users affected", ", ".join(one.name for one in site.services)),
        ("Outage", say_outage_aloud(report)),
        ("Window", _say_window(report, site)),
        ("Fits the window", say_fit(made) if made is not None and has_figures(made) else ""),
        ("Ruling", f"{decision.ruling.value}: {decision.rule}" if decision else NOT_RULED),
        ("Risks and their treatment", "; ".join(risks)),
        ("Security: impact looked at before, verified after", ""),
        ("Test evidence", f"{tests}; {_say_fidelity(report)}"),
        ("Resources and named roles", people),
        ("Dependencies and clashes with other changes", ""),
        ("Back-out", _say_ways(report)),
        ("Communication", f"texts of this runbook: {', '.join(TEXT_NAMES)}"),
        ("Review on", ""),
    )


def _say_window(report: Report, site: Site) -> str:
    plan = report.outlook.plan
    if plan is not None:
        return f"{say_day(plan.begins)} to {say_day(plan.ends)}"
    return f"{say_seconds(site.window_s)}, begin not provided" if site.window_s else ""


def _say_fidelity(report: Report) -> str:
    open_rows = [gap.subject for gap in report.record.fidelity if gap.state != "matched"]
    if not report.record.fidelity:
        return "no fidelity statement"
    return f"not matched by the clone: {', '.join(open_rows) or 'nothing known'}"


def _say_ways(report: Report) -> str:
    ways = "; ".join(say_way_back(one) for one in report.record.back_outs)
    return ways or NOT_TRIED_BACK_OUT


def _back_out_plan(report: Report) -> Paper:
    plan = report.outlook.plan
    return _paper(
        "Back-out plan",
        report,
        "system owner",
        ("Triggers", f"section {RUNBOOK_PLACES['ways-back']}, first paragraph"),
        ("Decides", "system owner"),
        ("Latest moment to begin", say_turn(plan) if plan else ""),
        ("Method for each stage", f"section {RUNBOOK_PLACES['ways-back']}, table"),
        ("Time, measured", _say_ways(report)),
        ("Data lost", LOST),
        ("Checks that prove the old state", "those for before the upgrade, section Checks"),
        ("How users are told", "text called overrun, with what is lost"),
        ("Kept as evidence", "the terminal's record, /var/log, this sheet with its times"),
    )


def _user_paper(site: Site, report: Report) -> Paper:
    plan = report.outlook.plan
    notices = "; ".join(
        f"{say_day(one.at)}: {one.name} to {one.whom}" for one in (plan.notices if plan else ())
    )
    return _paper(
        "Communication with users",
        report,
        "owner of the services",
        ("What stops", ", ".join(one.name for one in site.services)),
        ("When", _say_window(report, site)),
        ("How long, upper figure", _say_upper(report)),
        ("What users must do", ""),
        ("What they may notice afterwards", ""),
        ("How news arrives", notices),
        ("Contact", _find_reach(site, "user desk")),
    )


def _say_upper(report: Report) -> str:
    made = report.outlook.forecast
    if made is None or not has_figures(made) or made.outage is None:
        return ""
    return f"{say_aloud(made.outage.p95)} (nineteen of twenty such nights)"


def _find_reach(site: Site, role: str) -> str:
    found = [one for one in site.contacts if one.role.casefold() == role]
    return f"{found[0].name} {found[0].reach}".strip() if found else ""


def _record_after(report: Report) -> Paper:
    blank = "................"
    steps = len(report.record.steps)
    return _paper(
        "Record afterwards",
        report,
        "operator",
        ("Outcome (done, done with deviations, backed out, failed)", blank),
        ("Planned against actual", f"the times beside the {count_of(steps, 'step')} of this sheet"),
        ("Outage of each service, actual", blank),
        ("Deviations", blank),
        ("Questions met that were not rehearsed", blank),
        ("Incidents", blank),
        ("Left over, with owner and date", blank),
        ("Error of the estimate", blank),
        ("Lessons, with owner and date", blank),
    )


def write_papers(papers: Sequence[Paper]) -> Iterator[str]:
    """The papers as tables of the runbook."""
    yield "## Papers for change control"
    yield ""
    yield "To be copied into the forms used here; local change control decides what is wanted."
    for paper in papers:
        yield ""
        yield f"### {escape(paper.title)}"
        yield ""
        yield from table(("Field", "Content"), paper.fields)


def write_texts(site: Site, report: Report) -> Iterator[str]:
    """The four texts for users, to be copied. The time in them is the upper figure: nobody
    minds a service that is back early."""
    plan = report.outlook.plan
    yield f"## {RUNBOOK_PLACES['texts']}"
    yield ""
    yield "The length is the upper figure, not the middle one. Fill in what is dotted."
    for name, lines in _list_texts(site, report):
        sends = [one for one in (plan.notices if plan else ()) if one.name == name]
        to = "; ".join(f"{say_day(one.at)} to {one.whom}" for one in sends)
        yield ""
        yield f"### Text: {name}"
        yield ""
        yield f"Send: {escape(to) or f'time and receivers {NOT_PROVIDED}'}."
        yield ""
        yield from fence("\n".join(one_line(line) for line in lines))


def _list_texts(site: Site, report: Report) -> Iterator[tuple[str, tuple[str, ...]]]:
    plan, dots = report.outlook.plan, "................"
    services = ", ".join(one.name for one in site.services) or dots
    begins = say_day(plan.begins) if plan else dots
    ends = say_time(plan.ends, since=plan.begins) if plan else dots
    long = _say_upper(report).partition(" (")[0] or dots
    contact = _find_reach(site, "user desk") or dots
    host = report.record.host
    yield (
        "notice",
        (
            f"On {begins} we renew the system of {host}.",
            f"These services stop meanwhile: {services}.",
            f"They may be away for {long} in all, at any time until {ends}.",
            f"Please save and close your work before. You need do: {dots}",
            f"Afterwards you may notice: {dots}",
            f"News will come by: {dots}. Questions: {contact}",
        ),
    )
    yield (
        "start",
        (
            f"The work on {host} begins now. {services}: expect breaks until {ends}.",
            f"We write again when it is done. Questions: {contact}",
        ),
    )
    yield (
        "end",
        (
            f"The work on {host} is done, and the owners have tried the services: {services}.",
            f"Afterwards you may notice: {dots}",
            f"If anything is not as it was, tell us: {contact}",
        ),
    )
    yield (
        "overrun",
        (
            f"The work on {host} takes longer than announced. {services}: away until {dots}.",
            "We go on / we go back to the old system (strike out one). If we go back, this is "
            f"lost: what was written after {dots}",
            f"The next news comes at {dots}. Questions: {contact}",
        ),
    )
