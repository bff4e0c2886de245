"""The installed command, started as a user starts it, on the tests' state folder."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.vm import lab


def find_word(output: str, name: str) -> str:
    """What stands behind `name:` in the last line that has it."""
    found: list[str] = re.findall(rf"^{name}: (\S+)$", output, re.MULTILINE)
    assert found, f"no line `{name}: ...` in {output!r}"
    return found[-1]


@dataclass(frozen=True, slots=True)
class Program:
    """`folder` gets a log of each call."""

    folder: Path

    def _start(self, arguments: tuple[str, ...], log: Path) -> subprocess.Popen[bytes]:
        own = Path(sys.executable).parent / "forerun"
        assert own.is_file(), "the command forerun is not installed beside this Python"
        with log.open("wb") as stream:
            return subprocess.Popen(
                [str(own), *arguments],
                stdin=subprocess.DEVNULL,
                stdout=stream,
                stderr=subprocess.STDOUT,
                env={**os.environ, "FORERUN_HOME": str(lab.STATE), "LC_ALL": "C.UTF-8"},
            )

    def run(self, *arguments: str, exits: int = 0, limit_s: float = 900) -> str:
        """Run to the end; both outputs. The exit code must be the one wanted."""
        log = self.folder / f"{arguments[0]}-{time.monotonic_ns()}.log"
        with self._start(arguments, log) as process:
            try:
                code = process.wait(limit_s)
            except BaseException:
                process.terminate()  # it tears down what it made
                process.wait(120)
                raise
        output = log.read_text(encoding="utf-8", errors="replace")
        assert code == exits, f"exit code {code}, wanted {exits}\n{output[-4000:]}"
        assert "Traceback" not in output
        return output

    @contextmanager
    def running(self, *arguments: str) -> Iterator[tuple[subprocess.Popen[bytes], Path]]:
        """A started command and its log; it is ended at the end of the block."""
        log = self.folder / f"{arguments[0]}-{time.monotonic_ns()}.log"
        with self._start(arguments, log) as process:
            try:
                yield process, log
            finally:
                if process.poll() is None:
                    process.terminate()
                    process.wait(180)


def wait_for_line(log: Path, pattern: str, process: subprocess.Popen[bytes]) -> str:
    """The first group of the pattern, once a line of the log is it; fails if the command
    ends first."""
    limit = time.monotonic() + 600
    while time.monotonic() < limit:
        text = log.read_text(encoding="utf-8", errors="replace")
        found = re.search(rf"^{pattern}$", text, re.MULTILINE)
        if found:
            return found[1]
        assert process.poll() is None, f"the command ended with {process.returncode}\n{text}"
        time.sleep(0.3)
    raise AssertionError(f"{pattern} was not seen in 600 s")


def wait_for_text(folder: Path, pattern: str, process: subprocess.Popen[bytes]) -> Path:
    """The run folder in `folder` whose progress shows the pattern; fails if the command
    ends first."""
    limit = time.monotonic() + 600
    while time.monotonic() < limit:
        for events in folder.glob("*.part/events.jsonl"):
            if re.search(pattern, events.read_text(encoding="utf-8", errors="replace")):
                return events.parent
        assert process.poll() is None, f"the command ended with {process.returncode}"
        time.sleep(0.3)
    raise AssertionError(f"{pattern} was not seen in 600 s")
