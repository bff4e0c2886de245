"""How a trainee's commands and the keeper of a drill talk: one JSON line each way over a
socket in the drill's folder, which only its owner may enter."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import sys
import traceback
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from forerun import errors
from forerun.drills.folder import LOG_NAME, SOCKET_NAME, DrillFolder
from forerun.errors import ForerunError, LabUnfit, UsageError
from forerun.model.drill import DrillState
from forerun.pipeline_bench import Bench
from forerun.ports.command import start_detached

# The command of this very Python, whatever is on the path.
_COMMAND = "from forerun.cli import main; main()"
ANSWER_S = 900.0
KEEPER_S = 120.0
STARTING_S = 20.0
_MOST_LINE = 1 << 24
Answer = dict[str, Any]


@contextmanager
def _entered(folder: DrillFolder) -> Iterator[str]:
    """The socket's path, short: unix(7) allows 107 letters, and a state folder may lie deep."""
    handle = os.open(folder.path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{handle}/{SOCKET_NAME}"
    finally:
        os.close(handle)


def listen(folder: DrillFolder) -> socket.socket:
    """The keeper's end. Whoever was there before is gone."""
    (folder.path / SOCKET_NAME).unlink(missing_ok=True)
    server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    with _entered(folder) as path:
        server.bind(path)
    (folder.path / SOCKET_NAME).chmod(0o600)
    server.listen(8)
    return server


def answer(link: socket.socket, act: Callable[[Mapping[str, Any]], Answer]) -> None:
    """Read one request and answer it; what goes wrong is an answer, too."""
    with link, contextlib.suppress(OSError):
        link.settimeout(ANSWER_S)
        try:
            said = act(_read_question(link))
        except ForerunError as problem:
            parts = {
                name: getattr(problem, name)
                for name in ("what", "where", "wanted", "found", "hint")
            }
            said = {"problem": {"kind": type(problem).__name__, **parts}}
        except FileNotFoundError:
            what = "There is no such file on the clone."
            said = {"problem": {"kind": "UsageError", "what": what}}
        except Exception as problem:
            traceback.print_exc()  # into the keeper's log
            what = f"The drill's keeper made a mistake ({type(problem).__name__})."
            hint = "Its log, keeper.log in the drill's folder, says more; try again."
            said = {"problem": {"kind": "LabUnfit", "what": what, "hint": hint}}
        link.sendall(json.dumps(said).encode("utf-8") + b"\n")


def _read_question(link: socket.socket) -> Answer:
    try:
        return _read_line(link)
    except ValueError as problem:
        raise UsageError("That was no question a keeper knows.") from problem


def _read_line(link: socket.socket) -> Answer:
    content = b""
    while not content.endswith(b"\n") and len(content) < _MOST_LINE:
        part = link.recv(1 << 16)
        if not part:
            break
        content += part
    made = json.loads(content)
    if not isinstance(made, dict):
        raise ValueError("no mapping")
    return made


def ask(folder: DrillFolder, bench: Bench, do: str, **more: object) -> Answer:
    """Ask the keeper of a drill that is going on; one that was killed is started anew, and
    goes on where it was. Raises what the keeper raises, LabUnfit where none comes up."""
    wake(folder, bench)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
        link.settimeout(ANSWER_S)
        try:
            with _entered(folder) as path:
                link.connect(path)
            link.sendall(json.dumps({"do": do, **more}).encode("utf-8") + b"\n")
            said = _read_line(link)
        except (OSError, ValueError) as problem:
            raise _say_gone(folder, str(problem)) from problem
    if "problem" in said:
        parts = dict(said["problem"])
        kind = getattr(errors, str(parts.pop("kind", "")), ForerunError)
        raise kind(parts.pop("what", ""), **parts)
    return said


def wake(folder: DrillFolder, bench: Bench) -> None:
    """See to it that the drill has a keeper that listens. Raises UsageError for a drill that
    has ended, LabUnfit where no keeper comes up."""
    record = folder.load()
    if not record.state.is_open:
        raise UsageError(
            "This drill has ended.",
            where=record.id,
            found=record.verdict or record.state.value,
            hint=f"`forerun drill debrief {record.id}` shows what came of it.",
        )
    if record.state is DrillState.PREPARING:
        kept = folder.is_kept()
        raise UsageError(
            "The clone of this drill is still being made."
            if kept
            else "The clone of this drill was never finished: its making was cut short.",
            where=record.id,
            hint="Wait for it: `forerun drill list` says when it is ready."
            if kept
            else "Run `forerun sweep`, then start the drill again.",
        )
    if not folder.is_kept():
        start_keeper(folder, bench)
    began = bench.clock.monotonic()
    while not _listens(folder):
        waited = bench.clock.monotonic() - began
        if waited > KEEPER_S or (waited > STARTING_S and not folder.is_kept()):
            raise _say_gone(folder, "it does not listen")
        bench.clock.sleep(0.2)


def start_keeper(folder: DrillFolder, bench: Bench) -> None:
    """Start the process that keeps the drill; it goes on when this one ends."""
    start_detached(
        [sys.executable, "-c", _COMMAND, "drill", "keep", folder.id, "--connect", bench.uri],
        folder.path / LOG_NAME,
        {"FORERUN_HOME": str(bench.store.root)},
    )


def _listens(folder: DrillFolder) -> bool:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link, contextlib.suppress(OSError):
        link.settimeout(5.0)
        with _entered(folder) as path:
            link.connect(path)
        return True
    return False


def _say_gone(folder: DrillFolder, found: str) -> LabUnfit:
    return LabUnfit(
        "The drill's keeper gives no answer.",
        where=str(folder.path / LOG_NAME),
        found=found,
        hint="Read that file; `forerun sweep` takes away a drill that cannot go on.",
    )
