"""Address pseudonyms: what the module promises, by property."""

from __future__ import annotations

import ipaddress
from ipaddress import IPv4Address as IPv4
from ipaddress import IPv6Address as IPv6

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forerun.stages.sanitise_addresses import (
    AddressesExhausted,
    AddressMap,
    HardwareMap,
)
from forerun.stages.sanitise_edit import Sheet
from forerun.stages.sanitise_vault import Vault

KEPT_V4 = [
    ipaddress.IPv4Network(n)
    for n in ("0.0.0.0/8", "127.0.0.0/8", "169.254.0.0/16", "192.0.2.0/24", "198.51.100.0/24",
              "203.0.113.0/24", "224.0.0.0/4", "240.0.0.0/4")
]  # fmt: skip
PRIVATE = [ipaddress.IPv4Network(n) for n in ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16")]
SHARED = ipaddress.IPv4Network("100.64.0.0/10")

keys = st.binary(min_size=32, max_size=32)


def within(network: ipaddress.IPv4Network) -> st.SearchStrategy[IPv4]:
    low, high = int(network.network_address), int(network.broadcast_address)
    return st.integers(low, high).map(IPv4)


private = st.sampled_from(PRIVATE).flatmap(within)
public = (
    st.integers(1 << 24, (224 << 24) - 1)
    .map(IPv4)
    .filter(lambda a: a.is_global and not any(a in n for n in [*KEPT_V4, SHARED]))
)
global_v6 = st.integers(0x2A00 << 112, (0x2B00 << 112) - 1).map(IPv6)


def shared_bits(first: int, second: int, width: int) -> int:
    return width - (first ^ second).bit_length()


@given(keys, st.sampled_from(PRIVATE), st.data())
def test_private_prefixes_are_kept(
    key: bytes, network: ipaddress.IPv4Network, data: st.DataObject
) -> None:
    """Two addresses of one private range share as many bits afterwards, up to 24, stay in
    their range, and keep their last octet; neither stands for itself."""
    first, second = data.draw(within(network)), data.draw(within(network))
    swap = AddressMap(Vault(key=key)).swap_v4
    a, b = swap(first), swap(second)
    assert a in network and b in network
    assert int(a) & 255 == int(first) & 255
    assert a != first
    before = shared_bits(int(first), int(second), 32)
    after = shared_bits(int(a), int(b), 32)
    assert after == before if before < 24 else after >= 24


@given(keys, st.lists(private | public, min_size=2, max_size=200, unique=True))
def test_v4_is_injective_over_what_was_seen(key: bytes, seen: list[IPv4]) -> None:
    """No two addresses get one pseudonym, whatever mix of ranges they come from."""
    swap = AddressMap(Vault(key=key)).swap_v4
    assert len({swap(address) for address in seen}) == len(seen)


@given(keys, public)
def test_public_addresses_become_shared_space(key: bytes, address: IPv4) -> None:
    """RFC 6598 space is nobody's on the Internet; the low 16 bits of the first 48 networks
    stay, so a network's own layout does."""
    new = AddressMap(Vault(key=key)).swap_v4(address)
    assert new in SHARED
    assert int(new) & 0xFFFF == int(address) & 0xFFFF


@given(keys, st.sampled_from(KEPT_V4).flatmap(within))
def test_reserved_v4_is_kept(key: bytes, address: IPv4) -> None:
    """RFC 5737, loopback, link-local, multicast, netmasks: they say nothing of a site."""
    assert AddressMap(Vault(key=key)).swap_v4(address) == address


@given(keys, private, st.integers(9, 30))
def test_networks_stay_networks(key: bytes, address: IPv4, length: int) -> None:
    """A network address has no host bits afterwards and still holds its hosts, for
    lengths from 9 to 24 that are longer than the private range's own."""
    mask = ((1 << length) - 1) << (32 - length)
    base = IPv4(int(address) & mask)
    mapping = AddressMap(Vault(key=key))
    new = mapping.swap_v4(base, length)
    ipaddress.IPv4Network(f"{new}/{length}")
    home = next(n for n in PRIVATE if address in n)
    if home.prefixlen < length <= 24 and base in home:
        assert int(mapping.swap_v4(address)) & mask == int(new)


@given(keys, st.lists(global_v6, min_size=2, max_size=50, unique=True))
def test_v6_is_injective_and_keeps_prefixes(key: bytes, seen: list[IPv6]) -> None:
    """Shared bits from 32 to 64 stay exactly as many; all become unique-local (RFC 4193)."""
    swap = AddressMap(Vault(key=key)).swap_v6
    new = [swap(address) for address in seen]
    assert len(set(new)) == len(seen)
    assert all(address in ipaddress.IPv6Network("fd00::/8") for address in new)
    for i, first in enumerate(seen[:10]):
        for j, second in enumerate(seen[:10]):
            before = shared_bits(int(first), int(second), 128)
            after = shared_bits(int(new[i]), int(new[j]), 128)
            if i != j and 32 <= before < 64:
                assert after == before
            if i != j and before < 32:
                assert after < 32


@pytest.mark.parametrize("text", ["::1", "::", "fe80::1", "ff02::1", "2001:db8::7", "3fff::1"])
def test_reserved_v6_is_kept(text: str) -> None:
    """RFC 3849, RFC 9637, link-local, multicast, loopback."""
    assert AddressMap(Vault()).swap_v6(IPv6(text)) == IPv6(text)


def test_many_public_networks_then_none_left() -> None:
    """48 networks as /16, 3840 as /24, 65536 single ones, then an error, never a clash."""
    swap = AddressMap(Vault()).swap_v4
    seen = [IPv4((n + 256 * 11 << 16) + 7) for n in range(4000)]
    new = [swap(address) for address in seen]
    assert len(set(new)) == len(seen) and all(address in SHARED for address in new)
    with pytest.raises(AddressesExhausted):
        for n in range(1 << 17):
            swap(IPv4((30 << 24) + (n << 8) + 9))


def apply(text: str) -> str:
    sheet = Sheet(text)
    sheet.accept(AddressMap(Vault(key=b"k" * 32)).find(text))
    return sheet.apply("")[0]


@pytest.mark.parametrize(
    "text",
    ["1.2.3.4.5", "v1.2.3.4", "version = 7.88.1.10", ".1.3.6.1", "300.1.2.3", "12:34:56",
     "00:16:3e:4a:5b:6c", "Foo::Bar", "std::vector", "a::", "10.0.0.0/8", "172.16.0.0/12"],
)  # fmt: skip
def test_what_only_looks_like_an_address(text: str) -> None:
    """Versions, object identifiers, times and scopes stay; so do whole private ranges."""
    assert apply(f"x {text} y") == f"x {text} y"


@pytest.mark.parametrize(
    "text", ["10.1.2.3", "(93.184.216.34)", "tcp:10.1.2.3:80", "10.1.2.3-10.1.2.9", "10.1.2.0/24",
             "[2a02:26f0::1]:443", "2a02:26f0:0:1::/64", "fd12:3456::9%eth0", "10.1.2.3."]
)  # fmt: skip
def test_addresses_are_found_in_their_usual_forms(text: str) -> None:
    """Ports, ranges, networks, brackets, zones and full stops around them."""
    new = apply(f"x {text} y")
    assert new != f"x {text} y"
    for old in ("10.1.2.3", "10.1.2.9", "93.184.216.34", "2a02", "fd12:3456"):
        assert old not in new


def test_hardware_addresses_become_locally_administered() -> None:
    """IEEE 802: bit 0x02 set, bit 0x01 clear; the separator stays; broadcast stays."""
    text = "a 00:16:3e:4a:5b:6c b 00-16-3E-4A-5B-6C c ff:ff:ff:ff:ff:ff"
    sheet = Sheet(text)
    sheet.accept(HardwareMap(Vault(key=b"k" * 32)).find(text))
    words = sheet.apply("")[0].split()
    assert int(words[1][:2], 16) & 3 == 2
    assert words[3].replace("-", ":").lower() == words[1]
    assert words[5] == "ff:ff:ff:ff:ff:ff"
