"""The work tree of a template build: where it lies, and how it goes again.

Root works beside the parts of the template. Whoever is not root does so under user numbers
of his own, which may not enter his folders: his tree lies in the folder for temporary
files, under a name that the ledger has first.
"""

from __future__ import annotations

import os
import re
import secrets
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from forerun.errors import TemplateFailed
from forerun.ports.command import Command
from forerun.ports.removal import remove_tree
from forerun.ports.store import Store

_NAME = re.compile(r"forerun-tree\.[0-9a-f]{16}")
_REMOVE_S = 600.0


def as_owner() -> list[str]:
    """Words before a command that handles a tree of several users. Ownership is real for
    root; others enter a user namespace."""
    return [] if os.geteuid() == 0 else ["mmdebstrap", "--unshare-helper"]


def in_own_mounts(command: Command) -> list[str]:
    """Words before a command that mounts file systems in its tree: they are seen by nobody
    else and go with its last process (mount_namespaces(7)). Without them a killed package
    tool leaves the lab host's /proc and /sys mounted there. Where the kernel does not let
    us, the command cannot mount anything either."""
    words = ["unshare", "--mount"]
    if as_owner():  # the helper's namespace has mounts of its own
        return []
    allowed = command.run([*words, "true"], timeout_s=30, check=False)
    return words if allowed.exit_code == 0 else []


@contextmanager
def open_scratch(store: Store, command: Command, run: str, aside: Path) -> Iterator[Path]:
    """A folder for trees that exist only while the block runs. `aside` is the unfinished
    template's own, noted folder."""
    if not as_owner():
        folder = aside / "scratch"
        if not remove_tree(folder):
            raise TemplateFailed(
                "What an earlier build left cannot be removed.",
                where=str(folder),
                hint="Look what is mounted or at work in there; then run `forerun sweep`.",
            )
        try:
            folder.mkdir(mode=0o755)
            yield folder
        finally:
            remove_tree(folder)
        return
    folder = Path(tempfile.gettempdir()) / f"forerun-tree.{secrets.token_hex(8)}"
    entry = store.ledger.note(run, "scratch", str(folder))
    try:
        folder.mkdir(mode=0o700)
        folder.chmod(0o1777)  # as the folder it is in: those numbers are others' to the kernel
        yield folder
    finally:
        if remove_scratch(folder, command):
            store.ledger.strike(entry)


def is_scratch(folder: Path) -> bool:
    """Whether that can be a work tree of this user's: by its name and its owner, whatever
    a ledger says."""
    try:
        facts = folder.lstat()
    except OSError:
        return False
    return (
        _NAME.fullmatch(folder.name) is not None
        and stat.S_ISDIR(facts.st_mode)
        and facts.st_uid == os.geteuid()
    )


def remove_scratch(folder: Path, command: Command) -> bool:
    """Remove a work tree; whether it is gone. What is none is left alone."""
    if not is_scratch(folder):
        return not (folder.is_symlink() or folder.exists())
    if owner := as_owner():
        argv = [*owner, "find", str(folder), "-xdev", "-mindepth", "1", "-delete"]
        command.run(argv, timeout_s=_REMOVE_S, cwd=Path("/"), check=False)
    return remove_tree(folder)
