"""The ledger: what is noted, struck, kept, and when an entry is an orphan."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import threading
from dataclasses import replace
from pathlib import Path

import pytest

from forerun.errors import LabUnfit, NoRoom
from forerun.ports import ledger as ledger_module
from forerun.ports.ledger import Entry, Ledger, read_process_start

NOBODY = 2**22 + 1  # above the largest pid_max of 64-bit Linux (proc(5): 2^22)


def make(tmp_path: Path, pid: int | None = None) -> Ledger:
    return Ledger(tmp_path / "ledger.sqlite", pid=pid)


def test_a_thing_is_known_from_its_noting_to_its_striking(tmp_path: Path) -> None:
    """`find` lists things that may exist; struck ones only when asked for."""
    ledger = make(tmp_path)
    first = ledger.note("run-1", "domain", "forerun-run-1", noted_at="2026-01-31T22:00:00Z")
    second = ledger.note("run-1", "path", "/x/seed.iso")
    assert [entry.label() for entry in ledger.find()] == [
        "domain:forerun-run-1",
        "path:/x/seed.iso",
    ]
    ledger.strike(first)
    assert [entry.id for entry in ledger.find()] == [second]
    assert [(e.id, e.gone) for e in ledger.find(with_gone=True)] == [(first, True), (second, False)]


def test_runs_are_told_apart(tmp_path: Path) -> None:
    """Asking for one run gives only its own entries."""
    ledger = make(tmp_path)
    ledger.note("run-1", "domain", "a")
    ledger.note("run-10", "domain", "b")
    assert [entry.name for entry in ledger.find("run-1")] == ["a"]
    assert ledger.find("run-2") == ()


def test_an_unknown_kind_is_refused(tmp_path: Path) -> None:
    """A sweep could not remove what it does not understand."""
    ledger = make(tmp_path)
    with pytest.raises(ValueError, match="bridge"):
        ledger.note("run-1", "bridge", "br0")
    assert ledger.find() == ()


def test_the_entry_is_on_disk_before_note_returns(tmp_path: Path) -> None:
    """Another process (here: another connection) sees it at once: it is written before
    the thing is made."""
    make(tmp_path).note("run-1", "folder", "/x/machine")
    assert [entry.name for entry in make(tmp_path).find()] == ["/x/machine"]


def test_a_living_process_owns_its_entries(tmp_path: Path) -> None:
    """What this very process noted is no orphan."""
    ledger = make(tmp_path)
    ledger.note("run-1", "domain", "a")
    assert ledger.find_orphans() == ()


@pytest.mark.tools
def test_a_killed_process_leaves_orphans(tmp_path: Path) -> None:
    """What a process noted is its own while it lives, and an orphan once it is killed."""
    script = (
        "import sys, pathlib; from forerun.ports.ledger import Ledger\n"
        "Ledger(pathlib.Path(sys.argv[1])).note('run-1', 'domain', 'a')\n"
        "print('noted', flush=True); sys.stdin.read()"
    )
    ledger = make(tmp_path)
    with subprocess.Popen(
        [sys.executable, "-c", script, str(tmp_path / "ledger.sqlite")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == b"noted\n"
        assert [entry.pid for entry in ledger.find()] == [child.pid]
        assert ledger.find_orphans() == ()
        child.kill()
    assert [orphan.name for orphan in ledger.find_orphans()] == ["a"]


def test_a_pid_used_again_is_another_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same pid with another start time is not the process that noted the thing."""
    ledger = make(tmp_path)
    ledger.note("run-1", "domain", "a")
    began = read_process_start(os.getpid())
    monkeypatch.setattr(ledger_module, "read_process_start", lambda pid: str(int(began) + 1))
    assert [entry.name for entry in ledger.find_orphans()] == ["a"]


