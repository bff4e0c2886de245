"""The ways out of a clone that are tried. Pure.

Nobody is harmed should the seal be broken: outside addresses are documentation ones
(RFC 5737, RFC 3849), outside names lie under .example (RFC 2606), the metadata address
(169.254.169.254, link-local by RFC 3927) is only connected to, and what the archive
gateway is tempted with lies on the lab host's own loopback: the canary. QEMU's user
network shows the lab host, a name service and a file service at fixed addresses (QEMU's
manual, "Using the user mode network stack"; 10.0.2.4 is its `smb=`).

What no sealed link shuts is left out, since it leads nowhere: the user network itself
answers an echo request to its own two addresses, and DHCP.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from forerun.model.observation import WayTried
from forerun.ports.canary import Canary

LAB_HOST = "10.0.2.2"
NAME_SERVICE = "10.0.2.3"
FILE_SERVICE = "10.0.2.4"
METADATA = "169.254.169.254"
OUTSIDE = ("203.0.113.1", "198.51.100.1")
OUTSIDE_6 = "2001:db8::1"
OUTSIDE_NAME = "outside.example"
LOOPBACK = "127.0.0.1"
MOST_CLONES = 8

# A DNS query for the address of "test." (RFC 1035, 4.1; RFC 6761): every resolver answers.
_QUERY = b"AB\x01\0\0\x01\0\0\0\0\0\0\x04test\0\0\x01\0\x01"
# A TFTP read request (RFC 1350, 5).
_READ_REQUEST = b"\0\x01forerun-seal\0octet\0"


@dataclass(frozen=True, slots=True)
class WayOut:
    """A way out of the clone.

    `protocol` is "tcp", "udp", "icmp" or "http"; the last goes through the archive
    gateway, which is asked with `payload`, as it is. Otherwise `payload` is what is sent
    to `address`. `routed`: only a route over the lab host could lead there. `behind`: the
    request stands behind an allowed one on the same connection. `why_not`: there is
    nothing to try, and why."""

    name: str
    address: str
    port: int
    protocol: str = "tcp"
    payload: bytes = b""
    routed: bool = False
    behind: bool = False
    why_not: str = ""

    def label(self) -> str:
        """For a person: "the lab host (10.0.2.2, tcp 3128)"."""
        return WayTried(self.name, self.address, self.protocol, self.port).label()


def list_ways(
    canary: Canary, *, gateway_port: int, clone_ports: Sequence[int]
) -> tuple[WayOut, ...]:
    """All of them; a way's place is its number. `gateway_port` is the archive gateway's
    on the lab host, `clone_ports` are loopback ports of the lab host that lead to other
    clones."""
    direct = _list_direct(canary, gateway_port, clone_ports)
    through = tuple(
        make(canary, len(direct) + place) for place, make in enumerate(_THROUGH_THE_GATEWAY)
    )
    return direct + through


def _list_direct(
    canary: Canary, gateway_port: int, clone_ports: Sequence[int]
) -> tuple[WayOut, ...]:
    first, second = OUTSIDE
    ways = [
        make_way_to_canary(canary, 0),
        make_way_to_canary(canary, 1, protocol="udp"),
        WayOut("the archive gateway's own port on the lab host", LAB_HOST, gateway_port),
        WayOut("the lab host's name service", NAME_SERVICE, 53, "udp", _QUERY),
        WayOut("the lab host's name service", NAME_SERVICE, 53),
        WayOut("the user network's TFTP service", LAB_HOST, 69, "udp", _READ_REQUEST),
        WayOut("the user network's file service", FILE_SERVICE, 445),
        WayOut("the metadata address", METADATA, 80, routed=True),
        WayOut("an outside address", first, 80, routed=True),
        WayOut("an outside address", second, 443, routed=True),
        WayOut("an outside name service", first, 53, "udp", _QUERY, routed=True),
        WayOut("an outside address", second, 443, "udp", b"forerun-seal", routed=True),
        WayOut("an outside address", first, 0, "icmp", routed=True),
        WayOut("an outside address", OUTSIDE_6, 443, routed=True),
        WayOut("an outside name service", OUTSIDE_6, 53, "udp", _QUERY, routed=True),
        WayOut("an outside address", OUTSIDE_6, 0, "icmp", routed=True),
    ]
    ways += [WayOut("another clone", LAB_HOST, port) for port in clone_ports[:MOST_CLONES]]
    if not clone_ports:
        ways.append(WayOut("another clone", LAB_HOST, 0, why_not="no other clone is there"))
    return tuple(ways)


def make_way_to_canary(canary: Canary, number: int, *, protocol: str = "tcp") -> WayOut:
    """The way to the canary by the user network's alias of the lab host."""
    path = f"/shut-{canary.nonce}/{number}"
    payload = path if protocol == "udp" else f"GET {path} HTTP/1.0\r\n\r\n"
    return WayOut(
        "a service that listens on the lab host", LAB_HOST, canary.port, protocol, payload.encode()
    )


