"""The one door to programs on the lab host (subprocess)."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from forerun.errors import CommandFailed


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
    """Programs of this machine."""

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
        whole_env = {**os.environ, "LC_ALL": "C.UTF-8", **(env or {})}
        try:
            done = subprocess.run(
                list(argv),
                input=stdin,
                capture_output=True,
                timeout=timeout_s,
                env=whole_env,
                cwd=cwd,
                check=False,
            )
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
        result = Completed(tuple(argv), done.returncode, done.stdout, done.stderr)
        if log is not None:
            with log.open("ab") as stream:
                stream.write(done.stdout + done.stderr)
        if check and done.returncode != 0:
            raise CommandFailed(
                f"{argv[0]} failed with exit code {done.returncode}.",
                where=" ".join(argv)[:300],
                found=done.stderr.decode("utf-8", "replace").strip()[-800:],
            )
        return result

    def find(self, program: str) -> str:
        """The program's path, or ""; looks in the system folders too."""
        search = os.environ.get("PATH", "") + ":/usr/sbin:/sbin"
        return shutil.which(program, path=search) or ""
