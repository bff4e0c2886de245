"""Removing a whole tree, and never more than that tree."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

_MOUNTS = Path("/proc/self/mountinfo")
_TRIES = 3  # a program that was just ended may have made one more file meanwhile


def remove_tree(folder: Path) -> bool:
    """Remove a folder with all it holds; whether it is gone.

    A symbolic link is not followed, and a folder with something mounted in it is left
    alone: what is mounted there is somebody else's (rm(1), --one-file-system)."""
    if folder.is_symlink() or has_mounts(folder):
        return False
    for _ in range(_TRIES):
        shutil.rmtree(folder, ignore_errors=True)
        if not folder.exists():
            return True
    return False


def has_mounts(folder: Path, table: Path = _MOUNTS) -> bool:
    """Whether a file system is mounted on the folder or below (proc(5), mountinfo: the
    fifth field, blanks and the like as three octal digits)."""
    try:
        lines = table.read_bytes().splitlines()
    except OSError:
        return False
    own = str(folder.resolve()).encode("utf-8", "surrogateescape")
    points = (_unescape(line.split()[4]) for line in lines if line.count(b" ") > 4)
    return any(point == own or point.startswith(own + b"/") for point in points)


def _unescape(field: bytes) -> bytes:
    return re.sub(rb"\\([0-7]{3})", lambda found: bytes([int(found[1], 8)]), field)
