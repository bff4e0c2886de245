"""What `forerun drill` says: the briefing, how it stands, the list, the debrief."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime

from tabulate import tabulate

from forerun.cli_common import say
from forerun.drills.folder import BACKUP_NAME, DrillFolder
from forerun.errors import UsageError
from forerun.model.drill import DrillRecord, DrillState, Standing
from forerun.ports.clock import Clock
from forerun.report.figures import say_seconds
from forerun.report.plain import one_line, strip_controls
from forerun.report.render_training import (
    render_training_json,
    render_training_markdown,
    render_training_terminal,
)
from forerun.report.training_record import TrainingRecord, gather_training

CAUTION = "a drill shows practice, it certifies nobody"
_STATES = {
    DrillState.PREPARING: "its clone is being made",
    DrillState.READY: "ready: the clock begins with the first `forerun drill shell`",
    DrillState.RUNNING: "going on",
    DrillState.BACKED_OUT: "backed out: prove it, then `forerun drill finish`",
    DrillState.FINISHED: "finished",
    DrillState.LEFT: "given up",
    DrillState.FAILED: "its clone could not be made",
}
_COMMANDS = (
    ("forerun drill shell", "work on the server; as often as you like, also in two terminals"),
    ("forerun drill shell --console", "its serial console, when SSH is gone"),
    ("forerun drill fetch FILE", "take a file off the server"),
    ("forerun drill note TEXT", "write into the night's log"),
    ("forerun drill check", "how each objective stands"),
    ("forerun drill hint", "a hint, for points"),
    ("forerun drill back-out --why TEXT", "call the back-out"),
    ("forerun drill reset", "back to the beginning, to try again"),
    ("forerun drill finish", "have it judged, and the clone taken away"),
)


def say_brief(folder: DrillFolder, clock: Clock, width: int) -> None:
    """What the drill is about, what is wanted, and what is there to work with."""
    say("\n".join(_brief(folder, clock, max(width, 60))))


def _brief(folder: DrillFolder, clock: Clock, width: int) -> Iterator[str]:
    record = folder.load()
    drill = record.drill
    yield f"{one_line(drill.title)} ({drill.level})"
    yield "=" * min(width, len(one_line(drill.title)) + len(drill.level) + 3)
    for part in strip_controls(drill.situation).split("\n\n"):
        yield ""
        yield from _wrap(" ".join(part.split()), width)
    yield ""
    yield "What is wanted (those marked * decide, whatever else is done well):"
    for one in drill.objectives:
        mark = "*" if one.critical else "-"
        yield from _wrap(f"{mark} {one_line(one.title)}", width, indent="  ")
    if drill.key_points:
        yield ""
        yield "Key points:"
        for point in drill.key_points:
            yield from _wrap(f"- {one_line(point)}", width, indent="  ")
    yield ""
    rows = [(f"  {command}", text) for command, text in _COMMANDS]
    yield from tabulate(rows, tablefmt="plain", disable_numparse=True).splitlines()
    yield ""
    yield f"runbook: {folder.runbook}"
    backup = folder.path / BACKUP_NAME
    if backup.is_file():
        yield f"configuration backup, off the server: {backup}"
    yield f"time allowed: {say_seconds(drill.time_allowed_s)}"
    if record.reference_s:
        yield f"the measured rehearsal took: {say_seconds(record.reference_s)}"
    if drill.window_s:
        yield f"window: {say_seconds(drill.window_s)} from the start"
    if record.latest_s:
        yield f"latest moment to call the back-out: {say_seconds(record.latest_s)} from the start"
    if record.began_at and record.state.is_open:
        yield f"since the start: {say_seconds(max(0.0, clock.monotonic() - record.began_s))}"
    yield f"state: {_STATES[record.state]}; drill {record.id}, person {one_line(record.person)}"
    yield (
        "Everything here is a throwaway clone without a way out: nothing you do can reach the "
        "server it was made from."
    )


def _wrap(text: str, width: int, indent: str = "") -> list[str]:
    later = indent + "  " * bool(indent)
    return textwrap.wrap(text, width, initial_indent=indent, subsequent_indent=later) or [""]


def say_standing(record: DrillRecord, width: int) -> None:
    """Each objective with its evidence."""
    judged = {one.name: one for one in record.judged}
    room = max(24, width - 40)
    rows = []
    for one in record.drill.objectives:
        found = judged.get(one.name)
        standing = found.standing if found else Standing.NOT_YET
        rows.append(
            (
                "*" if one.critical else "",
                standing.value,
                "\n".join(_wrap(one_line(one.title), min(36, room))),
                "\n".join(_wrap(one_line(found.evidence if found else "-"), room)),
            )
        )
    heads = ("", "stands", "objective", "evidence")
    say(tabulate(rows, headers=heads, disable_numparse=True))


def tell_list(records: Sequence[DrillRecord], width: int) -> None:
    """Every drill, the newest last."""
    if not records:
        say("no drills yet; `forerun drill start NAME` begins one")
        return
    rows = [
        (
            record.id,
            one_line(record.drill.name),
            one_line(record.person),
            _say_end(record),
            f"{record.points} of {record.most_points}" if record.most_points else "-",
            say_seconds(record.spent_s) if record.spent_s else "-",
        )
        for record in records
    ]
    heads = ("drill", "file", "person", "state", "points", "time")
    text = tabulate(rows, headers=heads, disable_numparse=True)
    say("\n".join(line[: max(width, 80)].rstrip() for line in text.splitlines()))


def _say_end(record: DrillRecord) -> str:
    if record.state is DrillState.FINISHED:
        return "passed" if record.passed else "not passed"
    return str(record.state.value)


def tell_progress(records: Sequence[DrillRecord], now: datetime, form: str, width: int) -> str:
    """Who is trained for what, and since when. Raises UsageError for an unknown form."""
    training = gather_training(records, as_of=now.date())
    if form == "terminal":
        return render_training_terminal(training, width=width)
    renderers: dict[str, Callable[[TrainingRecord], str]] = {
        "markdown": render_training_markdown,
        "json": render_training_json,
    }
    if form not in renderers:
        raise UsageError("There is no such format.", found=form, wanted="terminal, markdown, json")
    return renderers[form](training)
