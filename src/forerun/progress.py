"""Where progress goes: a terminal and a file of JSON lines.

Both are sinks of `forerun.events`: they take every event and never raise, because a
display that breaks must not break the rehearsal it shows.
"""

from __future__ import annotations

import dataclasses
import io
import json
import re
import threading
from collections import deque
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TextIO, cast

from rich.console import Console, Group
from rich.live import Live
from rich.progress import BarColumn, Progress, Task, TaskID, TextColumn
from rich.text import Text

from forerun.events import (
    Event,
    PhaseFinished,
    PhaseStarted,
    PromptSeen,
    StepFinished,
    StepOutput,
    StepStarted,
)
from forerun.report.figures import say_clock, say_seconds
from forerun.report.plain import one_line
from forerun.report.render_terminal import colour_allowed

HEARTBEAT_S = 60.0
LINES_AT_FAULT = 10
_LINE_LONGEST = 160
_KIND = re.compile(r"(?<!^)(?=[A-Z])")

# What a line is about decides its colour; the word is always there too.
_STYLES = {"fault": "red", "caution": "yellow", "prompt": "yellow", "done": "green"}


class TerminalSink:
    """Draws events on a terminal, or writes one line an event where there is none.

    `live` asks for a redrawn status below the lines (for a terminal only); without it
    each event is one line with the time since the start, output of steps is held back
    until a fault, and a step that keeps talking gives a sign of life once a minute.
    `colour` is the caller's decision (a terminal, and no NO_COLOR).
    """

    def __init__(self, stream: TextIO, *, colour: bool, live: bool) -> None:
        self._stream = _Tolerant(stream)
        self._console = Console(
            file=cast(TextIO, self._stream),
            force_terminal=live or colour,
            no_color=not colour,
            color_system="standard" if colour else None,
            highlight=False,
            markup=False,
            emoji=False,
            soft_wrap=not live,
        )
        self._status = _Status(self._console) if live else None
        self._broken = False
        self._heard: deque[str] = deque(maxlen=LINES_AT_FAULT)
        self._last_said_s = 0.0

    def emit(self, event: Event) -> None:
        """Show one event; never raises. After a failed write nothing more is shown."""
        if self._broken or self._stream.gone:
            return
        try:
            self._show(event)
        except Exception:  # a display that fails must not take the rehearsal with it
            self._broken = True
            self.close()

    def close(self) -> None:
        """Take the live status away; never raises."""
        status, self._status = self._status, None
        if status is None:
            return
        try:
            status.stop()
        except Exception:
            self._broken = True

    def _show(self, event: Event) -> None:
        if isinstance(event, StepOutput):
            self._hear(event)
            return
        if self._status is not None:
            self._status.follow(event)
        if isinstance(event, StepStarted):
            self._heard.clear()
        style, text = describe(event)
        self._say(event.at_s, text, style)
        if style == "fault":
            while self._heard:
                self._say(event.at_s, f"  | {self._heard.popleft()}", "")

    def _hear(self, event: StepOutput) -> None:
        line = one_line(event.line, longest=_LINE_LONGEST)
        if not line:
            return
        self._heard.append(line)
        if self._status is not None:
            self._status.hear(line)
        elif event.at_s - self._last_said_s >= HEARTBEAT_S:
            self._say(event.at_s, f"{one_line(event.step)} still runs: {line}", "")

    def _say(self, at_s: float, text: str, style: str) -> None:
        self._last_said_s = at_s
        line = Text(f"{say_clock(at_s)}  ", style="dim").append(
            text, style=f"not dim {_STYLES.get(style, '')}"
        )
        self._console.print(line)


class _Tolerant(io.TextIOBase):
    """A stream that may go away: after the first failed write it takes everything and
    writes nothing. Letters that the stream's encoding lacks become question marks.

    rich 13 to 15 ends the whole program on a broken pipe, and draws in a thread of its
    own where no caller could catch anything: so the error stops here.
    """

    def __init__(self, stream: TextIO) -> None:
        self._inner = stream
        self._code = getattr(stream, "encoding", None) or "utf-8"
        self.gone = False

    @property
    def encoding(self) -> str:  # type: ignore[override]
        return self._code

    def isatty(self) -> bool:
        return not self.gone and self._inner.isatty()

    def fileno(self) -> int:
        return self._inner.fileno()

    def write(self, text: str) -> int:
        if not self.gone:
            try:
                self._inner.write(text.encode(self._code, "replace").decode(self._code))
            except (OSError, ValueError):
                self.gone = True
        return len(text)

    def flush(self) -> None:
        if not self.gone:
            try:
                self._inner.flush()
            except (OSError, ValueError):
                self.gone = True


def open_terminal(stream: TextIO, environ: Mapping[str, str]) -> TerminalSink:
    """A sink for that stream: live on a terminal that can redraw, else plain lines;
    colour only on a terminal and where NO_COLOR is not set."""
    live = stream.isatty() and environ.get("TERM") != "dumb"
    return TerminalSink(stream, colour=colour_allowed(stream, environ), live=live)