def make_control_request(canary: Canary) -> bytes:
    """What the gateway must pass on, or no refusal of its means anything."""
    return _ask("GET", f"{_base(canary)}/open-{canary.nonce}/here")


def _base(canary: Canary) -> str:
    return f"http://{LOOPBACK}:{canary.port}"


def _ask(method: str, target: str, *fields: str, host: str = OUTSIDE_NAME) -> bytes:
    lines = [f"{method} {target} HTTP/1.1", f"Host: {host}", "Connection: close", *fields]
    return "\r\n".join([*lines, "", ""]).encode("ascii")


def _shut(canary: Canary, number: int) -> str:
    return f"/shut-{canary.nonce}/{number}"


_Make = Callable[[Canary, int], WayOut]


def _to_canary(name: str, write: Callable[[Canary, str], bytes], *, behind: bool = False) -> _Make:
    """A request whose aim is the canary's shut part; `write` gets that part's path."""

    def make(canary: Canary, number: int) -> WayOut:
        asked = write(canary, _shut(canary, number))
        return WayOut(name, LOOPBACK, canary.port, "http", asked, behind=behind)

    return make


def _to_outside(name: str, address: str, port: int, asked: bytes) -> _Make:
    return lambda _canary, _number: WayOut(name, address, port, "http", asked)


def _ask_in_prefix(way_out: str) -> Callable[[Canary, str], bytes]:
    """A path that starts in the open part; `way_out` is meant to lead out of it."""
    return lambda canary, shut: _ask(
        "GET", f"{_base(canary)}/open-{canary.nonce}{way_out}{shut.lstrip('/')}"
    )


def _ask_to_be_moved(kind: str) -> Callable[[Canary, str], bytes]:
    return lambda canary, shut: _ask(
        "GET", f"{_base(canary)}/open-{canary.nonce}/{kind}/{shut.rpartition('/')[2]}"
    )


def _ask_behind(*fields: str, chunk: str = "") -> Callable[[Canary, str], bytes]:
    """An allowed request with a second one in what would be its body (RFC 9112, 11.2)."""

    def write(canary: Canary, shut: str) -> bytes:
        inner = _ask("GET", f"{_base(canary)}{shut}")
        told = [one.replace("LENGTH", str(len(inner))) for one in fields]
        outer = [
            f"GET {_base(canary)}/open-{canary.nonce}/here HTTP/1.1",
            f"Host: {OUTSIDE_NAME}",
            *told,
            "",
            chunk,
        ]
        return "\r\n".join(outer).encode("ascii") + inner

    return write


