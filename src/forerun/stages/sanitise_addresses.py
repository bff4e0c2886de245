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
- Where an IPv6 address holds an IPv4 address (RFC 4291 2.5.5.2, RFC 6052, RFC 3056), that
  one is mapped and its surroundings stay.

Which bits flip is decided by ipcrypt-pfx (`sanitise_prefix`), and on top of it lies the
policy above: the scheme alone maps the whole space onto itself, so that a private address
comes out as somebody's public one.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator
from ipaddress import IPv4Address as IPv4
from ipaddress import IPv6Address as IPv6

from forerun.stages.sanitise_edit import Edit
from forerun.stages.sanitise_prefix import KEY_SIZE, PrefixPreserving
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
        "100::/64",
        "2001:2::/48",
        "fec0::/10",
        "2001:db8::/32",
        "3fff::/20",
        "fe80::/9",
        "ff00::/8",
    )
)
_Bits = tuple[tuple[int, int, int], ...]


def _list_bits(networks: tuple[ipaddress.IPv4Network, ...]) -> _Bits:
    """(network, mask, length) as numbers: `in` of the library costs ten times as much."""
    return tuple((int(n.network_address), int(n.netmask), n.prefixlen) for n in networks)


_KEPT_BITS, _PRIVATE_BITS = _list_bits(_KEPT_V4), _list_bits(_PRIVATE_V4)
_NAT64 = ipaddress.IPv6Network("64:ff9b::/96")
_6TO4 = ipaddress.IPv6Network("2002::/16")
_TEREDO = IPv6("2001::")
_BASE_V4 = int(IPv4("100.64.0.0"))
# Entries of what can be computed again: it saves time and costs about 150 bytes each.
_CACHED = 20_000
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
        self._private: dict[int, int] = {}
        self._sites: dict[int, int] = {}
        self._sites_taken: set[int] = set()
        self._scheme = PrefixPreserving(vault.stream("address", "ipcrypt-pfx").take(KEY_SIZE))
        self._flips: dict[int, int] = {}
        self._v6_taken: dict[int, int] = {}
        self._written: dict[tuple[str, str | None], str] = {}

    def __repr__(self) -> str:
        return "<AddressMap>"

    def swap_v4(self, address: IPv4, length: int = 32) -> IPv4:
        """What stands for this address; itself where it is kept."""
        return IPv4(self._swap_value(int(address), length))

    def _swap_value(self, value: int, length: int) -> int:
        if _is_in(value, _KEPT_BITS):
            return value
        home = next((size for base, mask, size in _PRIVATE_BITS if value & mask == base), None)
        clear = _has_no_host_bits(value, length, 32)
        if home is None:
            if clear and length < 16:
                return value
            new = self._swap_public(value)
        elif clear and length <= home:
            return value
        else:
            network = value >> 8
            upper = self._private.get(network)
            if upper is None:
                upper = self._walk_bits(network, 4, home, 24, 24)
                if len(self._private) < _CACHED:
                    self._private[network] = upper
            new = upper << 8 | value & 0xFF
        if clear:
            new &= _mask(length, 32)
        if home is None:
            self._vault.note(_write(value), rule="address")
        return new

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
        place = (1 << bit | before) << 1 | (family == 6)
        flip = self._flips.get(place)
        if flip is None:
            flip = self._scheme.flip(family, bit, before)
            if len(self._flips) < _CACHED:
                self._flips[place] = flip
        return flip

    def swap_v6(self, address: IPv6, length: int = 128) -> IPv6:
        """What stands for this address; itself where it is kept."""
        if address.ipv4_mapped is not None:
            return IPv6((0xFFFF << 32) + int(self.swap_v4(address.ipv4_mapped)))
        value = int(address)
        if is_kept_v6(address) or (length < 32 and _has_no_host_bits(value, length, 128)):
            return address
        if address in _NAT64:
            bits = length - 96 if length > 96 else 32
            inside = int(self.swap_v4(IPv4(value & 0xFFFFFFFF), bits))
            return IPv6(value >> 32 << 32 | inside)
        if address in _6TO4:
            inside = int(self.swap_v4(IPv4(value >> 80 & 0xFFFFFFFF), max(0, min(32, length - 16))))
            new = (0x2002 << 32 | inside) << 80 | value & (1 << 80) - 1
            return self._finish_v6(address, new, length)
        if address == _TEREDO:
            return address
        new = self._walk_bits(value, 6, 32, 64, 128) & ((1 << 96) - 1)
        new += self._find_site(value >> 96) << 96
        return self._finish_v6(address, new, length)

    def _finish_v6(self, address: IPv6, new: int, length: int) -> IPv6:
        """The interface's half, and a number of its own for each address."""
        value = int(address)
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
            if len(self._sites) >= 1 << 22:  # a quarter of what there is: draws stay short
                raise AddressesExhausted("more IPv6 networks than can be replaced")
            while True:
                site = 0xFD000000 + int.from_bytes(stream.take(3), "big")
                if site not in self._sites_taken:
                    break
            self._sites[network] = site
            self._sites_taken.add(site)
        return self._sites[network]

    def find(self, text: str) -> Iterator[Edit]:
        """All addresses of the text that are not kept."""
        written = self._written
        for match in V4.finditer(text):
            bare, length = match.groups()
            new = written.get((bare, length))
            if new == bare:
                continue
            start, end = match.span(1)
            if _is_version(text, start):
                continue
            if new is None:
                new = self._swap_text(bare, length)
            if new != bare:
                yield Edit(start, end, new, "address", "IPv4 address")
        if V6_HINT.search(text) is not None:
            yield from self._find_v6(text)

    def _swap_text(self, bare: str, length: str | None) -> str:
        """The written form's replacement; itself when it is none, or one that is kept."""
        place = (bare, length)
        if place not in self._written:
            parts = [int(part) for part in bare.split(".")]
            if max(parts) > 255:
                return bare
            value = int.from_bytes(parts, "big")
            bits = int(length) if length and int(length) <= 32 else 32
            new = self._swap_value(value, bits)
            if len(self._written) >= _CACHED:
                self._written.clear()
            self._written[place] = bare if new == value else _write(new)
        return self._written[place]

    def _find_v6(self, text: str) -> Iterator[Edit]:
        for match in _V6.finditer(text):
            bare = match[1]
            if "::" not in bare and bare.count(":") < 6:
                continue
            try:
                old = IPv6(bare)
            except ValueError:
                continue
            if not any(c.isdigit() for c in bare):
                continue
            length = int(match[2]) if match[2] and int(match[2]) <= 128 else 128
            new = self.swap_v6(old, length)
            if new != old:
                yield Edit(match.start(1), match.end(1), str(new), "address", "IPv6 address")


