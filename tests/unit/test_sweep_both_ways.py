"""The sweep without a ledger's help, against it, and beside others: what has forerun's mark
and nobody's claim goes, what somebody claims stays, whatever else is written down."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from tests.unit.test_sweep import GONE_PID, make_leftovers, write_xml

from forerun.errors import HypervisorFailed
from forerun.ports.command import Completed, LocalCommand
from forerun.ports.held import open_held
from forerun.ports.ledger import Entry, Ledger
from forerun.ports.store import Store
from forerun.ports.strays import Stray
from forerun.stages.sweep import choose_entries, needs_hypervisor, sweep
from forerun.testing import FakeHypervisor

RUN = "run-20260131-220000-a1b2c3d4"
OTHER = "run-20260131-220000-ffffffff"


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "state")


@pytest.fixture
def dead(store: Store) -> Ledger:
    """The ledger as a process wrote it that is gone."""
    ledger = Ledger(store.root / "ledger.sqlite", pid=GONE_PID)
    ledger._began = "4711"
    return ledger


def make_all(store: Store) -> list[Path]:
    """Everything that killed commands may leave in the state folder, by its real name."""
    found = [
        store.machines / RUN,
        store.machines / f"{RUN}-plan",
        store.surveys / "survey-20260131-220000-a1b2c3d4.part",
        store.surveys / "survey-20260131-220000-a1b2.part",
        store.templates / "0123456789abcdef.part",
        store.runs / f"{RUN}.part",
    ]
    for folder in found:
        (folder / "deep").mkdir(parents=True)
        (folder / "deep" / "file").write_bytes(b"x")
    loose = [
        store.machines / "proof-20260131-220000-a1b2c3d4.raw",
        store.machines / "proof-20260131-220000-a1b2c3d4.log",
        store.root / "accelerator.json.0a1b2c3d.part",
        store.root / "template-0123456789abcdef.lock",
        store.surveys / "survey-20260101-220000-a1b2c3d4" / "approval.json.0a1b2c3d.part",
        store.archive / "partial" / "4711-0a1b",
    ]
    for file in loose:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(b"x")
    return found + loose


def make_foreign(store: Store) -> dict[Path, str]:
    """What a person put there, or what is finished: none of it is a leftover."""
    files = [
        store.root / "notes.txt",
        store.root / "my.part",
        store.machines / "notes.txt",
        store.machines / "my-machine" / "disk.raw",
        store.machines / "run-of-mine.raw",
        store.surveys / "copies.part" / "a.tar",
        store.surveys / "survey-20260131-210000-a1b2c3d4" / "copy.tar",
        store.surveys / "survey-20260131-210000-a1b2c3d4" / "mine.part",
        store.templates / "fedcba9876543210" / "disk.qcow2",
        store.runs / OTHER / "record.json",
        store.runs / f"{RUN}.partial" / "x",
        store.archive / "bodies" / "ab" / "abab",
    ]
    for file in files:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(f"mine: {file.name}")
    return {file: file.read_text() for file in files}


def test_what_lies_there_unclaimed_goes_and_what_is_anothers_stays(store: Store) -> None:
    """No ledger entry at all, as after the ledger was lost: found by place and name."""
    left, foreign = make_all(store), make_foreign(store)
    swept = sweep(store, FakeHypervisor())
    assert [path for path in left if path.exists()] == []
    assert len(swept.removed) == len(left)
    assert {path: path.read_text() for path in foreign} == foreign
    assert sweep(store, FakeHypervisor()).removed == ()
    assert not list(store.root.glob("*.lock"))


def test_what_a_living_process_claims_stays(store: Store) -> None:
    """Noted by this very process: folders as much as what it holds open."""
    left = make_all(store)
    handles = []
    for path in left:
        if path.is_dir() or path.parent == store.machines:
            store.ledger.note(RUN, "folder" if path.is_dir() else "path", str(path))
        else:
            path.unlink()
            handles.append(open_held(path))
    try:
        assert sweep(store, FakeHypervisor()).removed == ()
        assert [path for path in left if not path.exists()] == []
    finally:
        for handle in handles:
            os.close(handle)


def test_what_is_claimed_by_the_living_goes_by_no_dead_ones_entry(
    store: Store, dead: Ledger
) -> None:
    """A template's build is gone on with by another process under the same name, and a port
    is given out again: the dead one's entry is struck, the thing stays."""
    folder = store.templates / "0123456789abcdef.part"
    folder.mkdir()
    for ledger in (dead, store.ledger):
        ledger.note("template-0123456789abcdef", "folder", str(folder))
    swept = sweep(store, FakeHypervisor())
    assert folder.exists()
    assert (swept.removed, swept.left) == ((), ())
    assert [entry.pid for entry in store.ledger.find()] == [os.getpid()]