def test_what_is_kept_on_purpose_is_no_orphan(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`keep` holds for what exists of that run, and for no other run."""
    ledger = make(tmp_path)
    ledger.strike(ledger.note("run-1", "port", "40001"))
    ledger.note("run-1", "domain", "kept")
    ledger.note("run-2", "domain", "left")
    ledger.keep("run-1")
    monkeypatch.setattr(ledger_module, "read_process_start", lambda pid: "")
    assert [entry.name for entry in ledger.find_orphans()] == ["left"]
    flags = [(e.name, e.kept) for e in ledger.find("run-1", with_gone=True)]
    assert flags == [("40001", False), ("kept", True)]


def test_many_writers_lose_nothing(tmp_path: Path) -> None:
    """Eight writers at once, each with a connection of its own: every entry is there and
    every number is given once."""
    make(tmp_path)
    numbers: list[int] = []
    lock = threading.Lock()
    problems: list[BaseException] = []

    def write(worker: int) -> None:
        try:
            own = make(tmp_path)
            for count in range(25):
                number = own.note(f"run-{worker}", "path", f"/x/{worker}/{count}")
                if count % 2:
                    own.strike(number)
                with lock:
                    numbers.append(number)
        except BaseException as problem:
            problems.append(problem)

    threads = [threading.Thread(target=write, args=(worker,)) for worker in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert problems == []
    assert len(set(numbers)) == 200
    whole = make(tmp_path).find(with_gone=True)
    assert {entry.id for entry in whole} == set(numbers)
    assert sum(entry.gone for entry in whole) == 8 * 12


def test_the_start_of_a_process_is_field_22(tmp_path: Path) -> None:
    """proc(5): starttime is field 22 of /proc/PID/stat, also when the name in field 2 has
    blanks and brackets; no process reads as ""."""
    text = Path(f"/proc/{os.getpid()}/stat").read_text(encoding="ascii")
    after_name = text[text.rindex(")") + 2 :].split()
    assert read_process_start(os.getpid()) == after_name[22 - 3]
    assert read_process_start(NOBODY) == ""


def test_an_entry_of_an_earlier_boot_is_an_orphan(tmp_path: Path) -> None:
    """After a power cut pids and start times come again (random(4): the boot id does not):
    this very process, with an entry of another boot, is not who noted it."""
    ledger = make(tmp_path)
    ledger.note("run-1", "domain", "a")
    assert ledger.find_orphans() == ()
    with sqlite3.connect(tmp_path / "ledger.sqlite") as database:
        database.execute("update things set boot = '00000000-0000-4000-8000-000000000000'")
    (orphan,) = ledger.find_orphans()
    assert (orphan.pid, orphan.pid_began) == (os.getpid(), read_process_start(os.getpid()))


@pytest.mark.tools
def test_a_killed_process_whose_parent_does_not_ask_is_gone(tmp_path: Path) -> None:
    """Its remains keep pid and start time (proc(5), state Z) until the parent waits for it,
    which some never do."""
    script = "import sys; print('up', flush=True); sys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-c", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == b"up\n"
        ledger = make(tmp_path, child.pid)
        ledger.note("run-1", "domain", "a")
        assert ledger.find_orphans() == ()
        child.kill()
        os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT)  # ended, and not asked for
        assert ") Z " in Path(f"/proc/{child.pid}/stat").read_text()
        assert [orphan.name for orphan in ledger.find_orphans()] == ["a"]


def test_a_process_that_never_was_owns_nothing(tmp_path: Path) -> None:
    """Without a start time it is not taken for the living one without a start time."""
    ledger = make(tmp_path, NOBODY)
    ledger.note("run-1", "domain", "a")
    assert [orphan.name for orphan in ledger.find_orphans()] == ["a"]


OLD_TABLE = """
create table things (
    id integer primary key, run text not null, kind text not null, name text not null,
    noted_at text not null, pid integer not null, pid_began text not null,
    kept integer not null default 0, gone integer not null default 0
)
"""


def test_a_ledger_of_an_older_forerun_is_read_on(tmp_path: Path) -> None:
    """What it names is known and judged by pid and start time; new entries have the rest.
    Two processes may find it old at once."""
    began = read_process_start(os.getpid())
    with sqlite3.connect(tmp_path / "ledger.sqlite") as database:
        database.execute(OLD_TABLE)
        for name, start in (("mine", began), ("left", "1")):
            database.execute(
                "insert into things (run, kind, name, noted_at, pid, pid_began)"
                " values ('run-1', 'domain', ?, '', ?, ?)",
                (name, os.getpid(), start),
            )
    problems: list[BaseException] = []

    def open_it() -> None:
        try:
            make(tmp_path)
        except BaseException as problem:
            problems.append(problem)

    threads = [threading.Thread(target=open_it) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert problems == []
    ledger = make(tmp_path)
    assert [orphan.name for orphan in ledger.find_orphans()] == ["left"]
    ledger.note("run-2", "domain", "new", place="qemu:///session")
    (new,) = ledger.find("run-2")
    assert new.place == "qemu:///session"
    assert new.boot == Path("/proc/sys/kernel/random/boot_id").read_text().strip()


def test_a_full_disk_is_no_room_and_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLITE_FULL (sqlite.org/rescode.html), here by a limit on the file's pages: NoRoom,
    and what was noted before is there."""
    ledger = make(tmp_path)
    ledger.note("run-1", "domain", "before")
    connect = sqlite3.connect

    def small(*arguments: object, **more: object) -> sqlite3.Connection:
        database = connect(*arguments, **more)  # type: ignore[call-overload]
        database.execute("pragma max_page_count = 2")
        return database  # type: ignore[no-any-return]

    monkeypatch.setattr(sqlite3, "connect", small)
    with pytest.raises(NoRoom) as caught:
        ledger.note("run-1", "folder", "/x" * 20_000)
    assert caught.value.where.endswith("ledger.sqlite")
    assert "full" in caught.value.found
    monkeypatch.undo()
    assert [entry.name for entry in ledger.find()] == ["before"]


def test_a_ledger_that_is_held_too_long_is_not_damaged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLITE_BUSY: somebody else's lock is told as such."""
    ledger = make(tmp_path)
    connect = sqlite3.connect
    monkeypatch.setattr(sqlite3, "connect", lambda path, timeout: connect(path, timeout=0))
    other = connect(tmp_path / "ledger.sqlite", isolation_level=None)
    other.execute("begin exclusive")
    try:
        with pytest.raises(LabUnfit, match="too long"):
            ledger.note("run-1", "domain", "a")
    finally:
        other.execute("rollback")
        other.close()
    assert ledger.note("run-1", "domain", "a") == 1


def test_an_entry_labels_itself(tmp_path: Path) -> None:
    """Reports list things as kind:name."""
    entry = Entry(1, "run-1", "port", "40022", 1, "2", kept=False, gone=False)
    assert entry.label() == "port:40022"
    assert replace(entry, kind="domain", name="x").label() == "domain:x"
