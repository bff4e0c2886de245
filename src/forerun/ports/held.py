"""Files that belong to a process only while it lives: locks, and files being written.

Each is held by flock(2) for as long as its process has it open. The kernel lets go when
the process ends, whatever ended it, so that anybody can tell a living process's file from
a dead one's without trusting a pid or a clock.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

PART = ".part"


def name_aside(path: Path) -> Path:
    """A name of one's own beside a file, to write it under before it is renamed."""
    return path.with_name(f"{path.name}.{secrets.token_hex(4)}{PART}")


def open_held(path: Path, *, mode: int = 0o600) -> int:
    """Make a file and hold it; returns the descriptor, which lets go when it is closed.

    Raises FileExistsError and every other OSError of open(2)."""
    while True:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, mode)
        fcntl.flock(handle, fcntl.LOCK_EX)
        # Between the two lines it looked like nobody's, and a sweep may have taken it.
        if _is_there(handle, path):
            return handle
        os.close(handle)


@contextmanager
def locked(
    path: Path, *, wait: bool = True, on_wait: Callable[[], object] | None = None
) -> Iterator[bool]:
    """Only one process at a time is inside for one path; the file goes with the last.

    Yields whether the lock was had, which without `wait` it may not be. `on_wait` is called
    once before waiting for another process."""
    handle = _take(path, wait, on_wait)
    try:
        yield handle is not None
    finally:
        if handle is not None:
            path.unlink(missing_ok=True)
            os.close(handle)


def _take(path: Path, wait: bool, on_wait: Callable[[], object] | None) -> int | None:
    while True:
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
        try:
            if not _hold(handle, wait, on_wait):
                os.close(handle)
                return None
            # The one before may have removed the file while we waited for it.
            if _is_there(handle, path):
                return handle
        except BaseException:
            os.close(handle)
            raise
        os.close(handle)


def _hold(handle: int, wait: bool, on_wait: Callable[[], object] | None) -> bool:
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        if not wait:
            return False
        if on_wait is not None:
            on_wait()
        fcntl.flock(handle, fcntl.LOCK_EX)
    return True


def is_held(path: Path) -> bool:
    """Whether a living process holds that file now."""
    return _look(path, remove=False)


def remove_unheld(path: Path) -> bool:
    """Remove a file that no living process holds; whether it is gone. Only plain files are
    touched, and symbolic links are not followed."""
    return not _look(path, remove=True) and not path.exists()


def _look(path: Path, *, remove: bool) -> bool:
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        if remove and path.is_file() and _is_there(handle, path):
            with contextlib.suppress(OSError):
                path.unlink()
    except BlockingIOError:
        return True
    finally:
        os.close(handle)
    return False


def _is_there(handle: int, path: Path) -> bool:
    """Whether the open file is the one that the path leads to."""
    with contextlib.suppress(OSError):
        return os.path.samestat(os.fstat(handle), path.lstat())
    return False
