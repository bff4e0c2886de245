"""The seal of a real clone, tried from inside: it holds; and the same tries find each hole that
is made on purpose.

On the clone whose link is unsealed one thing alone is tried: the lab host's loopback, where the
canary listens. It has no default route and no name service, so nothing of its own gets further
either."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from forerun.errors import SealBroken
from forerun.model.blueprint import AllowedArchive, TemplateInfo
from forerun.model.observation import WayEnd
from forerun.ports.canary import LoopbackCanary
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.hypervisor import LibvirtHypervisor
from forerun.stages.build import Clone, Yard
from forerun.stages.design import ACCESS_PORT
from forerun.stages.seal import check_sealed, try_ways
from forerun.stages.seal_ways import LAB_HOST, WayOut, make_way_to_canary
from forerun.stages.seed import GATEWAY_PORT
from tests.contract.loopback_archive import Archive
from tests.sockets import list_listening
from tests.vm import lab

pytestmark = pytest.mark.vm

# Two starts of a program, the time limit of a silent way, and an emulated clone that boots.
PROBE_LIMIT_S = 25


class UnsealedHypervisor(LibvirtHypervisor):
    """libvirt, with the link of what it starts left open."""

    def start(self, xml: str) -> None:
        assert xml.count("restrict=on") == 1
        super().start(xml.replace("restrict=on", "restrict=off"))


@pytest.fixture
def stranger() -> Iterator[Archive]:
    """A server on the lab host's loopback that is on no list."""
    one = Archive()
    one.put("/", b"let through")
    yield one
    one.close()


def list_routes(clone: Clone) -> str:
    """Routes and addresses of both versions of IP."""
    return clone.guest.run(
        "ip -4 route show table all; ip -6 route show table all; ip -brief address;"
        " cat /proc/sys/net/ipv6/conf/*/disable_ipv6",
        timeout_s=60,
    ).text()


def test_every_attempt_is_listed_and_none_is_out(clone: Clone, gateway: ArchiveGateway) -> None:
    """All could be tried; what listens on the lab host, other clones' forwarded ports among
    it, is shut; each request through the gateway is refused. It is short, and leaves the clone
    as it was."""
    before = list_routes(clone)
    began = time.monotonic()
    tried = lab.try_seal(clone, gateway, clone_ports=(clone.host_port(ACCESS_PORT),))
    took = time.monotonic() - began
    shown = "\n".join(f"{one.label()}: {one.result.value}, {one.detail}" for one in tried)
    check_sealed(tried)
    ends = Counter(one.result for one in tried)
    assert set(ends) == {WayEnd.CLOSED, WayEnd.REFUSED}, shown
    assert {one.result for one in tried if one.protocol == "http"} == {WayEnd.REFUSED}, shown
    assert all(one.detail for one in tried)
    assert took < PROBE_LIMIT_S, f"{took:.1f} s"
    assert list_routes(clone) == before


def test_an_open_way_is_found(clone: Clone, gateway: ArchiveGateway) -> None:
    """Something that answers under an outside address, here the clone itself: by TCP and by
    an echo reply, and nothing else."""
    clone.guest.run("ip address add 203.0.113.1/32 dev lo", timeout_s=60)
    serve = "exec python3 -m http.server 80 --bind 203.0.113.1"
    clone.guest.start_session("seal-open", serve, {"LC_ALL": "C.UTF-8"})
    try:
        limit = time.monotonic() + 60
        while b"Serving HTTP" not in clone.guest.read_session("seal-open", 0).text:
            assert time.monotonic() < limit
            time.sleep(0.5)
        tried = lab.try_seal(clone, gateway)
    finally:
        clone.guest.end_session("seal-open")
        clone.guest.run("ip address del 203.0.113.1/32 dev lo", timeout_s=60)
    with pytest.raises(SealBroken, match="can reach out"):
        check_sealed(tried)
    assert {one.label() for one in tried if one.result is WayEnd.OPEN} == {
        "an outside address (203.0.113.1, tcp 80)",
        "an outside address (203.0.113.1, icmp)",
    }


def test_a_gateway_that_lets_one_host_through_is_caught(
    clone: Clone, gateway: ArchiveGateway, stranger: Archive
) -> None:
    """Its list loosened by a server of the test's own: that way is open, the rest is not."""
    asked = f"GET {stranger.url('/')} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"
    way = WayOut("a host off the list", "127.0.0.1", stranger.port, "http", asked.encode())
    with gateway.lend(AllowedArchive("http", "127.0.0.1", stranger.port, "/")):
        *others, tried = lab.try_seal(clone, gateway, way)
    assert tried.result is WayEnd.OPEN
    assert stranger.count("/") == 1
    check_sealed(others)
    with pytest.raises(SealBroken) as caught:
        check_sealed((*others, tried))
    assert caught.value.found.startswith("a host off the list (127.0.0.1, http")


def test_a_clone_whose_link_is_not_sealed_is_caught(
    template: TemplateInfo, yard: Yard, gateway: ArchiveGateway
) -> None:
    """The probe can fail: by the alias of the lab host the canary is reached, by TCP and by
    UDP, and both sides say so."""
    unsealed = UnsealedHypervisor(lab.URI)
    try:
        with (
            lab.plain_clone(template, replace(yard, hypervisor=unsealed)) as clone,
            LoopbackCanary() as canary,
            gateway.lend(canary.entry()),
        ):
            routes = clone.guest.run("ip route; cat /etc/resolv.conf", timeout_s=60).text()
            assert "default" not in routes
            ways = (
                make_way_to_canary(canary, 0),
                make_way_to_canary(canary, 1, protocol="udp"),
            )
            assert {way.address for way in ways} == {LAB_HOST}
            tried = try_ways(clone.guest, ways, canary)
            assert canary.reached() == {0, 1}
    finally:
        unsealed.close()
    assert [one.result for one in tried] == [WayEnd.OPEN, WayEnd.OPEN]
    with pytest.raises(SealBroken, match="can reach out") as caught:
        check_sealed(tried)
    assert caught.value.exit_code == 38
    assert ways[0].label() in caught.value.found


def test_nothing_of_a_clone_listens_beyond_loopback(clone: Clone) -> None:
    """Its process on the lab host, as the kernel has it; and on the clone the gateway's end."""
    pid = Path(f"/run/libvirt/qemu/{clone.name}.pid").read_text(encoding="ascii").strip()
    listening = list_listening(pid)
    assert {(kind, port) for kind, _, port in listening} >= {
        ("tcp", port.host_port) for port in clone.ports
    }
    assert {address for _, address, _ in listening} == {"127.0.0.1"}
    inside = clone.guest.run(f"ss -H -l -n -t 'sport = :{GATEWAY_PORT}'", timeout_s=60).text()
    assert {line.split()[3] for line in inside.splitlines()} == {f"127.0.0.1:{GATEWAY_PORT}"}


def test_what_a_clone_consists_of_is_closed_to_others(clone: Clone) -> None:
    """Disks and seed belong to the hypervisor's own user while it runs, the console's log to
    its log daemon: nobody else reads any of them, and no key lies there."""
    modes = {path.name: path.stat().st_mode & 0o077 for path in clone.folder.iterdir()}
    assert {"system.qcow2", "seed.iso", "console.log"} <= set(modes)
    assert set(modes.values()) == {0}, modes
    assert not [name for name in modes if "key" in name]
