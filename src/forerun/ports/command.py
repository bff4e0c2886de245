"""The one door to programs on the lab host (subprocess)."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from forerun.errors import CommandFailed, NoRoom

# Tells whose a program is, see `ports.strays`.
CALLER = "FORERUN_CALLER"
_NO_ROOM = b"No space left on device"  # strerror(3) of ENOSPC in the C locale


@dataclass(frozen=True, slots=True)
class Completed:
    """A finished program: exit code and its output as bytes."""

    argv: tuple[str, ...]
    exit_code: int
    stdout: bytes
    stderr: bytes

    def text(self) -> str:
        """Standard output as text, undecodable bytes replaced."""
        return self.stdout.decode("utf-8", "replace")


class Command(Protocol):
    """Runs programs given as lists, never through a shell."""

    def run(
        self,
        argv: Sequence[str],
        *,
        timeout_s: float,
        stdin: bytes = b"",
        env: Mapping[str, str] | None = None,
        cwd: Path | None = None,
        log: Path | None = None,
        check: bool = True,
    ) -> Completed:
        """Run to the end. With `check`, a non-zero exit raises CommandFailed, and so
        does a missing program or a time-out, always. `log` receives the output."""
        ...

    def find(self, program: str) -> str:
        """The program's path, or ""."""
        ...


class LocalCommand:
    """Programs of this machine. Each runs in a process group of its own, so that what it
    started goes with it; what `caller` gives is put into their environment."""

    def __init__(self, caller: Callable[[], str] | None = None) -> None:
        self._caller = caller

    def run(
        self,
        argv: Sequence[str],
        *,
        timeout_s: float,
        stdin: bytes = b"",
        env: Mapping[str, str] | None = None,
        cwd: Path | None = None,
        log: Path | None = None,
        check: bool = True,
    ) -> Completed:
        """Run to the end; see `Command.run`."""
        own = {CALLER: self._caller()} if self._caller else {}
        whole_env = {**os.environ, "LC_ALL": "C.UTF-8", **(env or {}), **own}
        try:
            done = _run_group(list(argv), stdin, timeout_s, whole_env, cwd)
        except FileNotFoundError as problem:
            raise CommandFailed(
                f"The program {argv[0]} is not installed.",
                where="this lab host",
                hint="`forerun lab` names the package that brings it.",
            ) from problem
        except subprocess.TimeoutExpired as problem:
            raise CommandFailed(
                f"{argv[0]} did not finish in {timeout_s:.0f} s and was ended.",
                where=" ".join(argv)[:300],
            ) from problem
        if log is not None:
            with log.open("ab") as stream:
                stream.write(done.stdout + done.stderr)
        if check and done.exit_code != 0:
            raise _describe_failure(done)
        return done

    def find(self, program: str) -> str:
        """The program's path, or ""; looks in the system folders too."""
        search = os.environ.get("PATH", "") + ":/usr/sbin:/sbin"
        return shutil.which(program, path=search) or ""


def start_detached(argv: Sequence[str], log: Path, more_env: Mapping[str, str]) -> int:
    """Start a program that goes on by itself when this one ends or its terminal goes; its
    output is added to `log`. Returns its process id. It is nobody's leftover: what it makes it
    notes itself. Raises CommandFailed."""
    env = {key: value for key, value in os.environ.items() if key != CALLER} | dict(more_env)
    try:
        with log.open("ab") as stream:
            process = subprocess.Popen(
                list(argv),
                stdin=subprocess.DEVNULL,
                stdout=stream,
                stderr=stream,
                env=env,
                cwd="/",
                start_new_session=True,
            )
    except OSError as problem:
        raise CommandFailed(
            f"{argv[0]} could not be started.", where=" ".join(argv)[:300], found=str(problem)
        ) from problem
    process.returncode = 0  # it outlives this process on purpose: nobody waits for it
    return process.pid


def _run_group(
    argv: list[str], stdin: bytes, timeout_s: float, env: dict[str, str], cwd: Path | None
) -> Completed:
    with subprocess.Popen(
        argv,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=env,
        cwd=cwd,
        start_new_session=True,
    ) as process:
        try:
            out, err = process.communicate(stdin, timeout_s)
        except BaseException:  # a time limit, Ctrl-C: its children hold our pipes as well
            with contextlib.suppress(OSError):
                os.killpg(process.pid, signal.SIGKILL)
            raise
    return Completed(tuple(argv), process.returncode, out, err)


def _describe_failure(done: Completed) -> CommandFailed | NoRoom:
    program, where = done.argv[0], " ".join(done.argv)[:300]
    found = done.stderr.decode("utf-8", "replace").strip()[-800:]
    if _NO_ROOM in done.stderr:
        return NoRoom(
            f"{program} found no room on the disk.",
            where=where,
            found=found,
            hint="Free some room, then run `forerun sweep`.",
        )
    return CommandFailed(
        f"{program} failed with exit code {done.exit_code}.", where=where, found=found
    )
