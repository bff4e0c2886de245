"""Fingerprints of the keys in a keyring, without gpg.

Source: RFC 4880, sections 4.2 (packet headers), 6.2 (ASCII armour), 12.2 (the version 4
fingerprint is SHA-1 over 0x99, a two-octet length and the public-key packet's body).
"""

from __future__ import annotations

import base64
import binascii
import hashlib
from collections.abc import Iterator, Mapping

from forerun.model.survey import ArchiveKey

_PUBLIC_KEY = 6


def parse_keyrings(files: Mapping[str, str]) -> tuple[ArchiveKey, ...]:
    """The primary keys in keyring files, each given as base64 text of the file."""
    rows: list[ArchiveKey] = []
    for path, text in files.items():
        try:
            content = base64.b64decode(text)
        except (ValueError, binascii.Error):
            continue
        rows += [ArchiveKey(path, mark) for mark in find_fingerprints(content)]
    return tuple(dict.fromkeys(rows))


def find_fingerprints(keyring: bytes) -> tuple[str, ...]:
    """Fingerprints (40 upper-case hexadecimal digits) of the primary version 4 keys."""
    packets = _unarmour(keyring) if keyring.lstrip().startswith(b"-----BEGIN PGP") else keyring
    return tuple(
        hashlib.sha1(b"\x99" + len(body).to_bytes(2, "big") + body, usedforsecurity=False)
        .hexdigest()
        .upper()
        for tag, body in walk_packets(packets)
        if tag == _PUBLIC_KEY and body[:1] == b"\x04"
    )


def _unarmour(text: bytes) -> bytes:
    parts: list[bytes] = []
    inside, body = False, b""
    for line in text.splitlines():
        if line.startswith(b"-----BEGIN PGP PUBLIC"):
            inside, body = False, b""
        elif line.startswith(b"-----END"):
            parts.append(_decode(body))
            inside, body = False, b""
        elif not line.strip():
            inside = True
        elif inside and not line.startswith(b"="):
            body += line.strip()
    return b"".join(parts)


def _decode(body: bytes) -> bytes:
    try:
        return base64.b64decode(body)
    except (ValueError, binascii.Error):
        return b""


def walk_packets(data: bytes) -> Iterator[tuple[int, bytes]]:
    """(tag, body) of each OpenPGP packet; stops quietly at what is not a packet."""
    at = 0
    while at + 1 < len(data) and data[at] & 0x80:
        header = data[at]
        if header & 0x40:
            tag, size, start = header & 0x3F, *_read_new_length(data, at + 1)
        else:
            width = (1, 2, 4, 0)[header & 0x03]
            tag, start = (header >> 2) & 0x0F, at + 1 + width
            size = int.from_bytes(data[at + 1 : start], "big") if width else len(data) - start
        if size < 0 or start + size > len(data):
            return
        yield tag, data[start : start + size]
        at = start + size


def _read_new_length(data: bytes, at: int) -> tuple[int, int]:
    """(length, where the body starts); -1 for a partial length, which keys never use."""
    first = data[at]
    if first < 192:
        return first, at + 1
    if first < 224 and at + 1 < len(data):
        return ((first - 192) << 8) + data[at + 1] + 192, at + 2
    if first == 255:
        return int.from_bytes(data[at + 1 : at + 5], "big"), at + 5
    return -1, at + 1
