"""Twenty questions of the night before, each with a short answer and where all of it stands.

The questions are the trade's own; common practice, no standard.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from forerun.report.figures import count_of, say_bytes, say_seconds, say_share, times_of
from forerun.report.forecast import has_figures, say_fit
from forerun.report.markdown import table
from forerun.report.plan import say_turn
from forerun.report.sections import CheckPair, Report
from forerun.report.trials import NOT_TRIED_BACK_OUT, say_state

# Sections of the runbook, by the heading and by the place that follows from it.
RUNBOOK_PLACES = {
    "people": "Roles and contacts",
    "second-way": "The second way in",
    "mishaps": "If something goes wrong",
    "ways-back": "Ways back",
    "texts": "Texts for users",
    "before": "Preconditions",
}


@dataclass(frozen=True, slots=True)
class Answer:
    """`places` are ids in the report, `runbook` keys of RUNBOOK_PLACES."""

    number: int
    question: str
    answer: str
    places: tuple[tuple[str, str], ...]
    runbook: tuple[str, ...] = ()


_QUESTIONS: tuple[tuple[str, Callable[[Report], str], tuple[str, ...], tuple[str, ...]], ...]


def list_answers(report: Report) -> tuple[Answer, ...]:
    """All twenty, in their order."""
    return tuple(
        Answer(number, question, answer(report), tuple((p, _NAMES[p]) for p in places), runbook)
        for number, (question, answer, places, runbook) in enumerate(_QUESTIONS, 1)
    )


def document_answers(report: Report) -> list[dict[str, Any]]:
    """The key `questions` of the JSON report; places are ids of the HTML page, and headings
    of the runbook."""
    return [
        {
            "number": one.number,
            "question": one.question,
            "answer": one.answer,
            "report_places": [place for place, _ in one.places],
            "runbook_places": [RUNBOOK_PLACES[key] for key in one.runbook],
        }
        for one in list_answers(report)
    ]


def mark_down_answers(report: Report) -> Iterator[str]:
    """The section of the Markdown report."""
    yield "## Twenty questions the night before"
    yield ""
    yield from table(
        ("No.", "Question", "In short", "Where"),
        ((str(a.number), a.question, a.answer, say_places(a)) for a in list_answers(report)),
    )


def say_places(one: Answer) -> str:
    """Where all of it stands, by headings."""
    own = [name for _, name in one.places]
    return ", ".join([*own, *(f"runbook: {RUNBOOK_PLACES[key]}" for key in one.runbook)])


# --- the short answers


def _say_outage(report: Report) -> str:
    made = report.outlook.forecast
    if made is not None and has_figures(made) and made.services:
        rows = sorted(made.services, key=lambda one: -one.total.p95)
        return "; ".join(
            f"{one.service}: {say_seconds(one.total.p95) if one.returns else 'until it is mended'}"
            for one in rows
        )
    return "not estimated; the section has what was measured on the clone"


def _say_fit(report: Report) -> str:
    made = report.outlook.forecast
    return say_fit(made) if made is not None and has_figures(made) else "not estimated"


def _say_turn(report: Report) -> str:
    plan = report.outlook.plan
    if plan is None:
        return "no timetable by the clock; the runbook marks the point of no return"
    return f"latest moment to begin going back: {say_turn(plan)}"


def _say_back_out(report: Report) -> str:
    tried = report.record.back_outs
    if not tried:
        return NOT_TRIED_BACK_OUT.partition(". ")[0] + "."
    return "; ".join(f"{t.title}: {say_seconds(t.wall_s)}, {say_state(t)}" for t in tried)


def _say_prompts(report: Report) -> str:
    odd = sum(not prompt.declared for prompt in report.prompts)
    return f"{count_of(len(report.prompts), 'prompt')} met, {odd} without an agreed answer"


def _say_quiet(report: Report) -> str:
    kept, lost = report.record.kept_files, report.foretold.losses
    files = count_of(len(kept), "file")
    return f"{files} left beside, {count_of(len(lost), 'edit')} lost without a question"


def _say_edits(report: Report) -> str:
    told = report.foretold
    if not told:
        return "nothing was foretold; see the checks that broke"
    asked = sum(row.told.kind in ("conffile", "ucf") for row in told.questions)
    return (
        f"{count_of(asked, 'edited file')} asked about, {len(told.losses)} lost without a question"
    )


def _say_removed(report: Report) -> str:
    names = report.packages.removed_names
    some = ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")
    return f"{len(names)}: {some}" if names else "none"


def _say_download(report: Report) -> str:
    if report.download is None:
        return "not counted"
    amounts = {count.key: count.amount for count in report.download.counts}
    return f"{say_bytes(amounts.get('fetched'))} fetched in the rehearsal"


def _say_disk(report: Report) -> str:
    if not report.disk:
        return "not measured"
    top = report.disk[0]
    share = say_share(top.peak_used / top.size) if top.size else "share not known"
    return f"fullest: {top.target}, {share} at its peak"


def _say_session(report: Report) -> str:
    lost = sum(step.reattached for step in report.record.steps)
    ways = [row for row in report.outages if "ssh" in row.service.lower()]
    told = "; ".join(
        f"{row.service}: {say_seconds(row.total_s) if row.ended else 'never came back'}"
        for row in ways
    )
    session = f"lost {times_of(lost)}" if lost else "kept"
    return f"session {session}; new logins: {told or 'not watched'}"


def _say_reboot(report: Report) -> str:
    main = next((reboot for reboot in report.reboots if reboot.main), None)
    if main is None:
        return "not rebooted into another kernel"
    ready = main.to_ready_s
    return f"SSH after {say_seconds(main.to_ssh_s)}, " + (
        f"all services after {say_seconds(ready)}, on the clone"
        if ready is not None
        else "but a watched service never came back"
    )


def _count_checks(report: Report) -> str:
    bad = [check for check in report.checks if _is_bad(check)]
    return f"{len(bad)} of {count_of(len(report.checks), 'check')} fail afterwards"


def _is_bad(check: CheckPair) -> bool:
    return check.change in ("broke", "fails", "still fails")


def _say_gaps(report: Report) -> str:
    open_rows = [row for row in report.record.fidelity if row.state != "matched"]
    if not report.record.fidelity:
        return "no fidelity statement was recorded"
    return f"{len(open_rows)} of {count_of(len(report.record.fidelity), 'subject')} not matched"


def _say_survey(report: Report) -> str:
    run = report.record
    return f"as of survey {run.survey_id}: survey again on the day, what changed is told then"


def _say_found(report: Report) -> str:
    open_ones = sum(bool(line.name) and not line.settled for line in report.found)
    told = count_of(len(report.found), "finding")
    if report.outlook.findings is None:
        return f"{told} by the rehearsal alone; known changes were not looked for"
    return f"{told}, {open_ones} not settled; {len(report.outlook.overlooked)} not looked at"


def _say_size(report: Report) -> str:
    for gap in report.record.fidelity:
        if gap.subject == "steps that grow with data":
            return f"not measured at several sizes. {gap.note[:1].upper()}{gap.note[1:]}"
    return "not measured at several sizes: steps that grow with the data are in the fidelity gaps"


def _say_trained(_report: Report) -> str:
    return "not provided: no training record is kept with a run"


def _say_users(report: Report) -> str:
    plan = report.outlook.plan
    notices = count_of(len(plan.notices), "notice") if plan else "no notices by the clock"
    return f"{notices}; texts and contacts are in the runbook, when to stop on the first page"


_NAMES = {
    "decision": "Decision",
    "findings": "Findings",
    "overlooked": "Known changes not looked at",
    "estimate": "Estimate for production",
    "night": "The night by the clock",
    "outage": "Outage",
    "checks": "Checks",
    "prompts": "Prompts",
    "foretold": "Foretold questions and losses",
    "reboot": "Reboot",
    "download": "Download",
    "packages": "Packages",
    "disk": "Disk",
    "kept": "Files left beside",
    "back-out": "Back-out",
    "fidelity": "Fidelity of the clone",
    "since": "Since the survey",
}

_QUESTIONS = (
    (
        "How long is each service down, worst sensible case?",
        _say_outage,
        ("estimate", "outage"),
        (),
    ),
    ("Does it fit the window, getting back included?", _say_fit, ("estimate", "night"), ()),
    ("When is the last moment I can turn back?", _say_turn, ("decision", "night"), ()),
    ("Has the way back been done, and how long did it take?", _say_back_out, ("back-out",), ()),
    (
        "What would users lose if I go back?",
        lambda _: "whatever they wrote since the hold point that the way leads to",
        ("decision", "back-out"),
        ("ways-back",),
    ),
    ("What will it ask me, and what do I answer?", _say_prompts, ("prompts", "foretold"), ()),
    ("What will it decide without asking?", _say_quiet, ("kept", "foretold"), ()),
    ("Which packages go away?", _say_removed, ("packages",), ()),
    (
        "How much is to be fetched, and how long over our line?",
        _say_download,
        ("download", "estimate"),
        (),
    ),
    ("Is there enough disk on every file system?", _say_disk, ("disk",), ()),
    (
        "Will I lose my session, and how do I get in then?",
        _say_session,
        ("outage",),
        ("second-way",),
    ),
    ("Will it come back from the reboot, and when do I worry?", _say_reboot, ("reboot",), ()),
    ("Which of our edits to configuration break?", _say_edits, ("foretold", "checks"), ()),
    ("What looks well and is really broken?", _count_checks, ("checks", "findings"), ()),
    ("What did the rehearsal not cover?", _say_gaps, ("fidelity", "overlooked"), ()),
    ("Has production changed since?", _say_survey, ("since",), ("before",)),
    (
        "Which drivers, licences, third parties could bite?",
        _say_found,
        ("findings", "overlooked"),
        (),
    ),
    ("What does the data-bound step cost at our size?", _say_size, ("fidelity", "estimate"), ()),
    ("Who is trained for this, and when last?", _say_trained, (), ("people",)),
    (
        "What do I tell users, whom do I call, when do I stop?",
        _say_users,
        ("decision", "night"),
        ("texts", "people", "mishaps"),
    ),
)
