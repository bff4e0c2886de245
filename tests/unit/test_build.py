"""Building a clone: whatever fails, and wherever, nothing is left."""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from forerun.errors import (
    CloneUnreachable,
    CommandFailed,
    ForerunError,
    HypervisorFailed,
    Interrupted,
    LoginRefused,
    NoMemory,
    NoRoom,
    ProductionUnreachable,
    SealBroken,
)
from forerun.events import Event, Notice
from forerun.model.blueprint import Blueprint, StandInDisk, TemplateInfo, TemplateRecipe
from forerun.ports.command import Completed
from forerun.ports.disks import Disks
from forerun.ports.guard import GUARD_FILE
from forerun.ports.guest import Guest
from forerun.ports.labhost import LabHost
from forerun.ports.ssh import ExecResult, Room, SshLink, SshTarget
from forerun.ports.store import Store
from forerun.stages.back_out import NewGround, OldState, Start, rebuild
from forerun.stages.build import FIRST_ANSWER_S, Yard, make_mac, open_clone, write_reach_hint
from forerun.stages.design import ACCESS_PORT
from forerun.stages.hold import HoldPoint
from forerun.stages.sweep import sweep
from forerun.testing import FakeClock, FakeHypervisor

UUID = "6f1c1f0a-7c39-4d6e-9d6b-0f5d3e1a2b3c"
BLUEPRINT = Blueprint(
    run_id="run-1",
    survey_id="survey-1",
    hostname="shelf01",
    recipe=TemplateRecipe("debian", "bookworm", "amd64", "bios", 10 << 30, ()),
    cpus=1,
    memory_bytes=1 << 29,
    stand_ins=(
        StandInDisk("/srv", "ext4", UUID, "archive", 1 << 30, f"UUID={UUID} /srv ext4"),
        StandInDisk("none", "swap", UUID, "", 1 << 30, f"UUID={UUID} none swap"),
    ),
    guest_ports=((ACCESS_PORT, "access"), (80, "web")),
    allowed=(),
    copy_paths=(),
    held_back_paths=(),
    enable_units=(),
    gaps=(),
)
TEMPLATE = TemplateInfo(
    "0123456789abcdef", "t", "bookworm", "bios", 8 << 30, 1, "", "", 1.0, UUID, ()
)
GB = 10**9


class FakeTools:
    """Programs that make the file they are asked for; the one at `fails_at` fails."""

    def __init__(self, fails_at: int = -1) -> None:
        self.fails_at = fails_at
        self.ran: list[Sequence[str]] = []

    def run(
        self,
        argv: Sequence[str],
        *,
        timeout_s: float,
        stdin: bytes = b"",
        env: Mapping[str, str] | None = None,
        cwd: Path | None = None,
        log: Path | None = None,
        check: bool = True,
    ) -> Completed:
        self.ran.append(argv)
        if len(self.ran) - 1 == self.fails_at:
            raise CommandFailed(f"{argv[0]} failed.", hint="x")
        if argv[0] == "qemu-img":
            Path(argv[-2]).touch()
        return Completed(tuple(argv), 0, b"", b"")

    def find(self, program: str) -> str:
        return program


class RoomyLab(LabHost):
    def __init__(self, *, disk: int = 80 * GB, memory: int = 8 * GB) -> None:
        super().__init__()
        self._disk, self._memory = disk, memory

    def free_bytes(self, folder: Path) -> int:
        return self._disk

    def memory_bytes(self) -> tuple[int, int]:
        return self._memory, self._memory


