"""Running the `forerun` command as a person would, and reading what it prints.

Not through forerun's own door to programs: that one keeps the output until the end, and
a rehearsal of a quarter of an hour must be seen while it runs.
"""

# ruff: noqa: T201 - a program that talks to a person

from __future__ import annotations

import contextlib
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

from forerun.errors import CommandFailed

PATIENCE_S = 180.0


class ForerunCommand:
    """The command of this Python environment, on one state folder."""

    def __init__(self, state: Path) -> None:
        self._program = Path(sys.executable).parent / "forerun"
        self._environment = {**os.environ, "FORERUN_HOME": str(state)}

    def run(self, *arguments: str, may_fail: bool = False, quiet: bool = False) -> tuple[int, str]:
        """(exit code, standard output), which is shown while it comes unless `quiet`;
        progress goes straight to standard error. Raises CommandFailed unless it `may_fail`.

        When this program is interrupted, the command is told to end and is waited for,
        so that it can tear down what it made."""
        print(f"\n$ forerun {' '.join(arguments)}", flush=True)
        child = subprocess.Popen(
            [str(self._program), *arguments],
            env=self._environment,
            stdin=subprocess.DEVNULL,  # nobody answers: an undeclared question stops the run
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            errors="replace",
        )
        lines: list[str] = []
        try:
            for line in child.stdout or ():
                if not quiet:
                    print(line, end="", flush=True)
                lines.append(line)
            code = child.wait()
        finally:
            _end(child)
        if code != 0 and not may_fail:
            raise CommandFailed(
                f"forerun {arguments[0]} ended with exit code {code}.",
                where=f"forerun {' '.join(arguments)}",
                hint="What it printed above says why.",
            )
        return code, "".join(lines)


def _end(child: subprocess.Popen[str]) -> None:
    if child.poll() is None:
        child.send_signal(signal.SIGTERM)
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.wait(PATIENCE_S)
    if child.poll() is None:
        child.kill()
        child.wait()


def find_value(name: str, text: str) -> str:
    """What stands behind `NAME: ` on the last line that begins so; "" if none does."""
    found = re.findall(rf"^{re.escape(name)}: (\S+)", text, re.MULTILINE)
    return str(found[-1]) if found else ""
