"""The fake terminal keeps the contract that the real ones keep (tests/contract, tests/libvirt)."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from forerun.errors import LinkLost
from forerun.ports.terminal import Terminal
from forerun.testing import (
    FakeTerminal,
    check_left_terminal,
    check_lost_terminal,
    check_terminal,
)
from forerun.testing_terminal import CONTRACT_EXIT, answer_contract


def make_fake() -> FakeTerminal:
    return FakeTerminal(answer_contract, greeting=b"ready\r\n")


def test_the_fake_keeps_the_contract() -> None:
    """Reading, typing, sizes and the end are as those of a real terminal."""
    terminal = make_fake()
    check_terminal(terminal, exit_code=CONTRACT_EXIT)
    assert terminal.typed.startswith(b"one\r")
    assert terminal.sizes == [(100, 30), (0, 0)]
    assert terminal.closed


def test_a_cut_fake_keeps_the_contract() -> None:
    """A cut line is LinkLost, for whoever reads, types or resizes."""
    terminal = make_fake()
    check_lost_terminal(terminal, terminal.lose)


def test_a_fake_that_is_left_keeps_the_contract() -> None:
    """What is hung up here has ended."""
    check_left_terminal(make_fake())


def test_an_end_of_input_ends_the_fake_at_a_lines_beginning_only() -> None:
    """As VEOF of termios(3): in a line it is no end."""
    terminal = make_fake()
    terminal.write(b"x\x04")
    assert terminal.read(0.0) == b"ready\r\n"
    assert terminal.read(0.0) == b""
    terminal.write(b"\r\x04")
    assert terminal.read(0.0) == b"<x\x04>\r\n"
    assert terminal.read(0.0) is None
    assert terminal.exit_code == 0


class Loses(FakeTerminal):
    """It forgets what was said before the end."""

    def read(self, wait_s: float) -> bytes | None:
        return None if self._over else super().read(wait_s)


class Closes(FakeTerminal):
    """It takes a cut for an end."""

    def read(self, wait_s: float) -> bytes | None:
        try:
            return super().read(wait_s)
        except LinkLost:
            return None


class Blocks(FakeTerminal):
    """It never closes."""

    def read(self, wait_s: float) -> bytes | None:
        return super().read(0.0) or b""


@pytest.mark.parametrize(
    ("kind", "check"),
    [
        (Loses, lambda one: check_terminal(one, exit_code=CONTRACT_EXIT)),
        (FakeTerminal, lambda one: check_terminal(one, exit_code=None)),
        (Closes, lambda one: check_lost_terminal(one, one.lose)),
        (FakeTerminal, lambda one: check_lost_terminal(one, lambda: one.hang_up(0))),
        (Blocks, check_left_terminal),
    ],
)
def test_the_contract_finds_what_breaks_it(
    kind: type[FakeTerminal], check: Callable[[Terminal], None]
) -> None:
    """Lost last words, a wrong exit code, a cut that passes for an end, an end that never
    comes: each is told."""
    with pytest.raises(AssertionError):
        check(kind(answer_contract, greeting=b"ready\r\n"))
