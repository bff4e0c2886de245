"""The door to a running clone.

Long work runs in a session of its own on the clone (`script` in a new session, keys
through a FIFO), so that a lost SSH connection does not end it: the guest reconnects and
reads on. Looking costs the clone no process: files, /proc included, are read through
the SSH file channel.
"""

from __future__ import annotations

import contextlib
import re
import shlex
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol, TypeVar

from forerun.errors import (
    CloneUnreachable,
    ForerunError,
    HostKeyMismatch,
    LinkLost,
    LoginRefused,
)
from forerun.ports.clock import Clock, SystemClock
from forerun.ports.guard import check_guard
from forerun.ports.ssh import ExecResult, Room, SshLink

WORK_FOLDER = "/run/forerun"
HANG_UP_S = 20.0
_READ, _SELECT_CALLS = "0", ("7", "23", "270", "271")
_DIALOGS = ("whiptail", "dialog")
_LONGEST_NUMBER = 12
MOST_PROCESSES = 4096
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Waiting:
    """A process that waits for somebody to type: its name and pid on the clone."""

    pid: int
    process: str


@dataclass(frozen=True, slots=True)
class SessionNews:
    """What a session has written since `offset`; `exit_code` None while it runs."""

    text: bytes
    offset: int
    exit_code: int | None


class Guest(Protocol):
    """A clone that can be driven. Methods reconnect by themselves after a lost link
    and raise CloneUnreachable when that does not help in time."""

    reattached: int

    def connect(self, *, patience_s: float, alive: Callable[[], bool] = lambda: True) -> None:
        """Wait until the clone answers and proves that it is one; CloneUnreachable after
        `patience_s`, or at once when `alive` says that it is gone."""
        ...

    def ensure_gateway(self) -> None:
        """Open the way to the archive gateway again if it is gone; never raises a
        ForerunError."""
        ...

    def hang_up(self) -> None:
        """End every connection, and wait until the clone has given the gateway's port back:
        one that is saved now could not lend it again when it runs on."""
        ...

    def sent_bytes(self) -> tuple[int, int]:
        """(forerun's own, the gateway's) bytes sent to the clone so far."""
        ...

    def close(self) -> None:
        """End every connection; the clone itself runs on."""
        ...

    def run(self, script: str, *, timeout_s: float) -> ExecResult:
        """Run a short shell script to its end."""
        ...

    def read_file(self, path: str, *, offset: int = 0, limit: int = 1 << 20) -> bytes:
        """Bytes of a file; FileNotFoundError when there is none."""
        ...

    def write_file(self, path: str, content: bytes, *, mode: int = 0o600) -> None:
        """Write a whole file."""
        ...

    def room(self, path: str) -> Room:
        """Size and use of a file system."""
        ...

    def start_session(self, name: str, script: str, environment: dict[str, str]) -> None:
        """Start a script in a detached terminal session of its own."""
        ...

    def read_session(self, name: str, offset: int) -> SessionNews:
        """What the session wrote after `offset`, and whether it ended."""
        ...

    def find_waiting(self, name: str) -> Waiting | None:
        """The process of that session which waits for an answer, if one does."""
        ...

    def list_processes(self, name: str) -> tuple[str, ...]:
        """What runs in that session now, a line for each process, the newest first."""
        ...

    def type_keys(self, name: str, keys: str) -> None:
        """Type into the session's terminal."""
        ...

    def end_session(self, name: str) -> None:
        """End every process of the session."""
        ...


