"""A person's terminal joined to a fake far side: real pseudo-terminals and pipes, no program."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import select
import signal
import struct
import sys
import termios
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

from forerun.drills.relay import How, RelayEnd, relay
from forerun.errors import Interrupted, LinkLost
from forerun.ports.asciicast import CastRecorder, read_cast
from forerun.ports.clock import SystemClock
from forerun.testing import FakeClock, FakeTerminal

PATIENCE_S = 10.0
FAR_SIDE = "far-side"


class Person:
    """Somebody at a pseudo-terminal: `hand` is theirs, `desk` is what forerun has open."""

    def __init__(self) -> None:
        self.hand, self.desk = os.openpty()
        self.before = termios.tcgetattr(self.desk)
        self.seen = b""
        self.resize(80, 24)

    def resize(self, columns: int, rows: int) -> None:
        fcntl.ioctl(self.hand, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def find_size(self) -> tuple[int, int]:
        size = os.get_terminal_size(self.desk)
        return size.columns, size.lines

    def type(self, keys: bytes) -> None:
        os.write(self.hand, keys)

    def see(self, wanted: bytes) -> None:
        """Look until that is on the screen."""
        poll = select.poll()
        poll.register(self.hand, select.POLLIN)
        while wanted not in self.seen:
            assert poll.poll(PATIENCE_S * 1000), f"no {wanted!r} in {self.seen!r}"
            self.seen += os.read(self.hand, 4096)

    def is_raw(self) -> bool:
        """Neither lines, nor echo, nor keys that make signals (termios(3))."""
        flags = int(termios.tcgetattr(self.desk)[3])
        return not flags & (termios.ICANON | termios.ECHO | termios.ISIG)

    def assert_restored(self) -> None:
        assert termios.tcgetattr(self.desk) == self.before

    def leave(self) -> None:
        """Close the window."""
        os.close(self.hand)
        self.hand = -1

    def close(self) -> None:
        for handle in (self.hand, self.desk):
            with contextlib.suppress(OSError):
                os.close(handle)


@pytest.fixture
def person() -> Iterator[Person]:
    one = Person()
    yield one
    one.close()


@pytest.fixture
def pipes() -> Iterator[list[int]]:
    """A keyboard's two ends, then a screen's: (read, write, read, write)."""
    ends = [*os.pipe(), *os.pipe()]
    yield ends
    for end in ends:
        with contextlib.suppress(OSError):
            os.close(end)


class Running:
    """A relay on a thread of its own."""

    def __init__(self, terminal: FakeTerminal, keyboard: int, screen: int, **more: Any) -> None:
        whole = {"recorder": None, "find_size": lambda: (80, 24), "clock": SystemClock(), **more}
        self._result: RelayEnd | BaseException | None = None
        self._call: Callable[[], RelayEnd] = lambda: relay(
            terminal, keyboard_fd=keyboard, screen_fd=screen, **whole
        )
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            self._result = self._call()
        except BaseException as problem:
            self._result = problem

    def end(self) -> RelayEnd:
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive(), "the relay did not end"
        if isinstance(self._result, BaseException):
            raise self._result
        assert self._result is not None
        return self._result


def wait_until(true: Callable[[], bool]) -> None:
    pause = threading.Event()
    for _ in range(int(PATIENCE_S * 100)):
        if true():
            return
        pause.wait(0.01)
    raise AssertionError("it did not come true")


def read_all(handle: int) -> bytes:
    said = b""
    while part := os.read(handle, 1 << 16):
        said += part
    return said


def join(person: Person, terminal: FakeTerminal, **more: Any) -> Running:
    more = {"find_size": person.find_size, **more}
    return Running(terminal, person.desk, person.desk, **more)


# -- a person at a terminal


def test_both_ways_and_the_far_sides_end(person: Person) -> None:
    """What is typed is answered, what is said is seen, and the exit code is the far side's."""
    terminal = FakeTerminal(lambda line: 7 if line == b"end" else b"<" + line + b">\r\n")
    running = join(person, terminal)
    terminal.say(b"ready\r\n")
    person.see(b"ready\r\n")
    person.type(b"one\r")
    person.see(b"<one>\r\n")
    person.type(b"end\r")
    assert running.end() == RelayEnd(How.CLOSED, exit_code=7)
    assert terminal.typed == b"one\rend\r"
    assert not terminal.closed, "whoever made it closes it"


