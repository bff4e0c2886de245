"""Files that are not plain text: opened where their form is known, else named.

Packed text (gzip, xz, bzip2, zip) and UTF-16 text is taken out, cleaned like any other and
packed again. Keytabs, PKCS#12 stores and keys and certificates in DER are made anew. All
else is withheld with what it is as the reason: a file nobody can read into cannot be
vouched for.

Sources: RFC 1952 (gzip), the xz and bzip2 formats, APPNOTE (zip), RFC 7292 (PKCS#12), MIT
Kerberos' description of the keytab file format, file(1)'s magic numbers.
"""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import struct
import zipfile
import zlib
from collections.abc import Callable
from typing import Protocol

from forerun.stages.sanitise_keystores import DerFile, KeyStore
from forerun.stages.sanitise_keytab import Keytab
from forerun.stages.sanitise_vault import Vault, encode

UNPACKED_LIMIT = 16 << 20
MapText = Callable[[str], str]
IsOwn = Callable[[str], bool]


class Parcel(Protocol):
    """A file that was opened. `texts` are what is inside of it, to be cleaned as texts."""

    texts: tuple[str, ...]

    def learn(self, vault: Vault) -> None:
        """Asked when every file has come, before any is given out."""
        ...

    def close(
        self, texts: tuple[str, ...], vault: Vault, map_text: MapText, is_own: IsOwn
    ) -> bytes:
        """The file made again of the cleaned texts. Raises Withhold."""
        ...


class Withhold(ValueError):
    """The file must be withheld after all; the text is the reason."""


class _Packed:
    """One text behind one coding."""

    def __init__(self, text: bytes, pack: Callable[[bytes], bytes]) -> None:
        self.texts: tuple[str, ...] = (text.decode("utf-8", "surrogateescape"),)
        self._pack = pack

    def __repr__(self) -> str:
        return "<packed text>"

    def learn(self, vault: Vault) -> None:
        """Nothing to learn: the text inside was read like any other."""

    def close(
        self, texts: tuple[str, ...], vault: Vault, map_text: MapText, is_own: IsOwn
    ) -> bytes:
        """The cleaned text, packed."""
        return self._pack(encode(texts[0]))


class _Wide(_Packed):
    """UTF-16 text with a byte order mark."""

    def __init__(self, content: bytes) -> None:
        name = "utf-16-le" if content[:2] == b"\xff\xfe" else "utf-16-be"
        self.texts = (content[2:].decode(name),)
        self._pack = lambda data: content[:2] + data.decode("utf-8", "replace").encode(name)


class _Archive(_Packed):
    """A zip archive of texts."""

    def __init__(self, members: list[tuple[zipfile.ZipInfo, bytes]]) -> None:
        self.texts = tuple(data.decode("utf-8", "surrogateescape") for _, data in members)
        self._infos = [info for info, _ in members]

    def close(
        self, texts: tuple[str, ...], vault: Vault, map_text: MapText, is_own: IsOwn
    ) -> bytes:
        """The archive of the cleaned texts, names of members mapped, comments left out."""
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            for info, text in zip(self._infos, texts, strict=True):
                made = zipfile.ZipInfo(map_text(info.filename), info.date_time)
                made.external_attr = info.external_attr
                made.compress_type = info.compress_type
                archive.writestr(made, encode(text))
        return out.getvalue()