class FakeLink:
    """A clone's SSH: the guard file and nothing more. `problem` at its n-th use."""

    def __init__(self, *, guard: bool = True) -> None:
        self.guard = guard
        self.closed = False
        self.commands: list[str] = []

    def read_file(self, path: str, *, offset: int = 0, limit: int = 1 << 20) -> bytes:
        if path == GUARD_FILE and self.guard:
            return b"clone\n"
        raise FileNotFoundError(path)

    def forward_back(self, port: int, *, to_port: int) -> int:
        return port

    def exec(self, command: str, *, timeout_s: float, stdin: bytes = b"") -> ExecResult:
        self.commands.append(command)
        return ExecResult(0, b"", b"")

    def room(self, path: str) -> Room:
        return Room(1, 1, 1)

    def sent_bytes(self) -> int:
        return 0

    def alive(self) -> bool:
        return not self.closed

    def close(self) -> None:
        self.closed = True

    def __getattr__(self, name: str) -> Any:
        raise AssertionError(f"not used while building: {name}")


class Keep:
    def __init__(self) -> None:
        self.events: list[Event] = []

    def emit(self, event: Event) -> None:
        self.events.append(event)

    def close(self) -> None:
        pass


class Ground:
    """A lab host on which every outside thing is a fake."""

    def __init__(self, root: Path) -> None:
        self.store = Store(root / "state")
        self.hypervisor = FakeHypervisor({"mail-server": "<domain/>"})
        self.tools = FakeTools()
        self.lab: LabHost = RoomyLab()
        self.clock = FakeClock()
        self.sink = Keep()
        self.links: list[FakeLink] = []
        self.targets: list[SshTarget] = []
        self.log_in: Callable[[SshTarget, float], SshLink] = self._log_in
        self.ports = itertools.count(40001)

    def _log_in(self, target: SshTarget, timeout_s: float) -> SshLink:
        self.targets.append(target)
        self.links.append(FakeLink())
        return self.links[-1]

    @property
    def yard(self) -> Yard:
        return Yard(
            self.store,
            Disks(self.tools),
            self.hypervisor,
            self.lab,
            self.clock,
            self.sink,
            "emulation",
            3142,
            connect=self.log_in,
            free_port=lambda: next(self.ports),
        )

    def open(self) -> Any:
        return open_clone(BLUEPRINT, TEMPLATE, b"copy", self.yard)

    def assert_nothing_left(self) -> None:
        assert list(self.hypervisor.domains) == ["mail-server"]
        assert list(self.store.machines.iterdir()) == []
        assert self.store.ledger.find() == ()
        assert all(link.closed for link in self.links)


@pytest.fixture
def ground(tmp_path: Path) -> Ground:
    return Ground(tmp_path)


def test_a_clone_is_there_inside_the_block_and_gone_after_it(ground: Ground) -> None:
    """Inside: domain, disks and ledger entries, a login with keys of its own on a loopback
    port. After: nothing, but the ledger still knows what there was."""
    with ground.open() as clone:
        assert list(ground.hypervisor.domains) == ["mail-server", "forerun-run-1"]
        names = {entry.name for entry in clone.folder.iterdir()}
        assert {"system.qcow2", "data0.raw", "data1.raw", "seed.iso"} <= names
        assert f"leans-on-{TEMPLATE.id}" in names
        kinds = sorted(entry.kind for entry in ground.store.ledger.find("run-1"))
        assert kinds == ["domain", "folder", "port", "port"]
        assert clone.host_port(80) == clone.host_port(ACCESS_PORT) + 1
        (target, _) = ground.targets
        assert (target.host, target.port) == ("127.0.0.1", clone.host_port(ACCESS_PORT))
        assert target.host_key == clone.keys.host_public, "the host key is pinned"
        assert clone.keys.login_private not in repr(target)
    ground.assert_nothing_left()
    assert len(ground.store.ledger.find("run-1", with_gone=True)) == 4


def test_the_template_is_never_written(ground: Ground) -> None:
    """The clone's disk is an overlay that names the template as its base."""
    with ground.open():
        create = next(argv for argv in ground.tools.ran if argv[0] == "qemu-img")
    base = str(ground.store.template_disk(TEMPLATE.id))
    assert create[create.index("-b") + 1] == base
    assert create[-2] != base
    assert create[-1] == str(10 << 30), "the larger of template and production"


