"""The tries that prove a clone's seal, run by the real program on loopback: each kind of try
must see what is open, or it proves nothing; and the real gateway is tried as a clone does."""

from __future__ import annotations

import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from forerun.errors import SealBroken
from forerun.model.blueprint import AllowedArchive
from forerun.model.observation import WayEnd, WayTried
from forerun.ports.canary import LoopbackCanary
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.labhost import find_free_port
from forerun.ports.ssh import ExecResult
from forerun.stages import seal_program
from forerun.stages.seal import check_sealed, try_ways
from forerun.stages.seal_program import (
    CONTROL_GATEWAY,
    CONTROL_ICMP,
    CONTROL_TCP,
    CONTROL_UDP,
    Seen,
    read_tries,
    write_tries,
)
from forerun.stages.seal_ways import LOOPBACK, WayOut, list_ways, make_control_request
from forerun.testing import FakeCanary, FakeClock, FakeGuest

from .loopback_archive import Archive

pytestmark = [pytest.mark.tools, pytest.mark.timeout(120)]


def run_tries(script: str) -> ExecResult:
    """Run the tries on this machine, whose links do lead somewhere: every address must be
    loopback, or nothing is run."""
    rows = script.partition("__END__\n")[2].splitlines()[:-1]
    assert {row.split()[2] for row in rows} == {LOOPBACK}
    return run_shell(script)


def run_shell(script: str, *before: str) -> ExecResult:
    argv = [*before, "sh", "-c", script]
    done = subprocess.run(argv, capture_output=True, timeout=90, check=False)
    return ExecResult(done.returncode, done.stdout, done.stderr)


def see(
    ways: tuple[WayOut, ...], *, access_port: int = 9, gateway_port: int = 9
) -> dict[str, Seen]:
    script = write_tries(
        ways, b"x", access_port=access_port, gateway_port=gateway_port, peer=LOOPBACK
    )
    done = run_tries(script)
    assert (done.exit_code, done.stderr) == (0, b"")
    return read_tries(done.text())


@contextmanager
def name_service(*, answers: bool) -> Iterator[tuple[int, list[bytes]]]:
    """A UDP service on loopback; what it was asked. It answers as RFC 1035, 4.1.1 has it:
    the same id, the response bit set."""
    asked: list[bytes] = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as link:
        link.bind((LOOPBACK, 0))
        link.settimeout(10)

        def serve() -> None:
            query, client = link.recvfrom(512)
            asked.append(query)
            if answers:
                link.sendto(query[:2] + b"\x81\x83" + query[4:], client)

        thread = threading.Thread(target=serve)
        thread.start()
        yield link.getsockname()[1], asked
        thread.join()


def find_query() -> bytes:
    ways = list_ways(FakeCanary(), gateway_port=1, clone_ports=())
    return next(way.payload for way in ways if (way.protocol, way.port) == ("udp", 53))


def test_what_is_open_is_seen() -> None:
    """A TCP service that accepts, a name service that answers and an echo reply (RFC 792) are
    all found; so are the probe's own controls."""
    with (
        socket.create_server((LOOPBACK, 0)) as server,
        name_service(answers=True) as (names, asked),
    ):
        port = server.getsockname()[1]
        seen = see(
            (
                WayOut("a", LOOPBACK, port),
                WayOut("b", LOOPBACK, names, "udp", find_query()),
                WayOut("c", LOOPBACK, 0, "icmp"),
            ),
            access_port=port,
        )
    assert seen["0"].state == seen[CONTROL_TCP].state == "connected"
    assert seen["1"].state == seen["2"].state == "answered"
    assert seen[CONTROL_UDP].state == seen[CONTROL_ICMP].state == "answered"
    (query,) = asked
    assert query[2:] == (
        b"\x01\x00"  # a standard query, recursion desired
        b"\x00\x01\x00\x00\x00\x00\x00\x00"  # one question, nothing else
        b"\x04test\x00\x00\x01\x00\x01"  # test. A IN
    )
    assert seen["1"].got[:3] == query[:2] + b"\x81"


def test_what_is_closed_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """A port without a service, a name service that is asked and says nothing, and one that
    accepts and then says nothing."""
    monkeypatch.setattr(seal_program, "GATEWAY_S", 2)
    closed = find_free_port()
    with (
        name_service(answers=False) as (names, asked),
        socket.create_server((LOOPBACK, 0)) as mute,
    ):
        seen = see(
            (
                WayOut("a", LOOPBACK, closed),
                WayOut("b", LOOPBACK, names, "udp", find_query()),
                WayOut("c", LOOPBACK, 0, "http", b"GET / HTTP/1.1\r\n\r\n"),
            ),
            access_port=closed,
            gateway_port=mute.getsockname()[1],
        )
    assert seen["0"] == seen[CONTROL_TCP] == Seen("failed-ECONNREFUSED")
    assert seen["1"] == Seen("silent")
    assert seen["2"] == seen[CONTROL_GATEWAY] == Seen("waiting")
    assert len(asked) == 1


