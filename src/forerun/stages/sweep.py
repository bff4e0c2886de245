"""Removes what a killed process left, and only what forerun made.

Ledger and lab host are reconciled both ways: what the ledger names goes, and so does what
has forerun's mark (`stages.sweep_look`) and that nobody claims. A claim is an entry of a
living process, or of something that was kept on purpose.
"""

from __future__ import annotations

import contextlib
import os
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from forerun.errors import ForerunError, HypervisorFailed
from forerun.ports.command import Command, LocalCommand
from forerun.ports.held import PART, remove_unheld
from forerun.ports.hypervisor import NAME_PREFIX, Hypervisor, OwnedDomain
from forerun.ports.labhost import LabHost
from forerun.ports.ledger import Entry
from forerun.ports.removal import has_mounts, remove_tree
from forerun.ports.store import Store
from forerun.ports.strays import end_stray, find_strays
from forerun.stages.scratch import remove_scratch
from forerun.stages.sweep_look import (
    Found,
    can_be_gone_on_from,
    find_run,
    is_ours,
    list_paths,
    look_around,
)

_ORDER = {"domain": 0, "port": 1, "path": 2, "folder": 3}
_MOST_LOOKS = 20
_RECORD = "record-"  # a run's own folder is noted apart from what its clone is made of


@dataclass(frozen=True, slots=True)
class Swept:
    """What was removed and what could not be, as `kind:name`; `notes` say why not."""

    removed: tuple[str, ...]
    left: tuple[str, ...]
    notes: tuple[str, ...] = ()

    def summary(self) -> str:
        """What was removed, counted by kind."""
        kinds = Counter(label.partition(":")[0] for label in self.removed)
        return ", ".join(f"{n} {kind}{'s' * (n > 1)}" for kind, n in kinds.items())


def sweep(
    store: Store,
    hypervisor: Hypervisor | None,
    command: Command | None = None,
    *,
    run: str = "",
    thorough: bool = True,
) -> Swept:
    """Reconcile ledger and lab host, both ways.

    Without `run`: all that no living process claims and that was not kept on purpose. With
    `run`: what belongs to that run, kept or not, unless its process is alive. Not `thorough`:
    what a later command can go on from stays. Without a hypervisor, domains and what may be
    in use by one are left. Raises HypervisorFailed when libvirt does not answer, unless for one
    run: of that everything is then left, and told.
    """
    with store.locked("sweep", wait=thorough or bool(run)) as had:
        if not had:  # another one is at it
            return Swept((), ())
        try:
            found = look_around(store, hypervisor)
        except HypervisorFailed:
            if not run:
                raise
            found = look_around(store, None)  # the rest of the run is told to be left
        entries = store.ledger.find()
        chosen = choose_entries(entries, run)
        claims = list_claims(entries, chosen)
        work = _Sweep(store, hypervisor, command or LocalCommand(), found, claims, thorough)
        work.remove_noted(chosen)
        if run:
            work.note_living(entries, run)
        else:
            work.remove_unclaimed({entry.name for entry in chosen})
        store.ledger.strike(*work.done)
        return Swept(tuple(work.removed), tuple(work.left), tuple(work.notes))


def choose_entries(entries: Iterable[Entry], run: str = "") -> list[Entry]:
    """The entries whose things may go, in the order in which they go."""
    if run:
        own = [entry for entry in entries if entry.run in (run, f"{_RECORD}{run}")]
        chosen = [entry for entry in own if entry.kept or not entry.is_living()]
    else:
        chosen = [entry for entry in entries if not entry.kept and not entry.is_living()]
    return sorted(chosen, key=lambda entry: _ORDER.get(entry.kind, 9))


def list_claims(entries: Iterable[Entry], chosen: Sequence[Entry]) -> frozenset[str]:
    """Names of things that somebody else claims, also where a dead process noted them too."""
    going = {entry.id for entry in chosen}
    return frozenset(entry.name for entry in entries if entry.id not in going)


def needs_hypervisor(store: Store) -> bool:
    """Whether a sweep has to ask libvirt: there is a domain on record, or something that a
    domain may be using."""
    paths = [path for path in list_paths(store) if path.parent == store.machines]
    entries = store.ledger.find()
    chosen = choose_entries(entries)
    claims = list_claims(entries, chosen)
    return any(entry.kind == "domain" for entry in chosen) or any(
        str(path) not in claims for path in paths
    )