V4 = re.compile(r"(?<![\w.])(\d{1,3}(?:\.\d{1,3}){3})(?:/(\d{1,2})(?!\d))?(?!\.?\d|[A-Za-z_])")
_V6 = re.compile(
    r"(?<![\w:.])([0-9A-Fa-f:]*:(?:\d{1,3}(?:\.\d{1,3}){3}|[0-9A-Fa-f]*))"
    r"(?:/(\d{1,3})(?!\d))?(?![\w:])"
)
# RFC 4291, 2.2: without `::` there are seven colons, or six before a dotted quad.
V6_HINT = re.compile(r"::|:(?:[0-9A-Fa-f]*:){5}")
_VERSION = re.compile(r"(?:version|release|revision|\bver|\bv|oid\d*)[\s:=\"']*$", re.I)


# What may stand between such a word and its number, and what such a word ends in.
_BETWEEN = ":=\"'" + "".join(chr(n) for n in range(0x3001) if chr(n).isspace())
_LAST = frozenset("nNeErRvVdD")


def _is_version(text: str, start: int) -> bool:
    """Whether the numbers at that place are named as a version."""
    before = text[max(0, start - 20) : start]
    word = before.rstrip(_BETWEEN)[-1:]
    if word not in _LAST and not word.isdecimal():  # the usual case, without a search
        return False
    return _VERSION.search(before) is not None


def _mask(length: int, width: int) -> int:
    return ((1 << length) - 1) << (width - length)


def _has_no_host_bits(value: int, length: int, width: int) -> bool:
    return length < width and value & ~_mask(length, width) == 0


def is_kept_v4(address: IPv4) -> bool:
    """Whether the address says nothing about the site (see the module's list)."""
    return _is_in(int(address), _KEPT_BITS)


def _is_in(value: int, ranges: _Bits) -> bool:
    return any(value & mask == base for base, mask, _ in ranges)


def _write(value: int) -> str:
    return f"{value >> 24}.{value >> 16 & 255}.{value >> 8 & 255}.{value & 255}"


def is_kept_v6(address: IPv6) -> bool:
    """Whether the address says nothing about the site (see the module's list)."""
    return any(address in network for network in _KEPT_V6)


# -- hardware addresses ----------------------------------------------------------------------

HARDWARE = re.compile(
    r"(?<![\w:-])([0-9A-Fa-f]{2}(?:([:-])[0-9A-Fa-f]{2})(?:\2[0-9A-Fa-f]{2}){4})(?![\w:-])"
)
# RFC 9542, 2.1.1: 00-00-5E-00-53-00 to FF are for documentation.
_DOCUMENTATION = b"\x00\x00\x5e\x00\x53"


class HardwareMap:
    """Ethernet addresses seen so far and what stands for them, each for one only.

    What stands for one is locally administered and unicast (IEEE 802: bit 0x02 of the
    first octet set, 0x01 clear). Kept: group addresses (broadcast is one), all zeros, and
    the documentation range of RFC 9542."""

    def __init__(self, vault: Vault) -> None:
        self._vault = vault
        self._swaps: dict[bytes, bytes] = {}
        self._taken: set[bytes] = set()

    def __repr__(self) -> str:
        return f"<HardwareMap of {len(self._swaps)} addresses>"

    def swap(self, octets: bytes) -> bytes:
        """What stands for these 6 octets; themselves where they are kept."""
        if octets[0] & 1 or not any(octets) or octets.startswith(_DOCUMENTATION):
            return octets
        if octets not in self._swaps:
            stream = self._vault.stream("hardware", octets.hex())
            while (new := b"\x02" + stream.take(5)) in self._taken or new == octets:
                pass
            self._swaps[octets] = new
            self._taken.add(new)
        return self._swaps[octets]

    def find(self, text: str) -> Iterator[Edit]:
        """All hardware addresses of the text that are not kept."""
        for match in HARDWARE.finditer(text):
            octets = bytes.fromhex(match[1].replace(match[2], ""))
            swapped = self.swap(octets)
            if swapped != octets:
                self._vault.note(match[1], rule="hardware-address")
                new = swapped.hex(match[2])
                new = new.upper() if match[1].isupper() else new
                yield Edit(*match.span(), new, "hardware-address", "hardware address")
