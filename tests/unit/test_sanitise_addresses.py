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
from forerun.stages.sanitise_prefix import PrefixPreserving
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


RFC_6890 = [  # RFC 6890, 2.2.2 and 2.2.3, without what a site uses privately
    "0.0.0.0/8", "127.0.0.0/8", "169.254.0.0/16", "192.0.0.0/24", "192.0.2.0/24",
    "192.88.99.0/24", "198.18.0.0/15", "198.51.100.0/24", "203.0.113.0/24", "240.0.0.0/4",
    "255.255.255.255/32", "100::/64", "2001:2::/48", "2001:db8::/32", "fe80::/10",
    # RFC 9637, and multicast (RFC 5771, RFC 4291 2.7)
    "3fff::/20", "224.0.0.0/4", "ff00::/8",
]  # fmt: skip


def any_in(text: str) -> st.SearchStrategy[IPv4 | IPv6]:
    return st.ip_addresses(network=text)


def swap_any(mapping: AddressMap, address: IPv4 | IPv6) -> IPv4 | IPv6:
    return mapping.swap_v4(address) if isinstance(address, IPv4) else mapping.swap_v6(address)


@given(keys, st.sampled_from(RFC_6890).flatmap(any_in))
def test_special_purpose_addresses_are_kept(key: bytes, address: IPv4 | IPv6) -> None:
    """They say nothing of a site, and configuration means them by their number."""
    assert swap_any(AddressMap(Vault(key=key)), address) == address


@given(keys, st.lists(st.ip_addresses(), min_size=2, max_size=60, unique=True))
def test_the_map_is_injective_and_keeps_the_family(key: bytes, seen: list[IPv4 | IPv6]) -> None:
    """Over any mix of both families, kept ranges included."""
    mapping = AddressMap(Vault(key=key))
    new = [swap_any(mapping, address) for address in seen]
    assert len(set(new)) == len(seen)
    assert [a.version for a in new] == [a.version for a in seen]
    assert [swap_any(mapping, address) for address in seen] == new


PRIVATE_USE = ["10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "100.64.0.0/10", "fd00::/8"]


@given(keys, st.sampled_from(PRIVATE_USE), st.data())
def test_private_stays_private(key: bytes, network: str, data: st.DataObject) -> None:
    """RFC 1918, RFC 6598 and RFC 4193 ranges are mapped into themselves."""
    address = data.draw(any_in(network))
    new = swap_any(AddressMap(Vault(key=key)), address)
    assert new in ipaddress.ip_network(network)


@given(keys, st.sampled_from(["64:ff9b::/96", "::ffff:0:0/96"]), public)
def test_an_ipv4_address_inside_an_ipv6_one(key: bytes, network: str, inside: IPv4) -> None:
    """RFC 6052 and RFC 4291 2.5.5.2: the address inside is mapped as it is outside."""
    base = int(ipaddress.IPv6Network(network).network_address)
    mapping = AddressMap(Vault(key=key))
    new = mapping.swap_v6(IPv6(base | int(inside)))
    assert new == IPv6(base | int(mapping.swap_v4(inside)))


@given(keys, public)
def test_an_address_behind_6to4(key: bytes, inside: IPv4) -> None:
    """RFC 3056: 2002 and the site's IPv4 address; that one is mapped."""
    mapping = AddressMap(Vault(key=key))
    new = mapping.swap_v6(IPv6((0x2002 << 112) | (int(inside) << 80) | 1))
    assert int(new) >> 112 == 0x2002
    assert int(new) >> 80 & 0xFFFFFFFF == int(mapping.swap_v4(inside))


@pytest.mark.parametrize("text", ["10.1.2.3/8", "93.184.216.34/8", "172.16.9.9/12", "2a02::9/20"])
def test_an_interface_with_a_short_length_is_no_network(text: str) -> None:
    """`10.1.2.3/8` is one address and its network's length; only 10.0.0.0/8 says nothing."""
    new = apply(f"address {text}")
    assert text.partition("/")[0] not in new and new.endswith("/" + text.partition("/")[2])


def test_bits_are_chosen_by_the_published_scheme() -> None:
    """Below the first bit of a private range, which always flips, each flip is that of
    ipcrypt-pfx under the map's own key."""
    vault = Vault(key=b"k" * 32)
    scheme = PrefixPreserving(vault.stream("address", "ipcrypt-pfx").take(32))
    old = IPv4("10.1.2.3")
    flipped = int(old) ^ int(AddressMap(vault).swap_v4(old))
    full = int(old) ^ int(scheme.encrypt(old))
    assert flipped >> 8 & 0x7FFF == full >> 8 & 0x7FFF
    assert flipped >> 23 == 1 and flipped & 0xFF == 0


octets = st.binary(min_size=6, max_size=6)


@given(keys, st.lists(octets, min_size=1, max_size=50, unique=True))
def test_hardware_addresses_are_mapped_one_to_one(key: bytes, seen: list[bytes]) -> None:
    """IEEE 802: unicast stays unicast and becomes locally administered; groups stay."""
    mapping = HardwareMap(Vault(key=key))
    new = [mapping.swap(address) for address in seen]
    assert len(set(new)) == len(seen)
    assert new == [mapping.swap(address) for address in seen]
    for before, after in zip(seen, new, strict=True):
        if before[0] & 1 or not any(before):
            assert after == before
        elif not before.startswith(b"\0\0\x5e\0\x53"):
            assert after[0] & 3 == 2 and after != before


def test_documentation_hardware_addresses_stay() -> None:
    """RFC 9542, 2.1.1: 00-00-5E-00-53-00 to -FF, and multicast 01-00-5E-90-10-00 to -FF."""
    text = "00:00:5e:00:53:00 00-00-5E-00-53-FF 01:00:5e:90:10:7f 00:00:5e:00:52:ff"
    sheet = Sheet(text)
    sheet.accept(HardwareMap(Vault()).find(text))
    new = sheet.apply("")[0].split()
    assert new[:3] == text.split()[:3] and new[3] != text.split()[3]


def test_hardware_addresses_become_locally_administered() -> None:
    """IEEE 802: bit 0x02 set, bit 0x01 clear; the separator stays; broadcast stays."""
    text = "a 00:16:3e:4a:5b:6c b 00-16-3E-4A-5B-6C c ff:ff:ff:ff:ff:ff"
    sheet = Sheet(text)
    sheet.accept(HardwareMap(Vault(key=b"k" * 32)).find(text))
    words = sheet.apply("")[0].split()
    assert int(words[1][:2], 16) & 3 == 2
    assert words[3].replace("-", ":").lower() == words[1]
    assert words[5] == "ff:ff:ff:ff:ff:ff"