def test_a_build_that_began_meanwhile_keeps_its_parts(store: Store) -> None:
    """Between looking and removing a builder took the template's lock: it goes on from these
    very parts."""
    folder = store.templates / "0123456789abcdef.part"
    folder.mkdir()
    with store.locked("template-0123456789abcdef"):
        swept = sweep(store, FakeHypervisor())
        assert folder.exists()
    assert swept.left == (f"folder:{folder}",)
    assert sweep(store, FakeHypervisor()).removed == (f"folder:{folder}",)


def test_a_starting_command_leaves_what_can_be_gone_on_from(store: Store, dead: Ledger) -> None:
    """Finished parts of a template and the request of a run that was cut short; their clones
    and disks go all the same. A sweep by hand takes all."""
    hypervisor = FakeHypervisor()
    machine = make_leftovers(store, dead, hypervisor, RUN)
    parts = store.templates / "0123456789abcdef.part"
    parts.mkdir()
    asked, unasked = store.runs / f"{RUN}.part", store.runs / f"{OTHER}.part"
    for folder in (asked, unasked):
        folder.mkdir()
        dead.note(f"record-{folder.name}", "folder", str(folder))
    (asked / "request.json").write_text("{}")
    dead.note("template-0123456789abcdef", "folder", str(parts))
    swept = sweep(store, hypervisor, thorough=False)
    assert not machine.exists()
    assert hypervisor.domains == {}
    assert (asked.exists(), parts.exists(), unasked.exists()) == (True, True, False)
    assert swept.left == ()
    assert len(store.ledger.find_orphans()) == 2
    sweep(store, hypervisor)
    assert (asked.exists(), parts.exists()) == (False, False)
    assert store.ledger.find() == ()


@pytest.mark.parametrize(
    "name",
    [
        "surveys/survey-20260131-210000-a1b2c3d4",
        "runs/run-20260131-210000-a1b2c3d4",
        "templates/fedcba9876543210",
        "surveys",
        "ledger.sqlite",
        "origin.key",
        "archive",
        "machines/a/../../surveys",
        "machines/.",
        "surveys/../../other.part",
        "surveys/x.part/..",
    ],
)
def test_a_tampered_ledger_removes_nothing_that_is_kept(
    store: Store, dead: Ledger, tmp_path: Path, name: str
) -> None:
    """Inside the state folder too: results, keys and the cache are never leftovers."""
    for kept in ("surveys/survey-20260131-210000-a1b2c3d4", "runs/run-20260131-210000-a1b2c3d4",
                 "templates/fedcba9876543210", "machines/a", "surveys/x.part"):  # fmt: skip
        (store.root / kept).mkdir(parents=True)
    (tmp_path / "other.part").mkdir()
    assert store.mark
    before = sorted(store.root.rglob("*"))
    for kind in ("folder", "path"):
        dead.note("run-x", kind, f"{store.root}/{name}")
    swept = sweep(store, FakeHypervisor())
    assert len(swept.left) == 2
    assert swept.notes, "it says why"
    assert sorted(store.root.rglob("*")) == before
    assert (tmp_path / "other.part").exists()


