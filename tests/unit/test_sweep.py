"""The sweep: what a killed run left goes, and nothing else."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from forerun.model.blueprint import DomainPlan
from forerun.ports.domain_xml import write_domain_xml
from forerun.ports.ledger import Ledger
from forerun.ports.store import Store
from forerun.stages.sweep import sweep
from forerun.testing import FakeHypervisor

GONE_PID = 2**22 + 1  # above the kernel's largest pid (proc(5), pid_max): never a process


def write_xml(name: str, owner: str, state: str) -> str:
    return write_domain_xml(
        DomainPlan(
            name=name,
            uuid="6b0b1d0e-0000-4000-8000-000000000001",
            mac="52:54:00:00:00:01",
            cpus=1,
            memory_bytes=64 << 20,
            boot_mode="bios",
            accelerator="emulation",
            disks=(),
            console_log="/nowhere",
            owner=owner,
            state=state,
        )
    )


FOREIGN = {
    "mail-server": "<domain><name>mail-server</name></domain>",
    # A namesake without our mark, and one whose mark is of another maker.
    "forerun-run-1-copy": "<domain><name>forerun-run-1-copy</name></domain>",
    "forerun-run-9": "<domain><name>forerun-run-9</name><metadata>"
    '<made xmlns="urn:example:1" by="forerun" for="run-1"/></metadata></domain>',
}


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "state")


@pytest.fixture
def dead(store: Store) -> Ledger:
    """The ledger as a process wrote it that is gone."""
    ledger = Ledger(store.root / "ledger.sqlite", pid=GONE_PID)
    ledger._began = "4711"  # it did begin once
    return ledger


def make_leftovers(store: Store, ledger: Ledger, hypervisor: FakeHypervisor, run: str) -> Path:
    """Everything a run makes, noted in that ledger."""
    folder = store.machines / run
    name = f"forerun-{run}"
    ledger.note(run, "folder", str(folder))
    ledger.note(run, "domain", name)
    ledger.note(run, "port", "40022")
    loose = store.machines / f"{run}.raw"
    ledger.note(run, "path", str(loose))
    folder.mkdir()
    (folder / "system.qcow2").write_bytes(b"x")
    loose.write_bytes(b"x")
    hypervisor.domains[name] = write_xml(name, run, store.mark)
    return folder


def test_the_leftovers_of_a_dead_process_go_and_decoys_stay(store: Store, dead: Ledger) -> None:
    """Domain, port, folder and file of the run are removed and struck out; domains of
    others, also namesakes, and files of no run are untouched."""
    hypervisor = FakeHypervisor(FOREIGN)
    folder = make_leftovers(store, dead, hypervisor, "run-1")
    decoys = [store.machines / "notes.txt", store.runs / "run-0" / "record.json"]
    for decoy in decoys:
        decoy.parent.mkdir(exist_ok=True)
        decoy.write_text("mine")
    swept = sweep(store, hypervisor)
    assert {label.partition(":")[0] for label in swept.removed} == {
        "domain", "port", "path", "folder",
    }  # fmt: skip
    assert swept.removed[0] == "domain:forerun-run-1", "a disk is not removed under a guest"
    assert swept.left == ()
    assert hypervisor.domains == FOREIGN
    assert not folder.exists()
    assert not (store.machines / "run-1.raw").exists()
    assert all(decoy.read_text() == "mine" for decoy in decoys)
    assert store.ledger.find() == ()
    assert sweep(store, hypervisor).removed == (), "a second sweep finds nothing"


def test_a_living_process_keeps_its_things(store: Store) -> None:
    """Another rehearsal that runs now loses neither its domain nor its disks."""
    hypervisor = FakeHypervisor()
    alive = Ledger(store.root / "ledger.sqlite", pid=os.getpid())
    folder = make_leftovers(store, alive, hypervisor, "run-2")
    swept = sweep(store, hypervisor)
    assert (swept.removed, swept.left) == ((), ())
    assert list(hypervisor.domains) == ["forerun-run-2"]
    assert folder.exists()


def test_a_reused_pid_is_not_the_process_that_wrote_it(store: Store) -> None:
    """A pid alone names no process: its start time must agree as well."""
    hypervisor = FakeHypervisor()
    ledger = Ledger(store.root / "ledger.sqlite", pid=os.getpid())
    ledger._began = "1"  # this process did not begin at the first tick
    make_leftovers(store, ledger, hypervisor, "run-3")
    sweep(store, hypervisor)
    assert hypervisor.domains == {}


def test_a_kept_clone_stays_until_it_is_named(store: Store, dead: Ledger) -> None:
    """Kept on purpose: a plain sweep leaves it, `--run` removes it."""
    hypervisor = FakeHypervisor()
    folder = make_leftovers(store, dead, hypervisor, "run-4")
    make_leftovers(store, dead, hypervisor, "run-5")
    store.ledger.keep("run-4")
    sweep(store, hypervisor)
    assert list(hypervisor.domains) == ["forerun-run-4"]
    assert folder.exists()
    swept = sweep(store, hypervisor, run="run-4")
    assert "domain:forerun-run-4" in swept.removed
    assert hypervisor.domains == {}
    assert not folder.exists()


def test_naming_a_run_touches_no_other(store: Store, dead: Ledger) -> None:
    """Only that run's things go."""
    hypervisor = FakeHypervisor()
    make_leftovers(store, dead, hypervisor, "run-6")
    make_leftovers(store, dead, hypervisor, "run-7")
    sweep(store, hypervisor, run="run-6")
    assert list(hypervisor.domains) == ["forerun-run-7"]
    assert {entry.run for entry in store.ledger.find()} == {"run-7"}


