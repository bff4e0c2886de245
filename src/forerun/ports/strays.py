"""Programs that a forerun started and that outlived it.

`ports.command` gives each program the name of its caller in the environment, and whatever
that program starts inherits it: environ(7). A program whose caller is gone works for nobody.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from forerun.ports.command import CALLER
from forerun.ports.labhost import LabHost
from forerun.ports.ledger import is_living, read_process_start

_PROC = Path("/proc")
_END_S = 5.0


@dataclass(frozen=True, slots=True)
class Stray:
    """A program and when it began, as `ledger.read_process_start` tells."""

    pid: int
    began: str
    name: str


def name_caller(mark: str) -> str:
    """This process, working for the state folder of that mark."""
    pid = os.getpid()
    return f"{mark}:{pid}:{read_process_start(pid)}:{LabHost().boot_id()}"


def find_strays(mark: str) -> tuple[Stray, ...]:
    """The programs that work for that state folder and whose caller is gone."""
    return tuple(
        stray
        for stray, caller in _list_called()
        if caller[:1] == [mark] and len(caller) == 4 and not _is_called(caller)
    )


def _is_called(caller: list[str]) -> bool:
    _, pid, began, boot = caller
    return pid.isdecimal() and is_living(int(pid), began, boot)


def _list_called() -> Iterator[tuple[Stray, list[str]]]:
    for folder in _PROC.iterdir():
        if folder.name.isdecimal():
            pid = int(folder.name)
            began, caller = read_process_start(pid), _read_caller(pid)
            if began and caller:
                with contextlib.suppress(OSError):
                    name = (folder / "comm").read_text(encoding="utf-8", errors="replace")
                    yield Stray(pid, began, name.strip()), caller.split(":")


def _read_caller(pid: int) -> str:
    """proc(5): the environment it was started with; others' processes do not tell."""
    with contextlib.suppress(OSError):
        for field in (_PROC / str(pid) / "environ").read_bytes().split(b"\0"):
            name, _, value = field.partition(b"=")
            if name == CALLER.encode("ascii"):
                return value.decode("ascii", "replace")
    return ""


def end_stray(stray: Stray) -> bool:
    """End it at once; whether it is gone. A pid that was given to another process meanwhile
    is left alone: pidfd_open(2)."""
    try:
        handle = os.pidfd_open(stray.pid)
    except OSError:
        return True
    try:
        if read_process_start(stray.pid) != stray.began:
            return True
        with contextlib.suppress(OSError):
            signal.pidfd_send_signal(handle, signal.SIGKILL)
        ended, _, _ = select.select([handle], [], [], _END_S)
        return bool(ended)
    finally:
        os.close(handle)
