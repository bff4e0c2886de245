"""Tar archives as no survey writes them: fields of headers replaced, checksums made right."""

from __future__ import annotations

import io
import tarfile
from random import Random

from tests.practice.mutation import HOSTILE, spoil_bytes

# Offset and length of the fields of a header (POSIX.1-2017, pax, "ustar Interchange Format").
FIELDS = {
    "name": (0, 100), "mode": (100, 8), "uid": (108, 8), "gid": (116, 8), "size": (124, 12),
    "mtime": (136, 12), "typeflag": (156, 1), "linkname": (157, 100), "magic": (257, 8),
    "uname": (265, 32), "gname": (297, 32), "devmajor": (329, 8), "devminor": (337, 8),
    "prefix": (345, 155),
}  # fmt: skip
# POSIX: 0 to 7, x, g; GNU: A D K L M N S V; others: X.
TYPES = b"01234567xgADKLMNSVX\0"
SPARSE_PAX = {"GNU.sparse.major": "1", "GNU.sparse.minor": "0", "GNU.sparse.realsize": "9" * 18}


def pack(*members: tuple[tarfile.TarInfo, bytes]) -> bytes:
    """An uncompressed POSIX archive."""
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w", format=tarfile.PAX_FORMAT) as tar:
        for info, content in members:
            info.size = len(content)
            tar.addfile(info, io.BytesIO(content))
    return out.getvalue()


def make_member(name: str, content: bytes = b"", **fields: object) -> tuple[tarfile.TarInfo, bytes]:
    """A member whose other fields are given by their TarInfo names."""
    info = tarfile.TarInfo(name)
    for field, value in fields.items():
        setattr(info, field, value)
    return info, content


def set_field(archive: bytearray, header: int, field: str, value: bytes) -> None:
    """Replace one field of the header at that offset, and make its checksum right."""
    offset, length = FIELDS[field]
    archive[header + offset : header + offset + length] = value[:length].ljust(length, b"\0")
    archive[header + 148 : header + 156] = b" " * 8
    total = sum(archive[header : header + 512])
    archive[header + 148 : header + 156] = b"%06o\0 " % total


def find_headers(archive: bytes) -> list[int]:
    """Offsets of all headers."""
    return [
        at for at in range(0, len(archive), 512) if archive[at + 257 : at + 262] == b"ustar"
    ]  # fmt: skip


def spoil_tar(archive: bytes, random: Random) -> bytes:
    """Bytes anywhere, or fields of headers under a right checksum, or both."""
    if random.random() < 0.3:
        return spoil_bytes(archive, random)
    spoilt = bytearray(archive)
    for _ in range(random.choice((1, 1, 2, 3))):
        header = random.choice(find_headers(archive))
        field = random.choice(list(FIELDS))
        length = FIELDS[field][1]
        value = random.choice(
            (
                random.randbytes(length), b"\xff" * length, b"7" * length, b"-1", b"",
                (b"\x80" + bytes(length))[: length - 1] + b"\x7f", bytes([random.choice(TYPES)]),
                random.choice(HOSTILE).encode("utf-8", "surrogatepass"),
            )
        )  # fmt: skip
        set_field(spoilt, header, field, value)
    return spoil_bytes(bytes(spoilt), random) if random.random() < 0.2 else bytes(spoilt)
