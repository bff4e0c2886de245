"""A clone's serial console as a terminal, through libvirt (virDomainOpenConsole).

It is what is left when no login works: the boot loader, the kernel's last words, the login
on the serial line. libvirt gives the bytes of such a stream to whoever runs its event loop,
so one thread of this process does from the first console on.
"""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from collections.abc import Callable
from typing import Any

import libvirt

from forerun.errors import HypervisorFailed, LinkLost
from forerun.ports.clock import Clock, SystemClock
from forerun.ports.terminal import Terminal

TAKE_S = 30.0  # keys that are not taken for so long are not taken any more
END_S = 5.0  # a machine that powers off closes its console before it is gone
MOST_UNREAD = 4 << 20
_CHUNK = 1 << 16
_AT_ONCE = 16
_WOULD_BLOCK = -2  # virStreamRecv, virStreamSend: nothing now
_ENDING = libvirt.VIR_STREAM_EVENT_ERROR | libvirt.VIR_STREAM_EVENT_HANGUP

_loop_lock = threading.Lock()
_loop: list[threading.Thread] = []


class _Inbox:
    """What has arrived and nobody has read yet: at most `MOST_UNREAD` bytes, since a clone may
    talk without end. Of more the oldest goes, and that is said in its place."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._parts: deque[bytes] = deque()
        self._size = 0
        self._dropped = 0
        self.ended = False
        self.why = ""  # what the line died of; "" for an end that the far side made

    def put(self, part: bytes) -> None:
        with self._changed:
            self._parts.append(part)
            self._size += len(part)
            while self._size > MOST_UNREAD:
                gone = len(self._parts.popleft())
                self._size -= gone
                self._dropped += gone
            self._changed.notify_all()

    def end(self, why: str = "") -> None:
        with self._changed:
            if not self.ended:
                self.ended, self.why = True, why
            self._changed.notify_all()

    def take(self, wait_s: float) -> bytes | None:
        """All there is, waited for; b"" for nothing yet, None when nothing will come."""
        with self._changed:
            self._changed.wait_for(lambda: self._parts or self.ended, timeout=wait_s)
            if not self._parts:
                return None if self.ended else b""
            lost = f"\r\n[{self._dropped} bytes of the console were not kept]\r\n"
            whole = (lost.encode("ascii") if self._dropped else b"") + b"".join(self._parts)
            self._parts.clear()
            self._size = self._dropped = 0
            return whole


class ConsoleTerminal:
    """A serial console; `open_console` makes it.

    It has no exit code and no size: what runs there believes in the one that it was told
    once. `is_over` says whether the domain is gone, and `let_go` gives the connection back."""

    def __init__(
        self,
        stream: Any,
        name: str,
        *,
        is_over: Callable[[], bool],
        let_go: Callable[[], object] = lambda: None,
        clock: Clock | None = None,
    ) -> None:
        self.exit_code: int | None = None
        self._stream = stream
        self._name = name
        self._is_over = is_over
        self._let_go = let_go
        self._clock: Clock = clock or SystemClock()
        self._inbox = _Inbox()
        self._closed = False
        stream.eventAddCallback(libvirt.VIR_STREAM_EVENT_READABLE | _ENDING, self._arrived, None)

    def _arrived(self, stream: Any, events: int, _opaque: object) -> None:
        """Take what is there; called on the thread of libvirt's event loop."""
        try:
            for _ in range(_AT_ONCE):
                part = stream.recv(_CHUNK)
                if part == _WOULD_BLOCK:
                    break
                if not part:
                    self._hear_no_more()
                    return
                self._inbox.put(part)
            else:
                return  # there may be more, and other consoles are heard in between
        except libvirt.libvirtError as problem:
            self._hear_no_more(str(problem))
            return
        if events & _ENDING:
            self._hear_no_more("the stream ended")

    def _hear_no_more(self, why: str = "") -> None:
        with contextlib.suppress(libvirt.libvirtError):  # an end is told again and again
            self._stream.eventUpdateCallback(0)
        self._inbox.end(why)

    def read(self, wait_s: float) -> bytes | None:
        """What was said; see `Terminal.read`."""
        said = self._inbox.take(wait_s)
        if said is None:
            self._tell_end()
        return said

    def _tell_end(self) -> None:
        """LinkLost unless it is an end that the far side made: a stream dies in the same way
        when its machine powers off and when libvirtd goes."""
        if self._closed or not self._inbox.why:
            return
        limit = self._clock.monotonic() + END_S
        while not self._is_over():
            if self._clock.monotonic() >= limit:
                raise self._lost(self._inbox.why)
            self._clock.sleep(0.1)
        self._inbox.why = ""

    def _lost(self, why: str) -> LinkLost:
        return LinkLost(f"The console of {self._name} was lost.", where=self._name, found=why)

    def write(self, data: bytes) -> None:
        """Type; see `Terminal.write`."""
        limit = self._clock.monotonic() + TAKE_S
        while data:
            if self._closed or self._inbox.ended:
                self._tell_end()
                return
            try:
                taken = self._stream.send(data)
            except libvirt.libvirtError as problem:
                self._hear_no_more(str(problem))
                continue
            if taken == _WOULD_BLOCK:
                if self._clock.monotonic() >= limit:
                    raise self._lost(f"nothing typed was taken for {TAKE_S:.0f} s")
                self._clock.sleep(0.02)
            else:
                data = data[taken:]

    def resize(self, columns: int, rows: int) -> None:
        """A serial line has no way to say it: nothing is told. LinkLost as everywhere."""
        if self._inbox.ended:
            self._tell_end()

    def close(self) -> None:
        """Hang up; what runs on the console is not told."""
        if self._closed:
            return
        self._closed = True
        self._inbox.end()
        for end in (self._stream.eventRemoveCallback, self._stream.abort, self._let_go):
            with contextlib.suppress(libvirt.libvirtError):
                end()


