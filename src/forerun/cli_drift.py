"""What a new survey says about the one before it, on the terminal."""

from __future__ import annotations

from tabulate import tabulate

from forerun.cli_common import say
from forerun.model.survey import CleanSurvey
from forerun.pipeline import find_drift, find_stale_runs
from forerun.ports.store import Store
from forerun.report.figures import count_of
from forerun.report.plain import one_line
from forerun.stages.drift import Drift, DriftRow

_SHOWN = 20


def show_drift(store: Store, survey: CleanSurvey) -> None:
    """Say what changed since the last survey of the server and which rehearsals no longer
    hold; nothing for a first survey."""
    drift = find_drift(store, survey)
    if drift is None:
        return
    say(f"\nsince {drift.old}: {_count(drift)}")
    rows = sorted(drift.rows, key=lambda row: row.severity)  # "matters" before "note"
    if rows:
        say(tabulate([_show_row(row) for row in rows[:_SHOWN]], headers=_HEADERS))
    if len(rows) > _SHOWN:
        say(f"and {len(rows) - _SHOWN} more")
    if drift.unsure:
        say(f"cannot be told of {len(drift.unsure)} files: {one_line(', '.join(drift.unsure))}")
    for run, change in find_stale_runs(store, survey):
        reasons = change.list_reasons()
        first = one_line(f"{reasons[0].subject} {reasons[0].name}")
        say(
            f"stale: rehearsal {run.id}, for {count_of(len(reasons), 'reason')}, among them "
            f"{first}: rehearse again before the window"
        )


_HEADERS = ("weight", "subject", "name", "before", "after")


def _count(drift: Drift) -> str:
    if not drift.rows:
        return "nothing has changed that can be told"
    weighty = len(drift.list_reasons())
    return f"{count_of(len(drift.rows), 'change')}, {weighty} of weight to a rehearsal"


def _show_row(row: DriftRow) -> tuple[str, ...]:
    cells = (row.name, row.before or "-", row.after or "-")
    return (row.severity, row.subject, *(one_line(cell, longest=40) for cell in cells))
