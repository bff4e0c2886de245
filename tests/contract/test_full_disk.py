"""A disk that fills up under each kind of writing: a clear NoRoom, nothing half visible, and
what was there before is there.

On a real small file system (tmpfs(5)); root only, as it has to be mounted."""

from __future__ import annotations

import contextlib
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from forerun.distro.debian import Debian
from forerun.errors import NoRoom
from forerun.ports.command import LocalCommand
from forerun.ports.disks import Disks
from forerun.ports.ledger import Ledger
from forerun.ports.store import Store, write_durably
from forerun.stages.build import open_clone
from forerun.stages.survey import take_survey
from forerun.stages.sweep import sweep
from forerun.testing import FakeClock, FakeHypervisor, FakeProduction
from tests.contract.bad_input import assert_nothing_left, run_forerun, small_disk
from tests.unit.test_build import BLUEPRINT, TEMPLATE, Ground
from tests.unit.test_survey import TREE, read_answers

pytestmark = pytest.mark.tools

MIB = 1024 * 1024


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    with small_disk(tmp_path / "small", "4m") as folder:
        yield folder


@contextmanager
def filled(disk: Path, *, leave: int = 0) -> Iterator[None]:
    """Ballast up to the last `leave` bytes; it goes at the end of the block."""
    ballast = disk / "ballast"
    with ballast.open("wb", buffering=0) as out:
        with contextlib.suppress(OSError):
            while out.write(b"x" * 4096):
                pass
        out.truncate(max(0, out.tell() - leave))
    try:
        yield
    finally:
        ballast.unlink(missing_ok=True)


def test_the_ledger(disk: Path) -> None:
    """SQLite has no room for its journal: what was noted stays, what was not is not made."""
    store = Store(disk / "state")
    store.ledger.note("run-1", "path", "before")
    with filled(disk), pytest.raises(NoRoom) as caught:
        store.ledger.note("run-1", "path", "after")
    assert "ledger.sqlite" in caught.value.where
    assert caught.value.hint
    assert [entry.name for entry in store.ledger.find()] == ["before"]
    store.ledger.note("run-1", "path", "again")


def test_a_file(disk: Path) -> None:
    """The old one stays under its name, and nothing beside it."""
    path = disk / "accelerator.json"
    write_durably(path, b"old")
    with filled(disk), pytest.raises(NoRoom):
        write_durably(path, b"x" * MIB)
    assert path.read_bytes() == b"old"
    assert [one.name for one in disk.iterdir()] == ["accelerator.json"]


def test_a_run_s_folder(disk: Path) -> None:
    """Any file of it: the folder is gone, and so is its entry."""
    store = Store(disk / "state")
    with (
        filled(disk, leave=MIB),
        pytest.raises(NoRoom) as caught,
        store.new_folder(store.runs, "run-1") as folder,
    ):
        (folder / "terminal.log").write_bytes(b"x" * 2 * MIB)
    assert "No space left" in caught.value.found
    assert list(store.runs.iterdir()) == []
    assert store.ledger.find() == ()


def test_a_survey_s_copy(disk: Path) -> None:
    """The files come in faster than they fit: no survey, no half copy."""
    store = Store(disk / "state")
    tree = {**TREE, **{f"/etc/large{n}.conf": b"a = 1\n" * 20_000 for n in range(20)}}
    production = FakeProduction(read_answers(), tree)
    with (
        filled(disk, leave=MIB),
        pytest.raises(NoRoom),
        store.new_folder(store.surveys, "survey-1") as folder,
        (folder / "copy.tar").open("wb") as out,
    ):
        take_survey(
            production, distro=Debian(), clock=FakeClock(), host="atlas7.corp.example",
            survey_id="survey-1", copy_to=out,
        )  # fmt: skip
    assert list(store.surveys.iterdir()) == []
    assert store.ledger.find() == ()


@pytest.mark.parametrize(("leave", "copy"), [(150_000, b"copy"), (MIB, b"c" * 3 * MIB)])
def test_a_clone_s_disks(disk: Path, leave: int, copy: bytes) -> None:
    """No room for the overlay, or none for the seed with the copy: the clone is not started,
    and its folder and entries are gone."""
    ground = Ground(disk)
    base = ground.store.template_disk(TEMPLATE.id)
    base.parent.mkdir()
    LocalCommand().run(["qemu-img", "create", "-q", "-f", "qcow2", str(base), "8G"], timeout_s=30)
    yard = ground.yard
    object.__setattr__(yard, "disks", Disks(LocalCommand()))
    with (
        filled(disk, leave=leave),
        pytest.raises(NoRoom) as caught,
        open_clone(BLUEPRINT, TEMPLATE, copy, yard),
    ):
        raise AssertionError("never entered")
    assert caught.value.hint
    ground.assert_nothing_left()


def test_a_sweep(disk: Path) -> None:
    """What fills the disk is what a killed run left: it goes although not a byte can be
    written before."""
    store = Store(disk / "state")
    dead = Ledger(store.root / "ledger.sqlite", pid=2**22 + 1)  # proc(5), pid_max
    run = "run-20260131-220000-a1b2c3d4"
    machine = store.machines / run
    dead.note(run, "port", "40022")
    dead.note(run, "folder", str(machine))
    machine.mkdir()
    assert store.mark, "an earlier command made the key"
    (machine / "system.qcow2").write_bytes(b"x" * 2 * MIB)
    with filled(disk):
        swept = sweep(store, FakeHypervisor())
        assert swept.left == ()
        assert store.ledger.find() == ()
    assert list(store.machines.iterdir()) == []


def test_an_import(disk: Path, tmp_path: Path) -> None:
    """By the command itself: exit code 31, no template, no folder, no lock."""
    raw, image = tmp_path / "disk.raw", tmp_path / "disk.qcow2"
    raw.write_bytes(bytes(range(256)) * 4096 * 6)
    subprocess.run(
        ["qemu-img", "convert", "-q", "-f", "raw", "-O", "qcow2", str(raw), str(image)], check=True
    )
    home = disk / "state"
    told = run_forerun(home, "template", "import", str(image))
    told.assert_told(31, "No space left on device")
    assert list((home / "templates").iterdir()) == []
    assert list(home.glob("*.lock")) == []
    assert_nothing_left(home)
