"""A run on the terminal: its summary, and what is said before it."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from forerun.cli_common import say_as_is, warn
from forerun.model.observation import RunRecord
from forerun.ports.digest_list import DIGESTS_NAME, read_digests
from forerun.report.outline import outline
from forerun.report.render_terminal import colour_allowed, render_terminal


def show_run(record: RunRecord, folder: Path, earlier: tuple[RunRecord, ...]) -> None:
    """The summary, in colour where the terminal has it."""
    colour = colour_allowed(sys.stdout, os.environ)
    report = outline(record, earlier=earlier)
    say_as_is(render_terminal(report, width=find_width(), colour=colour, folder=str(folder)))


def find_width() -> int:
    """The terminal's columns, within reason."""
    try:
        return max(60, min(140, os.get_terminal_size().columns))
    except OSError:
        return 100


def caution_unlisted(folder: Path) -> None:
    """Say so when nothing can tell whether the run's record was edited."""
    if not read_digests(folder):
        warn(
            f"caution: {folder.name} has no {DIGESTS_NAME}: it is older than that list, or the "
            "list was taken away. Whether its record was edited cannot be told."
        )
