"""What runs programs on the lab host: lists, limits, logs. Real programs (tools tier)."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from forerun.errors import CommandFailed
from forerun.ports.command import LocalCommand

pytestmark = pytest.mark.tools


@pytest.fixture
def command() -> LocalCommand:
    return LocalCommand()


def test_arguments_reach_the_program_as_they_are(command: LocalCommand) -> None:
    """No shell reads them: quotes, dollars, globs and line ends are characters."""
    given = ["a b", "$HOME", "*", "it's", "x\ny", "; true", ""]
    done = command.run(["printf", "%s\\0", *given], timeout_s=10)
    assert done.text().split("\0")[:-1] == given


def test_input_and_both_outputs_are_kept_apart(command: LocalCommand, tmp_path: Path) -> None:
    """Bytes in, bytes out; the log gets both outputs, appended."""
    log = tmp_path / "log"
    log.write_bytes(b"before\n")
    done = command.run(
        ["sh", "-c", "cat; echo trouble >&2"], timeout_s=10, stdin=b"\x00\xff", log=log
    )
    assert (done.stdout, done.stderr, done.exit_code) == (b"\x00\xff", b"trouble\n", 0)
    assert log.read_bytes() == b"before\n\x00\xfftrouble\n"


def test_a_failure_tells_code_and_last_words(command: LocalCommand, tmp_path: Path) -> None:
    """Exit code and standard error are in the message, the log is written all the same."""
    log = tmp_path / "log"
    with pytest.raises(CommandFailed) as caught:
        command.run(["sh", "-c", "echo why >&2; exit 7"], timeout_s=10, log=log)
    assert "exit code 7" in caught.value.what
    assert caught.value.found == "why"
    assert log.read_bytes() == b"why\n"
    done = command.run(["sh", "-c", "exit 7"], timeout_s=10, check=False)
    assert done.exit_code == 7


def test_a_missing_program_is_named(command: LocalCommand) -> None:
    """Even unchecked: there is no result to give."""
    with pytest.raises(CommandFailed, match="no-such-program-here"):
        command.run(["no-such-program-here"], timeout_s=10, check=False)


def test_a_program_that_does_not_end_is_ended(command: LocalCommand, tmp_path: Path) -> None:
    """At its limit it is killed, not left behind."""
    mark = tmp_path / "pid"
    began = time.monotonic()
    with pytest.raises(CommandFailed, match="did not finish"):
        command.run(["sh", "-c", f"echo $$ > {mark}; exec sleep 60"], timeout_s=0.5)
    assert time.monotonic() - began < 10
    pid = int(mark.read_text())
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


def test_messages_are_in_one_language(command: LocalCommand) -> None:
    """What is parsed must not depend on the operator's language; more can be set."""
    done = command.run(["sh", "-c", "echo $LC_ALL $EXTRA"], timeout_s=10, env={"EXTRA": "x"})
    assert done.text() == "C.UTF-8 x\n"


def test_programs_of_the_system_folders_are_found(
    command: LocalCommand, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A user's PATH often lacks /usr/sbin, where mke2fs and sfdisk live."""
    monkeypatch.setenv("PATH", "/usr/bin:/bin")
    assert command.find("mke2fs") in ("/usr/sbin/mke2fs", "/sbin/mke2fs")
    assert command.find("no-such-program-here") == ""
