"""What is tried of a clone's seal, and how it is written down."""

from __future__ import annotations

import ipaddress
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forerun.model.blueprint import AllowedArchive
from forerun.ports.gateway_address import Refused, place_redirect, place_request
from forerun.stages.seal_program import (
    CONTROL_GATEWAY,
    CONTROL_ICMP,
    CONTROL_TCP,
    CONTROL_UDP,
    Seen,
    read_tries,
    write_tries,
)
from forerun.stages.seal_ways import (
    LAB_HOST,
    LOOPBACK,
    METADATA,
    MOST_CLONES,
    WayOut,
    list_ways,
    make_control_request,
    make_way_to_canary,
)
from forerun.testing import FakeCanary

CANARY = FakeCanary()
WAYS = list_ways(CANARY, gateway_port=3128, clone_ports=(40022,))
DIRECT = [way for way in WAYS if way.protocol != "http"]
THROUGH = [way for way in WAYS if way.protocol == "http"]
USUAL_LIST = (
    AllowedArchive("http", "archive.test", 80, "/debian"),
    AllowedArchive("https", "security.test", 443, "/"),
)
# RFC 5737, RFC 3849.
NOBODYS = [
    ipaddress.ip_network(one)
    for one in ("192.0.2.0/24", "198.51.100.0/24", "203.0.113.0/24", "2001:db8::/32")
]


def is_nobodys(text: str) -> bool:
    address = ipaddress.ip_address(text)
    return any(address in network for network in NOBODYS)


def list_rows(script: str) -> dict[str, list[str]]:
    rows = script.partition("__END__\n")[2].splitlines()[:-1]
    return {row.split()[0]: row.split()[1:] for row in rows}


def test_outside_addresses_belong_to_nobody() -> None:
    """RFC 5737 and RFC 3849: only documentation addresses stand for the outside, so that a
    broken seal harms nobody. The others are those of QEMU's user network, and the metadata
    address, which is link-local (RFC 3927)."""
    link = ipaddress.ip_network("10.0.2.0/24")
    for way in DIRECT:
        address = ipaddress.ip_address(way.address)
        inside = address.version == 4 and address in link
        assert inside or is_nobodys(way.address) or way.address == METADATA
        assert way.routed is not inside


def list_hosts(request: bytes) -> set[str]:
    """All hosts that a request names (RFC 3986, 3.2)."""
    found = set()
    for authority in re.findall(r"(?:://|CONNECT |Host: )([^/ \r]+)", request.decode("ascii")):
        bare = authority.rpartition("@")[2]
        found.add(bare[1:].partition("]")[0] if bare[0] == "[" else bare.partition(":")[0])
    return found


def test_the_gateway_is_tempted_with_nobody_either() -> None:
    """Every host that a request names: nobody's address, a name under .example (RFC 2606),
    the metadata address, or the lab host's loopback, and then with the canary's port."""
    loopback = {LOOPBACK, "localhost", "2130706433", "::ffff:7f00:1"}
    for way in THROUGH:
        hosts = list_hosts(way.payload)
        assert hosts or way.payload.startswith(b"GET file:///")
        for host in hosts - loopback - {METADATA}:
            assert host.endswith(".example") or is_nobodys(host), way
        if hosts & loopback:
            assert f":{CANARY.port}".encode() in way.payload, way


@pytest.mark.parametrize(
    ("protocol", "address"),
    [
        ("tcp", LAB_HOST), ("udp", LAB_HOST), ("tcp", "10.0.2.3"), ("udp", "10.0.2.3"),
        ("tcp", "10.0.2.4"), ("tcp", METADATA), ("tcp", "203.0.113.1"), ("udp", "203.0.113.1"),
        ("icmp", "203.0.113.1"), ("tcp", "2001:db8::1"), ("udp", "2001:db8::1"),
        ("icmp", "2001:db8::1"), ("http", METADATA), ("http", "203.0.113.1"),
        ("http", "2001:db8::1"), ("http", "outside.example"),
    ],
)  # fmt: skip
def test_every_kind_of_way_is_tried(protocol: str, address: str) -> None:
    """Both versions of IP, three protocols, and the gateway."""
    assert [way for way in WAYS if (way.protocol, way.address) == (protocol, address)]


def test_what_listens_on_the_lab_host_is_tried() -> None:
    """The gateway's own port, the canary by both protocols, other clones, TFTP."""
    aimed = {(way.protocol, way.port) for way in DIRECT if way.address == LAB_HOST}
    assert aimed == {
        ("tcp", 3128), ("tcp", CANARY.port), ("udp", CANARY.port), ("udp", 69), ("tcp", 40022),
    }  # fmt: skip


def test_many_clones_are_tried_by_some_of_their_ports() -> None:
    """The probe stays short; without other clones that is said."""
    ports = tuple(range(40000, 40100))
    ways = list_ways(CANARY, gateway_port=1, clone_ports=ports)
    assert len([way for way in ways if way.name == "another clone"]) == MOST_CLONES
    (none,) = [way for way in list_ways(CANARY, gateway_port=1, clone_ports=())
               if way.name == "another clone"]  # fmt: skip
    assert none.why_not


def test_the_canary_can_tell_the_ways_apart() -> None:
    """Each that is aimed at it carries its own number."""
    numbered = [
        (number, way) for number, way in enumerate(WAYS)
        if way.port == CANARY.port
    ]  # fmt: skip
    assert len(numbered) > 20
    for number, way in numbered:
        found = re.findall(rf"(?:shut-{CANARY.nonce}|moved|twice)/(\d+)", way.payload.decode())
        assert set(found) == {str(number)}, way