def open_console(uri: str, domain: str) -> Terminal:
    """The serial console of a running domain. Whoever had it before loses it, so that a
    forgotten window keeps nobody out.

    Raises HypervisorFailed when libvirt cannot be reached, or gives no console of that name."""
    _run_event_loop()  # before the connection, which otherwise takes no part in it
    libvirt.registerErrorHandler(lambda _context, _error: None, None)
    try:
        connection = libvirt.open(uri)
    except libvirt.libvirtError as problem:
        raise _refuse(uri, "libvirt cannot be reached.", problem) from problem
    try:
        found = connection.lookupByName(domain)
        stream = connection.newStream(libvirt.VIR_STREAM_NONBLOCK)
        found.openConsole(None, stream, libvirt.VIR_DOMAIN_CONSOLE_FORCE)
        return ConsoleTerminal(
            stream, domain, is_over=lambda: _is_over(found), let_go=connection.close
        )
    except libvirt.libvirtError as problem:
        with contextlib.suppress(libvirt.libvirtError):
            connection.close()
        raise _refuse(uri, f"libvirt could not open the console of {domain}.", problem) from problem


def _refuse(uri: str, what: str, problem: Exception) -> HypervisorFailed:
    return HypervisorFailed(
        what, where=uri, found=str(problem), hint="See the log of libvirtd, and `forerun lab`."
    )


def _is_over(domain: Any) -> bool:
    """Whether that domain is known not to run; not knowing is no."""
    try:
        return not domain.isActive()
    except libvirt.libvirtError as problem:
        return bool(problem.get_error_code() == libvirt.VIR_ERR_NO_DOMAIN)


def _run_event_loop() -> None:
    """Once for the process, and for as long as it lives: libvirt cannot do without again."""
    with _loop_lock:
        if not _loop:
            libvirt.virEventRegisterDefaultImpl()
            _loop.append(threading.Thread(target=_turn, name="libvirt-events", daemon=True))
            _loop[0].start()


def _turn() -> None:
    clock = SystemClock()
    while True:
        try:
            libvirt.virEventRunDefaultImpl()
        except libvirt.libvirtError:
            clock.sleep(0.1)  # whatever it was, it must not fill a processor