@dataclass(slots=True)
class _Sweep:
    """One sweep; `stuck` are the runs whose domain could not be ended, `done` the entries
    whose things are gone."""

    store: Store
    hypervisor: Hypervisor | None
    command: Command
    found: Found
    claims: frozenset[str]
    thorough: bool
    removed: list[str] = field(default_factory=list)
    left: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    stuck: set[str] = field(default_factory=set)
    done: list[int] = field(default_factory=list)

    def remove_noted(self, entries: Sequence[Entry]) -> None:
        """What the ledger names; programs that work on it first. Entries are struck when all
        is gone: on a full disk there may be no room to write before."""
        self._end_strays()
        for entry in entries:
            if not self.thorough and can_be_gone_on_from(Path(entry.name), self.store):
                continue
            if entry.name in self.claims or self._is_gone(entry):
                self.done.append(entry.id)
            elif self._remove(entry):
                self.done.append(entry.id)
                self.removed.append(entry.label())
            else:
                self.left.append(entry.label())

    def _end_strays(self) -> None:
        """Again and again: one may have started another while it was being ended."""
        strays, looks = self.found.strays, 0
        while strays and looks < _MOST_LOOKS:
            self.removed += [f"program:{stray.name}" for stray in strays if end_stray(stray)]
            strays, looks = find_strays(self.store.mark), looks + 1

    def _is_gone(self, entry: Entry) -> bool:
        """Whether nothing is there to be removed, or only a namesake without our mark."""
        if entry.kind in ("path", "folder", "scratch"):
            return not os.path.lexists(entry.name)
        if entry.kind != "domain":
            return False
        if entry.boot not in ("", LabHost().boot_id()):
            return True  # the lab host was off since: transient domains are gone
        if self.hypervisor is None or entry.place not in ("", self.hypervisor.uri):
            return False
        return self.found.domains is not None and not self._find_named(entry)

    def _find_named(self, entry: Entry) -> list[OwnedDomain]:
        return [
            one
            for one in self.found.domains or ()
            if (one.name, one.owner) == (entry.name, entry.run)
        ]

    def _remove(self, entry: Entry) -> bool:
        if entry.kind == "domain":
            ended = self._end_noted(entry)
            if not ended:
                self.stuck |= {entry.run, entry.name.removeprefix(NAME_PREFIX)}
            return ended
        if entry.run in self.stuck:  # its domain may use it
            return False
        if entry.kind == "port":
            return True  # it went with its domain
        if entry.kind == "scratch":
            return remove_scratch(Path(entry.name), self.command)
        return self._remove_path(Path(entry.name), folder=entry.kind == "folder")

    def _end_noted(self, entry: Entry) -> bool:
        elsewhere = self.hypervisor is not None and entry.place not in ("", self.hypervisor.uri)
        if elsewhere:
            self.notes.append(f"{entry.name}: forerun sweep --connect {entry.place}")
        if self.found.domains is None or elsewhere:
            return False
        return all(self._end(one) for one in self._find_named(entry))

    def _end(self, domain: OwnedDomain) -> bool:
        try:
            if self.hypervisor is not None:
                self.hypervisor.end(domain.name)
        except ForerunError as problem:
            self.notes.append(f"{domain.name}: {problem.found or problem.what}")
            return False
        return True

    def _remove_path(self, path: Path, *, folder: bool) -> bool:
        if not is_ours(path, self.store):
            self.notes.append(f"{path}: not a place that forerun removes anything from")
            return False
        if has_mounts(path):
            self.notes.append(f"{path}: something is mounted in it (findmnt(8)); unmount it first")
            return False
        if path.parent == self.store.templates:
            # A build that began since the ledger was read goes on from these very parts.
            with self.store.locked(f"template-{path.name.removesuffix(PART)}", wait=False) as had:
                return had and remove_tree(path)
        if folder:
            return remove_tree(path)
        with contextlib.suppress(OSError):
            path.unlink()
        return not path.exists()

    def remove_unclaimed(self, done: set[str]) -> None:
        """What has our mark and that nobody claims: struck out too early, or no longer noted
        because the ledger was lost. `done` was in the ledger and has had its turn."""
        known = self.claims | done
        for domain in self.found.domains or ():
            ours = domain.state == self.store.mark and domain.name.startswith(NAME_PREFIX)
            if ours and domain.name not in known:
                label = f"domain:{domain.name}"
                if self._end(domain):
                    self.removed.append(label)
                else:
                    self.stuck.add(domain.name.removeprefix(NAME_PREFIX))
                    self.left.append(label)
        for path in self.found.paths:
            if str(path) not in known and os.path.lexists(path):
                self._remove_found(path)
        for path in self.found.held:
            if remove_unheld(path):
                self.removed.append(f"file:{path}")

    def _remove_found(self, path: Path) -> None:
        in_machines = path.parent == self.store.machines
        if in_machines and (self.found.domains is None or find_run(path) in self.stuck):
            return
        if not self.thorough and can_be_gone_on_from(path, self.store):
            return
        folder = path.is_dir()
        label = f"{'folder' if folder else 'path'}:{path}"
        (self.removed if self._remove_path(path, folder=folder) else self.left).append(label)

    def note_living(self, entries: Iterable[Entry], run: str) -> None:
        """What of that run is its living process's own."""
        for entry in entries:
            if entry.run == run and not entry.kept and entry.is_living():
                self.left.append(entry.label())
                self.notes.append(f"{entry.name}: process {entry.pid} is at work on it")
