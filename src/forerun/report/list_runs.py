"""The table of runs."""

from __future__ import annotations

from collections.abc import Sequence

from tabulate import tabulate

from forerun.model.observation import RunRecord
from forerun.report.figures import say_seconds
from forerun.report.plain import one_line
from forerun.report.timing import measure_window

_HEADINGS = ("Run", "Started", "Server", "Profile", "Outcome", "Window", "CPU", "Why")


def list_runs_table(records: Sequence[RunRecord], *, width: int = 120) -> str:
    """One line a run, newest first; the reason is cut to what `width` leaves for it. The
    records come oldest first, as the ids sort: a clock that was set back does not mix them."""
    if not records:
        return "No rehearsal has been run yet.\n"
    rows = [_row(record) for record in reversed(records)]
    bare = tabulate([row[:-1] for row in rows], headers=_HEADINGS[:-1], disable_numparse=True)
    room = max(width - max(map(len, bare.splitlines())) - 2, 12)
    cut = [(*row[:-1], one_line(row[-1], longest=room)) for row in rows]
    return tabulate(cut, headers=_HEADINGS, disable_numparse=True) + "\n"


def _row(record: RunRecord) -> tuple[str, ...]:
    return (
        one_line(record.id),
        one_line(record.started_at),
        one_line(record.host),
        one_line(record.profile),
        record.outcome.value,
        say_seconds(measure_window(record)),
        one_line(record.lab.accelerator),
        one_line(record.why),
    )