def test_an_open_way_out_of_a_rebuilt_machine_ends_the_run(ground: Ground, tmp_path: Path) -> None:
    """Before the backup is restored, and it is no result of the way back: it is raised."""
    backup = tmp_path / "configuration.tar.gz"
    backup.write_bytes(b"secret of production")

    def prove(_guest: Guest) -> None:
        raise SealBroken("a way is open")

    point = HoldPoint("x", tmp_path, 0, 0, 0.0)
    start = Start("upgrade", point, OldState(frozenset(), frozenset()), ())
    with pytest.raises(SealBroken):
        rebuild(NewGround(BLUEPRINT, TEMPLATE, backup, prove), start, (), ground.yard)
    assert ground.links
    assert [command for link in ground.links for command in link.commands] == []
    ground.assert_nothing_left()


@pytest.mark.parametrize("problem", [ValueError("bug"), Interrupted("Ctrl-C"), KeyError("x")])
def test_an_error_inside_the_block_leaves_nothing(ground: Ground, problem: BaseException) -> None:
    """However the block is left, and the error is not swallowed."""
    with pytest.raises(type(problem)), ground.open():
        raise problem
    ground.assert_nothing_left()


@pytest.mark.parametrize("at", [0, 1, 2])
def test_a_tool_that_fails_leaves_nothing(ground: Ground, at: int) -> None:
    """Overlay, first and second stand-in disk: each in turn."""
    ground.tools.fails_at = at
    with pytest.raises(CommandFailed), ground.open():
        raise AssertionError("never entered")
    assert len(ground.tools.ran) == at + 1
    ground.assert_nothing_left()