def test_the_last_words_are_shown(person: Person) -> None:
    """What was said just before the end is on the screen and in the recording."""
    terminal = FakeTerminal(greeting=b"x" * 3000 + b"last words\r\n")
    terminal.hang_up()
    running = join(person, terminal)
    person.see(b"last words\r\n")
    assert running.end() == RelayEnd(How.CLOSED, exit_code=None)


def test_every_key_is_the_far_sides(person: Person) -> None:
    """In raw mode Ctrl-C, Ctrl-D, Ctrl-Z and the rest are typed there and do nothing here."""
    terminal = FakeTerminal(greeting=b"ready", heeds_end=False)
    running = join(person, terminal)
    person.see(b"ready")
    assert person.is_raw()
    keys = bytes(byte for byte in range(256) if byte != 0x1D)
    person.type(keys)
    wait_until(lambda: len(terminal.typed) == len(keys))
    assert terminal.typed == keys
    terminal.hang_up()
    assert running.end().how is How.CLOSED
    person.assert_restored()


def test_the_leave_key_leaves(person: Person) -> None:
    """Ctrl-]: what was typed before it arrives, what comes after it does not."""
    terminal = FakeTerminal(greeting=b"ready")
    running = join(person, terminal)
    person.see(b"ready")
    person.type(b"before\x1dafter")
    end = running.end()
    assert (end.how, end.exit_code) == (How.LEFT, None)
    assert "leave key" in end.why
    assert terminal.typed == b"before"
    person.assert_restored()


def test_a_cut_line_is_told(person: Person) -> None:
    """LOST with the port's own error, after the last words; the person's terminal is tidied."""
    terminal = FakeTerminal(greeting=b"\x1b[?25lready")
    running = join(person, terminal)
    person.see(b"ready")
    terminal.say(b"last words")
    terminal.lose()
    end = running.end()
    assert end.how is How.LOST
    assert isinstance(end.lost, LinkLost)
    assert end.why == "cut"
    person.see(b"last words")
    person.see(b"\x1b[?25h")
    person.assert_restored()


def test_a_line_that_takes_no_more_keys_is_told(person: Person) -> None:
    """Where only writing fails, the end is LOST, too."""

    class Deaf(FakeTerminal):
        def write(self, data: bytes) -> None:
            raise LinkLost("The terminal was lost.", where="fake", found="full")

    terminal = Deaf(greeting=b"ready")
    running = join(person, terminal)
    person.see(b"ready")
    person.type(b"x")
    end = running.end()
    assert (end.how, end.why) == (How.LOST, "full")
    person.assert_restored()


def test_an_end_that_comes_while_typing_fails_is_the_end(person: Person) -> None:
    """A far side that ends between two keys has closed: its exit code is known."""

    class Ends(FakeTerminal):
        def write(self, data: bytes) -> None:
            self.hang_up(3)
            raise LinkLost("The terminal was lost.", where="fake")

    terminal = Ends(greeting=b"ready")
    running = join(person, terminal)
    person.see(b"ready")
    person.type(b"x")
    assert running.end() == RelayEnd(How.CLOSED, exit_code=3)


def test_a_mistake_in_the_far_sides_thread_is_raised(person: Person) -> None:
    """It is no end of any kind, and the terminal is given back."""

    class Broken(FakeTerminal):
        def read(self, wait_s: float) -> bytes | None:
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        join(person, Broken()).end()
    person.assert_restored()


def test_a_window_that_is_closed_leaves(person: Person) -> None:
    """A terminal's end is no end of input that could be told on: nobody is there any more."""
    terminal = FakeTerminal(greeting=b"ready")
    running = join(person, terminal)
    person.see(b"ready")
    person.leave()
    end = running.end()
    assert end.how is How.LEFT
    assert "went away" in end.why
    assert terminal.typed == b""