class Ground:
    """A gateway and a canary on loopback, and this machine in the clone's place."""

    def __init__(self, gateway: ArchiveGateway, canary: LoopbackCanary) -> None:
        self.gateway = gateway
        self.canary = canary

    def try_gateway(self, *more: WayOut) -> tuple[WayTried, ...]:
        """All ways through the gateway; none that leads elsewhere is tried from here."""
        ways = tuple(
            way if way.protocol == "http" else replace(way, why_not="not from here")
            for way in list_ways(self.canary, gateway_port=1, clone_ports=())
        )
        return self.try_ways((*ways, *more))

    def try_ways(self, ways: tuple[WayOut, ...]) -> tuple[WayTried, ...]:
        with socket.create_server((LOOPBACK, 0)) as access:
            script = write_tries(
                ways,
                make_control_request(self.canary),
                access_port=access.getsockname()[1],
                gateway_port=self.gateway.port,
            )
            done = run_tries(script)
        guest = FakeGuest(FakeClock(), answers={"perl - ": done})
        return try_ways(guest, ways, self.canary)


@pytest.fixture
def canary() -> Iterator[LoopbackCanary]:
    with LoopbackCanary() as one:
        yield one


@pytest.fixture
def ground(gateway: ArchiveGateway, canary: LoopbackCanary) -> Iterator[Ground]:
    with gateway.lend(canary.entry()):
        yield Ground(gateway, canary)


def test_the_real_gateway_refuses_every_request(ground: Ground, archive: Archive) -> None:
    """None is open, each is refused in the gateway's own words, no archive is asked and no
    byte is fetched; that took a moment."""
    began = time.monotonic()
    tried = [one for one in ground.try_gateway() if one.protocol == "http"]
    assert time.monotonic() - began < 10
    assert len(tried) > 30
    assert {one.result for one in tried} == {WayEnd.REFUSED}, tried
    assert all(one.detail.startswith(("400", "403", "502")) for one in tried)
    check_sealed(tried)
    assert archive.asked == []
    assert ground.gateway.reading().outside == 0


def test_a_gateway_that_is_too_open_is_caught(ground: Ground) -> None:
    """With one more entry on its list, for another part of the lab host's loopback: the ways
    that lead there are open, and are named."""
    loose = AllowedArchive("http", LOOPBACK, ground.canary.port, "/")
    with ground.gateway.lend(loose):
        tried = ground.try_gateway()
    found = {one.name for one in tried if one.result is WayEnd.OPEN}
    assert {
        "the lab host's loopback", "a path with dots", "a redirect", "a chain of redirects",
        "a second request behind an allowed one", "a bare path with the host beside it",
    } <= found  # fmt: skip
    assert "a CONNECT to the port for mail" not in found
    with pytest.raises(SealBroken) as caught:
        check_sealed(tried)
    assert "a redirect (" in caught.value.found


def test_one_host_off_the_list_is_enough_to_be_caught(ground: Ground, archive: Archive) -> None:
    """A host that should be off the list, here a server of the test's own, answers through a
    loosened gateway: also where the canary sees nothing of it."""
    archive.put("/", b"let through")
    asked = f"GET {archive.url('/')} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"
    way = WayOut("a host off the list", LOOPBACK, archive.port, "http", asked.encode())
    *_, tried = ground.try_gateway(way)
    assert tried.result is WayEnd.REFUSED
    with ground.gateway.lend(AllowedArchive("http", LOOPBACK, archive.port, "/")):
        *others, tried = ground.try_gateway(way)
    assert tried.result is WayEnd.OPEN
    assert tried.detail == "not refused: 200 OK"
    assert WayEnd.OPEN not in {one.result for one in others}


def test_a_gateway_that_tries_and_fails_is_caught(ground: Ground) -> None:
    """A host on a list where it should not be, and down: the gateway's failure to reach it is
    no refusal."""
    closed = find_free_port()
    asked = f"GET http://{LOOPBACK}:{closed}/ HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"
    way = WayOut("a host off the list", LOOPBACK, closed, "http", asked.encode())
    with ground.gateway.lend(AllowedArchive("http", LOOPBACK, closed, "/")):
        *_, tried = ground.try_gateway(way)
    assert tried.result is WayEnd.OPEN
    assert "503" in tried.detail


def test_without_the_gateway_nothing_is_proved(canary: LoopbackCanary, tmp_path: Path) -> None:
    """Not lent to: its refusal of the control is no pass; gone: nothing answers."""
    with ArchiveGateway(tmp_path, []) as gateway:
        ground = Ground(gateway, canary)
        with pytest.raises(SealBroken, match="could not be proved") as caught:
            ground.try_gateway()
        assert "403" in caught.value.found
    with pytest.raises(SealBroken, match="could not be proved") as caught:
        ground.try_gateway()
    assert "ECONNREFUSED" in caught.value.found


