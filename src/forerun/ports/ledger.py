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

from forerun.errors import RecordDamaged

KINDS = ("domain", "path", "port", "folder")

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


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that forerun made or was about to make.

    `kind` "domain" (name of a libvirt domain), "path" (file), "folder" (whole tree) or
    "port" (a loopback port held by a domain; it goes when the domain goes).
    """

    id: int
    run: str
    kind: str
    name: str
    pid: int
    pid_began: str
    kept: bool
    gone: bool

    def label(self) -> str:
        """`kind:name`, as reports list it."""
        return f"{self.kind}:{self.name}"


def read_process_start(pid: int) -> str:
    """When a process began, in clock ticks since boot (proc(5), stat field 22); "" when
    there is no such process. With the pid it names one process for good."""
    try:
        text = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace")
    except OSError:
        return ""
    return text.rpartition(")")[2].split()[19]


class Ledger:
    """The ledger of one state folder."""

    def __init__(self, path: Path, *, pid: int | None = None) -> None:
        self._path = path
        self._pid = os.getpid() if pid is None else pid
        self._began = read_process_start(self._pid)
        with self._open() as database:
            database.execute(_TABLE)

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        database = sqlite3.connect(self._path, timeout=30)
        try:
            database.execute("pragma synchronous = full")
            with database:
                yield database
        except sqlite3.DatabaseError as problem:
            raise RecordDamaged(
                "The ledger cannot be read or written.",
                where=str(self._path),
                found=str(problem),
                hint="Free some disk room first. If the file itself is damaged, move it aside "
                "and run `forerun sweep`: it also finds domains by their own mark.",
            ) from problem
        finally:
            database.close()

    def note(self, run: str, kind: str, name: str, *, noted_at: str = "") -> int:
        """Write down a thing before it is made; returns the entry's number."""
        if kind not in KINDS:
            raise ValueError(f"unknown kind of thing: {kind}")
        with self._open() as database:
            row = database.execute(
                "insert into things (run, kind, name, noted_at, pid, pid_began)"
                " values (?, ?, ?, ?, ?, ?)",
                (run, kind, name, noted_at, self._pid, self._began),
            )
            return int(row.lastrowid or 0)

    def strike(self, entry: int) -> None:
        """The thing is gone."""
        with self._open() as database:
            database.execute("update things set gone = 1 where id = ?", (entry,))

    def keep(self, run: str) -> None:
        """Everything of this run stays until somebody removes it on purpose."""
        with self._open() as database:
            database.execute("update things set kept = 1 where run = ? and gone = 0", (run,))

    def find(self, run: str = "", *, with_gone: bool = False) -> tuple[Entry, ...]:
        """Entries of one run, or of all; things already gone only when asked for."""
        with self._open() as database:
            rows = database.execute(
                "select id, run, kind, name, pid, pid_began, kept, gone from things"
                " where (run = ? or ? = '') and (gone = 0 or ?) order by id",
                (run, run, with_gone),
            ).fetchall()
        return tuple(
            Entry(number, str(owner), str(kind), str(name), pid, str(began), bool(kept), bool(gone))
            for number, owner, kind, name, pid, began, kept, gone in rows
        )

    def find_orphans(self) -> tuple[Entry, ...]:
        """Entries not kept on purpose whose process is gone."""
        return tuple(
            entry
            for entry in self.find()
            if not entry.kept and read_process_start(entry.pid) != entry.pid_began
        )