def test_what_is_typed_is_not_recorded(person: Person, tmp_path: Path) -> None:
    """What was shown is, with its size; a password that nobody echoes is in no event."""
    path = tmp_path / "shell.cast"
    terminal = FakeTerminal(lambda line: b"welcome\r\n" if line == b"geheim" else b"no\r\n")
    clock = SystemClock()
    with CastRecorder(
        path, columns=80, rows=24, started_at=datetime(2026, 1, 31, tzinfo=UTC), title="",
        clock=clock,
    ) as recorder:  # fmt: skip
        running = join(person, terminal, recorder=recorder)
        terminal.say(b"Password: ")
        person.see(b"Password: ")
        person.type(b"geheim\r")
        person.see(b"welcome")
        person.type(b"\x1d")
        assert running.end().how is How.LEFT
    events = read_cast(path).events
    assert "".join(event.text for event in events) == "Password: welcome\r\n"
    assert {event.code for event in events} == {"o"}
    assert "geheim" not in path.read_text()


# -- sizes


def in_main_thread(person: Person, terminal: FakeTerminal, act: Callable[[], object]) -> RelayEnd:
    """The relay here, and somebody who acts beside it; what goes wrong there hangs up."""
    wrong: list[BaseException] = []

    def run() -> None:
        try:
            act()
        except BaseException as problem:
            wrong.append(problem)
            terminal.hang_up()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        return relay(
            terminal, recorder=None, keyboard_fd=person.desk, screen_fd=person.desk,
            find_size=person.find_size, clock=SystemClock(),
        )  # fmt: skip
    finally:
        thread.join(PATIENCE_S)
        assert not wrong, wrong


def test_the_size_follows_the_persons(person: Person) -> None:
    """At first, and after each SIGWINCH; the handler before it is there again."""
    assert threading.current_thread() is threading.main_thread()
    terminal = FakeTerminal(greeting=b"ready")

    def own(_number: int, _frame: object) -> None:
        raise AssertionError("the relay has its own handler")

    def is_last(size: tuple[int, int]) -> bool:
        return terminal.sizes[-1] == size

    def act() -> None:
        person.see(b"ready")
        wait_until(lambda: terminal.sizes == [(80, 24)])
        for size in ((100, 30), (60, 20)):
            person.resize(*size)
            os.kill(os.getpid(), signal.SIGWINCH)
            wait_until(partial(is_last, size))
        terminal.hang_up(0)

    before = signal.signal(signal.SIGWINCH, own)
    try:
        assert in_main_thread(person, terminal, act).how is How.CLOSED
        assert signal.getsignal(signal.SIGWINCH) is own
    finally:
        signal.signal(signal.SIGWINCH, before)
    assert terminal.sizes == [(80, 24), (100, 30), (60, 20)]


def test_a_new_size_is_recorded(person: Person, tmp_path: Path) -> None:
    """Where it differs from the recording's first one."""
    path = tmp_path / "shell.cast"
    with CastRecorder(
        path, columns=132, rows=43, started_at=datetime(2026, 1, 31, tzinfo=UTC), title="",
        clock=FakeClock(),
    ) as recorder:  # fmt: skip
        running = join(person, FakeTerminal(greeting=b"ready"), recorder=recorder)
        person.see(b"ready")
        person.type(b"\x1d")
        running.end()
    lines = [json.loads(line) for line in path.read_text().splitlines()[1:]]
    assert [0.0, "r", "80x24"] in lines


def test_in_another_thread_no_handler_is_touched(person: Person) -> None:
    """Python allows that in the main thread only (signal.signal); the relay works all the
    same, and its first size is told."""
    before = signal.getsignal(signal.SIGWINCH)
    terminal = FakeTerminal(greeting=b"ready")
    running = join(person, terminal)
    person.see(b"ready")
    assert signal.getsignal(signal.SIGWINCH) is before
    wait_until(lambda: terminal.sizes == [(80, 24)])
    terminal.hang_up()
    assert running.end().how is How.CLOSED


