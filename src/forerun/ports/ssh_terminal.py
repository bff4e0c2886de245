"""A clone's terminal through SSH: a session channel with a pseudo-terminal (RFC 4254, 6.2)."""

from __future__ import annotations

import threading

import paramiko

from forerun.errors import CloneUnreachable, LinkLost, ProductionUnreachable
from forerun.ports.guard import GUARD_FILE, check_guard
from forerun.ports.ssh import ParamikoLink, connect
from forerun.ports.ssh_shapes import SshTarget
from forerun.ports.terminal import Terminal

TAKE_S = 30.0  # keys that are not taken for so long are not taken any more
END_S = 2.0  # between the end of the output and the exit code lie two messages
_CHUNK = 1 << 16
_LINE_TROUBLE = (OSError, EOFError, paramiko.SSHException)


class SshTerminal:
    """A command in a terminal of its own on a clone; `open_ssh_terminal` makes it.

    It has the link for itself and closes it."""

    def __init__(self, link: ParamikoLink, channel: paramiko.Channel, name: str) -> None:
        self.exit_code: int | None = None
        self._link = link
        self._channel = channel
        self._name = name
        self._over = False
        channel.settimeout(TAKE_S)
        # Not the channel's own time-out, which holds for writing as well: reading and
        # writing have different ones, and happen at the same time.
        self._news = threading.Event()
        channel.in_buffer.set_event(self._news)

    def read(self, wait_s: float) -> bytes | None:
        """What was said; see `Terminal.read`."""
        if not self._news.wait(wait_s):
            return b""
        try:
            said = self._channel.recv(_CHUNK)
        except TimeoutError:  # told of news, and somebody else read them
            return b""
        except _LINE_TROUBLE as problem:
            raise self._lost(problem) from problem
        if said:
            return said
        self._see_end()
        return None

    def _see_end(self) -> None:
        """Learn the exit code of an end that the far side made; LinkLost for a cut line."""
        if self._over:
            return
        self._channel.status_event.wait(END_S)
        if self._channel.exit_status >= 0:
            self.exit_code = self._channel.exit_status
        elif self._is_cut():
            raise self._lost("cut before the command's end")
        self._over = True

    def _is_cut(self) -> bool:
        """Channels are told of a loss a moment before their transport is."""
        self._channel.get_transport().join(timeout=1.0)
        return not self._link.alive()

    def _lost(self, why: object) -> LinkLost:
        return LinkLost(
            f"The terminal on {self._name} was lost.",
            where=self._name,
            found=str(why) or type(why).__name__,
        )

    def write(self, data: bytes) -> None:
        """Type; see `Terminal.write`."""
        try:
            self._channel.sendall(data)
        except TimeoutError as problem:
            raise self._lost(f"nothing typed was taken for {TAKE_S:.0f} s") from problem
        except _LINE_TROUBLE as problem:
            self._pass_over_an_end(problem)

    def resize(self, columns: int, rows: int) -> None:
        """Tell the size (RFC 4254, 6.7); see `Terminal.resize`."""
        try:
            self._channel.resize_pty(max(columns, 0), max(rows, 0))
        except _LINE_TROUBLE as problem:
            self._pass_over_an_end(problem)

    def _pass_over_an_end(self, problem: Exception) -> None:
        ended = self._over or self._channel.exit_status >= 0
        if not ended and self._is_cut():
            raise self._lost(problem) from problem

    def close(self) -> None:
        """Hang up: what runs there gets SIGHUP, as from any terminal that goes away."""
        self._over = True
        self._channel.close()
        self._link.close()


def open_ssh_terminal(
    target: SshTarget,
    command: str,
    *,
    columns: int,
    rows: int,
    term: str,
    timeout_s: float,
    guard_file: str = GUARD_FILE,
) -> Terminal:
    """Log in to a clone and run that shell command line in a terminal of its own.

    `term` is the person's TERM, "" for none; the size is in characters; `timeout_s` bounds
    each wait of the making. Nothing is run on a machine without the guard file. Raises
    HostKeyMismatch, LoginRefused, and CloneUnreachable (LinkLost among it) for the rest."""
    name = f"{target.user}@{target.host}:{target.port}"
    try:
        link = connect(target, timeout_s=timeout_s)
    except ProductionUnreachable as problem:  # so it is called for any other machine
        raise CloneUnreachable(
            "The clone does not answer over SSH.",
            where=name,
            found=problem.found,
            hint="Its console may still show why.",
        ) from problem
    try:
        check_guard(link, guard_file)
        channel = link.open_channel(timeout_s)
        _start(channel, command, (max(columns, 0), max(rows, 0)), term or "dumb", name)
        return SshTerminal(link, channel, name)
    except BaseException:
        link.close()
        raise


def _start(
    channel: paramiko.Channel, command: str, size: tuple[int, int], term: str, name: str
) -> None:
    try:
        channel.get_pty(term, *size)
        channel.exec_command(command)
    except _LINE_TROUBLE as problem:
        raise CloneUnreachable(
            "The clone gave no terminal.",
            where=name,
            found=str(problem) or type(problem).__name__,
            hint="Its console may still give one.",
        ) from problem
