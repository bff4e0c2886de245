"""The mark by which forerun knows its own clones: nothing is run on a machine without it."""

from __future__ import annotations

from forerun.errors import CloneUnreachable
from forerun.ports.ssh_shapes import SshLink

GUARD_FILE = "/etc/forerun/this-is-a-clone"


def check_guard(link: SshLink, path: str = GUARD_FILE) -> None:
    """Raises CloneUnreachable where the machine behind the link carries no guard file, and
    LinkLost."""
    try:
        link.read_file(path)
    except FileNotFoundError as problem:
        raise CloneUnreachable(
            "The machine that answered is not a clone made by forerun; nothing was run there.",
            wanted=f"the guard file {path}",
            hint="Another machine may hold that port. Start again.",
        ) from problem
