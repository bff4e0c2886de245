"""Whether a clone is sealed: what is concluded from what its tries say."""

from __future__ import annotations

import ipaddress

import pytest

from forerun.errors import SealBroken
from forerun.stages.seal import list_ways, prove_sealed, write_tries
from forerun.testing import FakeClock, FakeGuest

ALL_CLOSED = "control open\n" + "".join(
    f"way {number} closed\n" for number in range(len(list_ways(1)))
)


def make_guest(told: str) -> FakeGuest:
    return FakeGuest(FakeClock(), answers={"try control": told})


def test_a_sealed_clone_passes_with_what_was_tried() -> None:
    """All ways closed, and trying works: the ways are the evidence."""
    ways = prove_sealed(make_guest(ALL_CLOSED), lab_port=3128)
    assert [way.name for way in ways] == [way.name for way in list_ways(3128)]
    assert ways[0].label() == "the lab host (10.0.2.2, tcp 3128)"


@pytest.mark.parametrize("number", range(len(list_ways(1))))
def test_one_open_way_stops_everything(number: int) -> None:
    """Whichever it is, it is named."""
    told = ALL_CLOSED.replace(f"way {number} closed", f"way {number} open")
    with pytest.raises(SealBroken, match="can reach out") as caught:
        prove_sealed(make_guest(told), lab_port=3128)
    assert caught.value.found == list_ways(3128)[number].label()


@pytest.mark.parametrize("number", range(len(list_ways(1))))
def test_a_way_without_a_result_counts_as_open(number: int) -> None:
    """Silence is no proof."""
    with pytest.raises(SealBroken):
        prove_sealed(make_guest(ALL_CLOSED.replace(f"way {number} closed\n", "")), lab_port=1)


@pytest.mark.parametrize("told", ["", ALL_CLOSED.replace("control open", "control closed")])
def test_without_its_control_nothing_is_proved(told: str) -> None:
    """Where even the clone's own service is not reached, no failed try means anything."""
    with pytest.raises(SealBroken, match="could not be proved"):
        prove_sealed(make_guest(told), lab_port=1)


def test_outside_addresses_belong_to_nobody() -> None:
    """RFC 5737 and RFC 3849: only documentation addresses stand for the outside, so that a
    broken seal harms nobody. The others are those of QEMU's user network."""
    nobody = [
        ipaddress.ip_network(one)
        for one in ("192.0.2.0/24", "198.51.100.0/24", "203.0.113.0/24", "2001:db8::/32")
    ]
    link = ipaddress.ip_network("10.0.2.0/24")
    for way in list_ways(1):
        address = ipaddress.ip_address(way.address)
        assert address in link or any(address in one for one in nobody)
        assert way.routed is (address.version == 4 and address not in link)


def test_no_route_is_left() -> None:
    """Every route that is laid for a try is taken away again, after the tries."""
    script = write_tries(list_ways(1))
    laid, taken = script.index("ip route add"), script.index("ip route del")
    assert laid < script.index("wait\n") < taken