def have_none() -> tuple[int, int]:
    """As os.get_terminal_size for what is no terminal, or is none any more."""
    raise OSError(25, "Inappropriate ioctl for device")


@pytest.mark.parametrize("find_size", [lambda: (0, 0), lambda: (80, 0), have_none])
def test_a_size_that_nobody_knows_is_not_told(
    find_size: Callable[[], tuple[int, int]], pipes: list[int]
) -> None:
    """A pipe has none: the far side keeps the one that it was given."""
    terminal = FakeTerminal(greeting=b"ready")
    running = Running(terminal, pipes[0], pipes[3], find_size=find_size)
    assert os.read(pipes[2], 100) == b"ready"
    os.close(pipes[1])
    running.end()
    assert terminal.sizes == []


# -- being ended


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_it_cleanly(person: Person, number: signal.Signals) -> None:
    """`Interrupted` passes through; the terminal, the handlers and the threads are as before."""
    terminal = FakeTerminal(greeting=b"ready")

    def interrupt(_number: int, _frame: object) -> None:
        raise Interrupted("Interrupted by the test.")

    def act() -> None:
        person.see(b"ready")
        assert person.is_raw()
        os.kill(os.getpid(), number)

    winch = signal.getsignal(signal.SIGWINCH)
    before = signal.signal(number, interrupt)
    try:
        with pytest.raises(Interrupted):
            in_main_thread(person, terminal, act)
    finally:
        signal.signal(number, before)
    person.assert_restored()
    assert signal.getsignal(signal.SIGWINCH) is winch
    assert FAR_SIDE not in {thread.name for thread in threading.enumerate()}


class Interrupting:
    """A trace function (sys.settrace) that raises once, at the nth line which the relay runs,
    as a signal's handler may."""

    def __init__(self, at_line: int) -> None:
        self.left = at_line

    def __call__(self, frame: FrameType, event: str, _value: object) -> Interrupting | None:
        if frame.f_code.co_filename != relay.__code__.co_filename:
            return None
        if event == "line":
            self.left -= 1
            if self.left == 0:
                raise Interrupted(f"Interrupted at line {frame.f_lineno}.")
        return self


def test_wherever_a_signal_comes_everything_is_given_back() -> None:
    """At each line, those included that give things back: the terminal, the handler, the
    thread."""
    winch = signal.getsignal(signal.SIGWINCH)
    interrupted = 0
    for at_line in range(1, 500):
        person = Person()
        terminal = FakeTerminal(greeting=b"ready")
        terminal.hang_up(0)
        tracer = Interrupting(at_line)
        before = sys.gettrace()
        sys.settrace(tracer)
        try:
            in_main_thread(person, terminal, lambda: None)
        except Interrupted:
            interrupted += 1
        finally:
            sys.settrace(before)
        assert termios.tcgetattr(person.desk) == person.before, at_line
        assert signal.getsignal(signal.SIGWINCH) is winch, at_line
        assert FAR_SIDE not in {thread.name for thread in threading.enumerate()}, at_line
        person.close()
        if tracer.left > 0:
            break
    assert interrupted > 40


def test_the_far_sides_thread_ends_with_it(person: Person) -> None:
    """Also where the person left and the far side is still there."""
    running = join(person, FakeTerminal(greeting=b"ready"))
    person.see(b"ready")
    assert FAR_SIDE in {thread.name for thread in threading.enumerate()}
    person.type(b"\x1d")
    running.end()
    assert FAR_SIDE not in {thread.name for thread in threading.enumerate()}


# -- pipes and files, as a script has them


def test_a_pipe_drives_it(pipes: list[int]) -> None:
    """Lines go in, answers come out byte for byte, and the end of the pipe is told as an end
    of input, at which the far side ends."""
    keys_out, keys_in, screen_out, screen_in = pipes
    terminal = FakeTerminal(lambda line: b"<" + line + b">\r\n", greeting=b"\x1b[1mready\r\n")
    running = Running(terminal, keys_out, screen_in)
    os.write(keys_in, b"one\ntwo\n")
    os.close(keys_in)
    assert running.end() == RelayEnd(How.CLOSED, exit_code=0)
    os.close(screen_in)
    assert read_all(screen_out) == b"\x1b[1mready\r\n<one>\r\n<two>\r\n"
    assert terminal.typed == b"one\ntwo\n\x04"