def test_a_folder_that_leads_out_is_not_followed(store: Store, tmp_path: Path) -> None:
    """Somebody put a link in place of `machines/`: nothing behind it is touched."""
    other = tmp_path / "other"
    (other / RUN).mkdir(parents=True)
    store.machines.rmdir()
    store.machines.symlink_to(other)
    dead = Ledger(store.root / "ledger.sqlite", pid=GONE_PID)
    dead.note(RUN, "folder", str(store.machines / RUN))
    swept = sweep(store, FakeHypervisor())
    assert (other / RUN).exists()
    assert swept.left == (f"folder:{store.machines / RUN}",)


@pytest.mark.parametrize("name", ["forerun-tree.0123456789abcdef", "forerun-tree.x", "tree"])
def test_a_work_tree_outside_goes_by_name_and_owner_only(
    store: Store, dead: Ledger, tmp_path: Path, name: str
) -> None:
    """The one thing outside the state folder: a work tree of a build that was not root's."""
    folder = tmp_path / name
    (folder / "work").mkdir(parents=True)
    dead.note("template-x", "scratch", str(folder))
    swept = sweep(store, FakeHypervisor(), command=NoPrograms())
    ours = name == "forerun-tree.0123456789abcdef"
    assert folder.exists() is not ours
    assert bool(swept.left) is not ours


def test_a_link_of_a_work_trees_name_is_not_followed(
    store: Store, dead: Ledger, tmp_path: Path
) -> None:
    other = tmp_path / "other"
    other.mkdir()
    link = tmp_path / "forerun-tree.0123456789abcdef"
    link.symlink_to(other)
    dead.note("template-x", "scratch", str(link))
    assert len(sweep(store, FakeHypervisor(), command=NoPrograms()).left) == 1
    assert other.exists()


class NoPrograms(LocalCommand):
    """Programs that are asked for and do nothing."""

    def run(self, argv: Sequence[str], **_: object) -> Completed:
        return Completed(tuple(argv), 0, b"", b"")


# -- domains


def test_a_disk_stays_while_its_domain_does(store: Store, dead: Ledger) -> None:
    """A domain that will not end keeps what it runs on, noted or not; other runs' things go.
    It is told, and the next sweep tries again."""

    class Stubborn(FakeHypervisor):
        def end(self, name: str) -> None:
            if name == f"forerun-{RUN}":
                raise HypervisorFailed("No.", found="process is stuck")
            super().end(name)

    hypervisor = Stubborn()
    machine = make_leftovers(store, dead, hypervisor, RUN)
    other = make_leftovers(store, dead, hypervisor, OTHER)
    unnoted = store.machines / f"{RUN}-plan"
    unnoted.mkdir()
    swept = sweep(store, hypervisor)
    assert machine.exists()
    assert unnoted.exists()
    assert not other.exists()
    assert f"domain:forerun-{RUN}" in swept.left
    assert any("process is stuck" in note for note in swept.notes)
    hypervisor.end = lambda name: FakeHypervisor.end(hypervisor, name)  # type: ignore[method-assign]
    assert sweep(store, hypervisor).left == ()
    assert list(store.machines.iterdir()) == []


def test_without_libvirt_what_a_domain_may_use_is_left(store: Store, dead: Ledger) -> None:
    """A survey's start needs no libvirt: then only what no domain can be using goes."""
    machine = make_leftovers(store, dead, FakeHypervisor(), RUN)
    unnoted = store.machines / OTHER
    unnoted.mkdir()
    part = store.surveys / "survey-20260131-220000-a1b2c3d4.part"
    part.mkdir()
    swept = sweep(store, None, thorough=False)
    assert swept.removed == (f"folder:{part}",)
    assert machine.exists()
    assert unnoted.exists()


