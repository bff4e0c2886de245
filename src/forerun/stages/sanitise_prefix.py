"""Prefix-preserving encryption of IP addresses: ipcrypt-pfx, complete.

Source: Internet-Draft draft-denis-ipcrypt (work in progress), "ipcrypt-pfx", in the state
of repository ipcrypt-std/draft-denis-ipcrypt, commit e5255669; its vectors are the tests.
Each bit of an address is flipped or not by a keyed function of the bits before it, so two
addresses that share n bits share exactly n afterwards, and the map can be undone.
"""

from __future__ import annotations

from ipaddress import IPv4Address as IPv4
from ipaddress import IPv6Address as IPv6

from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes

KEY_SIZE = 32
# An IPv4 address is the last 32 bits of ::ffff:0:0/96 (RFC 4291, 2.5.5.2).
_MAPPED = 0xFFFF


class PrefixPreserving:
    """The map of one key of 32 bytes: two AES-128 keys, which must differ.

    Raises ValueError for any other key."""

    def __init__(self, key: bytes) -> None:
        if len(key) != KEY_SIZE:
            raise ValueError(f"a key of {KEY_SIZE} bytes is needed, this one has {len(key)}")
        first, second = key[:16], key[16:]
        if first == second:
            raise ValueError("the two halves of the key must differ: equal ones cancel out")
        # Single blocks in ECB mode are what the scheme prescribes: AES as a keyed function.
        self._first = Cipher(algorithms.AES128(first), modes.ECB()).encryptor()  # noqa: S305
        self._second = Cipher(algorithms.AES128(second), modes.ECB()).encryptor()  # noqa: S305

    def __repr__(self) -> str:
        return "<PrefixPreserving>"

    def flip(self, family: int, length: int, before: int) -> int:
        """Whether the bit after the first `length` bits, whose value is `before`, is
        flipped: 1 or 0. `family` is 4 or 6."""
        if family == 4:
            length, before = length + 96, (_MAPPED << length) | before
        # The bits so far after a single 1, which says how many they are.
        padded = ((1 << length) | before).to_bytes(16, "big")
        return (self._first.update(padded)[15] ^ self._second.update(padded)[15]) & 1

    def encrypt(self, address: IPv4 | IPv6) -> IPv4 | IPv6:
        """The address that stands for this one, of the same family."""
        return self._walk(address, undo=False)

    def decrypt(self, address: IPv4 | IPv6) -> IPv4 | IPv6:
        """The address that this one stands for."""
        return self._walk(address, undo=True)

    def _walk(self, address: IPv4 | IPv6, *, undo: bool) -> IPv4 | IPv6:
        width, value = address.max_prefixlen, int(address)
        plain = out = 0
        for at in range(width):
            bit = value >> (width - 1 - at) & 1
            new = bit ^ self.flip(address.version, at, plain)
            plain = plain << 1 | (new if undo else bit)
            out = out << 1 | new
        return IPv4(out) if address.version == 4 else IPv6(out)