def test_no_request_holds_the_word_that_only_the_canary_says() -> None:
    """Or an echo would pass for an answer."""
    asked = [way.payload for way in WAYS] + [make_control_request(CANARY)]
    assert not [one for one in asked if CANARY.word.encode() in one]


def test_the_gateways_own_rule_refuses_each_request() -> None:
    """By the list of an ordinary rehearsal with the canary's open part lent: all but those
    whose first request is allowed on purpose, and the redirects, which are followed only
    when the archive says so."""
    allowed = (*USUAL_LIST, CANARY.entry())
    for way in THROUGH:
        lines = way.payload.decode("ascii").split("\r\n")
        method, target, _ = lines[0].split(" ")
        hosts = [line[6:] for line in lines[1:] if line.startswith("Host: ")][:1]
        placed = place_request(method, target, hosts, allowed)
        led_on = way.behind or "redirect" in way.name
        assert isinstance(placed, Refused) is not led_on, way
    base = f"http://127.0.0.1:{CANARY.port}"
    led = place_redirect(f"{base}/open-{CANARY.nonce}/moved/1", f"{base}/shut-{CANARY.nonce}/1",
                         allowed)  # fmt: skip
    assert isinstance(led, Refused)


def test_the_control_is_what_the_gateway_may_pass_on() -> None:
    """Only while the canary's open part is on the list."""
    line = make_control_request(CANARY).decode().split("\r\n")[0]
    _, target, _ = line.split(" ")
    assert not isinstance(place_request("GET", target, [], (CANARY.entry(),)), Refused)
    assert isinstance(place_request("GET", target, [], USUAL_LIST), Refused)


def test_smuggled_requests_are_framed_as_they_say() -> None:
    """RFC 9112, 6: what looks like one body by its length is a whole second request."""
    for way in THROUGH:
        if not way.behind:
            continue
        head, _, rest = way.payload.partition(b"\r\n\r\n")
        inner = rest.removeprefix(b"0\r\n\r\n")
        assert inner.startswith(b"GET ") and inner.endswith(b"\r\n\r\n"), way
        lengths = re.findall(rb"Content-Length: (\d+)", head)
        assert {int(one) for one in lengths} <= {0, len(inner)}, way


def test_the_script_has_a_row_for_each_way_and_the_controls() -> None:
    """Through the gateway means: to the clone's own end of it."""
    rows = list_rows(write_tries(WAYS, b"control", access_port=20022, gateway_port=29480))
    assert set(rows) == {
        CONTROL_TCP, CONTROL_UDP, CONTROL_ICMP, CONTROL_GATEWAY, *map(str, range(len(WAYS))),
    }  # fmt: skip
    assert rows[CONTROL_TCP][:3] == ["tcp", LOOPBACK, "20022"]
    assert rows[CONTROL_ICMP][:2] == ["icmp", LAB_HOST]
    assert rows[CONTROL_GATEWAY][1:3] == [LOOPBACK, "29480"]
    assert bytes.fromhex(rows[CONTROL_GATEWAY][4]) == b"control"
    for number, way in enumerate(WAYS):
        kind, address, port, _, payload, routed = rows[str(number)]
        wanted = (LOOPBACK, 29480) if way.protocol == "http" else (way.address, way.port)
        assert (kind, address, int(port)) == (way.protocol, *wanted)
        assert (b"" if payload == "-" else bytes.fromhex(payload)) == way.payload
        assert routed == str(int(way.routed))


def test_nothing_else_is_tried_than_what_is_asked_for() -> None:
    """With one way there are that one and the controls on the clone's own loopback."""
    rows = list_rows(write_tries((make_way_to_canary(CANARY, 0),), b"x"))
    assert set(rows) == {CONTROL_TCP, CONTROL_UDP, CONTROL_GATEWAY, "0"}
    assert {row[1] for name, row in rows.items() if name != "0"} == {LOOPBACK}
    absent = WayOut("none", LAB_HOST, 0, why_not="it is not there")
    assert set(list_rows(write_tries((absent,), b"x"))) == {
        CONTROL_TCP, CONTROL_UDP, CONTROL_GATEWAY,
    }  # fmt: skip


def test_no_mark_is_left_unfilled() -> None:
    """The program's own addresses are written in; proc(5) shows 10.0.2.0 as 0002000A."""
    script = write_tries(WAYS, b"x")
    assert not re.search(r"@[A-Z0-9]+@", script)
    assert "'0002000A'" in script
    assert f"via {LAB_HOST} dev" in script


@given(st.dictionaries(
    st.from_regex(r"[a-z0-9-]{1,12}", fullmatch=True),
    st.tuples(st.sampled_from(["connected", "answered", "silent", "waiting", "ended",
                               "failed-EPERM", "failed-112"]), st.binary(max_size=40)),
))  # fmt: skip
def test_what_the_program_says_is_read_back(told: dict[str, tuple[str, bytes]]) -> None:
    """Every line, with the bytes that came."""
    text = "".join(f"{name} {state} {got.hex()}\n" for name, (state, got) in told.items())
    assert read_tries(text) == {name: Seen(*pair) for name, pair in told.items()}


@given(st.text(max_size=200))
def test_anything_else_is_passed_over(text: str) -> None:
    """Noise of a login script or a cut line is neither a result nor an exception."""
    for name, saw in read_tries(text).items():
        assert f"{name} {saw.state}" in text
