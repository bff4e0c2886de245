"""The fake hypervisor keeps the contract that the real adapter keeps (tests/libvirt), and a
sweep that uses it removes what it should and nothing else."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from forerun.errors import HypervisorFailed
from forerun.model.blueprint import DomainPlan
from forerun.ports.domain_xml import write_domain_xml
from forerun.ports.hypervisor import BlockCounts, Hypervisor, sum_block_stats
from forerun.ports.ledger import Ledger
from forerun.ports.store import Store
from forerun.stages.sweep import sweep
from forerun.testing import FakeHypervisor, check_hypervisor

DEAD = 2**22 + 1  # above the largest pid of 64-bit Linux, proc(5)


def write_xml(name: str, owner: str, state: str = "state-contract") -> str:
    return write_domain_xml(
        DomainPlan(
            name=name,
            uuid="919108f7-52d1-4320-9bac-f847db4148a8",
            mac="52:54:00:12:34:56",
            cpus=1,
            memory_bytes=64 << 20,
            boot_mode="bios",
            accelerator="emulation",
            disks=(),
            console_log="/nowhere/console.log",
            owner=owner,
            state=state,
        )
    )


FOREIGN = "<domain type='kvm'><name>forerun-looks-like-ours</name></domain>"


def test_the_fake_keeps_the_contract() -> None:
    """What hermetic tests rely on behaves as libvirt does, next to foreign domains."""
    fake: Hypervisor = FakeHypervisor({"forerun-looks-like-ours": FOREIGN})
    check_hypervisor(fake, write_xml)
    assert fake.is_running("forerun-looks-like-ours")


@pytest.mark.parametrize("broken", [True, False])
def test_a_fake_that_is_gone_says_so(broken: bool) -> None:
    """Every request of a broken or closed one is HypervisorFailed."""
    fake = FakeHypervisor(broken=broken)
    if not broken:
        fake.close()
    for ask in (
        fake.describe,
        fake.find_owned,
        lambda: fake.is_running("x"),
        lambda: fake.end("x"),
        lambda: fake.start(write_xml("x", "y")),
        lambda: fake.cpu_seconds("x"),
        lambda: fake.block_counts("x"),
        lambda: fake.is_starved("x"),
        lambda: fake.reset("x"),
    ):
        with pytest.raises(HypervisorFailed):
            ask()


def test_the_disks_of_a_domain_are_added_up() -> None:
    """The keys of libvirt's block statistics (virConnectGetAllDomainStats: "block.<num>.rd.times
    - total time (ns) spent on reads as unsigned long long"), as QEMU fills them; a read-only
    disk without flushes, and names that only look like counters, change nothing."""
    stats: dict[str, object] = {
        "block.count": 2,
        "block.0.name": "vda", "block.0.path": "/var/lib/x/block.1.wr.bytes",
        "block.0.rd.reqs": 5120, "block.0.rd.bytes": 104857600, "block.0.rd.times": 2500000000,
        "block.0.wr.reqs": 900, "block.0.wr.bytes": 20971520, "block.0.wr.times": 750000000,
        "block.0.fl.reqs": 321, "block.0.fl.times": 4000000000, "block.0.allocation": 9,
        "block.1.name": "vdb", "block.1.rd.reqs": 7, "block.1.rd.bytes": 4096,
        "block.1.rd.times": 500000, "block.1.wr.bytes": 0, "block.1.wr.times": 0,
    }  # fmt: skip
    assert sum_block_stats(stats) == BlockCounts(
        read_bytes=104861696, written_bytes=20971520, flushes=321,
        read_s=2.5005, write_s=0.75, flush_s=4.0, reads=5127,
    )  # fmt: skip
    assert sum_block_stats({"block.count": 0}) == BlockCounts()
    assert sum_block_stats({"block.0.fl.reqs": "many"}) == BlockCounts()


# -- the sweep


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "state")


def leave(store: Store, run: str, *, kept: bool = False) -> Path:
    """What a killed process leaves: a domain, a port, a file and a folder on record."""
    dead = Ledger(store.root / "ledger.sqlite", pid=DEAD)
    dead._began = "12345"  # it had a start time while it lived
    folder = store.machines / run
    folder.mkdir()
    (folder / "system.qcow2").write_bytes(b"x")
    loose = store.machines / f"{run}.raw"
    loose.write_bytes(b"x")
    for kind, name in (
        ("folder", str(folder)),
        ("path", str(loose)),
        ("domain", f"forerun-{run}"),
        ("port", "40022"),
    ):
        dead.note(run, kind, name)
    if kept:
        dead.keep(run)
    return folder


def test_a_sweep_removes_what_a_killed_run_left(store: Store) -> None:
    """Domain, port, file and folder are gone; the ledger is empty; foreign domains stay."""
    hypervisor = FakeHypervisor({"other": FOREIGN})
    folder = leave(store, "run-1")
    hypervisor.start(write_xml("forerun-run-1", "run-1", store.mark))
    swept = sweep(store, hypervisor)
    assert swept.left == ()
    assert set(swept.removed) == {
        "domain:forerun-run-1",
        "port:40022",
        f"path:{store.machines}/run-1.raw",
        f"folder:{folder}",
    }
    assert list(store.machines.iterdir()) == []
    assert store.ledger.find() == ()
    assert list(hypervisor.domains) == ["other"]
    assert sweep(store, hypervisor).removed == ()


def test_a_living_run_is_left_alone(store: Store) -> None:
    """What a process that still runs has noted is not swept, nor are its domains."""
    hypervisor = FakeHypervisor()
    hypervisor.start(write_xml("forerun-run-1", "run-1", store.mark))
    store.ledger.note("run-1", "domain", "forerun-run-1")
    assert os.getpid() == store.ledger.find()[0].pid
    assert sweep(store, hypervisor).removed == ()
    assert hypervisor.is_running("forerun-run-1")


def test_a_kept_clone_goes_only_when_named(store: Store) -> None:
    """A plain sweep leaves it; `--run` removes it."""
    hypervisor = FakeHypervisor()
    folder = leave(store, "run-1", kept=True)
    hypervisor.start(write_xml("forerun-run-1", "run-1", store.mark))
    sweep(store, hypervisor)
    assert folder.exists()
    assert hypervisor.is_running("forerun-run-1")
    sweep(store, hypervisor, run="run-1")
    assert not folder.exists()
    assert not hypervisor.is_running("forerun-run-1")


def test_a_namesake_without_our_mark_is_never_ended(store: Store) -> None:
    """The name alone is no proof: a domain of that name without the mark stays."""
    hypervisor = FakeHypervisor({"forerun-run-1": FOREIGN})
    leave(store, "run-1")
    sweep(store, hypervisor)
    assert hypervisor.is_running("forerun-run-1")
    other = FakeHypervisor()
    other.start(write_xml("forerun-run-1", "run-of-another", store.mark))
    leave(store, "run-1")
    sweep(store, other)
    assert other.is_running("forerun-run-1")


@pytest.mark.parametrize("name", ["/etc/passwd", "../outside", "", "."])
def test_a_path_outside_the_state_folder_is_never_removed(
    store: Store, tmp_path: Path, name: str
) -> None:
    """Whatever the ledger says: nothing outside, and not the state folder itself."""
    outside = tmp_path / "outside"
    outside.write_text("mine")
    dead = Ledger(store.root / "ledger.sqlite", pid=DEAD)
    dead._began = "12345"
    wanted = str(store.root / name) if name else str(store.root)
    dead.note("run-1", "folder", wanted)
    dead.note("run-1", "path", wanted)
    swept = sweep(store, FakeHypervisor())
    assert len(swept.left) == 2
    assert outside.read_text() == "mine"
    assert store.root.is_dir()


def test_without_a_hypervisor_domains_stay_on_record(store: Store) -> None:
    """What could not be ended is not struck out, and its disks are not removed, for it may
    be running on them: the next sweep tries again."""
    folder = leave(store, "run-1")
    with pytest.raises(HypervisorFailed):
        sweep(store, FakeHypervisor(broken=True))
    kinds = [entry.kind for entry in store.ledger.find()]
    assert sorted(kinds) == ["domain", "folder", "path", "port"]
    assert (folder / "system.qcow2").exists()
    hypervisor = FakeHypervisor()
    hypervisor.start(write_xml("forerun-run-1", "run-1", store.mark))
    assert sweep(store, hypervisor).left == ()
    assert (store.ledger.find(), hypervisor.domains) == ((), {})
