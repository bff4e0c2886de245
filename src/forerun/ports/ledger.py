"""The record, written before each creation, of all that must be removed again.

One SQLite file serves all forerun processes of a state folder. An entry belongs to the
process that wrote it; when that process is gone the entry is fair game for a sweep,
unless it was kept on purpose.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from forerun.errors import ForerunError, LabUnfit, NoRoom, RecordDamaged
from forerun.ports.labhost import LabHost

KINDS = ("domain", "path", "port", "folder", "scratch")

_TABLE = """
create table if not exists things (
    id integer primary key,
    run text not null,
    kind text not null,
    name text not null,
    noted_at text not null,
    pid integer not null,
    pid_began text not null,
    kept integer not null default 0,
    gone integer not null default 0
)
"""
# Columns that came later: a ledger of an older forerun gets them when it is opened.
_LATER = ("boot", "place")
# SQLITE_IOERR_WRITE is what a used-up quota or a limit on file sizes gives.
_FULL = ("SQLITE_FULL", "SQLITE_IOERR_WRITE")
_BUSY = ("SQLITE_BUSY", "SQLITE_LOCKED")
_DEAD = ("Z", "X")  # proc(5): a zombie runs no more, it waits for its parent to ask


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that forerun made or was about to make.

    `kind` "domain" (name of a libvirt domain), "path" (file), "folder" (whole tree),
    "scratch" (a work tree outside the state folder) or "port" (a loopback port held by a
    domain; it goes when the domain goes). `pid`, `pid_began` and `boot` name the process
    that noted it; `place` is the libvirt URI of a domain.
    """

    id: int
    run: str
    kind: str
    name: str
    pid: int
    pid_began: str
    kept: bool
    gone: bool
    boot: str = ""
    place: str = ""

    def label(self) -> str:
        """`kind:name`, as reports list it."""
        return f"{self.kind}:{self.name}"

    def is_living(self) -> bool:
        """Whether the process that noted it is there."""
        return is_living(self.pid, self.pid_began, self.boot)


def read_process_start(pid: int) -> str:
    """When a process began, in clock ticks since boot (proc(5), stat field 22); "" when
    there is no such process or only its remains. With the pid it names one process of one
    boot for good."""
    try:
        text = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace")
    except OSError:
        return ""
    fields = text.rpartition(")")[2].split()
    return "" if fields[0] in _DEAD else fields[19]


def is_living(pid: int, began: str, boot: str) -> bool:
    """Whether that very process is there. Pids and start times come again after a boot,
    so the boot id must agree, where it was noted (random(4))."""
    if boot not in ("", LabHost().boot_id()):
        return False
    return began != "" and read_process_start(pid) == began


class Ledger:
    """The ledger of one state folder."""

    def __init__(self, path: Path, *, pid: int | None = None) -> None:
        self._path = path
        self._pid = os.getpid() if pid is None else pid
        self._began = read_process_start(self._pid)
        self._boot = LabHost().boot_id()
        with self._open() as database:
            _prepare(database)

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        database = sqlite3.connect(self._path, timeout=30)
        try:
            database.execute("pragma synchronous = full")
            with database:
                yield database
        except sqlite3.DatabaseError as problem:
            raise self._map(problem) from problem
        finally:
            database.close()

    def _map(self, problem: sqlite3.DatabaseError) -> ForerunError:
        name = getattr(problem, "sqlite_errorname", "")
        where, found = str(self._path), str(problem)
        if name in _FULL:
            return NoRoom(
                "The ledger could not be written.",
                where=where,
                found=found,
                hint="Free some room on that file system, then run `forerun sweep`.",
            )
        if name in _BUSY:
            return LabUnfit(
                "Another process held the ledger for too long.",
                where=where,
                found=found,
                hint="See which forerun runs; nothing was changed.",
            )
        return RecordDamaged(
            "The ledger cannot be read or written.",
            where=where,
            found=found,
            hint="If the file itself is damaged, move it aside and run `forerun sweep`: what "
            "forerun made is also found by its own mark (clones kept on purpose go, too).",
        )

    def note(self, run: str, kind: str, name: str, *, noted_at: str = "", place: str = "") -> int:
        """Write down a thing before it is made; returns the entry's number."""
        if kind not in KINDS:
            raise ValueError(f"unknown kind of thing: {kind}")
        with self._open() as database:
            row = database.execute(
                "insert into things (run, kind, name, noted_at, pid, pid_began, boot, place)"
                " values (?, ?, ?, ?, ?, ?, ?, ?)",
                (run, kind, name, noted_at, self._pid, self._began, self._boot, place),
            )
            return int(row.lastrowid or 0)

    def strike(self, *entries: int) -> None:
        """These things are gone."""
        with self._open() as database:
            numbers = [(entry,) for entry in entries]
            database.executemany("update things set gone = 1 where id = ?", numbers)

    def keep(self, run: str) -> None:
        """Everything of this run stays until somebody removes it on purpose."""
        with self._open() as database:
            database.execute("update things set kept = 1 where run = ? and gone = 0", (run,))

    def find(self, run: str = "", *, with_gone: bool = False) -> tuple[Entry, ...]:
        """Entries of one run, or of all; things already gone only when asked for."""
        with self._open() as database:
            rows = database.execute(
                "select id, run, kind, name, pid, pid_began, kept, gone, boot, place from things"
                " where (run = ? or ? = '') and (gone = 0 or ?) order by id",
                (run, run, with_gone),
            ).fetchall()
        return tuple(
            Entry(
                number,
                str(owner),
                str(kind),
                str(name),
                pid,
                str(began),
                bool(kept),
                bool(gone),
                str(boot),
                str(place),
            )
            for number, owner, kind, name, pid, began, kept, gone, boot, place in rows
        )

    def find_orphans(self) -> tuple[Entry, ...]:
        """Entries not kept on purpose whose process is gone."""
        return tuple(entry for entry in self.find() if not entry.kept and not entry.is_living())


def _prepare(database: sqlite3.Connection) -> None:
    """The table as it is now. Most openings find it so and write nothing."""
    if set(_LATER) <= _list_columns(database):
        return
    database.execute("begin immediate")  # two processes may find it lacking at once
    database.execute(_TABLE)
    for name in _LATER:
        if name not in _list_columns(database):
            database.execute(f"alter table things add column {name} text not null default ''")


def _list_columns(database: sqlite3.Connection) -> set[str]:
    return {str(row[1]) for row in database.execute("pragma table_info(things)")}