def test_after_a_power_cut_transient_domains_are_gone(store: Store, dead: Ledger) -> None:
    """Another boot id: nothing runs that was noted before, and libvirt need not be asked."""
    machine = make_leftovers(store, dead, FakeHypervisor(), RUN)
    with sqlite3.connect(store.root / "ledger.sqlite") as database:
        database.execute("update things set boot = '00000000-0000-4000-8000-000000000000'")
    swept = sweep(store, None, thorough=False)
    assert swept.summary() == "1 port, 1 path, 1 folder", "the domain went by itself"
    assert not machine.exists()
    assert store.ledger.find() == ()


def test_a_domain_of_another_connection_is_left_and_named(store: Store, dead: Ledger) -> None:
    """Started at qemu:///session, swept at another URI: not seen is not gone."""
    folder = store.machines / RUN
    folder.mkdir()
    dead.note(RUN, "domain", f"forerun-{RUN}", place="qemu:///session")
    dead.note(RUN, "folder", str(folder))
    swept = sweep(store, FakeHypervisor())
    assert swept.left == (f"domain:forerun-{RUN}", f"folder:{folder}")
    assert any("--connect qemu:///session" in note for note in swept.notes)
    assert folder.exists()
    there = FakeHypervisor()
    there.uri = "qemu:///session"
    there.domains[f"forerun-{RUN}"] = write_xml(f"forerun-{RUN}", RUN, store.mark)
    assert sweep(store, there).left == ()
    assert there.domains == {}


@pytest.mark.parametrize(
    ("name", "state", "goes"),
    [
        ("forerun-x", "own", True),
        ("forerun-x", "other", False),
        ("forerun-x", "", False),
        ("mail-server", "own", False),
    ],
)
def test_an_unclaimed_domain_goes_by_name_and_mark(
    store: Store, tmp_path: Path, name: str, state: str, goes: bool
) -> None:
    """Both, and the mark of this very state folder."""
    marks = {"own": store.mark, "other": Store(tmp_path / "other").mark, "": ""}
    hypervisor = FakeHypervisor({name: write_xml(name, "run-x", marks[state])})
    swept = sweep(store, hypervisor)
    assert (hypervisor.domains == {}) is goes
    assert swept.removed == ((f"domain:{name}",) if goes else ())


def test_a_copied_state_folder_does_not_end_the_first_ones_domains(
    store: Store, tmp_path: Path
) -> None:
    """The copy has the same key and the same ledger; its place is another."""
    hypervisor = FakeHypervisor()
    name = f"forerun-{RUN}"
    hypervisor.domains[name] = write_xml(name, RUN, store.mark)
    copy = tmp_path / "copy"
    copy.mkdir()
    (copy / "origin.key").write_bytes((store.root / "origin.key").read_bytes())
    other = Store(copy)
    dead = Ledger(copy / "ledger.sqlite", pid=GONE_PID)
    dead.note(RUN, "domain", name)
    sweep(other, hypervisor)
    assert list(hypervisor.domains) == [name]


# -- one run


def test_a_run_that_is_going_on_is_not_taken_from_under_its_process(store: Store) -> None:
    """`forerun sweep --run` of a rehearsal at work: left, and told whose it is."""
    hypervisor = FakeHypervisor()
    machine = make_leftovers(store, store.ledger, hypervisor, RUN)
    swept = sweep(store, hypervisor, run=RUN)
    assert swept.removed == ()
    assert f"folder:{machine}" in swept.left
    assert any(f"process {os.getpid()}" in note for note in swept.notes)
    assert machine.exists()
    assert list(hypervisor.domains) == [f"forerun-{RUN}"]


def test_a_named_run_goes_with_its_own_folder(store: Store, dead: Ledger) -> None:
    part = store.runs / f"{RUN}.part"
    part.mkdir()
    dead.note(f"record-{RUN}", "folder", str(part))
    other = store.runs / f"{OTHER}.part"
    other.mkdir()
    dead.note(f"record-{OTHER}", "folder", str(other))
    sweep(store, FakeHypervisor(), run=RUN)
    assert (part.exists(), other.exists()) == (False, True)


