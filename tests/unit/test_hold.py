"""Hold points on fakes: what is kept, what comes back, what is checked beforehand."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.unit.test_build import Ground

from forerun.errors import CloneUnreachable, NoRoom
from forerun.ports.clock import PausableClock
from forerun.ports.disks import Disks
from forerun.stages.build import Clone
from forerun.stages.hold import Holder
from forerun.stages.seed import Keys
from forerun.testing import FakeClock, FakeGuest


@pytest.fixture
def ground(tmp_path: Path) -> Ground:
    return Ground(tmp_path)


class CopyingTools:
    """cp(1) as far as it is used, without a process."""

    def run(self, argv: list[str], **_rest: object) -> None:
        assert argv[0] == "cp"
        Path(argv[-1]).write_bytes(Path(argv[-2]).read_bytes())


def make_clone(ground: Ground, guest: FakeGuest) -> tuple[Clone, Holder]:
    folder = ground.store.machines / "run-1"
    folder.mkdir()
    (folder / "system.qcow2").write_bytes(b"then")
    xml = "<domain><name>forerun-run-1</name></domain>"
    ground.hypervisor.start(xml)
    clone = Clone(
        "forerun-run-1", "run-1", folder, folder / "console.log", (), guest,
        Keys("", "", "", ""), "52:54:00:00:00:01", 1.0, xml, (folder / "system.qcow2",),
    )  # fmt: skip
    yard = ground.yard
    object.__setattr__(yard, "disks", Disks(CopyingTools()))  # type: ignore[arg-type]
    return clone, Holder(clone, yard, ground.tools)


def test_a_point_brings_disks_and_machine_back(ground: Ground) -> None:
    """As often as wanted; the clone runs before, between and after, its clock is set."""
    guest = FakeGuest(ground.clock)
    clone, holder = make_clone(ground, guest)
    point = holder.take("upgrade", memory_bytes=1 << 20)
    assert ground.hypervisor.is_running(clone.name)
    for _ in range(2):
        clone.disks[0].write_bytes(b"later")
        holder.return_to(point)
        assert clone.disks[0].read_bytes() == b"then"
        assert ground.hypervisor.is_running(clone.name)
    assert sum("date --set=@" in script for script in guest.ran) == 3
    holder.drop(point)
    assert not point.folder.exists()


def test_too_little_room_is_said_before_anything_is_touched(ground: Ground) -> None:
    guest = FakeGuest(ground.clock)
    clone, holder = make_clone(ground, guest)
    with pytest.raises(NoRoom, match="hold point"):
        holder.take("upgrade", memory_bytes=1 << 60)
    assert ground.hypervisor.is_running(clone.name)
    assert not list(clone.folder.glob("hold-*"))


def test_a_power_cut_and_a_start(ground: Ground) -> None:
    """The same domain from the same disks; one that does not answer is told as such."""
    guest = FakeGuest(ground.clock)
    clone, holder = make_clone(ground, guest)
    holder.cut_power()
    assert not ground.hypervisor.is_running(clone.name)
    assert holder.switch_on() >= 0
    assert ground.hypervisor.is_running(clone.name)
    holder.cut_power()
    guest.lost = True
    with pytest.raises(CloneUnreachable):
        holder.switch_on(patience_s=3)
    assert not holder.is_reachable(patience_s=1)


def test_a_paused_clock_leaves_the_pause_out() -> None:
    clock = FakeClock()
    pausable = PausableClock(clock)
    clock.sleep(5)
    with pausable.paused():
        clock.sleep(100)
        assert pausable.monotonic() == 5
    clock.sleep(2)
    assert pausable.monotonic() == 7
    assert pausable.now() == clock.now()
