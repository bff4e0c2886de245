"""What lies on the lab host with forerun's own mark, whoever claims it.

By its mark: domains by their metadata, files and folders by their place in the state folder
and a name that forerun gives, programs by their environment.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from forerun.ports.held import PART
from forerun.ports.hypervisor import Hypervisor, OwnedDomain
from forerun.ports.store import REQUEST_NAME, Store
from forerun.ports.strays import Stray, find_strays

_ID = r"[a-z]+-\d{8}-\d{6}-[0-9a-f]{4,8}"
_MACHINE = re.compile(rf"({_ID})(?:-[a-z]+|\.[a-z]+)?")
_UNFINISHED = re.compile(rf"(?:{_ID}|[0-9a-f]{{16}})\{PART}")
_ASIDE = re.compile(rf".+\.[0-9a-f]{{8}}\{PART}")


@dataclass(frozen=True, slots=True)
class Found:
    """What there is. `domains` None: libvirt cannot be asked. `held` are files that go as
    soon as no process holds them."""

    domains: tuple[OwnedDomain, ...] | None
    strays: tuple[Stray, ...]
    paths: tuple[Path, ...]
    held: tuple[Path, ...]


def look_around(store: Store, hypervisor: Hypervisor | None) -> Found:
    """Raises HypervisorFailed. Look before the ledger is read: what a living process made
    was noted before it was made, so it is then either claimed or not seen yet."""
    domains = None
    if hypervisor is not None:
        domains = tuple(one for one in hypervisor.find_owned() if one.state in ("", store.mark))
    return Found(
        domains,
        find_strays(store.mark),
        tuple(list_paths(store)),
        tuple(sorted(_list_held(store))),
    )


def list_paths(store: Store) -> Iterator[Path]:
    """Machines' files and folders, and unfinished surveys, templates and runs, by name."""
    for path in sorted(store.machines.iterdir()):
        if _MACHINE.fullmatch(path.name) and not path.is_symlink():
            yield path
    for parent in (store.surveys, store.templates, store.runs):
        for path in sorted(parent.iterdir()):
            if _UNFINISHED.fullmatch(path.name) and not path.is_symlink():
                yield path


def _list_held(store: Store) -> Iterator[Path]:
    yield from store.root.glob("*.lock")
    for place in (store.root, *store.surveys.iterdir(), *store.runs.iterdir()):
        if place.is_dir() and not place.is_symlink() and not place.name.endswith(PART):
            yield from (one for one in place.glob(f"*{PART}") if _ASIDE.fullmatch(one.name))
    yield from store.archive.glob("partial/*")


def find_run(path: Path) -> str:
    """The run that a machine's file or folder was made for, by its name, or ""."""
    found = _MACHINE.fullmatch(path.name)
    return found[1] if found else ""


def is_ours(path: Path, store: Store) -> bool:
    """Whether a path from the ledger can be something that forerun removes, whatever the
    ledger says: it lies right in `machines/`, or is an unfinished folder right in one of the
    others; nothing on the way leads out of the state folder; it is no link itself."""
    unfinished = (store.surveys, store.templates, store.runs)
    place = path.parent == store.machines or (
        path.parent in unfinished and path.name.endswith(PART)
    )
    inside = path.parent.resolve().is_relative_to(store.root.resolve())
    return place and inside and path.name not in ("", ".", "..") and not path.is_symlink()


def can_be_gone_on_from(path: Path, store: Store) -> bool:
    """Whether a later command can make use of it: an unfinished template whose parts are
    found again, a run that was cut short and whose request is stored."""
    if path.parent == store.templates:
        return path.name.endswith(PART) and path.is_dir()
    return path.parent == store.runs and (path / REQUEST_NAME).is_file()
