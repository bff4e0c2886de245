"""A public fake of a clone's terminal, and the contract that every Terminal keeps to;
`forerun.testing` gives them out too."""

from __future__ import annotations

import threading
from collections.abc import Callable

from forerun.errors import LinkLost
from forerun.ports.terminal import Terminal

END_OF_INPUT = b"\x04"
# What the far side of `check_terminal` does, as a program for sh(1) and for a fake.
CONTRACT_PROGRAM = (
    "stty -echo; printf 'ready\\n'; while IFS= read -r line; do "
    '[ "$line" = end ] && exit 7; printf \'<%s>\\n\' "$line"; done; exit 0'
)
CONTRACT_EXIT = 7
_LOOKS = 300


def answer_contract(line: bytes) -> bytes | int:
    """What CONTRACT_PROGRAM answers to a line: text, or the exit code it ends with."""
    return CONTRACT_EXIT if line == b"end" else b"<" + line + b">\r\n"


class FakeTerminal:
    """A terminal whose far side is a function from a typed line to what is said; a number ends
    it with that exit code. An end of input at a line's beginning ends it with 0, unless
    `heeds_end` is false.

    `say`, `hang_up` and `lose` are what a far side does by itself, from any thread. `typed`
    keeps what was written, `sizes` what was told, `closed` whether it was hung up here."""

    def __init__(
        self,
        answer: Callable[[bytes], bytes | int] = lambda line: b"",
        *,
        greeting: bytes = b"",
        heeds_end: bool = True,
    ) -> None:
        self.exit_code: int | None = None
        self.typed = b""
        self.sizes: list[tuple[int, int]] = []
        self.closed = False
        self._answer = answer
        self._heeds_end = heeds_end
        self._changed = threading.Condition()
        self._unread = greeting
        self._line = b""
        self._over = False
        self._code: int | None = None
        self._lost = False

    def say(self, data: bytes) -> None:
        """The far side says something."""
        with self._changed:
            self._unread += data
            self._changed.notify_all()

    def hang_up(self, exit_code: int | None = None) -> None:
        """The far side ends; a code of None is none told."""
        with self._changed:
            self._over, self._code = True, exit_code
            self._changed.notify_all()

    def lose(self) -> None:
        """The line is cut."""
        with self._changed:
            self._lost = True
            self._changed.notify_all()

    def _raise_if_lost(self) -> None:
        if self._lost and not self._over:
            raise LinkLost("The terminal on the fake was lost.", where="fake", found="cut")

    def read(self, wait_s: float) -> bytes | None:
        """What was said, then how it ended."""
        with self._changed:
            self._changed.wait_for(lambda: self._unread or self._over or self._lost, timeout=wait_s)
            said, self._unread = self._unread, b""
            if said:
                return said
            self._raise_if_lost()
            if not self._over:
                return b""
            self.exit_code = self._code
            return None

    def write(self, data: bytes) -> None:
        """Type; each whole line is answered."""
        with self._changed:
            if self._over:
                return
            self._raise_if_lost()
            self.typed += data
            for one in (data[at : at + 1] for at in range(len(data))):
                self._take(one)

    def _take(self, key: bytes) -> None:
        if key == END_OF_INPUT and not self._line:
            if self._heeds_end:
                self.hang_up(0)
        elif key in b"\r\n":
            said = self._answer(self._line)
            self._line = b""
            if isinstance(said, bytes):
                self.say(said)
            else:
                self.hang_up(said)
        else:
            self._line += key

    def resize(self, columns: int, rows: int) -> None:
        """Note the size."""
        with self._changed:
            if not self._over:
                self._raise_if_lost()
                self.sizes.append((columns, rows))

    def close(self) -> None:
        """Hang up; the far side ends."""
        self.closed = True
        if not self._over:
            self.hang_up()


def check_terminal(terminal: Terminal, *, exit_code: int | None) -> None:
    """What every Terminal keeps to; raises AssertionError naming the broken promise.

    Its far side runs CONTRACT_PROGRAM or does as much; `exit_code` is what is told of its
    end: CONTRACT_EXIT, or None where nobody tells one. It is closed afterwards."""
    _read_until(terminal, b"ready")
    assert terminal.exit_code is None, "while it runs there is no exit code"  # noqa: S101
    terminal.write(b"one\r")
    _read_until(terminal, b"<one>")
    terminal.write("zw\u00f6lf\r".encode()[:3])
    terminal.write("zw\u00f6lf\r".encode()[3:])
    _read_until(terminal, "<zw\u00f6lf>".encode())
    terminal.resize(100, 30)
    terminal.resize(0, 0)
    assert _read_rest(terminal) in (b"", b"\r\n"), "nothing is said by itself"  # noqa: S101
    terminal.write(b"two\rend\r")
    said = _read_until(terminal, None)
    assert b"<two>" in said, "what was said before the end is not lost"  # noqa: S101
    assert terminal.exit_code == exit_code, f"it ended with {terminal.exit_code}"  # noqa: S101
    assert terminal.read(0.0) is None, "an end is an end"  # noqa: S101
    terminal.write(b"three\r")
    terminal.resize(80, 24)
    _check_closed(terminal)


def check_lost_terminal(terminal: Terminal, cut: Callable[[], object]) -> None:
    """What every Terminal whose line is cut keeps to; `cut` does it. Its far side is as that
    of `check_terminal`, and it is closed afterwards."""
    _read_until(terminal, b"ready")
    cut()
    for _ in range(2):
        try:
            _read_until(terminal, None)
        except LinkLost as problem:
            assert problem.where, "it says which one"  # noqa: S101
        else:
            raise AssertionError("a cut line is no end")
    asks: tuple[Callable[[], None], ...] = (
        lambda: terminal.write(b"x\r"),
        lambda: terminal.resize(80, 24),
    )
    for ask in asks:
        try:
            ask()
        except LinkLost:
            continue
        raise AssertionError("a cut line takes nothing")
    assert terminal.exit_code is None, "nobody knows how it went on"  # noqa: S101
    _check_closed(terminal)


def check_left_terminal(terminal: Terminal) -> None:
    """What every Terminal that is hung up here, with its far side still there, keeps to."""
    _read_until(terminal, b"ready")
    _check_closed(terminal)


def _check_closed(terminal: Terminal) -> None:
    terminal.close()
    terminal.close()
    _read_until(terminal, None)
    assert terminal.read(0.0) is None, "a closed one has ended"  # noqa: S101
    terminal.write(b"x\r")


def _read_until(terminal: Terminal, wanted: bytes | None) -> bytes:
    """What is said up to and with `wanted`; None waits for the end."""
    said = b""
    for _ in range(_LOOKS):
        part = terminal.read(0.1)
        assert part is None or isinstance(part, bytes), "bytes are read"  # noqa: S101
        if part is None:
            assert wanted is None, f"it ended before {wanted!r}: {said!r}"  # noqa: S101
            return said
        said += part
        if wanted is not None and wanted in said:
            return said
    raise AssertionError(f"no {'end' if wanted is None else repr(wanted)} came: {said!r}")


def _read_rest(terminal: Terminal) -> bytes:
    """What is still said until a wait gives nothing."""
    said = b""
    for _ in range(_LOOKS):
        part = terminal.read(0.2)
        assert part is not None, "it has not ended"  # noqa: S101
        if not part:
            return said
        said += part
    raise AssertionError("it never falls silent")
