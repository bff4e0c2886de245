"""Removes what a killed process left, and only what forerun made."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from forerun.errors import ForerunError
from forerun.ports.hypervisor import NAME_PREFIX, Hypervisor
from forerun.ports.ledger import Entry
from forerun.ports.store import Store

_ORDER = {"domain": 0, "port": 1, "path": 2, "folder": 3}


@dataclass(frozen=True, slots=True)
class Swept:
    """What was removed and what could not be, as `kind:name`."""

    removed: tuple[str, ...]
    left: tuple[str, ...]


def sweep(store: Store, hypervisor: Hypervisor, *, run: str = "") -> Swept:
    """Reconcile ledger and lab host, both ways.

    Without `run`: entries whose process is gone and that were not kept on purpose, and
    domains with forerun's own mark that no living process claims. With `run`: all that
    belongs to that run, kept or not.
    """
    entries = store.ledger.find(run) if run else store.ledger.find_orphans()
    removed: list[str] = []
    left: list[str] = []
    for entry in sorted(entries, key=lambda entry: _ORDER.get(entry.kind, 9)):
        if _remove(entry, store, hypervisor):
            store.ledger.strike(entry.id)
            removed.append(entry.label())
        else:
            left.append(entry.label())
    if not run:
        removed += _end_unclaimed(store, hypervisor)
    return Swept(tuple(removed), tuple(left))


def _remove(entry: Entry, store: Store, hypervisor: Hypervisor) -> bool:
    if entry.kind == "domain":
        return _end_own(entry.name, entry.run, hypervisor)
    if entry.kind == "port":
        return True  # it went with its domain
    path = Path(entry.name)
    try:
        if not _is_inside(path, store.root):
            return False
        if entry.kind == "folder":
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)
        return not path.exists()
    except (OSError, ValueError):  # a folder where a file was noted, a name that is none
        return False


def _end_own(name: str, run: str, hypervisor: Hypervisor) -> bool:
    """End a domain if it carries our mark for that run; a namesake is left alone."""
    try:
        owned = {domain.name: domain.owner for domain in hypervisor.find_owned()}
        if owned.get(name) == run:
            hypervisor.end(name)
        return True
    except ForerunError:
        return False


def _is_inside(path: Path, root: Path) -> bool:
    """Whether a path from the ledger really lies in the state folder."""
    real, top = path.resolve(), root.resolve()
    return path.is_absolute() and real.is_relative_to(top) and real != top


def _end_unclaimed(store: Store, hypervisor: Hypervisor) -> list[str]:
    """Domains with our mark and name whose run this ledger has struck out or orphaned."""
    known = {entry.run: entry for entry in store.ledger.find(with_gone=True)}
    living = {entry.run for entry in _find_claimed(store)}
    ended: list[str] = []
    for domain in hypervisor.find_owned():
        ours = domain.owner in known and domain.name.startswith(NAME_PREFIX)
        if ours and domain.owner not in living:
            hypervisor.end(domain.name)
            ended.append(f"domain:{domain.name}")
    return ended


def _find_claimed(store: Store) -> Sequence[Entry]:
    orphans = {entry.id for entry in store.ledger.find_orphans()}
    return [entry for entry in store.ledger.find() if entry.id not in orphans]
