"""Production's addresses and names on a clone."""

from __future__ import annotations

import configparser
import io
import ipaddress
import tarfile
from dataclasses import replace

import pytest
from tests.unit.test_design import SURVEY

from forerun.model.blueprint import Gap, StandInLink
from forerun.model.survey import Socket
from forerun.model.system import Interface, SystemFacts
from forerun.stages.design_network import SEALED_NETWORK, TRIED_ADDRESSES, design_links
from forerun.stages.seal_ways import METADATA, list_ways
from forerun.stages.seed_network import NOWHERE, find_names, write_hosts, write_link_files
from forerun.testing import FakeCanary


def plan(*interfaces: Interface) -> tuple[tuple[StandInLink, ...], dict[str, Gap]]:
    links, gaps = design_links(replace(SURVEY, system=SystemFacts(interfaces=interfaces)))
    return links, {gap.subject: gap for gap in gaps}


def card(name: str, *addresses: str, **more: str) -> Interface:
    return Interface(name, "02:00:00:00:00:01", addresses=addresses, **more)  # type: ignore[arg-type]


def test_addresses_keep_the_name_and_the_mask() -> None:
    """Services bind to either."""
    links, gaps = plan(card("enp1s0", "192.0.2.10/24", "2001:db8:7::10/64", "fe80::1/64"))
    assert links == (StandInLink("enp1s0", "enp1s0", ("192.0.2.10/24", "2001:db8:7::10/64")),)
    assert gaps["network interfaces"].state == "approximated"


@pytest.mark.parametrize("name", ["eth0", "eth1", "ens16", "enp0s16"])
def test_a_name_that_the_sealed_link_may_get_is_not_taken(name: str) -> None:
    """The kernel and udev name the one real link; how names map stands in the statement."""
    links, gaps = plan(card(name, "192.0.2.10/24"))
    assert links[0].name == f"as-{name}"
    assert f"{name} as as-{name}" in gaps["network interfaces"].note


def test_links_that_production_makes_itself_are_left_to_it() -> None:
    """A tunnel's own tool refuses to start when a link of its name is there."""
    links, _ = plan(card("wg0", "192.0.2.1/24"), card("vpn", "192.0.2.2/24", driver="wireguard"),
                    card("docker0", "172.17.0.1/16"))  # fmt: skip
    assert links == ()


def test_the_seal_and_its_proof_keep_their_addresses() -> None:
    """An address that the proof tries must not be the clone itself, or it would answer; one
    of the sealed network would cut the way in."""
    ways = list_ways(FakeCanary(), gateway_port=1, clone_ports=(2,))
    tried = {ipaddress.ip_address(way.address) for way in ways if way.protocol != "http"}
    inside = {address for address in tried if address.version == 4 and address in SEALED_NETWORK}
    # An address that is link-local is never taken over, see `_is_own`.
    assert tried - inside - {ipaddress.ip_address(METADATA)} == TRIED_ADDRESSES
    assert len(inside) == 3
    links, gaps = plan(card("enp1s0", "10.0.2.9/24", "203.0.113.1/24", "203.0.113.2/24"))
    assert links[0].addresses == ("203.0.113.2/24",)
    assert gaps["addresses of enp1s0"].state == "absent"


def test_an_older_survey_tells_addresses_by_what_listens() -> None:
    """Wildcards and loopback need no link."""
    sockets = tuple(Socket("tcp", a, 80) for a in ("0.0.0.0", "127.0.0.1", "*", "192.0.2.7", "::"))
    links, _ = design_links(replace(SURVEY, sockets=sockets))
    assert [link.addresses for link in links] == [("192.0.2.7/32",)]


def test_no_route_comes_with_an_address() -> None:
    """systemd.network(5), AddPrefixRoute=; no gateway, no DHCP, no router asked."""
    files = write_link_files((StandInLink("enp1s0", "enp1s0", ("192.0.2.10/24",)),))
    (device,) = [text for path, text in files.items() if path.endswith(".netdev")]
    (network,) = [text for path, text in files.items() if path.endswith(".network")]
    assert device == "[NetDev]\nName=enp1s0\nKind=dummy\n"
    read = configparser.ConfigParser()
    read.read_string(network)
    assert dict(read["Address"]) == {"address": "192.0.2.10/24", "addprefixroute": "no"}
    assert read["Network"]["IPv6AcceptRA"] == "no"
    assert not any(word in network for word in ("Gateway", "[Route]", "DHCP=yes"))


LINKS = (StandInLink("enp1s0", "enp1s0", ("192.0.2.10/24",)),)


def resolve(text: str, name: str) -> list[str]:
    return [line.split()[0] for line in text.splitlines() if name in line.split()[1:]]


def test_own_names_lead_to_the_clone() -> None:
    """By production's own table where the address is there, else by Debian's custom."""
    table = "127.0.0.1 localhost\n192.0.2.10 shelf01.test shelf01\n198.51.100.9 db.test\n"
    text = write_hosts("shelf01", LINKS, table, ("db.test", "mail.test"))
    assert resolve(text, "shelf01") == ["192.0.2.10"]
    assert resolve(text, "db.test") == ["198.51.100.9"]
    assert resolve(text, "mail.test") == [NOWHERE]
    assert resolve(write_hosts("shelf01", (), table, ()), "shelf01") == ["127.0.1.1"]
    assert resolve(write_hosts("shelf01", (), "", ()), "shelf01") == ["127.0.1.1"]


def test_the_address_for_names_is_no_neighbours() -> None:
    """RFC 7600 (from memory): the IPv4 dummy address; it lies in 192.0.0.0/24 (RFC 6890), not
    forwarded to anybody, and is none that the clone has."""
    nowhere = ipaddress.ip_address(NOWHERE)
    assert nowhere in ipaddress.ip_network("192.0.0.0/24")
    assert nowhere not in SEALED_NETWORK


def pack(files: dict[str, str]) -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w") as tar:
        for path, text in files.items():
            info = tarfile.TarInfo(path)
            info.size = len(text.encode())
            tar.addfile(info, io.BytesIO(text.encode()))
    return out.getvalue()


def test_names_that_the_configuration_mentions() -> None:
    """Stand-in names and hosts of web addresses; no file names, comments or archives."""
    copy = pack({
        "etc/nginx/a.conf": "server_name shop.dom-1a2b3c.test;\n# old.dom-1a2b3c.test\n"
        "proxy_pass http://api.vendor.net:8080/v1; include mime.types; x.conf\n",
        "etc/mail": "relay = host-1a2b3c\nadmin@mx.dom-1a2b3c.test\nuser.name@host\n",
        "etc/apt/sources.list": "deb http://deb.archive.example/ x main\n",
    })  # fmt: skip
    assert find_names(copy) == (
        "api.vendor.net", "host-1a2b3c", "mx.dom-1a2b3c.test", "shop.dom-1a2b3c.test",
    )  # fmt: skip