class _Status:
    """The redrawn part: the step that runs, its bar, and the last line it said."""

    def __init__(self, console: Console) -> None:
        self._progress = Progress(
            TextColumn("{task.fields[number]}"),
            TextColumn("{task.description}"),
            BarColumn(bar_width=24),
            TextColumn("{task.fields[told]}"),
            console=console,
        )
        self._task: TaskID | None = None
        self._line = ""
        # The drawing runs in a thread of its own: a bar must not vanish under it.
        self._lock = threading.Lock()
        self._live = Live(
            get_renderable=self._draw, console=console, refresh_per_second=4, transient=True
        )
        self._live.start()

    def stop(self) -> None:
        """End the drawing and leave the lines above it."""
        self._live.stop()

    def hear(self, line: str) -> None:
        """Note the last line of output."""
        self._line = line

    def follow(self, event: Event) -> None:
        """Begin or end a bar where the event begins or ends a phase or a step."""
        if isinstance(event, StepStarted):
            number = f"{one_line(event.stage)} {event.number}/{event.of}"
            self._begin(number, event.title or event.step, event.expected_s)
        elif isinstance(event, PhaseStarted):
            self._begin("", event.phase, 0.0)
        elif isinstance(event, StepFinished | PhaseFinished):
            self._end()

    def _begin(self, number: str, title: str, expected_s: float) -> None:
        self._end()
        with self._lock:
            self._task = self._progress.add_task(
                one_line(title, longest=40),
                total=expected_s if expected_s > 0 else None,
                number=number,
                told="",
            )

    def _end(self) -> None:
        with self._lock:
            self._line = ""
            if self._task is not None:
                self._progress.remove_task(self._task)
                self._task = None

    def _draw(self) -> Group:
        with self._lock:
            for task in self._progress.tasks:
                elapsed = task.elapsed or 0.0
                done = min(elapsed, task.total) if task.total else 0.0
                self._progress.update(task.id, completed=done, told=_tell_time(task, elapsed))
        last = Text(self._line, style="dim", no_wrap=True, overflow="ellipsis")
        return Group(self._progress, last) if self._line else Group(self._progress)


def _tell_time(task: Task, elapsed_s: float) -> str:
    if not task.total:
        return say_clock(elapsed_s)
    left_s = task.total - elapsed_s
    if left_s >= 0:
        return f"{say_clock(elapsed_s)}, {say_clock(left_s)} left if as before"
    return f"{say_clock(elapsed_s)}, {say_clock(-left_s)} longer than before"


def describe(event: Event) -> tuple[str, str]:
    """A kind ("fault", "caution", "prompt", "done" or "") and one line of plain text."""
    if isinstance(event, StepStarted | StepFinished | StepOutput):
        return _describe_step(event)
    if isinstance(event, PhaseStarted):
        return "", _join(f"{event.phase} begins", event.detail)
    if isinstance(event, PhaseFinished):
        return "done", _join(f"{event.phase} done in {say_seconds(event.took_s)}", event.detail)
    if isinstance(event, PromptSeen):
        kind = "declared" if event.declared else "undeclared"
        answer = f"answered {one_line(event.answer)!r}" if event.answer else "waits for an answer"
        return "prompt", _join(f"{kind} prompt in {event.step}, {answer}", _last_lines(event.text))
    level = "" if event.level == "note" else event.level
    return level, _join(event.level, event.text)


def _describe_step(event: StepStarted | StepFinished | StepOutput) -> tuple[str, str]:
    if isinstance(event, StepOutput):
        return "", _join(event.step, event.line)
    if isinstance(event, StepStarted):
        expected = f"about {say_seconds(event.expected_s)} before" if event.expected_s else ""
        place = f"{event.stage}, step {event.number} of {event.of}"
        return "", _join(f"{place}: {event.title or event.step} begins", expected)
    style = "done" if event.end in ("done", "skipped") else "fault"
    took = f"{event.step} {event.end} after {say_seconds(event.wall_s)}"
    return style, _join(took, event.message)


def _last_lines(text: str) -> str:
    """A question stands at the end of its text."""
    return one_line(" ".join(text.strip().splitlines()[-2:]))


def _join(first: str, second: str) -> str:
    return one_line(f"{first}: {second}" if second else first, longest=400)


class JsonLinesSink:
    """Appends each event to a file as one line of JSON, flushed at once.

    A line holds the event's fields and `kind` ("step-started", ...). When the file
    cannot be written (a full disk), writing stops for good: `trouble` then says why,
    and `on_trouble` is told once.
    """

    def __init__(self, path: Path, *, on_trouble: Callable[[str], None] | None = None) -> None:
        self._path = path
        self._stream: TextIO | None = None
        self._on_trouble = on_trouble
        self.trouble = ""

    def emit(self, event: Event) -> None:
        """Append one event; never raises."""
        if self.trouble:
            return
        try:
            if self._stream is None:
                self._stream = self._path.open("a", encoding="ascii")
            self._stream.write(json.dumps(to_json(event)) + "\n")
            self._stream.flush()
        except (OSError, ValueError) as problem:
            self._give_up(problem)

    def close(self) -> None:
        """Close the file; never raises."""
        stream, self._stream = self._stream, None
        if stream is not None:
            try:
                stream.close()
            except OSError as problem:
                self._give_up(problem)

    def _give_up(self, problem: Exception) -> None:
        if self.trouble:
            return
        self.trouble = f"Progress is no longer written to {self._path}: {problem}"
        self.close()
        if self._on_trouble is not None:
            self._on_trouble(self.trouble)


def to_json(event: Event) -> dict[str, object]:
    """An event as a flat dictionary, its `kind` first."""
    kind = _KIND.sub("-", type(event).__name__).lower()
    return {"kind": kind, **dataclasses.asdict(event)}
