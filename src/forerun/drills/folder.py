"""A drill's folder: its record, what its keeper needs to go on, what the trainee left.

Each file is written aside and renamed, so that whoever is killed leaves the one before."""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from forerun.drills.baseline import Baseline
from forerun.drills.look import History
from forerun.errors import NotFound, RecordDamaged
from forerun.model.blueprint import AllowedArchive
from forerun.model.drill import DrillRecord
from forerun.model.profile import Procedure
from forerun.ports.held import is_held
from forerun.ports.store import Store, write_durably
from forerun.stages.adopt import CloneFacts
from forerun.stages.hold import HoldPoint

RECORD_NAME = "drill.json"
GROUND_NAME = "ground.json"
HISTORY_NAME = "history.json"
PROCEDURE_NAME = "procedure.json"
PROGRESS_NAME = "progress.log"
SOCKET_NAME = "keeper"
LOCK_NAME = "keeper.lock"
LOG_NAME = "keeper.log"
ORDER_NAME = "order.json"
RUNBOOK_NAME = "runbook.md"
TAKEN_NAME = "taken"
BACKUP_NAME = "configuration.tar.gz"  # as `actions.keep_configuration` leaves it


@dataclass(frozen=True, slots=True)
class DrillGround:
    """What a keeper needs to go on with a drill. `password` is root's on
    the clone's console; `laid` are (inject, why it could not be laid or "") of those that were
    there before the trainee."""

    clone: CloneFacts
    hold: HoldPoint
    baseline: Baseline
    allowed: tuple[AllowedArchive, ...]
    accelerator: str
    memory_bytes: int
    rate_limit_bits: int
    index_age_s: float
    password: str
    laid: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class DrillOrder:
    """The clone that was asked for: processors, bytes of memory, bits a second of its line (0:
    no limit), seconds that an archive's index may be old, a template's id or ""."""

    cpus: int
    memory_bytes: int
    rate_limit_bits: int = 0
    index_age_s: float = 3600.0
    template_id: str = ""


_T = TypeVar("_T")
_adapters: dict[type[Any], TypeAdapter[Any]] = {}


def _adapt(kind: type[Any]) -> TypeAdapter[Any]:
    if kind not in _adapters:
        _adapters[kind] = TypeAdapter(kind)
    return _adapters[kind]


class DrillFolder:
    """One drill's folder."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.id = path.name

    @property
    def taken(self) -> Path:
        """Where files go that the trainee takes off the clone."""
        return self.path / TAKEN_NAME

    @property
    def runbook(self) -> Path:
        """The sheet that the trainee works from."""
        return self.path / RUNBOOK_NAME

    def is_kept(self) -> bool:
        """Whether a living keeper is at work on it."""
        lock = self.path / LOCK_NAME
        return lock.is_file() and is_held(lock)

    def load(self) -> DrillRecord:
        """The record. Raises NotFound, RecordDamaged."""
        return self._load(DrillRecord, RECORD_NAME)

    def save(self, record: DrillRecord) -> None:
        """Write the record."""
        self._save(record, RECORD_NAME)

    def load_ground(self) -> DrillGround:
        """What a keeper needs. Raises NotFound where the clone was never ready."""
        return self._load(DrillGround, GROUND_NAME)

    def save_ground(self, ground: DrillGround) -> None:
        """Write what a keeper needs; it holds the key to the clone."""
        self._save(ground, GROUND_NAME)

    def load_history(self) -> History | None:
        """What the looks have shown so far; None before the first."""
        try:
            return self._load(History, HISTORY_NAME)
        except NotFound:
            return None

    def save_history(self, history: History) -> None:
        """Write what the looks have shown."""
        self._save(history, HISTORY_NAME)

    def load_procedure(self) -> Procedure:
        """Profile and site file of the drill."""
        return self._load(Procedure, PROCEDURE_NAME)

    def save_procedure(self, procedure: Procedure) -> None:
        """Write profile and site file."""
        self._save(procedure, PROCEDURE_NAME)

    def load_order(self) -> DrillOrder:
        """The clone that was asked for."""
        return self._load(DrillOrder, ORDER_NAME)

    def save_order(self, order: DrillOrder) -> None:
        """Write the clone that is asked for."""
        self._save(order, ORDER_NAME)

    def list_casts(self) -> tuple[Path, ...]:
        """Recorded terminals, oldest first."""
        return tuple(sorted(self.path.glob("terminal-*.cast")))

    def forget_clone(self) -> None:
        """Remove what was only for a living clone: its key, and what was taken off it, which is
        production's sanitised configuration."""
        for name in (GROUND_NAME, HISTORY_NAME, SOCKET_NAME, BACKUP_NAME):
            (self.path / name).unlink(missing_ok=True)
        for path in self.taken.glob("*"):
            path.unlink(missing_ok=True)
        with contextlib.suppress(OSError):
            self.taken.rmdir()

    def _save(self, record: Any, name: str) -> None:
        content = _adapt(type(record)).dump_json(record, indent=1) + b"\n"
        write_durably(self.path / name, content)

    def _load(self, kind: type[_T], name: str) -> _T:
        path = self.path / name
        try:
            record: _T = _adapt(kind).validate_json(path.read_bytes())
        except FileNotFoundError as problem:
            raise NotFound(
                "The drill's folder lacks what is wanted.",
                where=str(path),
                hint="`forerun drill list` shows the drills there are.",
            ) from problem
        except (ValidationError, OSError) as problem:
            raise RecordDamaged(
                "A file of the drill cannot be read.",
                where=str(path),
                found=str(problem)[:300],
                hint="It was cut short, edited, or written by another version of forerun.",
            ) from problem
        return record


def find_drills(store: Store) -> tuple[DrillFolder, ...]:
    """The drills of this state folder, oldest first."""
    paths = sorted(path for path in store.drills.glob("drill-*") if (path / RECORD_NAME).is_file())
    return tuple(DrillFolder(path) for path in paths)


def find_drill(store: Store, name: str) -> DrillFolder:
    """One drill by its id; "last" or "" is the newest that is going on, else the newest.
    Raises NotFound."""
    known = find_drills(store)
    if name in ("", "last"):
        going = [one for one in known if one.load().state.is_open]
        if going or known:
            return (going or list(known))[-1]
    for one in known:
        if one.id == name:
            return one
    raise NotFound(
        "There is no such drill." if name else "There is no drill yet.",
        where=name,
        found=f"known: {', '.join(one.id for one in known[-6:]) or 'none'}",
        hint="`forerun drill list` shows them; `forerun drill start NAME` begins one.",
    )


def draw_pseudonym(store: Store, uid: int | None = None) -> str:
    """A lasting name for who sits at this terminal that is not theirs: always the same for one
    user of one state folder, and without that folder's key it leads back to nobody."""
    user = os.getuid() if uid is None else uid
    key = bytes.fromhex(store.mark_origin("people of drills"))
    digest = hmac.new(key, f"uid {user}".encode(), hashlib.sha256).hexdigest()
    return f"trainee-{digest[:6]}"
