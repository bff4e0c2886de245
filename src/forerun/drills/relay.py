"""A person's terminal joined to a clone's: what is typed goes there, what is said comes here.

What a clone says is interpreted by the person's own terminal, control sequences included, as
with any remote login: it is the one place where it is not cleaned first.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import termios
import threading
import tty
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from types import FrameType

from forerun.errors import LinkLost
from forerun.ports.asciicast import CastRecorder
from forerun.ports.clock import Clock
from forerun.ports.terminal import Terminal

LEAVE_KEY = b"\x1d"  # Ctrl-]
END_OF_INPUT = b"\x04"  # Ctrl-D, the VEOF of a terminal as it comes, termios(3)
AFTER_INPUT_S = 600.0
# An end that is typed ahead is lost where a program changes the terminal's mode meanwhile,
# and ends one reader only. The end of a pipe is there for whoever reads next.
_AGAIN_S = 2.0
_TICK_S = 0.1
_LAST_WORDS_S = 2.0
_CHUNK = 4096
# A clone that was cut off in a dialog leaves colours, a hidden cursor and the other screen
# behind (ECMA-48 SGR 0; the rest is xterm's: cursor, keypad, normal screen; from memory).
_TIDY = b"\x1b[?47l\x1b[0m\x1b[?25h\x1b[?2004l\x1b(B\x1b>"


class How(Enum):
    """How a relay ended: the far side CLOSED, the person LEFT, or the line was LOST."""

    CLOSED = "closed"
    LEFT = "left"
    LOST = "lost"


@dataclass(frozen=True, slots=True)
class RelayEnd:
    """The end of a relay. `exit_code` belongs to CLOSED, and is None where the far side told
    none; `why` says in words what ended it otherwise; `lost` belongs to LOST."""

    how: How
    exit_code: int | None = None
    why: str = ""
    lost: LinkLost | None = None


def relay(
    terminal: Terminal,
    *,
    recorder: CastRecorder | None,
    keyboard_fd: int,
    screen_fd: int,
    find_size: Callable[[], tuple[int, int]],
    clock: Clock,
    after_input_s: float = AFTER_INPUT_S,
) -> RelayEnd:
    """Join both until one ends. The terminal is not closed, nor is the recorder.

    A keyboard that is a terminal is in raw mode meanwhile, and as it was afterwards whatever
    happens; Ctrl-] leaves. One that is a pipe or a file may end: then the far side is told an
    end of input, again and again, for `after_input_s` seconds at most. `find_size` gives
    (columns, rows), 0 for unknown ones, or raises OSError. Exceptions of signals' handlers
    (Interrupted) pass through. What is typed is not recorded."""
    keyboard = _Keyboard(keyboard_fd, screen_fd)
    resized = _Resized()
    far = _FarSide(terminal, recorder, screen_fd)
    joined = _Joined(terminal, recorder, far, keyboard, clock=clock, after_input_s=after_input_s)

    def undo() -> None:
        far.stop()
        resized.look_away()
        keyboard.give_back()

    try:
        try:
            keyboard.take()
            resized.watch()
            far.start()
            return joined.run(resized, find_size)
        finally:
            undo()
    finally:
        undo()  # again, since the exception of a signal's handler may come in the first one


def _say_lost(problem: LinkLost) -> RelayEnd:
    return RelayEnd(How.LOST, why=problem.found or problem.what, lost=problem)


class _Joined:
    """The way from the keyboard to the far side."""

    def __init__(
        self,
        terminal: Terminal,
        recorder: CastRecorder | None,
        far: _FarSide,
        keyboard: _Keyboard,
        *,
        clock: Clock,
        after_input_s: float,
    ) -> None:
        self._terminal = terminal
        self._recorder = recorder
        self._far = far
        self._keyboard = keyboard
        self._clock = clock
        self._after_input_s = after_input_s
        self._ended_at_s: float | None = None
        self._told_at_s = 0.0

    def run(self, resized: _Resized, find_size: Callable[[], tuple[int, int]]) -> RelayEnd:
        try:
            while True:
                if resized.take():
                    self._follow_size(find_size)
                end = self._far.find_end() or self._take_keys()
                if end is not None:
                    return end
        except LinkLost as problem:
            # What was said before is still shown, and may be an end after all.
            return self._far.find_end(_LAST_WORDS_S) or _say_lost(problem)

    def _follow_size(self, find_size: Callable[[], tuple[int, int]]) -> None:
        try:
            columns, rows = find_size()
        except OSError:  # the terminal hung up: its end is read next
            return
        if not (columns and rows):  # sshd would take nothing for a size, too
            return
        self._terminal.resize(columns, rows)
        if self._recorder is not None:
            self._recorder.resize(columns, rows)

    def _take_keys(self) -> RelayEnd | None:
        """Hand on what is typed, waiting a moment for it."""
        if self._ended_at_s is not None:
            return self._insist(self._ended_at_s)
        typed = self._keyboard.read()
        if typed is None:
            return None
        if not typed:
            if self._keyboard.is_person:
                return RelayEnd(How.LEFT, why="the person's terminal went away")
            self._ended_at_s = self._clock.monotonic()
            self._tell_end()
            return None
        keys, left, _ = typed.partition(LEAVE_KEY)
        if keys:
            self._terminal.write(keys)
        return RelayEnd(How.LEFT, why="the leave key") if left else None

    def _insist(self, ended_at_s: float) -> RelayEnd | None:
        now = self._clock.monotonic()
        if now - ended_at_s >= self._after_input_s:
            why = f"the input ended and nothing else did in {self._after_input_s:.0f} s"
            return RelayEnd(How.LEFT, why=why)
        if now - self._told_at_s >= _AGAIN_S:
            self._tell_end()
        self._far.find_end(_TICK_S)  # a pause, which an end cuts short
        return None

    def _tell_end(self) -> None:
        self._told_at_s = self._clock.monotonic()
        self._terminal.write(END_OF_INPUT)


class _FarSide:
    """The way from the far side to the screen, on a thread of its own."""

    def __init__(self, terminal: Terminal, recorder: CastRecorder | None, screen_fd: int) -> None:
        self._terminal = terminal
        self._recorder = recorder
        self._screen = screen_fd
        self._stop = threading.Event()
        self._done = threading.Event()
        self._end: RelayEnd | None = None
        self._bug: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="far-side", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(_LAST_WORDS_S)  # not for ever: a stopped screen may hold it

    def find_end(self, wait_s: float = 0.0) -> RelayEnd | None:
        """How it ended, if it has; what went wrong in its thread is raised here."""
        self._done.wait(wait_s)
        if self._bug is not None:
            raise self._bug
        return self._end

    def _run(self) -> None:
        try:
            self._end = self._copy()
        except BaseException as problem:  # a thread has nobody else to tell
            self._bug = problem
        finally:
            self._done.set()

    def _copy(self) -> RelayEnd | None:
        while not self._stop.is_set():
            try:
                said = self._terminal.read(_TICK_S)
            except LinkLost as problem:
                return _say_lost(problem)
            if said is None:
                return RelayEnd(How.CLOSED, exit_code=self._terminal.exit_code)
            if said and self._recorder is not None:
                self._recorder.output(said)  # first: a screen may stand still
            try:
                _show(self._screen, said)
            except OSError as problem:
                return RelayEnd(How.LEFT, why=f"the screen went away: {problem.strerror}")
        return None


def _show(screen_fd: int, data: bytes) -> None:
    while data:
        try:
            data = data[os.write(screen_fd, data) :]
        except BlockingIOError:  # a terminal's flags belong to all who have it open
            writable = select.poll()
            writable.register(screen_fd, select.POLLOUT)
            writable.poll(_TICK_S * 1000)


class _Keyboard:
    """Where keys come from. A person's terminal is in raw mode from `take` to `give_back`."""

    def __init__(self, keyboard_fd: int, screen_fd: int) -> None:
        self._fd = keyboard_fd
        self._screen = screen_fd
        self.is_person = os.isatty(keyboard_fd)  # one that hangs up later is none any more
        self._before = termios.tcgetattr(keyboard_fd) if self.is_person else None
        self._poll = select.poll()  # unlike epoll(7) it takes files, unlike select(2) any number
        self._poll.register(keyboard_fd, select.POLLIN)

    def take(self) -> None:
        if self._before is not None:
            tty.setraw(self._fd, termios.TCSADRAIN)  # not FLUSH: what is typed ahead counts

    def give_back(self) -> None:
        if self._before is not None:
            # At once, not after draining: a screen that stands still would never let go.
            with contextlib.suppress(termios.error):
                termios.tcsetattr(self._fd, termios.TCSANOW, self._before)
            self._before = None
            _tidy(self._screen)

    def read(self) -> bytes | None:
        """What is typed, waiting a moment for it; None for nothing yet, b"" at the end."""
        if not self._poll.poll(_TICK_S * 1000):
            return None
        try:
            return os.read(self._fd, _CHUNK)
        except BlockingIOError:  # somebody else reads there, too
            return None
        except OSError:  # EIO: the terminal hung up
            return b""


class _Resized:
    """Whether the size is to be looked up: at first, and after each SIGWINCH. A bare flag,
    since a signal's handler must not wait for a lock that its own thread may hold."""

    def __init__(self) -> None:
        self._due = True
        self._watches = False
        self._before = signal.getsignal(signal.SIGWINCH)

    def watch(self) -> None:
        """Python lets the main thread do so, and no other."""
        if threading.current_thread() is threading.main_thread():
            self._watches = True
            signal.signal(signal.SIGWINCH, self._note)

    def look_away(self) -> None:
        if self._watches:
            # None stands for a handler that Python did not set and cannot give back.
            before = signal.SIG_DFL if self._before is None else self._before
            signal.signal(signal.SIGWINCH, before)
            self._watches = False

    def _note(self, _number: int, _frame: FrameType | None) -> None:
        self._due = True

    def take(self) -> bool:
        due, self._due = self._due, False
        return due


def _tidy(screen_fd: int) -> None:
    """Undo what a cut-off program has done to the person's terminal, if it takes that now."""
    with contextlib.suppress(OSError):
        if os.isatty(screen_fd):
            writable = select.poll()
            writable.register(screen_fd, select.POLLOUT)
            if writable.poll(0):
                os.write(screen_fd, _TIDY)