class SshGuest:
    """A clone behind SSH. `dial` opens a new link each time it is called; `alive` says
    whether dialling again can help, and may raise what stands in the way."""

    def __init__(
        self,
        dial: Callable[[], SshLink],
        *,
        gateway_port: int,
        guest_gateway_port: int,
        patience_s: float = 120.0,
        clock: Clock | None = None,
        alive: Callable[[], bool] = lambda: True,
    ) -> None:
        self._dial = dial
        self._alive = alive
        self._gateway_port = gateway_port
        self._guest_gateway_port = guest_gateway_port
        self._patience_s = patience_s
        self._clock = clock or SystemClock()
        self._link: SshLink | None = None
        self._gateway_link: SshLink | None = None
        self.reattached = 0
        self._sent = {"session": 0, "gateway": 0}

    def sent_bytes(self) -> tuple[int, int]:
        """(forerun's own, the gateway's) bytes sent to the clone, all links together."""
        own = self._link.sent_bytes() if self._link else 0
        gateway = self._gateway_link.sent_bytes() if self._gateway_link else 0
        return self._sent["session"] + own, self._sent["gateway"] + gateway

    def connect(self, *, patience_s: float, alive: Callable[[], bool] = lambda: True) -> None:
        """Dial until the clone answers and proves that it is a clone.

        CloneUnreachable after `patience_s`, or at once when `alive` says the domain is
        gone. A host without the guard file is refused: nothing is ever run there.
        """
        self._link = self._dial_until(patience_s, alive)
        try:
            check_guard(self._link)
        except CloneUnreachable:
            self.close()
            raise
        self._open_gateway_link()

    def _dial_until(self, patience_s: float, alive: Callable[[], bool]) -> SshLink:
        limit = self._clock.monotonic() + patience_s
        last = "no attempt"
        while True:
            try:
                return self._dial()
            except (HostKeyMismatch, LoginRefused):
                raise  # something else holds that port: waiting will not help
            except ForerunError as problem:
                last = problem.found or problem.what
            if not alive():
                raise CloneUnreachable("The clone powered off instead of answering.", found=last)
            if self._clock.monotonic() > limit:
                raise CloneUnreachable(
                    f"The clone did not answer over SSH in {patience_s:.0f} s.", found=last
                )
            self._clock.sleep(0.5)

    def _open_gateway_link(self) -> None:
        """The archive gateway has a connection of its own, so that losing the
        operator's does not cut a download."""
        if self._gateway_link is not None:
            self._sent["gateway"] += self._gateway_link.sent_bytes()
            self._gateway_link.close()
        self._gateway_link = self._dial()
        self._gateway_link.forward_back(self._guest_gateway_port, to_port=self._gateway_port)

    def _ask(self, question: Callable[[SshLink], _T]) -> _T:
        """Ask over the link; after a loss dial again, once, and ask again."""
        if self._link is not None:
            try:
                return question(self._link)
            except LinkLost:
                self._sent["session"] += self._link.sent_bytes()
                self._link.close()
        self._link = self._dial_until(self._patience_s, self._alive)
        self.reattached += 1
        return question(self._link)

    def drop_link(self) -> None:
        """Cut the operator's connection, as a bad line would."""
        if self._link is not None:
            self._link.close()

    def ensure_gateway(self) -> None:
        """Open the gateway's connection again if it is gone."""
        link = self._gateway_link
        if link is None or not link.alive():
            with contextlib.suppress(ForerunError):  # SSH may refuse for a while: try later
                self._open_gateway_link()

    def hang_up(self) -> None:
        """End both connections, the gateway's first."""
        if self._gateway_link is not None:
            self._sent["gateway"] += self._gateway_link.sent_bytes()
            self._gateway_link.close()
            self._gateway_link = None
        listening = f":{self._guest_gateway_port:04X} "
        limit = self._clock.monotonic() + HANG_UP_S
        while self._clock.monotonic() < limit:
            if not any(
                listening in self._read_small(f"/proc/net/{name}", 1 << 20)
                for name in ("tcp", "tcp6")
            ):
                break
            self._clock.sleep(0.2)
        self.close()

    def close(self) -> None:
        """End both connections."""
        for name, link in (("session", self._link), ("gateway", self._gateway_link)):
            if link is not None:
                self._sent[name] += link.sent_bytes()
                link.close()
        self._link = self._gateway_link = None

    def run(self, script: str, *, timeout_s: float) -> ExecResult:
        """Run a short shell script to its end."""
        command = f"LC_ALL=C.UTF-8 sh -c {shlex.quote(script)}"
        return self._ask(lambda link: link.exec(command, timeout_s=timeout_s))

    def read_file(self, path: str, *, offset: int = 0, limit: int = 1 << 20) -> bytes:
        """Bytes of a file."""
        return self._ask(lambda link: link.read_file(path, offset=offset, limit=limit))

    def write_file(self, path: str, content: bytes, *, mode: int = 0o600) -> None:
        """Write a whole file."""
        self._ask(lambda link: link.write_file(path, content, mode=mode))

    def room(self, path: str) -> Room:
        """Size and use of a file system."""
        return self._ask(lambda link: link.room(path))

    def start_session(self, name: str, script: str, environment: dict[str, str]) -> None:
        """Start a script in a detached terminal session of its own."""
        folder = _session_folder(name)
        exports = "".join(
            f"export {key}={shlex.quote(value)}\n" for key, value in sorted(environment.items())
        )
        self.run(f"rm -rf {folder} && mkdir -p -m 700 {folder}", timeout_s=60)
        body = f"stty rows 40 cols 120 2>/dev/null\n{exports}cd /root\n{script}\n"
        self.write_file(f"{folder}/script", body.encode("utf-8"), mode=0o700)
        self.write_file(f"{folder}/launch", _LAUNCH.encode("ascii"), mode=0o700)
        started = self.run(
            f"setsid -f sh {folder}/launch {folder} </dev/null >/dev/null 2>&1", timeout_s=60
        )
        if started.exit_code != 0:
            raise CloneUnreachable(
                "The step could not be started on the clone.",
                found=started.stderr.decode("utf-8", "replace"),
            )

    def read_session(self, name: str, offset: int) -> SessionNews:
        """What the session wrote after `offset`, and whether it ended."""
        folder = _session_folder(name)
        code = self._read_small(f"{folder}/exit")  # first: then nothing written is missed
        try:
            text = self.read_file(f"{folder}/terminal", offset=offset)
        except FileNotFoundError:
            text = b""
        return SessionNews(text, offset + len(text), _read_number(code) if code else None)

    def _read_small(self, path: str, limit: int = 4096) -> str:
        try:
            return self.read_file(path, limit=limit).decode("utf-8", "replace").strip()
        except FileNotFoundError:
            return ""

    def find_waiting(self, name: str) -> Waiting | None:
        """The process of that session which waits for an answer, if one does.

        Blocked in a read of a terminal: /proc/PID/syscall starts with `0`, its second
        field is the descriptor, and that descriptor is a terminal (proc_pid_syscall(5)).
        Full-screen dialogs wait in poll or select instead and are known by name.
        """
        leader = self._read_small(f"{_session_folder(name)}/leader")
        if not leader:
            return None
        for pid in self._list_family(_read_number(leader)):
            if self._waits(pid):
                return Waiting(pid, self._read_small(f"/proc/{pid}/comm"))
        return None

    def _waits(self, pid: int) -> bool:
        line = self._read_small(f"/proc/{pid}/syscall")
        call = line.split()
        if len(call) < 2:
            return False
        if call[0] == _READ:
            handle = _read_number(call[1], 16)
            target = self._ask(lambda link: link.read_link(f"/proc/{pid}/fd/{handle}"))
            on_terminal = re.fullmatch(r"/dev/(pts/\d+|tty)", target) is not None
            # The number may have been another file's a moment ago (seen: a pipe's, then
            # the terminal's): only the same call before and after belongs to this file.
            return on_terminal and self._read_small(f"/proc/{pid}/syscall") == line
        return call[0] in _SELECT_CALLS and self._read_small(f"/proc/{pid}/comm") in _DIALOGS

    def _list_family(self, leader: int) -> list[int]:
        """All descendants, the deepest last started first; each once, whatever is said."""
        found: dict[int, None] = {}
        open_pids = [leader]
        while open_pids and len(found) < MOST_PROCESSES:
            pid = open_pids.pop()
            if pid not in found:
                found[pid] = None
                children = self._read_small(f"/proc/{pid}/task/{pid}/children").split()
                open_pids.extend(_read_number(child) for child in children)
        return list(found)[::-1]

    def list_processes(self, name: str) -> tuple[str, ...]:
        """What runs in that session now, a line for each process, the newest first: its
        id, state, age and command as ps(1) has them."""
        leader = self._read_small(f"{_session_folder(name)}/leader")
        if not leader:
            return ()
        pids = ",".join(str(pid) for pid in self._list_family(_read_number(leader)))
        shown = self.run(f"ps -o pid=,stat=,etime=,args= --sort=-pid -p {pids}", timeout_s=60)
        return tuple(line.strip() for line in shown.text().splitlines() if line.strip())

    def type_keys(self, name: str, keys: str) -> None:
        """Type into the session's terminal."""
        target = f"{_session_folder(name)}/keys"
        self.run(f"printf %s {shlex.quote(keys)} > {target}", timeout_s=60)

    def end_session(self, name: str) -> None:
        """End every process of the session."""
        leader = self._read_small(f"{_session_folder(name)}/leader")
        if leader:
            pids = " ".join(str(pid) for pid in self._list_family(_read_number(leader)))
            self.run(f"kill -TERM {pids}; sleep 2; kill -KILL {pids}; true", timeout_s=60)


def _read_number(text: str, base: int = 10) -> int:
    """A pid, descriptor or exit code, as the clone says it. Raises CloneUnreachable: a clone
    that lies is not worth asking on."""
    try:
        if len(text) <= _LONGEST_NUMBER:
            return int(text, base)
    except ValueError:
        pass
    raise CloneUnreachable(
        "The clone gave an answer that cannot be.",
        wanted="a number",
        found=repr(text[:80]),
        hint="Something on the clone has replaced what forerun reads there.",
    )


def _session_folder(name: str) -> str:
    if not re.fullmatch(r"[a-z0-9][a-z0-9-]{0,60}", name):
        raise ValueError(f"not a session name: {name!r}")
    return f"{WORK_FOLDER}/{name}"


# `script` gives the step a terminal and keeps what it shows; the FIFO is held open for
# reading and writing, so that no answer ever looks like the end of input.
_LAUNCH = """cd "$1" || exit 1
mkfifo -m 600 keys
exec 3<>keys
echo $$ > leader
script -q -e -f --echo always -O terminal -T timing -c 'exec bash -eu ./script' \\
  <&3 >/dev/null 2>&1
echo $? > exit.part
mv exit.part exit
"""
