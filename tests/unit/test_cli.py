"""The command line: every failure has its exit code and its message, and no traceback."""

from __future__ import annotations

import errno
import os
import re
import signal
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import typer
from tests.practice.bare_survey import make_survey

import forerun.errors as tree
from forerun import __version__, cli
from forerun.errors import (
    EXIT_BUG,
    EXIT_OK,
    ForerunError,
    Interrupted,
    NoRoom,
    NotFound,
    UsageError,
)
from forerun.ports.clock import SystemClock
from forerun.ports.records import dump_record
from forerun.ports.store import Store
from forerun.stages.custody import set_end


def list_classes(kind: type[ForerunError] = ForerunError) -> list[type[ForerunError]]:
    found = []
    for child in kind.__subclasses__():
        found += [child, *list_classes(child)]
    return [cls for cls in found if cls.__module__ == tree.__name__]


def raising(problem: BaseException) -> Callable[[], object]:
    def call() -> object:
        raise problem

    return call


@pytest.mark.parametrize("kind", [*list_classes(), Interrupted], ids=lambda kind: kind.__name__)
def test_every_error_has_its_code_and_its_message(
    kind: type[ForerunError], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What, where, wanted, found and next on standard error; the class's own exit code; no
    traceback, no log, nothing on standard output."""
    problem = kind("It broke.", where="/a/file", wanted="one", found="two", hint="Mend it.")
    assert cli.run_guarded(raising(problem), tmp_path) == kind.exit_code
    out, err = capsys.readouterr()
    assert out == ""
    assert err == (
        "forerun: It broke.\n  where: /a/file\n  wanted: one\n  found: two\n  next: Mend it.\n"
    )
    assert list(tmp_path.iterdir()) == []


def test_a_bug_leaves_a_log_and_no_traceback(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 1; the log has version, arguments and traceback; the screen names it."""
    state = tmp_path / "state"
    assert cli.run_guarded(raising(ZeroDivisionError("oh")), state) == EXIT_BUG
    err = capsys.readouterr().err
    assert "Traceback" not in err
    assert "ZeroDivisionError" in err
    assert str(state / "bug.log") in err
    log = (state / "bug.log").read_text()
    assert __version__ in log
    assert "Traceback" in log
    assert "ZeroDivisionError: oh" in log


def test_a_bug_whose_log_cannot_be_written_is_still_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A state folder that is a file is no reason for a second error."""
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    assert cli.run_guarded(raising(KeyError("x")), blocked) == EXIT_BUG
    assert "could not be written" in capsys.readouterr().err


def test_control_characters_of_others_do_not_reach_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A server's banner in a message cannot move the cursor or set a title."""
    text = "bad\x1b]0;owned\x07\x1b[2J\x9b31m\x00\x08end"
    problem = NotFound("No.", where=text, wanted=text, found=text, hint=text)
    cli.run_guarded(raising(problem), tmp_path)
    err = capsys.readouterr().err
    assert re.findall(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]", err) == []
    assert "end" in err


@pytest.mark.parametrize(
    ("end", "code"), [(SystemExit(3), 3), (SystemExit(None), EXIT_OK), (SystemExit(0), EXIT_OK)]
)
def test_an_exit_code_passes_through(end: SystemExit, code: int, tmp_path: Path) -> None:
    """A result that is not good (3) is no error."""
    assert cli.run_guarded(raising(end), tmp_path) == code


def test_a_closed_pipe_is_no_error(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`forerun report last | head` ends quietly."""
    problem = BrokenPipeError(errno.EPIPE, os.strerror(errno.EPIPE))
    assert cli.run_guarded(raising(problem), tmp_path) == EXIT_OK
    assert capsys.readouterr().err == ""


def test_a_full_disk_anywhere_is_no_bug(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A write that nobody thought of: exit code 31, the file, no log of a bug; every other
    error of the system stays one."""
    problem = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), "/a/file")
    assert cli.run_guarded(raising(problem), tmp_path) == NoRoom.exit_code
    assert "/a/file" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
    other = OSError(errno.EIO, os.strerror(errno.EIO), "/a/file")
    assert cli.run_guarded(raising(other), tmp_path) == EXIT_BUG


LEFT = "run-20260131-220000-a1b2c3d4"


