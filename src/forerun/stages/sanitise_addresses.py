"""Network addresses: each has one other that stands for it.

What is promised:

- The family stays, and the map is injective over everything one `AddressMap` has seen.
- Loopback, unspecified, link-local, multicast, reserved (240/4), documentation
  (RFC 5737, RFC 3849, RFC 9637) and benchmarking addresses, and netmasks, are kept.
- A private IPv4 address (RFC 1918) stays in its own private range, and the last octet
  stays. Two of one range that share n bits still share exactly n bits, for n up to 24.
- A public IPv4 address goes to 100.64.0.0/10 (RFC 6598). Each /16 seen gets a /16 of its
  own while there are some (48), then each /24 a /24, then each address an address: bits
  shared beyond 16 (then 24) stay shared. The lower bits stay as they are.
- An IPv6 address goes to fd00::/8 (RFC 4193). Each /32 seen gets a /32 of its own; two
  that share n bits, 32 <= n <= 64, share exactly n. A short interface number stays.
- `ADDRESS/LENGTH` with no bits set beyond LENGTH has none set afterwards either.

Why no published scheme as it is: those map the whole space onto itself, so that a private
address comes out as somebody's public one.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator
from ipaddress import IPv4Address as IPv4
from ipaddress import IPv6Address as IPv6

from forerun.stages.sanitise_edit import Edit
from forerun.stages.sanitise_vault import Vault

_KEPT_V4 = tuple(
    ipaddress.IPv4Network(text)
    for text in (
        "0.0.0.0/8", "127.0.0.0/8", "169.254.0.0/16", "192.0.0.0/24", "192.0.2.0/24",
        "192.88.99.0/24", "198.18.0.0/15", "198.51.100.0/24", "203.0.113.0/24", "224.0.0.0/3",
    )
)  # fmt: skip
_PRIVATE_V4 = tuple(
    ipaddress.IPv4Network(text) for text in ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16")
)
_KEPT_V6 = tuple(
    ipaddress.IPv6Network(text)
    for text in (
        "::/96",
        "64:ff9b::/96",
        "100::/64",
        "2001::/32",
        "2002::/16",
        "fec0::/10",
        "2001:db8::/32",
        "3fff::/20",
        "fe80::/9",
        "ff00::/8",
    )
)
_BASE_V4 = int(IPv4("100.64.0.0"))
_WHOLE_SLOTS = 48
_SMALL_SLOTS = 15 * 256


class AddressesExhausted(ValueError):
    """More distinct public networks than the map has room for."""


class AddressMap:
    """The addresses seen so far and what stands for them."""

    def __init__(self, vault: Vault) -> None:
        self._vault = vault
        self._slots: dict[int, int] = {}
        self._small: dict[int, int] = {}
        self._single: dict[int, int] = {}
        self._sites: dict[int, int] = {}
        self._flips: dict[tuple[int, int, int], int] = {}
        self._v6_taken: dict[int, int] = {}

    def __repr__(self) -> str:
        return "<AddressMap>"

    def swap_v4(self, address: IPv4, length: int = 32) -> IPv4:
        """What stands for this address; itself where it is kept."""
        home = next((net for net in _PRIVATE_V4 if address in net), None)
        if is_kept_v4(address):
            return address
        clear = _has_no_host_bits(int(address), length, 32)
        if home is None:
            if length < 16:
                return address
            new = self._swap_public(int(address))
        elif length <= home.prefixlen:
            return address
        else:
            new = self._walk_bits(int(address), 4, home.prefixlen, 24, 32)
        if clear:
            new &= _mask(length, 32)
        if home is None:
            self._vault.note(str(address), rule="address")
        return IPv4(new)

    def _swap_public(self, value: int) -> int:
        network = value >> 16
        if network not in self._slots and len(self._slots) < _WHOLE_SLOTS:
            self._slots[network] = len(self._slots)
        if network in self._slots:
            return _BASE_V4 + (self._slots[network] << 16) + (value & 0xFFFF)
        small = value >> 8
        if small not in self._small and len(self._small) < _SMALL_SLOTS:
            self._small[small] = len(self._small)
        if small in self._small:
            at = (_WHOLE_SLOTS << 16) + (self._small[small] << 8)
            return _BASE_V4 + at + (value & 0xFF)
        if value not in self._single:
            if len(self._single) >= 1 << 16:
                raise AddressesExhausted("more public addresses than can be replaced")
            self._single[value] = len(self._single)
        return _BASE_V4 + (63 << 16) + self._single[value]

    def _walk_bits(self, value: int, family: int, first: int, last: int, width: int) -> int:
        """Flips bits `first` to `last` - 1, counted from the top, each by a keyed choice
        that depends on the bits before it. The first one always flips, so that no
        address stands for itself."""
        new = value
        for bit in range(first, last):
            before = value >> (width - bit)
            flip = 1 if bit == first else self._choose(family, bit, before)
            new ^= flip << (width - 1 - bit)
        return new

    def _choose(self, family: int, bit: int, before: int) -> int:
        place = (family, bit, before)
        if place not in self._flips:
            drawn = self._vault.stream("address", f"{family} {bit} {before}")
            self._flips[place] = drawn.take(1)[0] & 1
        return self._flips[place]

    def swap_v6(self, address: IPv6, length: int = 128) -> IPv6:
        """What stands for this address; itself where it is kept."""
        if address.ipv4_mapped is not None:
            return IPv6((0xFFFF << 32) + int(self.swap_v4(address.ipv4_mapped)))
        if length < 32 or is_kept_v6(address):
            return address
        value = int(address)
        new = self._walk_bits(value, 6, 32, 64, 128) & ((1 << 96) - 1)
        new += self._find_site(value >> 96) << 96
        clear = _has_no_host_bits(value, length, 128)
        interface = value & ((1 << 64) - 1)
        if interface >= 1 << 16:
            pad = int.from_bytes(self._vault.stream("interface", b"").take(8), "big") | 1 << 63
            new ^= pad & ~(1 << 63) if interface >> 63 else pad
        if clear:
            return IPv6(new & _mask(length, 128))
        while self._v6_taken.setdefault(new, value) != value:
            new += 1
        if address.is_global:
            self._vault.note(str(address), rule="address")
        return IPv6(new)

    def _find_site(self, network: int) -> int:
        """The top 32 bits of fd00::/8 that stand for these: drawn, and drawn again while
        another network has them."""
        if network not in self._sites:
            stream = self._vault.stream("site", str(network))
            taken = set(self._sites.values())
            while (site := 0xFD000000 + int.from_bytes(stream.take(3), "big")) in taken:
                pass
            self._sites[network] = site
        return self._sites[network]

    def find(self, text: str) -> Iterator[Edit]:
        """All addresses of the text that are not kept."""
        for match in _V4.finditer(text):
            length = int(match[2]) if match[2] and int(match[2]) <= 32 else 32
            if any(int(part) > 255 for part in match[1].split(".")) or _is_version(text, match):
                continue
            old = ".".join(str(int(part)) for part in match[1].split("."))
            new = str(self.swap_v4(IPv4(old), length))
            if new != old:
                yield Edit(match.start(1), match.end(1), new, "address", "IPv4 address")
        if ":" in text:
            yield from self._find_v6(text)

    def _find_v6(self, text: str) -> Iterator[Edit]:
        for match in _V6.finditer(text):
            bare = match[1]
            if bare.count(":") < 2 or not any(c.isdigit() for c in bare):
                continue
            try:
                old = IPv6(bare)
            except ValueError:
                continue
            length = int(match[2]) if match[2] and int(match[2]) <= 128 else 128
            new = self.swap_v6(old, length)
            if new != old:
                yield Edit(match.start(1), match.end(1), str(new), "address", "IPv6 address")


_V4 = re.compile(r"(?<![\w.])(\d{1,3}(?:\.\d{1,3}){3})(?:/(\d{1,2})(?!\d))?(?!\.?\d|[A-Za-z_])")
_V6 = re.compile(
    r"(?<![\w:.])([0-9A-Fa-f:]*:(?:\d{1,3}(?:\.\d{1,3}){3}|[0-9A-Fa-f]*))"
    r"(?:/(\d{1,3})(?!\d))?(?![\w:])"
)
_VERSION = re.compile(r"(?:version|release|revision|\bver|\bv|oid\d*)[\s:=\"']*$", re.I)


def _is_version(text: str, match: re.Match[str]) -> bool:
    return _VERSION.search(text[max(0, match.start() - 20) : match.start()]) is not None


def _mask(length: int, width: int) -> int:
    return ((1 << length) - 1) << (width - length)


def _has_no_host_bits(value: int, length: int, width: int) -> bool:
    return length < width and value & ~_mask(length, width) == 0


def is_kept_v4(address: IPv4) -> bool:
    """Whether the address says nothing about the site (see the module's list)."""
    return any(address in network for network in _KEPT_V4)


def is_kept_v6(address: IPv6) -> bool:
    """Whether the address says nothing about the site (see the module's list)."""
    return any(address in network for network in _KEPT_V6)


# -- hardware addresses ----------------------------------------------------------------------

_MAC = re.compile(
    r"(?<![\w:-])([0-9A-Fa-f]{2}(?:([:-])[0-9A-Fa-f]{2})(?:\2[0-9A-Fa-f]{2}){4})(?![\w:-])"
)


def find_hardware_addresses(text: str, vault: Vault) -> Iterator[Edit]:
    """Ethernet addresses; what stands for one is locally administered and unicast
    (IEEE 802: bit 0x02 of the first octet set, 0x01 clear)."""
    for match in _MAC.finditer(text):
        old, mark = match[1].lower(), match[2]
        octets = old.split(mark)
        if set(octets) in ({"00"}, {"ff"}) or int(octets[0], 16) & 1:
            continue
        drawn = vault.stream("hardware", "".join(octets)).take(5).hex()
        new = mark.join(["02", *(drawn[at : at + 2] for at in range(0, 10, 2))])
        vault.note(match[1], rule="hardware-address")
        new = new.upper() if match[1].isupper() else new
        yield Edit(match.start(), match.end(), new, "hardware-address", "hardware address")
