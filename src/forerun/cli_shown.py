"""A run or a fresh survey on the terminal: its summary, and what is said before it."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from forerun.cli_common import say, say_as_is, warn
from forerun.model.observation import RunRecord
from forerun.model.survey import CleanSurvey
from forerun.ports.digest_list import DIGESTS_NAME, read_digests
from forerun.report.outline import outline
from forerun.report.plain import one_line
from forerun.report.render_terminal import colour_allowed, render_terminal
from forerun.report.sections import Outlook

_SHOWN = 10


def show_run(
    record: RunRecord, folder: Path, earlier: tuple[RunRecord, ...], outlook: Outlook
) -> None:
    """The summary, in colour where the terminal has it."""
    colour = colour_allowed(sys.stdout, os.environ)
    report = outline(record, earlier=earlier, outlook=outlook)
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


def show_survey(taken: CleanSurvey) -> None:
    """What was taken, what it cost, and what is missing."""
    say(
        f"{taken.release.title} {taken.release.point}, {taken.machine.boot_mode} boot, "
        f"{len(taken.packages)} packages, {len(taken.entries)} configuration files"
    )
    say(
        f"cost to production: {taken.cost.cpu_seconds:.1f} s CPU, "
        f"{taken.cost.read_bytes / 1e6:.1f} MB read, {taken.cost.wall_seconds:.0f} s"
    )
    say(f"sanitised: {len(taken.replacements)} replacements, {len(taken.withheld)} files withheld")
    missed = taken.not_readable
    asked = len(taken.entries) + len(taken.withheld) + len(missed)
    say(f"complete: {1 - len(missed) / max(1, asked):.1%}, {len(missed)} of {asked} not readable")
    for one in missed[:_SHOWN]:
        say(f"  not readable: {one_line(one.path)}: {one_line(one.reason)}")
    if len(missed) > _SHOWN:
        say(f"  and {len(missed) - _SHOWN} more: forerun review {taken.id}")