# -- programs, and two sweeps at once


def test_programs_go_before_what_they_work_on(
    store: Store, dead: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else they would go on writing into what is being removed."""
    machine = make_leftovers(store, dead, FakeHypervisor(), RUN)
    order: list[str] = []

    def end(stray: Stray) -> bool:
        order.append("there" if machine.exists() else "gone")
        return True

    looks = iter([(Stray(1, "1", "mmdebstrap"),), (Stray(2, "1", "dpkg-deb"),), ()])
    for module in ("sweep", "sweep_look"):
        monkeypatch.setattr(f"forerun.stages.{module}.find_strays", lambda mark: next(looks))
    monkeypatch.setattr("forerun.stages.sweep.end_stray", end)
    swept = sweep(store, FakeHypervisor())
    assert order == ["there", "there"], "also what the first one had started meanwhile"
    assert swept.removed[:2] == ("program:mmdebstrap", "program:dpkg-deb")


def test_a_folder_with_something_mounted_in_it_is_left_and_told(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    left = store.machines / RUN
    left.mkdir()
    for module in ("ports.removal", "stages.sweep"):
        monkeypatch.setattr(f"forerun.{module}.has_mounts", lambda folder: folder == left)
    swept = sweep(store, FakeHypervisor())
    assert left.exists()
    assert swept.left == (f"folder:{left}",)
    assert "mounted" in swept.notes[0]


def test_a_starting_command_does_not_wait_for_another_sweep(store: Store) -> None:
    left = make_all(store)
    with store.locked("sweep"):
        assert sweep(store, FakeHypervisor(), thorough=False).removed == ()
    assert left[0].exists()


def test_the_summary_counts_by_kind(store: Store, dead: Ledger) -> None:
    hypervisor = FakeHypervisor()
    make_leftovers(store, dead, hypervisor, RUN)
    dead.note(RUN, "port", "40023")
    assert sweep(store, hypervisor).summary() == "1 domain, 2 ports, 1 path, 1 folder"


# -- the decisions


def entry(number: int, run: str, *, kept: bool = False, living: bool = False) -> Entry:
    pid, began = (os.getpid(), "") if living else (GONE_PID, "1")
    if living:
        began = Path("/proc/self/stat").read_text().rpartition(")")[2].split()[19]
    return Entry(number, run, "path", f"/x/{number}", pid, began, kept, gone=False)


def test_which_entries_are_taken() -> None:
    """Without a run: dead and not kept. With one: its own and its record's, kept or not, but
    for a living process's."""
    entries = [
        entry(1, "run-1"),
        entry(2, "run-1", kept=True),
        entry(3, "run-1", living=True),
        entry(4, "record-run-1"),
        entry(5, "run-2"),
        entry(6, "run-2", kept=True),
        entry(7, "run-10"),
    ]
    assert [one.id for one in choose_entries(entries)] == [1, 4, 5, 7]
    assert [one.id for one in choose_entries(entries, "run-1")] == [1, 2, 4]


@pytest.mark.parametrize(
    ("leave", "wanted"),
    [
        (lambda store, dead: None, False),
        (lambda store, dead: dead.note("run-1", "domain", "forerun-run-1"), True),
        (lambda store, dead: dead.note("run-1", "path", "/x"), False),
        (lambda store, dead: (store.machines / RUN).mkdir(), True),
        (lambda store, dead: (store.surveys / f"{RUN}.part").mkdir(), False),
        (lambda store, dead: (store.machines / "notes.txt").touch(), False),
    ],
)
def test_libvirt_is_asked_only_where_it_matters(
    store: Store, dead: Ledger, leave: Callable[[Store, Ledger], object], wanted: bool
) -> None:
    """A survey on a host whose libvirt is off starts without a word about it."""
    leave(store, dead)
    assert needs_hypervisor(store) is wanted