def leave_behind(state: Path) -> Store:
    """What a killed rehearsal may leave, in no ledger."""
    store = Store(state)
    (store.surveys / "survey-20260131-220000-a1b2c3d4.part").mkdir()
    part = store.runs / f"{LEFT}.part"
    part.mkdir()
    (part / "request.json").write_text("{}")
    return store


@pytest.mark.parametrize(
    "arguments",
    [
        ["survey", "root@shelf01.example", "--identity", "/nonexistent/key"],
        ["rehearse", "--survey", "s-1"],
        ["rehearse", "--resume", "run-x"],
        ["template", "import", "/nonexistent/x.qcow2"],
    ],
    ids=lambda words: words[0],
)
def test_a_command_that_makes_something_sweeps_first_and_says_so_once(
    arguments: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """One line on standard error, before anything else; what can be gone on from stays."""
    store = leave_behind(tmp_path)

    def stop(*_: object, **__: object) -> object:
        raise UsageError("Far enough.")

    monkeypatch.setattr(cli, "survey_production", stop)
    run(arguments, tmp_path, monkeypatch)
    first, second = capsys.readouterr().err.splitlines()[:2]
    assert first == "removed what a killed forerun left: 1 folder"
    assert "removed" not in second
    assert list(store.surveys.iterdir()) == []
    assert store.find_cut_short() == (LEFT,)


@pytest.mark.parametrize("arguments", [["runs"], ["surveys"], ["template", "list"]])
def test_a_command_that_only_looks_removes_nothing(
    arguments: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    store = leave_behind(tmp_path)
    assert run(arguments, tmp_path, monkeypatch) == EXIT_OK
    assert capsys.readouterr().err == ""
    assert len(list(store.surveys.iterdir())) == 1


def test_runs_that_were_cut_short_are_listed_with_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """And one that is going on with whose it is."""
    store = leave_behind(tmp_path)
    assert run(["runs"], tmp_path, monkeypatch) == EXIT_OK
    assert f"{LEFT}  cut short: forerun rehearse --resume {LEFT}\n" in capsys.readouterr().out
    store.ledger.note(f"record-{LEFT}", "folder", "x")
    run(["runs"], tmp_path, monkeypatch)
    assert f"going on, process {os.getpid()}" in capsys.readouterr().out


def test_a_clock_that_was_set_forth_deletes_no_copy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Forty days ahead between two commands: said, and the copy is there when the clock is
    right again; one whose time is really over goes."""
    store = Store(tmp_path)
    now = datetime.now(UTC)
    survey = replace(make_survey(), id="survey-1", keep_until=set_end(now, 30))
    with store.new_folder(store.surveys, survey.id) as folder:
        (folder / "copy.tar").write_bytes(b"x")
        (folder / "survey.json").write_bytes(dump_record(survey))
    copy = store.surveys / survey.id / "copy.tar"
    ahead = 0

    class Clock(SystemClock):
        def now(self) -> datetime:
            return datetime.now(UTC) + timedelta(days=ahead)

    monkeypatch.setattr("forerun.pipeline_bench.SystemClock", Clock)
    run(["runs"], tmp_path, monkeypatch)
    ahead = 40
    for _ in range(3):
        run(["runs"], tmp_path, monkeypatch)
        assert "clock was set by +40.0 days" in capsys.readouterr().err
        assert copy.exists()
    ahead = 0
    run(["runs"], tmp_path, monkeypatch)
    assert (capsys.readouterr().err, copy.exists()) == ("", True)
    (tmp_path / "clock.json").unlink()  # as after a boot: then the clock is believed
    ahead = 40
    run(["runs"], tmp_path, monkeypatch)
    assert not copy.exists()


def run(arguments: list[str], state: Path, monkeypatch: pytest.MonkeyPatch) -> int:
    """A whole command line, as `main` runs it, on that state folder."""
    monkeypatch.setenv("FORERUN_HOME", str(state))
    return cli.run_guarded(lambda: cli.app(arguments, standalone_mode=True), state)


def test_an_error_inside_a_command_gets_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command line's library does not swallow or decorate it."""

    def fail(uri: str) -> object:
        raise UsageError("Not like this.", hint="Like that.")

    monkeypatch.setattr(cli, "open_here", fail)
    assert run(["runs"], tmp_path, monkeypatch) == UsageError.exit_code
    assert capsys.readouterr().err == "forerun: Not like this.\n  next: Like that.\n"


def test_an_interruption_inside_a_command_gets_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """130, as a shell gives it for SIGINT (POSIX.1-2017, XCU 2.8.2: 128 and the number)."""

    def fail(uri: str) -> object:
        raise Interrupted("Interrupted by SIGINT.")

    monkeypatch.setattr(cli, "open_here", fail)
    assert run(["runs"], tmp_path, monkeypatch) == 128 + signal.SIGINT
    assert capsys.readouterr().err == "forerun: Interrupted by SIGINT.\n"


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_the_first_signal_interrupts_and_the_next_do_not(number: signal.Signals) -> None:
    """The tear-down that follows is not cut short by a second Ctrl-C."""
    kept = {n: signal.getsignal(n) for n in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
    try:
        with pytest.raises(Interrupted, match=number.name):
            cli._raise_interrupted(number, None)
        assert [signal.getsignal(n) for n in kept] == [signal.SIG_IGN] * 3
    finally:
        for n, handler in kept.items():
            signal.signal(n, handler)


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["survey", "nobody"], 2, "user@host"),
        (["survey", "-oProxyCommand=x@y"], 2, ""),
        (["survey", "a@b;touch x"], 2, "user@host"),
        (["rehearse"], 2, "either a server or an earlier survey"),
        (["rehearse", "root@a.example", "--survey", "s"], 2, "either a server"),
        (["rehearse", "--survey", "s-1"], 51, "no survey 's-1'"),
        (["rehearse", "--resume", "run-x"], 51, "No request of a run 'run-x'"),
        (["rehearse", "--resume", "run-x", "--survey", "s-1"], 2, "either a server"),
        (["rehearse", "--resume", "run-x", "--cpus", "2", "--keep"], 2, "--cpus, --keep"),
        (["rehearse", "--resume", "run-x", "--rate-limit", "0"], 2, "--rate-limit"),
        (["rehearse", "--survey", "s-1", "--profile", "no-such"], 51, "no-such"),
        (["rehearse", "--survey", "s-1", "--cpus", "0"], 2, ""),
        (["report", "run-x"], 51, "no run 'run-x'"),
        (["report", "last"], 51, "last"),
        (["template", "verify", "abc"], 51, "no template 'abc'"),
        (["template", "remove", "abc"], 51, "no template 'abc'"),
        (["template", "import", "/nonexistent/x.qcow2"], 51, "no such file"),
        (["template", "build", "--boot", "floppy"], 2, "boot mode"),
        (["template", "build", "--size", "big"], 2, "no size"),
        (["profile", "check", "no-such"], 51, "no-such"),
        (["no-such-command"], 2, ""),
        (["report"], 2, ""),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else None,
)
def test_wrong_command_lines(
    arguments: list[str],
    code: int,
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Each has its exit code and a message; none is a bug, none leaves anything open."""
    assert run(arguments, tmp_path, monkeypatch) == code
    err = capsys.readouterr().err
    assert said in err
    assert "Traceback" not in err
    assert not (tmp_path / "bug.log").exists()
    assert [p for p in tmp_path.rglob("*.part")] == []


@pytest.mark.parametrize("arguments", [["runs"], ["template", "list"], ["version"]])
def test_empty_lists_are_no_error(
    arguments: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A fresh state folder lists nothing, well."""
    assert run(arguments, tmp_path, monkeypatch) == EXIT_OK
    assert capsys.readouterr().out.strip()


def test_what_a_survey_runs_can_be_read_beforehand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """`--show-commands` prints every command and makes nothing, not even a state folder."""
    state = tmp_path / "state"
    assert run(["survey", "--show-commands"], state, monkeypatch) == EXIT_OK
    assert "# os-release\n" in capsys.readouterr().out
    assert not state.exists()


def test_every_command_has_help(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each command's help is a sentence of its own."""
    group = typer.main.get_command(cli.app)
    names = sorted(group.commands)  # type: ignore[attr-defined]
    assert {"lab", "survey", "rehearse", "report", "runs", "sweep", "template"} <= set(names)
    for name in names:
        assert run([name, "--help"], tmp_path, monkeypatch) == EXIT_OK
        assert len(capsys.readouterr().out) > 100
