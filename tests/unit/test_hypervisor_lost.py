"""libvirtd goes away and comes back while it is asked: what is asked again, and what is not.

What the library does then was looked up in libvirt's own documentation: a connection that is
lost stays so, `virConnectIsAlive` tells, and errors of the transport come from the domain
VIR_FROM_RPC (virterror). The real daemon's restart is played in tests/vm/test_libvirt_away.py.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import libvirt
import pytest

from forerun.errors import HypervisorFailed
from forerun.model.blueprint import DomainPlan
from forerun.ports.domain_xml import write_domain_xml
from forerun.ports.hypervisor import LibvirtHypervisor
from forerun.testing import FakeClock

URI = "qemu:///system"
UUID = "919108f7-52d1-4320-9bac-f847db4148a8"


def make_error(code: int, domain: int) -> libvirt.libvirtError:
    problem = libvirt.libvirtError("played")
    problem.err = (code, domain, "played", 2, None, None, None, -1, -1)
    return problem


def lost() -> libvirt.libvirtError:
    return make_error(libvirt.VIR_ERR_INTERNAL_ERROR, libvirt.VIR_FROM_RPC)


def refused() -> libvirt.libvirtError:
    return make_error(libvirt.VIR_ERR_OPERATION_FAILED, libvirt.VIR_FROM_QEMU)


def no_domain() -> libvirt.libvirtError:
    return make_error(libvirt.VIR_ERR_NO_DOMAIN, libvirt.VIR_FROM_QEMU)


def write_xml(name: str) -> str:
    return write_domain_xml(
        DomainPlan(
            name=name, uuid=UUID, mac="", cpus=1, memory_bytes=64 << 20, boot_mode="bios",
            accelerator="emulation", disks=(), console_log="/nowhere", owner=name, state="s",
        )
    )  # fmt: skip


class Daemon:
    """libvirtd: its domains, and how it fares. `away_s` is when it comes back; `plan` holds,
    for each request to come, what happens: None, or how the connection is lost with it."""

    def __init__(self, clock: FakeClock) -> None:
        self.clock = clock
        self.domains: dict[str, int] = {}
        self.away_until_s = 0.0
        self.plan: list[str | None] = []
        self.stubborn = False
        self.opened = 0
        self.asked: list[str] = []

    def open(self, uri: str) -> Connection:
        if self.clock.monotonic() < self.away_until_s:
            raise make_error(libvirt.VIR_ERR_SYSTEM_ERROR, libvirt.VIR_FROM_RPC)
        self.opened += 1
        return Connection(self)


class Connection:
    def __init__(self, daemon: Daemon) -> None:
        self.daemon = daemon
        self.alive = True

    def isAlive(self) -> int:
        return int(self.alive)

    def close(self) -> None:
        self.alive = False

    def ask(self, name: str, act: Callable[[], Any]) -> Any:
        """One request: heard or not, its answer lost or not."""
        fate = self.daemon.plan.pop(0) if self.daemon.plan else None
        if not self.alive or fate == "unheard":
            self.alive = False
            raise lost()
        self.daemon.asked.append(name)
        answer = act()
        if fate == "answer lost":
            self.alive = False
            raise lost()
        return answer

    def createXML(self, xml: str, flags: int) -> None:
        def act() -> None:
            if "forerun-x" in self.daemon.domains:
                raise refused()
            self.daemon.domains["forerun-x"] = libvirt.VIR_DOMAIN_RUNNING

        self.ask("create", act)

    def _look_up(self, name: str) -> Domain:
        if name not in self.daemon.domains:
            raise no_domain()
        return Domain(self, name)

    def lookupByName(self, name: str) -> Domain:
        found: Domain = self.ask("look up", lambda: self._look_up(name))
        return found

    def lookupByUUIDString(self, uuid: str) -> Domain:
        assert uuid == UUID
        found: Domain = self.ask("look up", lambda: self._look_up("forerun-x"))
        return found

    def listAllDomains(self) -> list[Domain]:
        names = list(self.daemon.domains)
        found: list[Domain] = self.ask("list", lambda: [Domain(self, name) for name in names])
        return found


class Domain:
    def __init__(self, connection: Connection, name: str) -> None:
        self.connection = connection
        self._name = name

    def name(self) -> str:
        return self._name

    def isActive(self) -> int:
        return int(self._name in self.connection.daemon.domains)

    def state(self) -> list[int]:
        return [self.connection.daemon.domains[self._name], 0]

    def info(self) -> list[int]:
        answer: list[int] = self.connection.ask("info", lambda: [1, 0, 0, 1, 7_000_000_000])
        return answer

    def destroy(self) -> None:
        def act() -> None:
            if self.connection.daemon.stubborn:
                raise refused()
            self.connection.daemon.domains.pop(self._name, None)

        self.connection.ask("destroy", act)

    def undefineFlags(self, flags: int) -> None:
        raise no_domain()

    def XMLDesc(self) -> str:
        answer: str = self.connection.ask("describe", lambda: write_xml(self._name))
        return answer


@pytest.fixture
def daemon(monkeypatch: pytest.MonkeyPatch) -> Iterator[Daemon]:
    one = Daemon(FakeClock())
    monkeypatch.setattr(libvirt, "open", one.open)
    yield one


def connect(daemon: Daemon, patience_s: float = 60.0) -> LibvirtHypervisor:
    return LibvirtHypervisor(URI, clock=daemon.clock, patience_s=patience_s)


@pytest.mark.parametrize("fate", ["unheard", "answer lost"])
def test_a_question_is_asked_again_over_a_new_connection(daemon: Daemon, fate: str) -> None:
    hypervisor = connect(daemon)
    daemon.domains["forerun-x"] = libvirt.VIR_DOMAIN_RUNNING
    daemon.plan = [fate]
    assert hypervisor.is_running("forerun-x")
    daemon.plan = [None, fate]
    assert hypervisor.cpu_seconds("forerun-x") == 7.0
    assert daemon.opened == 3


def test_a_daemon_that_restarts_is_waited_for(daemon: Daemon) -> None:
    """Twenty seconds away: the question is answered, late."""
    hypervisor = connect(daemon)
    daemon.plan, daemon.away_until_s = ["unheard"], 20.0
    assert not hypervisor.is_running("forerun-x")
    assert 20.0 <= daemon.clock.at_s < 22.0


def test_a_daemon_that_stays_away_is_told_after_a_time(daemon: Daemon) -> None:
    hypervisor = connect(daemon, patience_s=30.0)
    daemon.plan, daemon.away_until_s = ["unheard"], 1e9
    with pytest.raises(HypervisorFailed, match="cannot be reached"):
        hypervisor.is_running("forerun-x")
    assert 30.0 <= daemon.clock.at_s < 32.0


def test_a_daemon_that_fails_again_and_again_is_told_after_a_time(daemon: Daemon) -> None:
    """It comes back each time and falls with the question: no endless loop."""
    hypervisor = connect(daemon, patience_s=30.0)
    daemon.plan = ["unheard"] * 1000
    monotonic = daemon.clock.monotonic

    def pass_time() -> float:
        daemon.clock.at_s += 0.5
        return monotonic()

    daemon.clock.monotonic = pass_time  # type: ignore[method-assign]
    with pytest.raises(HypervisorFailed):
        hypervisor.is_running("forerun-x")
    assert daemon.opened < 100


def test_a_refusal_is_no_loss(daemon: Daemon) -> None:
    """libvirt answered: nobody is asked twice."""
    hypervisor = connect(daemon)
    daemon.domains["forerun-x"] = libvirt.VIR_DOMAIN_RUNNING
    with pytest.raises(HypervisorFailed, match="could not start"):
        hypervisor.start(write_xml("forerun-x"))
    assert (daemon.opened, daemon.asked) == (1, ["create"])


def test_a_start_that_was_not_heard_is_made_again(daemon: Daemon) -> None:
    hypervisor = connect(daemon)
    daemon.plan = ["unheard"]
    hypervisor.start(write_xml("forerun-x"))
    assert daemon.domains == {"forerun-x": libvirt.VIR_DOMAIN_RUNNING}
    assert daemon.asked == ["look up", "create"]


def test_a_start_whose_answer_was_lost_is_not_made_twice(daemon: Daemon) -> None:
    """A second start would fail for the first one's name, and the clone that runs would be
    taken for one that could not be started."""
    hypervisor = connect(daemon)
    daemon.plan = ["answer lost"]
    hypervisor.start(write_xml("forerun-x"))
    assert daemon.asked == ["create", "look up"]


def test_a_domain_that_was_being_started_is_started_anew(daemon: Daemon) -> None:
    """libvirtd went between making the process and letting it run."""
    hypervisor = connect(daemon)
    daemon.plan = ["unheard"]
    daemon.domains["forerun-x"] = libvirt.VIR_DOMAIN_PAUSED
    hypervisor.start(write_xml("forerun-x"))
    assert daemon.domains == {"forerun-x": libvirt.VIR_DOMAIN_RUNNING}
    assert daemon.asked == ["look up", "destroy", "create"]


@pytest.mark.parametrize("lost_at", range(3))
@pytest.mark.parametrize("fate", ["unheard", "answer lost"])
def test_an_end_is_an_end_wherever_the_connection_is_lost(
    daemon: Daemon, lost_at: int, fate: str
) -> None:
    """Looking up, destroying, looking again: afterwards the domain is gone."""
    hypervisor = connect(daemon)
    daemon.domains["forerun-x"] = libvirt.VIR_DOMAIN_RUNNING
    daemon.plan = [None] * lost_at + [fate]
    hypervisor.end("forerun-x")
    assert daemon.domains == {}


def test_a_domain_that_does_not_end_is_told(daemon: Daemon) -> None:
    """A disk must not be removed under it."""
    hypervisor = connect(daemon)
    daemon.domains["forerun-x"] = libvirt.VIR_DOMAIN_RUNNING
    daemon.stubborn = True
    with pytest.raises(HypervisorFailed, match="did not end"):
        hypervisor.end("forerun-x")


def test_a_list_that_was_cut_short_does_not_pass_for_whole(daemon: Daemon) -> None:
    """A sweep that believed it would take running clones for gone."""
    hypervisor = connect(daemon)
    for name in ("forerun-a", "forerun-b", "forerun-c"):
        daemon.domains[name] = libvirt.VIR_DOMAIN_RUNNING
    daemon.plan = [None, None, "unheard"]
    assert [one.name for one in hypervisor.find_owned()] == ["forerun-a", "forerun-b", "forerun-c"]
    assert daemon.opened == 2


def test_a_machine_that_stands_still_for_want_of_room_is_known(daemon: Daemon) -> None:
    """virDomainGetState: paused, for an I/O error (VIR_DOMAIN_PAUSED_IOERROR); paused by a
    person is another thing."""
    hypervisor = connect(daemon)
    daemon.domains["forerun-x"] = libvirt.VIR_DOMAIN_PAUSED
    assert not hypervisor.is_starved("forerun-x")
    stopped = [libvirt.VIR_DOMAIN_PAUSED, libvirt.VIR_DOMAIN_PAUSED_IOERROR]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Domain, "state", lambda self: stopped)
        assert hypervisor.is_starved("forerun-x")
    assert not hypervisor.is_starved("forerun-y")


def test_after_closing_nobody_is_dialled_again(daemon: Daemon) -> None:
    hypervisor = connect(daemon)
    hypervisor.close()
    with pytest.raises(HypervisorFailed):
        hypervisor.is_running("forerun-x")
    assert daemon.opened == 1
