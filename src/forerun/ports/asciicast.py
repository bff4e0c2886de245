"""Recorded terminals in the open format asciicast, version 2.

Newline-delimited JSON: a header (an object with `version`, `width` and `height`, optionally
`timestamp`, `title` and `env`), then an event a line, [seconds since the beginning, code,
text]. Codes: "o" what was shown, "r" a new size as COLSxROWS, "m" a marker; "i" is what was
typed, which may be a password: it is read and never written. (Format documentation,
"asciicast v2".)
"""

from __future__ import annotations

import codecs
import json
import os
import re
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from types import TracebackType
from typing import Any, NoReturn

from forerun.errors import NoRoom, NotFound, RecordDamaged
from forerun.model.terminal_text import clean_terminal_text
from forerun.ports.clock import Clock

MOST_BYTES = 64 << 20
_NOTE_ROOM = 256  # kept back for the line that says why no more follow
_VERSION = 2
_USUAL = (80, 24)  # for a size that nobody knows
_MOST_SIZE = 0xFFFF  # columns or rows; a terminal's own counts have 16 bits, ioctl_tty(2)
_CODES = ("o", "i", "r", "m")
_LONGEST_S = 1e9
_SIZE = re.compile(r"[0-9]{1,6}x[0-9]{1,6}")
_EVENT_PARTS = 3


@dataclass(frozen=True, slots=True)
class CastHeader:
    """A recording's first line. The size is in characters, `started_s` in seconds since 1970
    in UTC, -1 where it is not told; `term` and `shell` are TERM and SHELL, "" likewise."""

    columns: int
    rows: int
    started_s: int = -1
    title: str = ""
    term: str = ""
    shell: str = ""


@dataclass(frozen=True, slots=True)
class CastEvent:
    """One event: seconds since the beginning, a code ("o", "i", "r" or "m") and its text."""

    at_s: float
    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Cast:
    """A recording that was read; `cut_short` tells of a last line that was not written whole."""

    header: CastHeader
    events: tuple[CastEvent, ...]
    cut_short: bool = False


class CastRecorder:
    """Records a terminal; a context manager. Threads may share it.

    Each event is with the kernel before the call returns, so that what ends the process loses
    none; a power cut may. No call raises once the file is made: when it is full or cannot be
    written, recording stops, `trouble` says why, and `on_trouble` is told once."""

    def __init__(
        self,
        path: Path,
        *,
        columns: int,
        rows: int,
        started_at: datetime,
        title: str,
        clock: Clock,
        term: str = "",
        most_bytes: int = MOST_BYTES,
        on_trouble: Callable[[str], None] | None = None,
    ) -> None:
        """A new file, mode 0600. Raises NoRoom when there is one, or none can be written."""
        self.trouble = ""
        self._path = path
        self._clock = clock
        self._most_bytes = most_bytes
        self._on_trouble = on_trouble
        self._lock = threading.RLock()
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")
        self._size = 0
        self._screen = (columns or _USUAL[0], rows or _USUAL[1])
        self._began_s = clock.monotonic()
        header: dict[str, object] = {
            "version": _VERSION,
            "width": self._screen[0],
            "height": self._screen[1],
            "timestamp": int(started_at.timestamp()),
        }
        header |= {"title": _mend(title)} if title else {}
        header |= {"env": {"TERM": term}} if term else {}
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
        self._handle = -1
        try:
            self._handle = os.open(path, flags, 0o600)
            self._write(header)
        except OSError as problem:
            if self._handle >= 0:  # then it is ours, and half a header is no recording
                self._let_go()
                path.unlink(missing_ok=True)
            raise NoRoom(
                "The recording of a terminal could not be begun.",
                where=str(path),
                found=str(problem),
                hint="Free some room, then try again.",
            ) from problem

    def __enter__(self) -> CastRecorder:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _problem: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self.close()

    def output(self, data: bytes) -> None:
        """What was shown: UTF-8, and a letter that is cut between two calls is put together.
        Bytes that are none become U+FFFD."""
        with self._lock:
            self._note("o", self._decoder.decode(data))

    def resize(self, columns: int, rows: int) -> None:
        """The terminal has another size now; the same one again, or an unknown one (0), is
        no event."""
        with self._lock:
            if columns and rows and (columns, rows) != self._screen:
                self._screen = (columns, rows)
                self._note("r", f"{columns}x{rows}")

    def mark(self, text: str) -> None:
        """A place to find again, with a label."""
        with self._lock:
            self._note("m", _mend(text), empty=True)

    def close(self) -> None:
        """End the recording; a second time does nothing."""
        with self._lock:
            self._note("o", self._decoder.decode(b"", final=True))
            self._let_go()

    def _let_go(self) -> None:
        handle, self._handle = self._handle, -1
        if handle >= 0:
            os.close(handle)

    def _note(self, code: str, text: str, *, empty: bool = False) -> None:
        if self._handle < 0 or not (text or empty):
            return
        event = [round(self._clock.monotonic() - self._began_s, 6), code, text]
        try:
            if self._size + len(_dump(event)) > self._most_bytes - _NOTE_ROOM:
                why = f"The recording stops here: it has {self._most_bytes >> 20} MiB."
                self._write([event[0], "m", why])
                self._stop(why)
            else:
                self._write(event)
        except OSError as problem:
            self._stop(f"The recording stopped: {problem}")

    def _write(self, line: object) -> None:
        rest = _dump(line)
        while rest:
            count = os.write(self._handle, rest)
            self._size += count
            rest = rest[count:]

    def _stop(self, why: str) -> None:
        self.trouble = f"{why} ({self._path})"
        self._let_go()
        if self._on_trouble is not None:
            self._on_trouble(self.trouble)


