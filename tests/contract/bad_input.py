"""Runs the `forerun` command as a user would, and looks at what it left."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from forerun.ports.ledger import Ledger

_DROPPED = ("SSH_AUTH_SOCK", "http_proxy", "https_proxy", "HTTP_PROXY", "HTTPS_PROXY")


@dataclass(frozen=True)
class Told:
    """What a command said: exit code, standard output, standard error."""

    code: int
    out: str
    err: str

    def assert_told(self, code: int, *words: str) -> None:
        """That exit code, a message of our own with those words, and no traceback."""
        assert self.code == code, self.err
        assert "Traceback" not in self.err
        messages = [line for line in self.err.splitlines() if line.startswith("forerun: ")]
        assert len(messages) == 1, self.err
        assert "  next: " in self.err, "every message names the next thing to do"
        for word in words:
            assert word in self.err


def run_forerun(
    home: Path,
    *arguments: str,
    timeout_s: float = 120,
    interrupt_when: Callable[[], bool] | None = None,
) -> Told:
    """The installed command on that state folder, with nothing of this user's own."""
    script = Path(sys.executable).with_name("forerun")
    program = str(script) if script.exists() else shutil.which("forerun")
    assert program, "the command `forerun` is installed"
    environment = {k: v for k, v in os.environ.items() if k not in _DROPPED}
    environment |= {"FORERUN_HOME": str(home), "HOME": str(home.parent / "user")}
    with subprocess.Popen(
        [program, *arguments],
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            if interrupt_when is not None:
                limit = time.monotonic() + timeout_s
                while not interrupt_when() and time.monotonic() < limit:
                    time.sleep(0.1)
                process.send_signal(signal.SIGINT)
            out, err = process.communicate(timeout=timeout_s)
        except subprocess.TimeoutExpired:
            process.kill()
            raise
    return Told(process.returncode, out, err)


def assert_nothing_left(home: Path) -> None:
    """No half-written folder or file, no open ledger entry, no clone's folder, no log of
    a bug."""
    if not home.exists():
        return
    assert [path for path in home.rglob("*.part")] == []
    assert not (home / "bug.log").exists()
    if (home / "ledger.sqlite").exists():
        assert Ledger(home / "ledger.sqlite").find() == ()
    if (home / "machines").exists():
        assert list((home / "machines").iterdir()) == []


@contextmanager
def small_disk(folder: Path, size: str) -> Iterator[Path]:
    """A file system in memory of that size; root only."""
    if os.geteuid() != 0:
        pytest.skip("mounting a small file system needs root")
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)],
        capture_output=True,
        check=False,
    )
    if done.returncode != 0:
        pytest.skip(f"no file system can be mounted here: {done.stderr.decode().strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)
