"""Kerberos keytabs: the same principals and key types, mapped names, drawn keys.

Source: MIT Kerberos' description of the keytab file format, version 0x0502 (all numbers
big-endian): records of a signed 32-bit length; a negative one is a hole, in which a
removed key may still stand.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, field

from forerun.stages.sanitise_vault import Vault, encode


@dataclass(slots=True)
class _Entry:
    parts: list[bytes]
    middle: bytes  # name type, time, short version, encryption type
    key: bytes = field(repr=False)
    tail: bytes = b""


def _read_counted(data: bytes, at: int) -> tuple[bytes, int]:
    (size,) = struct.unpack_from(">H", data, at)
    end = at + 2 + size
    if end > len(data):
        raise ValueError("a record ends early")
    return data[at + 2 : end], end


def _read_entry(data: bytes) -> _Entry:
    (count,) = struct.unpack_from(">H", data, 0)
    at, parts = 2, []
    for _ in range(count + 1):  # the realm, then the components
        part, at = _read_counted(data, at)
        parts.append(part)
    key, end = _read_counted(data, at + 11)
    return _Entry(parts, data[at : at + 11], key, data[end:])


class Keytab:
    """A keytab that was read. Raises ValueError or struct.error when it is damaged."""

    texts: tuple[str, ...] = ()

    def __init__(self, content: bytes) -> None:
        self._entries: list[_Entry] = []
        at = 2
        while at + 4 <= len(content):
            (size,) = struct.unpack_from(">i", content, at)
            at += 4
            if size == 0:
                break
            if size > 0:
                self._entries.append(_read_entry(content[at : at + size]))
            at += abs(size)

    def __repr__(self) -> str:
        return f"<Keytab of {len(self._entries)} keys>"

    def learn(self, vault: Vault) -> None:
        """The keys are originals for the leak scan."""
        for entry in self._entries:
            vault.note(entry.key, rule="keytab")

    def close(
        self,
        texts: tuple[str, ...],
        vault: Vault,
        map_text: Callable[[str], str],
        is_own: Callable[[str], bool],
    ) -> bytes:
        """The keytab with the same number of keys, of the same types; holes are left out."""
        records = [b"\x05\x02"]
        for entry in self._entries:
            parts = [
                encode(map_text(part.decode("utf-8", "surrogateescape"))) for part in entry.parts
            ]
            key = vault.stream("keytab", entry.key).take(len(entry.key))
            body = struct.pack(">H", len(parts) - 1)
            body += b"".join(struct.pack(">H", len(part)) + part for part in parts)
            body += entry.middle + struct.pack(">H", len(key)) + key + entry.tail
            records.append(struct.pack(">i", len(body)) + body)
        return b"".join(records)