def _mend(text: str) -> str:
    """Half characters are none: a command line's undecodable bytes come as such."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _dump(line: object) -> bytes:
    """One line; ASCII alone, so that no control character of a clone stands in the file."""
    return json.dumps(line).encode("ascii") + b"\n"


def read_cast(path: Path) -> Cast:
    """A recording from its file. A last line that was cut short is left out. Raises NotFound,
    and RecordDamaged with the line of whatever else is no asciicast v2."""
    try:
        with path.open("rb") as stream:
            content = stream.read(MOST_BYTES + 1)
    except FileNotFoundError as problem:
        raise NotFound("There is no such recording.", where=str(path)) from problem
    except OSError as problem:
        _refuse(path, 0, str(problem))
    if len(content) > MOST_BYTES:
        _refuse(path, 0, f"more than {MOST_BYTES >> 20} MiB")
    lines = content.split(b"\n")
    last = lines.pop()  # empty where the file ends with a whole line
    cut = bool(last) and bool(lines) and last.startswith(b"[") and not _is_json(last)
    if last and not cut:
        lines.append(last)
    if not lines:
        _refuse(path, 1, "nothing")
    header = _read_header(path, _parse(path, 1, lines[0]))
    events = [_read_event(path, n, _parse(path, n, line)) for n, line in enumerate(lines[1:], 2)]
    for number, (before, event) in enumerate(pairwise(events), 3):
        if event.at_s < before.at_s:
            _refuse(path, number, f"{event.at_s} s after {before.at_s} s")
    return Cast(header, tuple(events), cut)


def show_cast_text(events: Iterable[CastEvent]) -> str:
    """What was shown, as plain text without control characters. Of what draws the whole
    screen (a dialog, an editor) the words are there, their places are not."""
    return clean_terminal_text("".join(event.text for event in events if event.code == "o"))


def _refuse(path: Path, line: int, found: str) -> NoReturn:
    raise RecordDamaged(
        "The recording of a terminal cannot be read.",
        where=f"{path}:{line}" if line else str(path),
        wanted="asciicast v2",
        found=found[:300],
    )


def _is_json(line: bytes) -> bool:
    try:
        json.loads(line)
    except (ValueError, RecursionError):
        return False
    return True


def _parse(path: Path, number: int, line: bytes) -> Any:
    try:
        return json.loads(line.decode("utf-8"))
    except (ValueError, RecursionError) as problem:
        _refuse(path, number, str(problem))


def _read_header(path: Path, found: Any) -> CastHeader:
    if not isinstance(found, dict) or found.get("version") != _VERSION:
        _refuse(path, 1, "no header of version 2")
    columns, rows, started_s = (found.get(name, -1) for name in ("width", "height", "timestamp"))
    for size in (columns, rows):
        if type(size) is not int or not 1 <= size <= _MOST_SIZE:
            _refuse(path, 1, f"a size of {columns!r} by {rows!r}")
    env = found.get("env") or {}
    texts = [found.get("title") or ""]
    texts += [env.get(name) or "" for name in ("TERM", "SHELL")] if isinstance(env, dict) else [env]
    whole = all(isinstance(text, str) and text == _mend(text) for text in texts)
    if type(started_s) is not int or not whole:
        _refuse(path, 1, "a header with values of other kinds")
    return CastHeader(columns, rows, started_s, *texts)


def _read_event(path: Path, number: int, found: Any) -> CastEvent:
    if not isinstance(found, list) or len(found) != _EVENT_PARTS:
        _refuse(path, number, "no event of three parts")
    at_s, code, text = found
    if type(at_s) not in (int, float) or not 0 <= at_s <= _LONGEST_S:
        _refuse(path, number, f"a time of {at_s!r}")
    if not isinstance(text, str) or code not in _CODES:
        _refuse(path, number, f"an event of code {code!r}")
    if text != _mend(text):
        _refuse(path, number, "half a character")
    if code == "r" and not _SIZE.fullmatch(text):
        _refuse(path, number, f"a size of {text!r}")
    return CastEvent(float(at_s), code, text)
