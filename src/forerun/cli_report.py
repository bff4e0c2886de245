"""Drawing again what is stored: a run's report, two runs or surveys compared, a runbook."""

from __future__ import annotations

import contextlib
from typing import Annotated

import typer

from forerun.cli_common import DEFAULT_URI, UriOption, open_here, parse_age, say_as_is, say_document
from forerun.cli_estimate import WindowOption, read_moment
from forerun.cli_shown import caution_unlisted, find_width, show_run
from forerun.errors import NotFound, UsageError
from forerun.model.observation import RunRecord
from forerun.pipeline import find_comparable
from forerun.ports.store import Store
from forerun.report.compare import Change, ChangeGroup, Comparison, compare_runs
from forerun.report.compare_render import render_comparison_terminal
from forerun.report.outline import outline
from forerun.report.sections import Outlook
from forerun.report_files import (
    FORMATS,
    RUNBOOK_FORMATS,
    draw_comparison,
    draw_report,
    draw_runbook,
)
from forerun.stages.drift import compare_surveys

_SURVEY = "survey-"

BeginsOption = Annotated[
    str, typer.Option("--from", help="begin of the window, as 2026-12-05T22:00+01:00")
]
ZoneOption = Annotated[str, typer.Option(help="time zone of the place, as Europe/Berlin")]


def report(
    run: Annotated[str, typer.Argument(help="a run's id, or `last`; or a survey's")],
    other: Annotated[str, typer.Argument(help="the newer one, to be compared with it")] = "",
    form: Annotated[str, typer.Option("--format", help=" | ".join(FORMATS))] = "terminal",
    begins: BeginsOption = "",
    zone: ZoneOption = "",
    window: WindowOption = "",
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Draw the report of a stored run again, or what moved between two runs or two surveys."""
    _check_format(form, FORMATS)
    store = open_here(connect).store
    if other or run.startswith(_SURVEY):
        _compare(store, run, other, form)
        return
    record = store.load_run(run)
    folder = store.runs / record.id
    caution_unlisted(folder)
    earlier = find_comparable(store, record)
    outlook = _look_out(store, record, (begins, zone, window))
    if form == "terminal":
        show_run(record, folder, earlier, outlook)
    else:
        say_document(draw_report(outline(record, earlier=earlier, outlook=outlook), form))


def runbook(
    run: Annotated[str, typer.Argument(help="a run's id, or `last`")],
    form: Annotated[str, typer.Option("--format", help=" | ".join(RUNBOOK_FORMATS))] = "markdown",
    begins: BeginsOption = "",
    zone: ZoneOption = "",
    window: WindowOption = "",
    connect: UriOption = DEFAULT_URI,
) -> None:
    """Print a stored run's runbook again, from the profile and site file that were run."""
    _check_format(form, RUNBOOK_FORMATS)
    store = open_here(connect).store
    record = store.load_run(run)
    folder = store.runs / record.id
    caution_unlisted(folder)
    procedure = store.load_procedure(record.id)
    outlook = _look_out(store, record, (begins, zone, window))
    say_document(draw_runbook(procedure, record, outlook, form))


def _look_out(
    store: Store, record: RunRecord, night: tuple[str, str, str] = ("", "", "")
) -> Outlook:
    """What is known beyond the run; `night` are its begin, the zone, the window's length."""
    from forerun.pipeline_outlook import Horizon, look_out  # noqa: PLC0415 - numpy

    begins, zone, window = night
    horizon = Horizon(
        read_moment(begins, zone) if begins else None, parse_age(window) if window else 0.0
    )
    procedure = None
    with contextlib.suppress(NotFound):  # then the report says so
        procedure = store.load_procedure(record.id)
    return look_out(store, record, procedure, store.runs / record.id, horizon).outlook


def _check_format(form: str, known: tuple[str, ...]) -> None:
    if form not in known:
        raise UsageError("There is no such format.", found=form, wanted=", ".join(known))


def _compare(store: Store, old: str, new: str, form: str) -> None:
    surveys = [name.startswith(_SURVEY) for name in (old, new)]
    if not new or surveys[0] != surveys[1]:
        raise UsageError(
            "Two runs or two surveys are compared.",
            found=f"{old} {new}".strip(),
            wanted="two ids of the same kind, the older first",
            hint="`forerun runs` and `forerun surveys` list them.",
        )
    compared = _compare_surveys(store, old, new) if all(surveys) else _compare_runs(store, old, new)
    if form == "terminal":
        say_as_is(render_comparison_terminal(compared, width=find_width()))
    else:
        say_document(draw_comparison(compared, form))


def _compare_runs(store: Store, old: str, new: str) -> Comparison:
    records = [store.load_run(old), store.load_run(new)]
    for record in records:
        caution_unlisted(store.runs / record.id)
    drawn = [outline(r, outlook=_look_out(store, r)) for r in records]
    return compare_runs(drawn[0], drawn[1], find_comparable(store, records[0]))


def _compare_surveys(store: Store, old: str, new: str) -> Comparison:
    first, second = store.load_survey(old), store.load_survey(new)
    drift = compare_surveys(first, second)
    rows = tuple(
        Change(row.severity, f"{row.subject} {row.name}", row.before, row.after, row.why)
        for row in drift.rows
    )
    stale = len(drift.list_reasons())
    notes = [f"Cannot be told whether it changed: {name}" for name in drift.unsure]
    if stale:
        notes.append(f"A rehearsal on {old} no longer holds, for {stale} reasons: rehearse again.")
    groups = (ChangeGroup("Changes", rows),)
    return Comparison("surveys", second.host, old, new, (), (), groups, tuple(notes))