_THROUGH_THE_GATEWAY: tuple[_Make, ...] = (
    _to_outside("an address off the list", OUTSIDE[0], 80, _ask("GET", f"http://{OUTSIDE[0]}/")),
    _to_outside("an IPv6 address off the list", OUTSIDE_6, 80,
                _ask("GET", f"http://[{OUTSIDE_6}]/")),
    _to_outside("a name off the list", OUTSIDE_NAME, 80, _ask("GET", f"http://{OUTSIDE_NAME}/")),
    _to_outside("a bare path for a host off the list", OUTSIDE_NAME, 80, _ask("GET", "/")),
    _to_outside("the metadata address", METADATA, 80, _ask("GET", f"http://{METADATA}/")),
    _to_outside("a CONNECT to the port for mail", OUTSIDE[0], 25,
                _ask("CONNECT", f"{OUTSIDE[0]}:25")),
    _to_outside("a CONNECT to the port for SSH", OUTSIDE_6, 22,
                _ask("CONNECT", f"[{OUTSIDE_6}]:22")),
    _to_outside("a CONNECT to a name off the list", OUTSIDE_NAME, 443,
                _ask("CONNECT", f"{OUTSIDE_NAME}:443")),
    _to_outside("another scheme", OUTSIDE[1], 21, _ask("GET", f"ftp://{OUTSIDE[1]}/")),
    _to_outside("a file of the lab host", "localhost", 0, _ask("GET", "file:///etc/hostname")),
    _to_outside("a request that changes things", OUTSIDE[1], 80,
                _ask("POST", f"http://{OUTSIDE[1]}/", "Content-Length: 0")),
    _to_canary("the lab host's loopback",
               lambda canary, shut: _ask("GET", f"{_base(canary)}{shut}")),
    _to_canary("the lab host's loopback by its name",
               lambda canary, shut: _ask("GET", f"http://localhost:{canary.port}{shut}")),
    _to_canary("the lab host's loopback as a number",
               lambda canary, shut: _ask("GET", f"http://2130706433:{canary.port}{shut}")),
    _to_canary("the lab host's loopback as a mapped address",
               lambda canary, shut: _ask("GET", f"http://[::ffff:7f00:1]:{canary.port}{shut}")),
    _to_canary("a bare path with the host beside it",
               lambda canary, shut: _ask("GET", shut, host=f"{LOOPBACK}:{canary.port}")),
    _to_canary("a host behind a user name",
               lambda canary, shut: _ask(
                   "GET", f"http://{OUTSIDE_NAME}@{LOOPBACK}:{canary.port}{shut}")),
    _to_canary("a CONNECT to an odd port, and a request in it",
               lambda canary, shut: _ask("CONNECT", f"{LOOPBACK}:{canary.port}")
               + _ask("GET", shut)),
    _to_canary("an https address",
               lambda canary, shut: _ask("GET", f"https://{LOOPBACK}:{canary.port}{shut}")),
    _to_canary("a path with dots", _ask_in_prefix("/../")),
    _to_canary("a path with encoded dots", _ask_in_prefix("/%2e%2e/")),
    _to_canary("a path with dots encoded twice", _ask_in_prefix("/%252e%252e/")),
    _to_canary("a path with an encoded slash", _ask_in_prefix("/..%2f")),
    _to_canary("a path with a backslash", _ask_in_prefix("/..\\")),
    _to_canary("a path with empty parts", _ask_in_prefix("//../")),
    _to_canary("a path that only begins like an allowed one", _ask_in_prefix("")),
    _to_canary("a redirect", _ask_to_be_moved("moved")),
    _to_canary("a chain of redirects", _ask_to_be_moved("twice")),
    _to_canary("a second request behind an allowed one", _ask_behind(), behind=True),
    _to_canary("a second request in the body", _ask_behind("Content-Length: LENGTH"), behind=True),
    _to_canary("a second request between two lengths",
               _ask_behind("Content-Length: 0", "Content-Length: LENGTH"), behind=True),
    _to_canary("a second request between length and chunks",
               _ask_behind("Content-Length: LENGTH", "Transfer-Encoding: chunked",
                           chunk="0\r\n\r\n"), behind=True),
    _to_canary("a second request behind an odd coding",
               _ask_behind("Transfer-Encoding: xchunked"), behind=True),
)  # fmt: skip
