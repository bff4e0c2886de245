"""The seal is proved before anything else is done on a clone: with a fake clone, the real
gateway and the real canary."""

from __future__ import annotations

from pathlib import Path
from typing import cast

import pytest

from forerun.errors import SealBroken
from forerun.events import Discard
from forerun.model.observation import WayEnd
from forerun.model.profile import Site
from forerun.pipeline_bench import Bench
from forerun.pipeline_request import RehearsalRequest
from forerun.pipeline_run import RehearsalRun
from forerun.ports.command import LocalCommand
from forerun.ports.disks import Disks
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.labhost import LabHost
from forerun.ports.ssh import ExecResult
from forerun.ports.store import Store
from forerun.profiles import load_profile, shipped_folders
from forerun.stages.build import Clone
from forerun.stages.seal_program import CONTROL_GATEWAY, CONTROL_ICMP, CONTROL_TCP, CONTROL_UDP
from forerun.testing import FakeClock, FakeGuest
from tests.unit.test_design import SURVEY

from .loopback_archive import send

pytestmark = [pytest.mark.tools, pytest.mark.timeout(60)]
REFUSAL = b"HTTP/1.1 403 Forbidden\r\n\r\nforerun: refused: x\n"


class BareClone:
    """As much of a clone as is needed until its seal is judged."""

    def __init__(self, guest: FakeGuest) -> None:
        self.guest = guest


class Tried:
    """A fake clone's program: all ways shut but `open_way`; the control really goes to the
    gateway. Keeps what was on the gateway's list meanwhile."""

    def __init__(self, gateway: ArchiveGateway, open_way: int = -1) -> None:
        self.gateway = gateway
        self.open_way = open_way

    def __call__(self, script: str) -> ExecResult:
        lines = []
        for row in script.partition("__END__\n")[2].splitlines()[:-1]:
            name, kind, _, _, _, payload, _ = row.split()
            told = {"http": f"answered {REFUSAL.hex()}"}.get(kind, "silent ")
            if name == CONTROL_GATEWAY:
                got = send(self.gateway.port, bytes.fromhex(payload))
                told = f"answered {(got.head + got.body).hex()}"
            elif name in (CONTROL_TCP, str(self.open_way)):
                told = "connected "
            elif name in (CONTROL_UDP, CONTROL_ICMP):
                told = "answered 00"
            lines.append(f"{name} {told}\n")
        return ExecResult(0, "".join(lines).encode(), b"")


@pytest.fixture
def run(tmp_path: Path) -> RehearsalRun:
    command = LocalCommand()
    bench = Bench(
        Store(tmp_path), command, Disks(command), LabHost(), FakeClock(), "test:///default"
    )
    profile = load_profile(shipped_folders()[0] / "debian-12-to-13" / "profile.yaml")
    request = RehearsalRequest(SURVEY, profile, Site(), cpus=1, memory_bytes=1 << 29)
    return RehearsalRun(request, bench, Discard())


def go_on(run: RehearsalRun, guest: FakeGuest, gateway: ArchiveGateway) -> None:
    """As far as a fake clone goes."""
    run.make_ready(cast(Clone, BareClone(guest)), gateway)


def test_nothing_is_run_on_a_clone_before_its_seal_is_proved(
    run: RehearsalRun, gateway: ArchiveGateway
) -> None:
    """What cannot be told stops the run at the very first script."""
    guest = FakeGuest(FakeClock())
    with pytest.raises(SealBroken, match="could not be proved"):
        go_on(run, guest, gateway)
    (script,) = guest.ran
    assert script.startswith("perl - ")
    assert run.ways_tried == ()


def test_an_open_way_stops_the_run_and_is_on_record(
    run: RehearsalRun, gateway: ArchiveGateway
) -> None:
    """Exit code 38; the attempts are kept, the open one among them; nothing else was run, and
    the canary is no longer on the gateway's list."""
    before = gateway._allowed
    guest = FakeGuest(FakeClock(), answers={"perl - ": Tried(gateway, open_way=3)})
    with pytest.raises(SealBroken, match="can reach out") as caught:
        go_on(run, guest, gateway)
    assert caught.value.exit_code == 38
    assert len(guest.ran) == 1
    assert [one.result is WayEnd.OPEN for one in run.ways_tried].index(True) == 3
    assert gateway._allowed == before


def test_a_sealed_clone_goes_on_with_everything_on_record(
    run: RehearsalRun, gateway: ArchiveGateway
) -> None:
    """Ports of other clones are tried, this run's own are not; then comes what comes next."""
    run.bench.store.ledger.note("run-other", "port", "40123")
    run.bench.store.ledger.note(run.id, "port", "40456")
    guest = FakeGuest(FakeClock(), answers={"perl - ": Tried(gateway)})
    with pytest.raises(ValueError, match="blueprint"):  # the next phase asks for it
        go_on(run, guest, gateway)
    assert [name for name, _ in run.preparation] == ["seal"]
    ports = {one.port for one in run.ways_tried if one.name == "another clone"}
    assert ports == {40123}
    assert {one.result for one in run.ways_tried} == {WayEnd.CLOSED, WayEnd.REFUSED}
    assert run.record(None).ways_tried == run.ways_tried
