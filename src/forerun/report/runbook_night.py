"""The runbook's sections about the night itself: people, what must be true before it begins,
the way in when the first one fails, the ways back, and what may wait till morning."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from forerun.model.profile import Contact, Profile, Recovery, Site, Stage
from forerun.report.answers import RUNBOOK_PLACES
from forerun.report.figures import say_bytes, say_seconds
from forerun.report.forecast import has_figures
from forerun.report.found import NOT_LOOKED_FOR
from forerun.report.markdown import escape, fence, table
from forerun.report.plain import show_controls
from forerun.report.plan import NO_WAY_BACK, say_turn
from forerun.report.sections import Report
from forerun.report.sheet import LOST
from forerun.report.trials import (
    BACK_OUT_CAVEAT,
    NOT_TRIED_BACK_OUT,
    NOT_TRIED_FAULTS,
    say_outcome,
    say_start,
    say_way_back,
)

NOT_PROVIDED = "not provided"
ROLES = (
    ("operator", "types every command, ticks every step"),
    ("second operator", "reads along, countersigns holds and the point of no return"),
    ("owner of the services", "accepts the outage, confirms that the services do their work"),
    ("system owner", "says go or no-go at each hold, decides to go back"),
    ("change authority", "approved this change; is told how it ended"),
    ("backup and storage", "proves the backup before, restores it if it comes to that"),
    ("console", "how the machine's own screen and keyboard are reached"),
    ("user desk", "sends the texts for users, takes their calls"),
)


def write_people(site: Site) -> Iterator[str]:
    """Who does what, and how they are reached."""
    yield f"## {RUNBOOK_PLACES['people']}"
    yield ""
    known = {contact.role.casefold(): contact for contact in site.contacts}
    rows = [_row(role, task, known.pop(role, None)) for role, task in ROLES]
    rows += [_row(contact.role, "", contact) for contact in known.values()]
    yield from table(("Role", "Does", "Name", "Reached by"), rows)
    yield ""
    if not site.contacts:
        yield "The site file names nobody (key contacts): write the names in before the night."
        yield ""
    yield "Trained for this change, and when last: not provided; no training record is kept."


def _row(role: str, task: str, contact: Contact | None) -> tuple[str, str, str, str]:
    if contact is None:
        return (role, task, NOT_PROVIDED, NOT_PROVIDED)
    return (role, task, contact.name or NOT_PROVIDED, contact.reach or NOT_PROVIDED)


def write_before(report: Report) -> Iterator[str]:
    """What must be true before the first command of the window."""
    yield f"## {RUNBOOK_PLACES['before']}"
    yield ""
    yield "Nothing of the window begins before every box is ticked."
    yield ""
    yield from (f"- [ ] {escape(text)}" for text in _list_before(report))


def _list_before(report: Report) -> Iterator[str]:
    run, decision = report.record, report.outlook.decision
    yield "The change is approved by local change control. Number ................"
    yield "A backup of today was restored somewhere and looked into. By ................"
    yield (
        f"Production was surveyed again today and has not changed since survey {run.survey_id} in "
        "a way that matters to this rehearsal."
    )
    yield "The console answers, and somebody is logged in there."
    yield "A second person is here and has read this sheet."
    yield "Users have been told (the text called notice)."
    for peak in report.disk:
        need = peak.peak_used - peak.first_used
        if need > 0:
            yield f"{peak.target} has more than {say_bytes(need)} free: its growth at the peak."
    yield from decision.conditions if decision else ("The findings below are settled or accepted.",)
    if report.outlook.findings is None:
        yield f"{NOT_LOOKED_FOR} Read the release notes against this server."
    for line in report.found:
        if not line.settled and line.severity != "cosmetic":
            yield f"Settled or accepted: {line.title} ({line.severity})."


def write_second_way(site: Site) -> Iterator[str]:
    """How to get in when SSH is dead."""
    contact = next((one for one in site.contacts if one.role.casefold() == "console"), None)
    where = (contact.reach or NOT_PROVIDED) if contact else NOT_PROVIDED
    yield f"## {RUNBOOK_PLACES['second-way']}"
    yield ""
    yield (
        "An upgrade replaces the SSH service, and a configuration that the new one refuses ends "
        "every new login; sessions that are open stay. So, before the window:"
    )
    yield ""
    yield f"- [ ] {escape(f'Console: {where}. Log in as root there and stay logged in.')}"
    yield "- [ ] Open a second SSH session as root, in another window, and leave it alone."
    yield "- [ ] Start the terminal session that outlives a lost connection, and note its name."
    yield ""
    yield (
        "When the first session is lost: take up the same terminal session again, through the "
        "second SSH session or the console. Start nothing a second time while the first may still "
        "run (look for dpkg and apt among the processes), and remove no lock."
    )


def write_mishaps(report: Report, profile: Profile) -> Iterator[str]:
    """What to do when the night goes wrong, as far as it was rehearsed."""
    run = report.record
    yield f"## {RUNBOOK_PLACES['mishaps']}"
    yield ""
    for fault in run.faults:
        mended = f", by: {fault.recovery}." if fault.recovered else "."
        text = (
            f"If {fault.title} (step {fault.step}): {fault.rule} In the rehearsal: "
            f"{say_outcome(fault)} ({say_start(fault)}){mended}"
        )
        yield f"- {escape(text)}"
    if not run.faults:
        yield f"- {escape(NOT_TRIED_FAULTS)}"
    yield (
        "- Anything else: stop, type nothing, note the time, call the system owner. Later than the "
        "latest moment to begin going back, there is no way back inside the window."
    )
    for recovery in profile.recoveries:
        yield ""
        yield from _write_recovery(recovery, {fault.recovery for fault in run.faults})


def _write_recovery(recovery: Recovery, tried: set[str]) -> Iterator[str]:
    yield f"### Recovery {escape(recovery.name)}: {escape(recovery.title)}"
    yield ""
    seen = "Tried in the rehearsal." if recovery.name in tried else "Not tried in this rehearsal."
    why = f" {escape(recovery.why)}" if recovery.why else ""
    yield (
        f"For: {escape(', '.join(recovery.mends))}. Time allowed: "
        f"{say_seconds(recovery.time_allowed_s)}. {seen}{why}"
    )
    yield ""
    yield from fence(show_controls(recovery.script).removesuffix("\n"), "bash")


def write_ways_back(report: Report) -> Iterator[str]:
    """When, by whom, by what way, and what it costs."""
    run, look = report.record, report.outlook
    yield f"## {RUNBOOK_PLACES['ways-back']}"
    yield ""
    yield (
        "Go back when a check of weight must fails and nobody can mend it in the time that is "
        "left, when a step ends in a way that this sheet does not have, or when the latest moment "
        "comes and the work is not done. The system owner decides, aloud, and two people note it."
    )
    yield ""
    ways = [f"From before step {one.from_step}, {say_way_back(one)}." for one in run.back_outs]
    yield from (f"- {escape(way)}" for way in ways or (NOT_TRIED_BACK_OUT,))
    if has_figures(look.forecast) and look.forecast is not None:
        for one in look.forecast.back_outs:
            yield (
                f"- In production: {escape(one.title)}, to before {escape(one.from_step)}: "
                f"{say_seconds(one.takes.p50)} in half of cases, {say_seconds(one.takes.p95)} in "
                "nineteen of twenty."
            )
    yield ""
    turn = say_turn(look.plan) if look.plan else NO_WAY_BACK.replace("none: ", "")
    if look.plan is None and run.back_outs:
        turn = "not known: no timetable by the clock was drawn"
    yield f"**Latest moment to begin:** {escape(turn)}."
    yield ""
    yield f"**Lost by going back:** {escape(LOST)}."
    yield ""
    yield from table(("The work is", "Way", "Afterwards"), _list_stages())
    yield ""
    yield escape(BACK_OUT_CAVEAT)


def _list_stages() -> Sequence[tuple[str, str, str]]:
    prove = "the checks for before the upgrade pass as they did; services answer; users are told"
    keep = "keep the terminal's record and /var/log before anything is overwritten; then as above"
    return (
        ("before anything is unpacked", "undo the steps by their own back-out", prove),
        ("half done", "mend it forward, or restore: there is no downgrade in place", keep),
        ("after the reboot", "restore the snapshot or the backup", keep),
        ("after users have written", "restore, and say what is lost; the owner decides", keep),
    )


def write_morning(profile: Profile, report: Report) -> Iterator[str]:
    """What need not be done tonight."""
    yield "## What may be left till morning"
    yield ""
    titles = [step.title for step in profile.steps if step.stage is Stage.TIDY]
    notes = [check.title for check in profile.checks if check.severity != "must"]
    cosmetic = [line.title for line in report.found if line.severity == "cosmetic"]
    items = [
        *(f"Step: {title}" for title in titles),
        *(f"Check of weight note: {title}" for title in notes),
        *(f"Finding: {title}" for title in cosmetic),
    ]
    yield from (f"- {escape(item)}" for item in items or ("Nothing: all of it belongs tonight.",))
    yield ""
    yield (
        "The owner of the services confirms before anybody goes home: an answer on a port is not "
        "yet that."
    )