def test_the_canary_is_found_by_both_protocols(ground: Ground) -> None:
    """As by a broken link, but with loopback in the place of the alias: open, and noted by
    the canary with the way's own number."""
    listed = list_ways(ground.canary, gateway_port=1, clone_ports=())
    ways = tuple(replace(way, address=LOOPBACK) for way in listed[:2])
    tried = ground.try_ways(ways)
    assert [(one.protocol, one.result) for one in tried] == [
        ("tcp", WayEnd.OPEN), ("udp", WayEnd.OPEN),
    ]  # fmt: skip
    assert ground.canary.reached() == {0, 1}


# -- routes: in a network namespace of its own, whose one link leads nowhere

_NAMESPACE = ("unshare", "--net")
_LINK = """
ip link set lo up
ip link add sealed type veth peer name far
ip address add 10.0.2.15/24 dev sealed
ip link set far up
ip link set sealed up
ip route add 192.0.2.0/24 via 10.0.2.2
show() { ip -4 route; ip -4 address show dev sealed | grep inet; ip -6 route show dev sealed
  ip -6 address show dev sealed | grep fec0; }
"""


@pytest.fixture
def namespace() -> tuple[str, ...]:
    """A network namespace with a link named as on a clone, or the reason why there is none."""
    if not shutil.which("unshare") or not shutil.which("ip"):
        pytest.skip("unshare(1) and ip(8) are needed")
    made = run_shell(_LINK + "ip route get 10.0.2.2", *_NAMESPACE)
    if made.exit_code:
        pytest.skip(f"no network namespace: {made.stderr.decode().strip()[-100:]}")
    return _NAMESPACE


OUTSIDE = tuple(
    way for way in list_ways(FakeCanary(), gateway_port=1, clone_ports=()) if way.routed
)


def split_shown(text: str) -> tuple[dict[str, Seen], list[str]]:
    told, _, shown = text.partition("SHOWN\n")
    return read_tries(told), shown.split("SHOWN\n")


def test_outside_addresses_are_tried_over_the_lab_host_and_no_route_stays(
    namespace: tuple[str, ...],
) -> None:
    """Routes were laid: what is told is a neighbour's silence, not a missing route. Afterwards
    routes and addresses are what they were, those of others included."""
    script = f"{_LINK}\nshow > /dev/null\nbefore=$(show)\n{write_tries(OUTSIDE, b'x')}"
    script += 'echo SHOWN; echo "$before"; echo SHOWN; show\n'
    seen, (before, after) = split_shown(run_shell(script, *namespace).text())
    assert "192.0.2.0/24 via 10.0.2.2" in before
    assert after == before
    for number, way in enumerate(OUTSIDE):
        assert seen[str(number)].state in ("silent", "failed-EHOSTUNREACH"), way
    assert seen[CONTROL_ICMP].state == "silent"


def test_ipv6_is_turned_on_for_the_tries_and_off_again(namespace: tuple[str, ...]) -> None:
    """An intruder would do so; a clone whose link has it off is as it was afterwards
    (kernel's ip-sysctl, disable_ipv6: 1 takes every address away)."""
    switch = "/proc/sys/net/ipv6/conf/sealed/disable_ipv6"
    script = f"{_LINK}echo 1 > {switch}\n{write_tries(OUTSIDE, b'x')}"
    script += f"echo SHOWN; cat {switch}; show\n"
    seen, (after,) = split_shown(run_shell(script, *namespace).text())
    for number, way in enumerate(OUTSIDE):
        assert seen[str(number)].state in ("silent", "failed-EHOSTUNREACH"), way
    assert after.splitlines()[0] == "1"
    assert "fec0" not in after and "2001:db8" not in after


def test_without_the_tool_for_routes_that_is_told(namespace: tuple[str, ...]) -> None:
    """No ip(8) on the clone: no route, and so not tried."""
    script = _LINK + write_tries(OUTSIDE, b"x").replace("ip -force", "no-such-ip -force")
    seen = read_tries(run_shell(script, *namespace).text())
    for number, way in enumerate(OUTSIDE):
        assert seen[str(number)] == Seen("failed-ENETUNREACH"), way


def test_a_probe_that_is_ended_takes_its_routes_along(namespace: tuple[str, ...]) -> None:
    """A lost connection ends its program by a signal."""
    script = f"{_LINK}{_in_background(write_tries(OUTSIDE, b'x'))}"
    seen, (during, after) = split_shown(run_shell(script, *namespace).text())
    assert "203.0.113.1 via 10.0.2.2" in during
    assert "2001:db8::1 via fec0::2" in during and "inet6 fec0::f/64" in during
    assert "203.0.113.1" not in after and "192.0.2.0/24" in after
    assert "2001:db8::1" not in after and "fec0" not in after
    assert not seen.get("0")


def _in_background(tries: str) -> str:
    """The same tries, ended after two seconds; routes are shown then and afterwards."""
    first, _, rest = tries.partition("\n")
    return (
        f"{first.replace('perl - ', 'perl - > /dev/null ')} &\n{rest}"
        "sleep 2; echo SHOWN; show; kill $!; wait $!; echo SHOWN; show\n"
    )