# (offset, magic, what it is)
_KINDS = (
    (0, b"SQLite format 3\0", "an SQLite database"),
    (12, b"\x62\x31\x05\x00", "a Berkeley database (btree)"),
    (12, b"\x61\x15\x06\x00", "a Berkeley database (hash)"),
    (12, b"\x00\x05\x31\x62", "a Berkeley database (btree)"),
    (12, b"\x00\x06\x15\x61", "a Berkeley database (hash)"),
    (16, b"\xde\xc0\xef\xbe", "an LMDB database"),
    (0, b"\x13\x57\x9a\xce", "a GNU dbm database"),
    (0, b"\xce\x9a\x57\x13", "a GNU dbm database"),
    (0, b"TDB file\n", "a trivial database (TDB)"),
    (0, b"\xde\x12\x04\x95", "a compiled message catalogue"),
    (0, b"\x95\x04\x12\xde", "a compiled message catalogue"),
    (0, b"\xfe\xed\xfe\xed", "a Java keystore"),
    (0, b"\xce\xce\xce\xce", "a Java keystore (JCEKS)"),
    (8, b"KBXf", "an OpenPGP keybox"),
    (0, b"\x7fELF", "a compiled program"),
    (0, b"\x89PNG", "an image"),
    (0, b"\xff\xd8\xff", "an image"),
    (0, b"GIF8", "an image"),
    (0, b"%PDF", "a PDF document"),
    (0, b"LUKS\xba\xbe", "an encrypted volume's header"),
    (0, b"glibc-ld.so.cache", "the dynamic linker's cache"),
    (0, b"ld.so-1.7.0\0", "the dynamic linker's cache"),
    (257, b"ustar", "a tar archive"),
    (0, b"\x28\xb5\x2f\xfd", "data packed with zstd"),
    (0, b"\x04\x22\x4d\x18", "data packed with lz4"),
    (0, b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (0, b"Obj\x01", "a compiled file"),
    (0, b"\xa7\x0d\x0d\x0a", "compiled Python"),
    (0, b"\x05\x04", "a Kerberos credential cache"),
)  # fmt: skip


def name_kind(content: bytes) -> str:
    """What a binary file is, in words, by its magic number; "" for what has none known."""
    for offset, magic, kind in _KINDS:
        if content[offset : offset + len(magic)] == magic:
            return kind
    return ""


def is_binary(content: bytes) -> bool:
    """Whether the content is to be opened by `open_parcel` and not read as text."""
    return (
        b"\0" in content
        or content.startswith(
            (b"\x1f\x8b", b"BZh", b"\xfd7zXZ", b"PK\x03\x04", b"\xfe\xed\xfe\xed")
        )
        or (content[:1] == b"\x30" and content[1:2] in {b"\x81", b"\x82", b"\x83"})
    )


def open_parcel(content: bytes) -> Parcel | str:
    """The opened file, or why it must be withheld."""
    packed = _open_packed(content)
    if packed is not None:
        return packed
    if content[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        try:
            return _Wide(content)
        except UnicodeDecodeError:
            return _say(content)
    if content[:2] == b"\x05\x02":
        try:
            return Keytab(content)
        except (ValueError, struct.error):
            return "not text: a damaged keytab"
    if content[:1] == b"\x30":
        return KeyStore.open(content) or DerFile.open(content) or "not text: DER of no known kind"
    return _say(content)


def _say(content: bytes) -> str:
    kind = name_kind(content)
    return f"not text: {kind}" if kind else "not text"


def _open_packed(content: bytes) -> Parcel | str | None:
    if content.startswith(b"\x1f\x8b"):
        return _unpack(
            "gzip", lambda: _read_gzip(content), lambda data: gzip.compress(data, mtime=0)
        )
    if content.startswith(b"BZh"):
        return _unpack("bzip2", lambda: _read_capped(bz2.BZ2File(io.BytesIO(content))),
                       bz2.compress)  # fmt: skip
    if content.startswith(b"\xfd7zXZ"):
        return _unpack("xz", lambda: _read_capped(lzma.LZMAFile(io.BytesIO(content))),
                       lzma.compress)  # fmt: skip
    return _open_zip(content) if content.startswith(b"PK\x03\x04") else None


def _read_gzip(content: bytes) -> bytes:
    with gzip.GzipFile(fileobj=io.BytesIO(content)) as stream:
        return _read_capped(stream)


def _read_capped(stream: gzip.GzipFile | bz2.BZ2File | lzma.LZMAFile) -> bytes:
    data = stream.read(UNPACKED_LIMIT + 1)
    if len(data) > UNPACKED_LIMIT:
        raise Withhold(f"more than {UNPACKED_LIMIT} bytes when unpacked")
    return data


def _unpack(name: str, read: Callable[[], bytes], pack: Callable[[bytes], bytes]) -> Parcel | str:
    try:
        data = read()
    except Withhold as problem:
        return f"not text: {name}, {problem}"
    except (OSError, EOFError, ValueError, lzma.LZMAError, zlib.error):
        return f"not text: damaged {name} data"
    if is_binary(data):
        return f"not text: {name} of {name_kind(data) or 'binary data'}"
    return _Packed(data, pack)


def _open_zip(content: bytes) -> Parcel | str:
    members: list[tuple[zipfile.ZipInfo, bytes]] = []
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            if sum(info.file_size for info in archive.infolist()) > UNPACKED_LIMIT:
                return f"not text: a zip archive, more than {UNPACKED_LIMIT} bytes when unpacked"
            for info in archive.infolist():
                data = b"" if info.is_dir() else archive.read(info)
                if is_binary(data):
                    return f"not text: a zip archive with {name_kind(data) or 'binary data'} in it"
                members.append((info, data))
    except (zipfile.BadZipFile, OSError, EOFError, ValueError, RuntimeError, NotImplementedError,
            zlib.error):  # fmt: skip
        return "not text: a zip archive that cannot be read"
    return _Archive(members)
