"""The runbook: the sheet an operator works from on the night, as Markdown.

It is made from the profile and the site file that were really run, so that what is
done on production is what was rehearsed.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from itertools import groupby

from forerun.model.observation import Outcome, RunRecord
from forerun.model.profile import Check, Profile, Site
from forerun.report.figures import count_of, say_seconds
from forerun.report.markdown import escape, fence, listed, table
from forerun.report.outline import outline
from forerun.report.papers import list_papers, write_papers, write_texts
from forerun.report.plain import show_controls
from forerun.report.plan import mark_down_plan
from forerun.report.runbook_night import (
    write_before,
    write_mishaps,
    write_morning,
    write_people,
    write_second_way,
    write_ways_back,
)
from forerun.report.runbook_steps import (
    StepSheet,
    list_checks,
    list_rest_units,
    say_course,
    write_step,
)
from forerun.report.sections import Outlook, Report


def write_runbook(
    profile: Profile, site: Site, record: RunRecord, outlook: Outlook | None = None
) -> str:
    """The runbook of the run that `record` tells of, in Markdown, by the clock where the
    outlook has a timetable.

    Raises ValueError when `profile` or `site` is not the one that was run, by the
    SHA-256 of its file: a procedure nobody rehearsed must not look like one.
    """
    for name, given, ran in (
        ("profile", profile.digest, record.profile_digest),
        ("site file", site.digest, record.site_digest),
    ):
        if given != ran:
            raise ValueError(f"not the {name} of run {record.id}: {given!r}, ran {ran!r}")
    report = outline(record, outlook=outlook)
    sheets = _list_sheets(profile, report)
    sections = (
        _head(profile, site, report, sheets),
        _cautions(report),
        write_people(site),
        write_before(report),
        mark_down_plan(report.outlook.plan),
        _contents(sheets),
        _services(site),
        _rest(profile, site),
        write_second_way(site),
        _circumstances(profile),
        _steps(profile, site, sheets),
        write_mishaps(report, profile),
        write_ways_back(report),
        _checks(profile, site),
        write_morning(profile, report),
        write_texts(site, report),
        write_papers(list_papers(profile, site, report)),
    )
    return "\n".join("\n".join(section).rstrip("\n") + "\n" for section in map(tuple, sections))


def _list_sheets(profile: Profile, report: Report) -> tuple[StepSheet, ...]:
    run, plan = report.record, report.outlook.plan
    lines = {line.step: line for line in plan.lines} if plan else {}
    records = {step.name: step for step in run.steps}
    mark = next((n for n, step in enumerate(profile.steps) if step.point_of_no_return), None)
    return tuple(
        StepSheet(
            number=number + 1,
            total=len(profile.steps),
            step=step,
            record=records.get(step.name),
            prompts=tuple(prompt for prompt in run.prompts if prompt.step == step.name),
            behind=mark is not None and number >= mark,
            host=run.host,
            line=lines.get(step.name),
            since=plan.begins if plan else "",
        )
        for number, step in enumerate(profile.steps)
    )


def _head(
    profile: Profile, site: Site, report: Report, sheets: Sequence[StepSheet]
) -> Iterator[str]:
    run = report.record
    after = run.release_after or (
        f"not reached; the profile leads to {profile.target.family} {profile.target.version} "
        f"({profile.target.codename})"
    )
    yield f"# Runbook: {escape(profile.title)}, {escape(run.host)}"
    yield ""
    yield f"- {escape(f'Made from run {run.id} of {run.started_at}.')}"
    yield f"- Profile {escape(profile.name)}, SHA-256 {escape(profile.digest)}."
    if site.digest:
        yield f"- Site file {escape(site.name)}, SHA-256 {escape(site.digest)}."
    else:
        yield "- No site file was used."
    yield f"- Release before: {escape(run.release_before)}. After: {escape(after)}."
    if site.window_s:
        yield f"- Window by the site file: {say_seconds(site.window_s)}."
    yield f"- Outcome of that run: {escape(report.verdict.sentence)}"
    yield ""
    unsettled = tuple(_find_unsettled(run, sheets))
    if unsettled:
        yield "**To settle before the night:**"
        yield ""
        yield from (f"- {escape(text)}" for text in unsettled)
        yield ""


def _find_unsettled(run: RunRecord, sheets: Sequence[StepSheet]) -> Iterator[str]:
    if run.outcome is not Outcome.COMPLETED:
        yield "The run did not complete: this procedure is not known to lead to its end."
    missing = [str(sheet.number) for sheet in sheets if sheet.record is None]
    if missing:
        verb = "was" if len(missing) == 1 else "were"
        yield f"{count_of(len(missing), 'step')} {verb} not reached: {', '.join(missing)}."
    for sheet in sheets:
        number = sum(not p.declared or p.answered_by == "nobody" for p in sheet.prompts)
        if number:
            yield f"Step {sheet.number} met {count_of(number, 'question')} without a good answer."


def _cautions(report: Report) -> Iterator[str]:
    times = (
        "The times are those of the lab host in that run "
        f"(accelerator {report.record.lab.accelerator}), not those of production."
    )
    staff = "Authorised staff decide at every step; what stands here is advice."
    yield from listed("Cautions", (*report.cautions, times, *report.estimate_objections, staff))


def _contents(sheets: Sequence[StepSheet]) -> Iterator[str]:
    yield "## Steps"
    yield ""
    yield from table(
        ("No.", "Stage", "Step", "Time allowed", "In the rehearsal", "Marks"),
        (
            (
                str(sheet.number),
                sheet.step.stage.value,
                sheet.step.title,
                say_seconds(sheet.step.time_allowed_s),
                say_course(sheet.record),
                ", ".join(_marks(sheet)),
            )
            for sheet in sheets
        ),
    )


def _marks(sheet: StepSheet) -> Iterator[str]:
    if sheet.step.hold_point:
        yield "hold point"
    if sheet.step.point_of_no_return:
        yield "point of no return"


def _services(site: Site) -> Iterator[str]:
    yield "## Services watched"
    yield ""
    if not site.services:
        yield "The site file names none: the rehearsal measured no outage."
        return
    yield from table(
        ("Service", "Port", "Looked at by", "Tolerable outage", "Units"),
        (
            (
                service.name,
                str(service.port),
                service.speaks,
                say_seconds(service.tolerable_s) if service.tolerable_s else "not set by its owner",
                ", ".join(service.units),
            )
            for service in site.services
        ),
    )


def _rest(profile: Profile, site: Site) -> Iterator[str]:
    yield "## Units that rest"
    yield ""
    units = list_rest_units(profile, site)
    if not units:
        yield "None."
        return
    yield from table(("Unit", "Named by"), units)


def _circumstances(profile: Profile) -> Iterator[str]:
    yield "## How the scripts were run"
    yield ""
    yield (
        "As root, each by bash -eu in /root, in a terminal session that survives a lost "
        "connection, with the variables below. Under others the server may ask other questions. "
        "A question that its step does not list has no agreed answer: stop and decide."
    )
    if profile.environment:
        yield ""
        yield from fence(
            "\n".join(
                show_controls(f"export {name}={shlex.quote(value)}")
                for name, value in sorted(profile.environment)
            ),
            "bash",
        )


def _steps(profile: Profile, site: Site, sheets: Sequence[StepSheet]) -> Iterator[str]:
    for stage, members in groupby(sheets, key=lambda sheet: sheet.step.stage):
        yield f"## Stage: {stage.value}"
        yield ""
        for sheet in members:
            yield from write_step(sheet, profile, site)


def _checks(profile: Profile, site: Site) -> Iterator[str]:
    yield "## Checks"
    yield ""
    checks = list_checks(profile, site)
    if not checks:
        yield "There is none."
        return
    yield (
        "A failed check of weight must needs a decision before anybody goes on; a failed note is "
        "read by a person."
    )
    yield ""
    yield from table(
        ("Check", "Title", "When", "Weight", "If it fails"),
        ((c.name, c.title, _say_moment(c), c.severity, c.advice or "none") for c in checks),
    )


def _say_moment(check: Check) -> str:
    moments = {
        (True, True): "before and after",
        (True, False): "before",
        (False, True): "after",
    }
    return moments.get((check.before, check.after), "never")
