"""Programs that outlive the forerun that started them are found and ended, and no others.

Real processes: a child that plays a forerun starts a program through the same door and is
killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from forerun.errors import CommandFailed, Interrupted, NoRoom
from forerun.ports.command import LocalCommand
from forerun.ports.ledger import read_process_start
from forerun.ports.strays import Stray, end_stray, find_strays, name_caller

pytestmark = pytest.mark.tools

MARK = "0123456789abcdef"
# A shell, and below it the program that counts: both must go.
FORERUN = """
import sys
from forerun.ports.command import LocalCommand
from forerun.ports.strays import name_caller
script = 'sleep 600 & echo $! $$ > "$1.new"; mv "$1.new" "$1"; wait'
command = LocalCommand(lambda: name_caller(sys.argv[1]))
command.run(["sh", "-c", script, "sh", sys.argv[2]], timeout_s=600)
"""


def wait_for(path: Path) -> list[int]:
    limit = time.monotonic() + 30
    while not path.exists():
        assert time.monotonic() < limit
        time.sleep(0.02)
    return [int(word) for word in path.read_text().split()]


def is_there(pid: int) -> bool:
    return read_process_start(pid) != ""


@contextmanager
def played_forerun(mark: str, noted: Path) -> Iterator[tuple[subprocess.Popen[bytes], list[int]]]:
    with subprocess.Popen([sys.executable, "-c", FORERUN, mark, str(noted)]) as process:
        pids = wait_for(noted)
        try:
            yield process, pids
        finally:
            process.kill()
            process.wait(30)
            for pid in pids:
                if is_there(pid):
                    os.kill(pid, signal.SIGKILL)


def test_what_a_killed_forerun_started_is_found_and_ended(tmp_path: Path) -> None:
    """The program and its own child; while their forerun lives they are its own business."""
    with played_forerun(MARK, tmp_path / "pids") as (process, pids):
        assert find_strays(MARK) == ()
        process.kill()
        process.wait(30)
        strays = find_strays(MARK)
        assert {stray.pid for stray in strays} == set(pids)
        assert {stray.name for stray in strays} == {"sh", "sleep"}
        assert all(end_stray(stray) for stray in strays)
        assert not any(is_there(pid) for pid in pids)
        assert find_strays(MARK) == ()


def test_another_state_folders_programs_are_not_found(tmp_path: Path) -> None:
    """Each state folder's sweep ends its own."""
    with played_forerun("fedcba9876543210", tmp_path / "pids") as (process, pids):
        process.kill()
        process.wait(30)
        assert find_strays(MARK) == ()
        assert all(is_there(pid) for pid in pids)


def test_a_pid_that_is_another_process_by_now_is_left_alone() -> None:
    """The start time decides: this very process has the pid and is not ended."""
    assert end_stray(Stray(os.getpid(), "1", "x"))
    assert end_stray(Stray(2**22 + 1, "1", "x")), "nobody has that pid (proc(5), pid_max)"


def test_programs_of_nobody_are_not_found() -> None:
    """Neither without the name in the environment nor with a crooked one."""
    for caller in ("", f"{MARK}", f"{MARK}:x:y:z:w", ":::"):
        with subprocess.Popen(
            ["sleep", "600"], env={**os.environ, "FORERUN_CALLER": caller}
        ) as process:
            try:
                assert find_strays(MARK) == ()
            finally:
                process.kill()


def test_our_own_program_is_named_after_us(tmp_path: Path) -> None:
    """And inherits it to what it starts: environ(7)."""
    shown = LocalCommand(lambda: name_caller(MARK)).run(
        ["sh", "-c", "sh -c 'echo $FORERUN_CALLER'"], timeout_s=30
    )
    own = f"{MARK}:{os.getpid()}:{read_process_start(os.getpid())}:"
    assert shown.text().startswith(own)


@pytest.mark.parametrize("how", ["limit", "interrupt"])
def test_a_program_that_is_broken_off_takes_its_children_with_it(tmp_path: Path, how: str) -> None:
    """They hold the same pipes: whoever waited for these to close would wait for them."""
    noted = tmp_path / "pids"
    script = f"sleep 600 & echo $! $$ > {noted}.new; mv {noted}.new {noted}; wait"
    began = time.monotonic()
    if how == "limit":
        with pytest.raises(CommandFailed, match="did not finish"):
            LocalCommand().run(["sh", "-c", script], timeout_s=1)
    else:

        def interrupt(*_: object) -> None:
            raise Interrupted("Ctrl-C")

        before = signal.signal(signal.SIGALRM, interrupt)
        signal.setitimer(signal.ITIMER_REAL, 1)
        try:
            with pytest.raises(Interrupted):
                LocalCommand().run(["sh", "-c", script], timeout_s=600)
        finally:
            signal.signal(signal.SIGALRM, before)
    assert time.monotonic() - began < 30
    limit = time.monotonic() + 10
    while any(is_there(pid) for pid in wait_for(noted)):
        assert time.monotonic() < limit
        time.sleep(0.05)


def test_a_program_that_finds_no_room_is_no_room() -> None:
    """/dev/full (full(4)) answers each write with ENOSPC; the program says so in the words
    of strerror(3)."""
    with pytest.raises(NoRoom) as caught:
        LocalCommand().run(["dd", "if=/dev/zero", "of=/dev/full", "count=1"], timeout_s=30)
    assert "No space left on device" in caught.value.found