@pytest.mark.parametrize("kind", ["file", "nothing"])
def test_a_file_drives_it(kind: str, tmp_path: Path, pipes: list[int]) -> None:
    """As `< file` and `< /dev/null` give it; the leave key works there, too."""
    path = Path("/dev/null") if kind == "nothing" else tmp_path / "keys"
    if kind == "file":
        path.write_bytes(b"one\n" * 3000)
    terminal = FakeTerminal()
    with path.open("rb", buffering=0) as keys:
        end = Running(terminal, keys.fileno(), pipes[3]).end()
    assert end == RelayEnd(How.CLOSED, exit_code=0)
    assert terminal.typed == (b"" if kind == "nothing" else b"one\n" * 3000) + b"\x04"


def test_the_leave_key_in_a_pipe(pipes: list[int]) -> None:
    """A script may leave a far side that goes on."""
    terminal = FakeTerminal()
    running = Running(terminal, pipes[0], pipes[3])
    os.write(pipes[1], b"one\n\x1dtwo\n")
    assert running.end().how is How.LEFT
    assert terminal.typed == b"one\n"


class Hasty(FakeClock):
    """A clock on which half a second passes with each look."""

    def monotonic(self) -> float:
        self.at_s += 0.5
        return self.at_s


def test_an_end_that_nobody_heeds_is_told_again_and_has_a_limit(pipes: list[int]) -> None:
    """A program that sets the terminal anew drops it once; one that never reads is left."""
    terminal = FakeTerminal(heeds_end=False)
    running = Running(terminal, pipes[0], pipes[3], clock=Hasty(), after_input_s=12.0)
    os.close(pipes[1])
    end = running.end()
    assert end.how is How.LEFT
    assert "12 s" in end.why
    assert 2 <= terminal.typed.count(b"\x04") <= 7
    assert terminal.typed.strip(b"\x04") == b""


def test_after_the_end_of_input_the_far_side_has_its_time(pipes: list[int]) -> None:
    """What it still says is shown, and its own end is the end."""
    terminal = FakeTerminal(heeds_end=False)
    running = Running(terminal, pipes[0], pipes[3])
    os.close(pipes[1])
    wait_until(lambda: b"\x04" in terminal.typed)
    terminal.say(b"still at work\r\n")
    terminal.hang_up(5)
    assert running.end() == RelayEnd(How.CLOSED, exit_code=5)
    assert os.read(pipes[2], 100) == b"still at work\r\n"


def test_a_screen_that_is_gone_leaves(pipes: list[int], tmp_path: Path) -> None:
    """A reader that went away ends it (EPIPE); what it did not see is recorded."""
    path = tmp_path / "shell.cast"
    terminal = FakeTerminal()
    with CastRecorder(
        path, columns=80, rows=24, started_at=datetime(2026, 1, 31, tzinfo=UTC), title="",
        clock=FakeClock(),
    ) as recorder:  # fmt: skip
        running = Running(terminal, pipes[0], pipes[3], recorder=recorder)
        os.close(pipes[2])
        terminal.say(b"unseen")
        end = running.end()
    assert end.how is How.LEFT
    assert "screen" in end.why
    assert [event.text for event in read_cast(path).events] == ["unseen"]


def test_a_slow_screen_that_does_not_wait_gets_everything(pipes: list[int]) -> None:
    """O_NONBLOCK, which another program may have set, loses nothing: 300 kB in order."""
    os.set_blocking(pipes[3], False)
    whole = b"".join(b"%06d\r\n" % number for number in range(37_500))
    terminal = FakeTerminal(greeting=whole)
    terminal.hang_up(0)
    running = Running(terminal, pipes[0], pipes[3])
    said = b""
    while len(said) < len(whole):
        said += os.read(pipes[2], 4096)
    assert running.end().how is How.CLOSED
    assert said == whole
