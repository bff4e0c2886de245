"""A serial console over a stream that behaves as libvirt's non-blocking ones do (virStreamRecv,
virStreamSend: -2 for nothing now; virStreamEventAddCallback): the contract, and bad ends.

The stream is a fake; tests/libvirt has one of libvirt's own."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any

import libvirt
import pytest

from forerun.errors import LinkLost
from forerun.ports.hypervisor_console import END_S, MOST_UNREAD, TAKE_S, ConsoleTerminal
from forerun.testing import FakeClock, check_left_terminal, check_lost_terminal, check_terminal
from forerun.testing_terminal import answer_contract

READABLE = libvirt.VIR_STREAM_EVENT_READABLE
HANGUP = libvirt.VIR_STREAM_EVENT_HANGUP
NAME = "forerun-drill-1"


class Stream:
    """A non-blocking stream to a far side that answers lines. What it gives is a queue of
    bytes, with b"" for the end and an error for a loss; of what is sent it takes three bytes
    at a time, and every other time none."""

    def __init__(self) -> None:
        self.queue: deque[bytes | Exception] = deque()
        self.sent = b""
        self.line = b""
        self.full = False
        self.calls: list[str] = []
        self.watched = 0
        self._turn = 0
        self._callback: Callable[[Stream, int, object], None] = lambda *_: None

    def eventAddCallback(self, events: int, callback: Any, opaque: object) -> None:
        self.watched, self._callback = events, callback

    def eventUpdateCallback(self, events: int) -> None:
        self.watched = events

    def eventRemoveCallback(self) -> None:
        self.calls.append("remove")
        self.watched = 0

    def abort(self) -> None:
        self.calls.append("abort")

    def recv(self, size: int) -> bytes | int:
        if not self.queue:
            return -2
        part = self.queue.popleft()
        if isinstance(part, Exception):
            raise part
        assert len(part) <= size
        return part

    def send(self, data: bytes) -> int:
        self._turn += 1
        if self.full or self._turn % 2:
            return -2
        taken = data[:3]
        self.sent += taken
        for at in range(len(taken)):
            self._take(taken[at : at + 1])
        return len(taken)

    def _take(self, key: bytes) -> None:
        if key != b"\r":
            self.line += key
            return
        said, self.line = answer_contract(self.line), b""
        self.say(said if isinstance(said, bytes) else b"")

    def say(self, data: bytes | Exception, events: int = READABLE) -> None:
        """As the event loop does: it tells as long as somebody listens and something is there."""
        self.queue.append(data)
        while self.queue and self.watched:
            self._callback(self, events, None)

    def hang_up(self) -> None:
        self._callback(self, HANGUP, None)


def open_one(
    *, is_over: Callable[[], bool] = lambda: False, clock: FakeClock | None = None
) -> tuple[Stream, ConsoleTerminal]:
    stream = Stream()
    terminal = ConsoleTerminal(
        stream, NAME, is_over=is_over, let_go=lambda: stream.calls.append("let go"),
        clock=clock or FakeClock(),
    )  # fmt: skip
    stream.say(b"ready\r\n")
    return stream, terminal


def lost() -> libvirt.libvirtError:
    return libvirt.libvirtError("the stream was cut")


def test_it_keeps_the_contract() -> None:
    """As every terminal; a serial line tells no exit code."""
    stream, terminal = open_one()
    check_terminal(terminal, exit_code=None)
    assert stream.sent == "one\rzw\u00f6lf\rtwo\rend\r".encode()


def test_a_cut_one_keeps_the_contract() -> None:
    """An error of the stream with the domain still there is a lost line."""
    stream, terminal = open_one()
    check_lost_terminal(terminal, lambda: stream.say(lost()))


def test_one_that_is_left_keeps_the_contract() -> None:
    """Hung up once: the callback goes first, as libvirt demands of a non-blocking stream
    (virStreamAbort), then the stream, then the connection."""
    stream, terminal = open_one()
    check_left_terminal(terminal)
    assert stream.calls == ["remove", "abort", "let go"]


@pytest.mark.parametrize("how", ["error", "hang-up"])
def test_a_machine_that_powers_off_has_closed_its_console(how: str) -> None:
    """The stream dies a moment before the domain is gone: that is waited for."""
    clock = FakeClock()
    stream, terminal = open_one(is_over=lambda: clock.at_s >= END_S / 2, clock=clock)
    if how == "error":
        stream.say(lost())
    else:
        stream.hang_up()
    assert terminal.read(0.0) == b"ready\r\n"
    assert terminal.read(0.0) is None
    assert clock.at_s == pytest.approx(END_S / 2, abs=0.2)
    terminal.write(b"x")
    assert stream.sent == b""


def test_a_stream_that_ends_with_the_machine_still_there_is_lost() -> None:
    """libvirtd went, or somebody took the console: it says what, and after how long."""
    clock = FakeClock()
    stream, terminal = open_one(clock=clock)
    stream.hang_up()
    terminal.read(0.0)
    with pytest.raises(LinkLost) as caught:
        terminal.read(0.0)
    assert caught.value.where == NAME
    assert caught.value.found
    assert clock.at_s == pytest.approx(END_S, abs=0.2)


def test_after_its_end_nobody_listens_any_more() -> None:
    """A stream tells its end again and again, and would keep the event loop busy."""
    for end in (b"", lost()):
        stream, _ = open_one()
        stream.say(end)
        assert stream.watched == 0


def test_talking_without_end_fills_no_memory() -> None:
    """Of what nobody reads the last 4 MiB are kept, and it is said how much was not."""
    stream, terminal = open_one()
    part = b"x" * (1 << 16)
    for _ in range(100):
        stream.say(part)
    stream.say(b"the end")
    said = terminal.read(0.0)
    assert said is not None
    assert said.endswith(b"the end")
    assert MOST_UNREAD - len(part) < len(said) < MOST_UNREAD + 200
    dropped = 7 + 100 * len(part) + 7 - (said.count(b"x") + len(b"the end"))
    assert f"[{dropped} bytes of the console were not kept]".encode() in said
    assert terminal.read(0.0) == b""


def test_a_line_that_takes_nothing_is_lost_after_a_time() -> None:
    """Half a minute; the clock is asked, nothing turns without a pause."""
    clock = FakeClock()
    stream, terminal = open_one(clock=clock)
    stream.full = True
    with pytest.raises(LinkLost) as caught:
        terminal.write(b"x")
    assert "taken" in caught.value.found
    assert clock.at_s == pytest.approx(TAKE_S, abs=0.1)


def test_a_line_that_breaks_while_typing_is_lost() -> None:
    """libvirt's own error becomes LinkLost."""
    stream, terminal = open_one()

    def refuse(data: bytes) -> int:
        raise lost()

    stream.send = refuse  # type: ignore[method-assign]
    with pytest.raises(LinkLost):
        terminal.write(b"x")


def test_an_ending_that_fails_is_no_trouble() -> None:
    """Whatever libvirt says of a stream that is gone already."""
    stream, terminal = open_one()

    def refuse() -> None:
        raise lost()

    stream.eventRemoveCallback = stream.abort = refuse  # type: ignore[method-assign]
    terminal.close()
    assert stream.calls == ["let go"]