def test_a_domain_of_our_name_but_another_run_is_left(store: Store, dead: Ledger) -> None:
    """The mark decides: a namesake made for another run is not ended."""
    hypervisor = FakeHypervisor(
        {"forerun-run-8": write_xml("forerun-run-8", "someone", store.mark)}
    )
    dead.note("run-8", "domain", "forerun-run-8")
    sweep(store, hypervisor)
    assert list(hypervisor.domains) == ["forerun-run-8"]
    assert store.ledger.find() == (), "ours is gone, so its entry is struck"


@pytest.mark.parametrize("name", ["/etc", "{root}", "{root}/..", "{root}/machines/../../other"])
def test_a_path_outside_the_state_folder_is_never_removed(
    store: Store, dead: Ledger, name: str, tmp_path: Path
) -> None:
    """A damaged or forged ledger cannot make a sweep delete anything else."""
    other = tmp_path / "other"
    other.mkdir()
    path = name.format(root=store.root)
    dead.note("run-x", "folder", path)
    swept = sweep(store, FakeHypervisor())
    assert swept.left == (f"folder:{path}",)
    assert other.exists()
    assert store.root.exists()
    assert Path("/etc/passwd").exists()


def test_a_link_out_of_the_state_folder_is_not_followed(
    store: Store, dead: Ledger, tmp_path: Path
) -> None:
    """What a symbolic link leads to is not forerun's."""
    other = tmp_path / "other"
    other.mkdir()
    (other / "file").write_text("mine")
    link = store.machines / "run-y"
    link.symlink_to(other)
    dead.note("run-y", "folder", str(link))
    swept = sweep(store, FakeHypervisor())
    assert swept.left == (f"folder:{link}",)
    assert (other / "file").read_text() == "mine"


def test_a_marked_domain_that_no_entry_names_is_ended(store: Store, dead: Ledger) -> None:
    """Struck out too early (the process died between): found by its own mark."""
    hypervisor = FakeHypervisor()
    entry = dead.note("run-z", "domain", "forerun-run-z")
    dead.strike(entry)
    hypervisor.domains["forerun-run-z"] = write_xml("forerun-run-z", "run-z", store.mark)
    assert sweep(store, hypervisor).removed == ("domain:forerun-run-z",)
    assert hypervisor.domains == {}


def test_a_marked_domain_of_another_state_folder_is_left(
    store: Store, dead: Ledger, tmp_path: Path
) -> None:
    """Another user's rehearsal on the same libvirt is not in this ledger; neither is it
    ended if it were, as in a state folder that was copied."""
    other = Store(tmp_path / "other").mark
    hypervisor = FakeHypervisor({"forerun-run-q": write_xml("forerun-run-q", "run-q", other)})
    assert sweep(store, hypervisor).removed == ()
    dead.note("run-q", "domain", "forerun-run-q")
    sweep(store, hypervisor)
    assert list(hypervisor.domains) == ["forerun-run-q"]
    assert store.ledger.find() == ()


def test_a_hypervisor_that_is_away_leaves_its_entries(store: Store, dead: Ledger) -> None:
    """What cannot be ended stays in the ledger and is said to be left."""
    hypervisor = FakeHypervisor()
    make_leftovers(store, dead, hypervisor, "run-1")
    hypervisor.broken = True
    swept = sweep(store, hypervisor, run="run-1")
    assert "domain:forerun-run-1" in swept.left
    assert [entry.kind for entry in store.ledger.find()].count("domain") == 1