def test_a_seed_that_cannot_be_written_leaves_nothing(
    ground: Ground, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk while the seed image is made."""

    def full(path: Path, files: Mapping[str, bytes]) -> None:
        path.write_bytes(b"half")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("forerun.stages.build.make_seed_image", full)
    with pytest.raises(NoRoom, match="No space"), ground.open():
        raise AssertionError("never entered")
    ground.assert_nothing_left()


@pytest.mark.parametrize(
    "problem", [HypervisorFailed("no", found="no memory"), Interrupted("Ctrl-C")]
)
@pytest.mark.parametrize("after", [False, True], ids=["refused", "started-then-lost"])
def test_a_hypervisor_that_fails_leaves_nothing(
    ground: Ground, problem: BaseException, after: bool
) -> None:
    """Also when the domain was started and the answer was lost."""
    start = ground.hypervisor.start

    def fail(xml: str) -> None:
        if after:
            start(xml)
        raise problem

    ground.hypervisor.start = fail  # type: ignore[method-assign]
    with pytest.raises(type(problem)), ground.open():
        raise AssertionError("never entered")
    ground.assert_nothing_left()


@pytest.mark.parametrize("at", [1, 2, 3, 4])
def test_an_interrupt_between_two_notes_leaves_none(
    ground: Ground, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    """Ctrl-C may come right after any entry is written: folder, domain, either port."""
    note, count = ground.store.ledger.note, itertools.count(1)

    def interrupted(run: str, kind: str, name: str, *, place: str = "") -> int:
        entry = note(run, kind, name, place=place)
        if next(count) == at:
            raise Interrupted("Ctrl-C")
        return entry

    monkeypatch.setattr(ground.store.ledger, "note", interrupted)
    with pytest.raises(Interrupted), ground.open():
        raise AssertionError("never entered")
    assert next(count) == at + 1
    ground.assert_nothing_left()


def test_a_port_that_was_taken_meanwhile_is_tried_anew(ground: Ground) -> None:
    """QEMU names `hostfwd` when a loopback port is taken; new ports are chosen, three
    times in all."""
    start = ground.hypervisor.start
    tries: list[str] = []

    def taken(xml: str) -> None:
        tries.append(xml)
        if len(tries) < 3:
            raise HypervisorFailed("no", found="Could not set up host forwarding rule hostfwd")
        start(xml)

    ground.hypervisor.start = taken  # type: ignore[method-assign]
    with ground.open() as clone:
        assert clone.host_port(ACCESS_PORT) == 40005
        assert len(ground.store.ledger.find("run-1")) == 4, "the tried ports are struck out"
    ground.assert_nothing_left()


def test_ports_that_are_always_taken_end_the_attempt(ground: Ground) -> None:
    """After the third attempt the error is raised."""

    def taken(xml: str) -> None:
        raise HypervisorFailed("no", found="hostfwd")

    ground.hypervisor.start = taken  # type: ignore[method-assign]
    with pytest.raises(HypervisorFailed), ground.open():
        raise AssertionError("never entered")
    assert next(ground.ports) == 40001 + 3 * 2
    ground.assert_nothing_left()


@pytest.mark.parametrize(
    ("problem", "wanted"),
    [
        (ProductionUnreachable("no", found="refused"), CloneUnreachable),
        (LoginRefused("no"), LoginRefused),
        (Interrupted("Ctrl-C"), Interrupted),
        (ZeroDivisionError(), ZeroDivisionError),
    ],
)
def test_a_clone_that_cannot_be_reached_leaves_nothing(
    ground: Ground, problem: BaseException, wanted: type[BaseException]
) -> None:
    """A clone that never answers is waited for and then removed."""

    def refuse(target: SshTarget, timeout_s: float) -> SshLink:
        raise problem

    ground.log_in = refuse
    with pytest.raises(wanted), ground.open():
        raise AssertionError("never entered")
    if wanted is CloneUnreachable:
        assert FIRST_ANSWER_S <= ground.clock.at_s < FIRST_ANSWER_S + 2
    ground.assert_nothing_left()


def test_a_clone_that_powers_off_at_once_is_not_waited_for(ground: Ground) -> None:
    """The hypervisor says that the domain is gone."""

    def refuse(target: SshTarget, timeout_s: float) -> SshLink:
        ground.hypervisor.domains.pop("forerun-run-1", None)
        raise ProductionUnreachable("no", found="refused")

    ground.log_in = refuse
    with pytest.raises(CloneUnreachable, match="powered off"), ground.open():
        raise AssertionError("never entered")
    assert ground.clock.at_s == 0.0
    ground.assert_nothing_left()


def test_somebody_else_on_the_port_is_refused(ground: Ground) -> None:
    """Without the guard file nothing is run, and nothing is left."""

    def other(target: SshTarget, timeout_s: float) -> SshLink:
        ground.links.append(FakeLink(guard=False))
        return ground.links[-1]

    ground.log_in = other
    with pytest.raises(CloneUnreachable, match="not a clone"), ground.open():
        raise AssertionError("never entered")
    ground.assert_nothing_left()


@pytest.mark.parametrize(
    ("lab", "wanted"),
    [(RoomyLab(disk=5 * GB), NoRoom), (RoomyLab(memory=GB // 2), NoMemory)],
)
def test_a_lab_host_that_is_too_small_is_told_before_anything_is_made(
    ground: Ground, lab: LabHost, wanted: type[ForerunError]
) -> None:
    """Wanted, found and a way out; no ledger entry is ever written."""
    ground.lab = lab
    with pytest.raises(wanted) as caught, ground.open():
        raise AssertionError("never entered")
    assert caught.value.wanted
    assert caught.value.found
    assert caught.value.hint
    assert ground.store.ledger.find(with_gone=True) == ()
    assert ground.tools.ran == []


def test_a_domain_that_cannot_be_ended_stays_in_the_ledger(ground: Ground) -> None:
    """libvirt went away: said as a fault, and left for a sweep."""
    with ground.open():
        ground.hypervisor.broken = True
    kinds = {entry.kind for entry in ground.store.ledger.find()}
    assert "domain" in kinds
    faults = [e for e in ground.sink.events if isinstance(e, Notice) and e.level == "fault"]
    assert [("forerun sweep" in e.text, "forerun-run-1" in e.text) for e in faults] == [
        (True, True)
    ]


@pytest.fixture
def open_umask() -> Iterator[None]:
    """The worst case: a umask that takes nothing away (umask(2))."""
    before = os.umask(0)
    yield
    os.umask(before)


def find_holders(root: Path, secret: str) -> set[str]:
    """Names of the files of a folder that hold the middle of a key."""
    part = secret.splitlines()[2].encode("ascii")
    assert len(part) > 40
    return {path.name for path in root.rglob("*") if path.is_file() and part in path.read_bytes()}


def test_what_a_clone_consists_of_is_its_owners_alone(ground: Ground, open_umask: None) -> None:
    """Disks, seed and marks; others may pass through the folder, as the hypervisor's own user
    must, but neither list nor write it. The same for a key that is kept."""
    with ground.open() as clone:
        clone.keep = True
    files = {path.name: path.stat().st_mode & 0o777 for path in clone.folder.iterdir()}
    assert set(files) == {
        "system.qcow2", "data0.raw", "data1.raw", "seed.iso", f"leans-on-{TEMPLATE.id}",
        "clone_key", "clone_known_hosts",
    }  # fmt: skip
    assert set(files.values()) == {0o600}
    assert clone.folder.stat().st_mode & 0o777 == 0o711


def test_a_clones_keys_die_with_it(ground: Ground) -> None:
    """The login key is on no disk at all, the host key in the seed alone; afterwards neither
    is anywhere in the state folder."""
    with ground.open() as clone:
        login, host = clone.keys.login_private, clone.keys.host_private
        assert find_holders(ground.store.root, login) == set()
        assert find_holders(ground.store.root, host) == {"seed.iso"}
    assert find_holders(ground.store.root, login) == set()
    assert find_holders(ground.store.root, host) == set()


def test_a_kept_clones_key_dies_with_the_sweep(ground: Ground) -> None:
    """Kept, it is in one file; removed on purpose, it is nowhere."""
    with ground.open() as clone:
        clone.keep = True
    login = clone.keys.login_private
    assert find_holders(ground.store.root, login) == {"clone_key"}
    sweep(ground.store, ground.hypervisor, run=clone.run_id)
    assert find_holders(ground.store.root, login) == set()
    assert list(ground.store.machines.iterdir()) == []


def test_a_kept_clone_stays_with_its_key(ground: Ground) -> None:
    """Kept on purpose: domain, disks, a key file for its owner only, and how to reach and
    remove it; the ledger knows that it is kept."""
    with ground.open() as clone:
        clone.keep = True
        hint = write_reach_hint(clone)
    assert "forerun-run-1" in ground.hypervisor.domains
    key = clone.folder / "clone_key"
    assert key.stat().st_mode & 0o777 == 0o600
    assert key.read_text() == clone.keys.login_private
    known = (clone.folder / "clone_known_hosts").read_text()
    assert known == f"[127.0.0.1]:{clone.host_port(ACCESS_PORT)} {clone.keys.host_public}\n"
    assert str(key) in hint
    assert "forerun sweep --run run-1" in hint
    entries = ground.store.ledger.find("run-1")
    assert len(entries) == 4
    assert all(entry.kept for entry in entries)


def test_keeping_is_for_runs_that_ended_well(ground: Ground) -> None:
    """An error inside the block tears a clone down, also one that was to be kept."""
    with pytest.raises(ValueError, match="bug"), ground.open() as clone:
        clone.keep = True
        raise ValueError("bug")
    ground.assert_nothing_left()


def test_each_clone_has_an_address_of_its_own() -> None:
    """Locally administered and unicast (IEEE 802: bit 1 of the first octet set, bit 0 not)."""
    addresses = {make_mac() for _ in range(200)}
    assert len(addresses) > 190
    first = {int(address.split(":", maxsplit=1)[0], 16) & 3 for address in addresses}
    assert first == {2}
