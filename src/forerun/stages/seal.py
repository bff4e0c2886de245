"""Tries every way out of a clone from inside, before anything is rehearsed on it.

The seal is the hypervisor's (`restrict=on`); this asks whether it holds. A try proves
something only if the way of trying works, so one that must succeed comes first: the
clone's own access service. Documentation addresses (RFC 5737, RFC 3849) stand for all
outside ones, production's included, since nobody is harmed should the seal be broken.
QEMU's user network shows the lab host and a name service at fixed addresses (QEMU's
manual, "Using the user mode network stack").
"""

from __future__ import annotations

from dataclasses import dataclass

from forerun.errors import SealBroken
from forerun.ports.guest import Guest
from forerun.stages.design import ACCESS_PORT

LAB_HOST = "10.0.2.2"
NAME_SERVICE = "10.0.2.3"
CONTROL = "the clone's own access service"
_TRY_S = 4
# A DNS query for the address of "test." (RFC 1035, 4.1; RFC 6761): every resolver answers.
_QUERY = r"AB\001\000\000\001\000\000\000\000\000\000\004test\000\000\001\000\001"


@dataclass(frozen=True, slots=True)
class WayOut:
    """A way out of the clone: what lies there, its address and port; `routed` when only
    a route over the lab host could lead there."""

    name: str
    address: str
    port: int
    protocol: str = "tcp"
    routed: bool = False

    def label(self) -> str:
        """For a person: "the lab host (10.0.2.2, tcp 3128)"."""
        return f"{self.name} ({self.address}, {self.protocol} {self.port})"


def list_ways(lab_port: int) -> tuple[WayOut, ...]:
    """What is tried; `lab_port` is a TCP port on which something of the lab host answers."""
    return (
        WayOut("the lab host", LAB_HOST, lab_port),
        WayOut("the lab host's name service", NAME_SERVICE, 53, "udp"),
        WayOut("an outside address", "203.0.113.1", 80, routed=True),
        WayOut("an outside address", "198.51.100.1", 443, routed=True),
        WayOut("an outside address", "2001:db8::1", 443),
    )


def prove_sealed(guest: Guest, *, lab_port: int) -> tuple[WayOut, ...]:
    """The ways that were tried and lead nowhere. Raises SealBroken when one is open, or
    when nothing can be told."""
    ways = list_ways(lab_port)
    told = guest.run(write_tries(ways), timeout_s=120).text().splitlines()
    results = dict(line.rpartition(" ")[::2] for line in told)
    if results.get("control") != "open":
        raise SealBroken(
            "It could not be proved that the clone is sealed.",
            wanted=f"{CONTROL} answers, so that a try means something",
            found=results.get("control", "no answer"),
            hint="Run the rehearsal again; the clone's console log is kept in the run's folder.",
        )
    open_ways = [way for number, way in enumerate(ways) if results.get(f"way {number}") != "closed"]
    if open_ways:
        raise SealBroken(
            "The clone can reach out: nothing is rehearsed on it.",
            wanted="no answer to any try from inside",
            found=", ".join(way.label() for way in open_ways),
            hint="Look for a network of the lab host that the clone's link leads to. The clone "
            "is removed.",
        )
    return ways


def write_tries(ways: tuple[WayOut, ...], *, control_port: int = ACCESS_PORT) -> str:
    """A shell script that tries all ways at once, each for a few seconds; it prints
    `control open`, and `way NUMBER open|closed` for each. A route is laid for the outside
    ones as an intruder would; none stays."""
    lines = [
        f'try() {{ if timeout {_TRY_S} bash -c "$2" 2>/dev/null; '
        'then echo "$1 open"; else echo "$1 closed"; fi; }',
        f"try control 'exec 3<>/dev/tcp/127.0.0.1/{control_port}'",
        f"outside='{' '.join(way.address for way in ways if way.routed)}'",
        f"for address in $outside; do ip route add $address via {LAB_HOST} 2>/dev/null; done",
    ]
    for number, way in enumerate(ways):
        attempt = f"exec 3<>/dev/{way.protocol}/{way.address}/{way.port}"
        if way.protocol == "udp":  # sending always succeeds: only an answer tells
            attempt += f'; printf "{_QUERY}" >&3; read -r -n 1 -t {_TRY_S} -u 3 answer'
        lines.append(f"try 'way {number}' '{attempt}' &")
    lines += [
        "wait",
        f"for address in $outside; do ip route del $address via {LAB_HOST} 2>/dev/null; done",
        "true",
    ]
    return "\n".join(lines) + "\n"
