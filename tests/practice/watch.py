"""Watches what code does to the machine around it: hangs, and writes where none belong."""

from __future__ import annotations

import os
import signal
import stat
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

CPU_LIMIT_S = 30.0  # of the processor, so that a busy machine is no hang; examples take 0.1 s


class HungError(BaseException):
    """No `Exception`: the code under test must not be able to pass over it."""


@contextmanager
def no_hang(limit_s: float = CPU_LIMIT_S) -> Iterator[None]:
    """The block may use so much processor time; then HungError is raised inside it."""

    def give_up(_number: int, _frame: object) -> None:
        raise HungError(f"still busy after {limit_s} s of processor time")

    before = signal.signal(signal.SIGVTALRM, give_up)
    signal.setitimer(signal.ITIMER_VIRTUAL, limit_s)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)


_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
_CHANGES = frozenset(
    {
        "os.remove", "os.rename", "os.mkdir", "os.rmdir", "os.chmod", "os.chown", "os.link",
        "os.symlink", "os.truncate", "os.utime", "os.mkfifo", "shutil.rmtree", "sqlite3.connect",
    }
)  # fmt: skip
_watching: tuple[Path, list[str]] | None = None


def _hear(event: str, arguments: tuple[Any, ...]) -> None:
    if _watching is None:
        return
    paths: tuple[Any, ...]
    if event == "open":
        path, _mode, flags = arguments
        if not (isinstance(flags, int) and flags & _WRITING):
            return
        paths = (path,)
    elif event in _CHANGES:
        paths = tuple(one for one in arguments[:2] if isinstance(one, str | bytes | os.PathLike))
    else:
        return
    allowed, outside = _watching
    for path in paths:
        if isinstance(path, int):
            continue
        where = Path(os.fsdecode(path)).absolute()
        kept = "__pycache__" in where.parts or str(where) == os.devnull
        if not kept and not Path(os.path.normpath(where)).is_relative_to(allowed):
            outside.append(f"{event} {where}")


sys.addaudithook(_hear)  # Python's "Audit events table"; a hook cannot be removed, only told


@contextmanager
def writes_stay_in(folder: Path) -> Iterator[None]:
    """Every file that is written, made, removed or renamed in the block lies in `folder`,
    and nothing beside it has changed: `folder.parent` is read whole, twice."""
    global _watching  # noqa: PLW0603 - see above
    outside: list[str] = []
    before = look_around(folder)
    _watching = (folder, outside)
    try:
        yield
    finally:
        _watching = None
    assert outside == []
    assert look_around(folder) == before


def look_around(folder: Path) -> dict[str, tuple[object, ...]]:
    """Everything in the folder's parent but the folder: kind, mode, size, time, content."""
    found: dict[str, tuple[object, ...]] = {}
    for top in sorted(folder.parent.iterdir()):
        if top == folder:
            continue
        for path in (top, *sorted(top.rglob("*") if top.is_dir() else ())):
            facts = path.lstat()
            regular = stat.S_ISREG(facts.st_mode)
            content = path.read_bytes() if regular else b""
            time = facts.st_mtime_ns if regular else 0
            found[str(path)] = (facts.st_mode, facts.st_size if regular else 0, time, content)
    return found


def make_surroundings(folder: Path) -> None:
    """Something beside `folder` that a stray write or removal would hit."""
    parent = folder.parent
    (parent / "etc").mkdir()
    (parent / "etc" / "passwd").write_text("root:x:0:0::/root:/bin/sh\n")
    (parent / "etc" / "hosts").write_text("127.0.0.1 localhost\n")
    (parent / "neighbour.txt").write_text("not yours\n")
