"""The stored copy, read back. What a survey writes is an uncompressed tar of plain files,
folders and symbolic links, each once, under names that lead nowhere else; anything else in
it was not written by a survey and is refused.
"""

from __future__ import annotations

import io
import math
import tarfile
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, BinaryIO, cast

from forerun.errors import RecordDamaged

_TYPES = (tarfile.REGTYPE, tarfile.AREGTYPE, tarfile.DIRTYPE, tarfile.SYMTYPE)
_MOST_OWNER = (1 << 32) - 1
_LATEST = (1 << 33) - 1  # the year 2242: what a header's own field holds


@dataclass(frozen=True, slots=True)
class CopyMember:
    """One entry: its absolute path, its header without extensions, and its content, which
    is there until the next entry is asked for; None for what is no file."""

    path: str
    info: tarfile.TarInfo
    content: IO[bytes] | None


@contextmanager
def _told(where: str) -> Iterator[None]:
    """What tarfile raises for a damaged archive, in our words. `tarfile` lets errors of
    numbers and encodings through (seen: 3.11.7)."""
    try:
        yield
    except (tarfile.TarError, OSError, EOFError, ValueError, OverflowError) as problem:
        raise _refuse(where, str(problem) or type(problem).__name__) from problem


def _refuse(where: str, found: str) -> RecordDamaged:
    return RecordDamaged(
        "The sanitised copy cannot be read.",
        where=where,
        wanted="an uncompressed tar of files, folders and symbolic links, as a survey writes it",
        found=found,
        hint="Take the survey again.",
    )


class _Bounded:
    """A stream that never reads more than is there: a header may claim 8 EiB, and `tarfile`
    asks for them at once."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._size = stream.seek(0, io.SEEK_END)
        stream.seek(0)
        self.seek, self.tell = stream.seek, stream.tell

    def read(self, size: int = -1) -> bytes:
        left = max(0, self._size - self.tell())
        return self._stream.read(left if size < 0 else min(size, left))


def walk_copy(stream: BinaryIO, where: str) -> Iterator[CopyMember]:
    """Every entry in its order. Raises RecordDamaged; `where` names the copy."""
    seen: set[str] = set()
    with _told(where):
        bounded = cast(BinaryIO, _Bounded(stream))
        archive = tarfile.open(fileobj=bounded, mode="r:", encoding="utf-8")  # noqa: SIM115
    with archive:
        while True:
            with _told(where):
                member = archive.next()
                if member is None:
                    break
                path = _find_path(member)
                reason = "a second entry of this name" if path in seen else _find_fault(member)
                if reason:
                    raise _refuse(where, f"{path!r:.200}: {reason}")
                seen.add(path)
                content = archive.extractfile(member) if member.isreg() else None
            yield CopyMember(path, _strip(member), content)


def _find_path(member: tarfile.TarInfo) -> str:
    return "/" + member.name.removeprefix("./").lstrip("/")


def _find_fault(member: tarfile.TarInfo) -> str:
    """Why a survey cannot have written this entry; empty when it can."""
    if not member.name.isprintable() or not member.linkname.isprintable():
        return "a name that is not plain text"
    if ".." in member.name.split("/"):
        return "a name that leads elsewhere"
    if member.type not in _TYPES or member.issparse():
        return "neither a file, a folder nor a symbolic link"
    owners = all(0 <= number <= _MOST_OWNER for number in (member.uid, member.gid))
    if member.size < 0 or not math.isfinite(member.mtime) or not owners:
        return "a size, time or owner that cannot be"
    if not member.isreg() and member.size:
        return "content where there can be none"
    return ""


def _strip(member: tarfile.TarInfo) -> tarfile.TarInfo:
    made = tarfile.TarInfo(member.name)
    made.type, made.linkname, made.size = member.type, member.linkname, member.size
    # A server may have files of before 1970 or of a far future.
    made.mode, made.mtime = member.mode & 0o7777, int(min(max(member.mtime, 0), _LATEST))
    made.uid, made.gid, made.uname, made.gname = (
        member.uid, member.gid, member.uname, member.gname,
    )  # fmt: skip
    return made


def filter_copy(source: Path, wanted: Collection[str]) -> bytes:
    """The part of a sanitised copy that goes to the clone, as an uncompressed tar."""
    chosen = frozenset(wanted)
    out = io.BytesIO()
    with (
        _open(source) as stream,
        tarfile.open(fileobj=out, mode="w", format=tarfile.PAX_FORMAT) as target,
    ):
        for member in walk_copy(stream, str(source)):
            if member.path in chosen:
                _add(target, member, str(source))
    return out.getvalue()


def _open(source: Path) -> BinaryIO:
    with _told(str(source)):
        return source.open("rb")


def _add(target: tarfile.TarFile, member: CopyMember, where: str) -> None:
    with _told(where):
        target.addfile(member.info, member.content)


def part_copy(copy: bytes, merged: frozenset[str]) -> tuple[bytes, bytes]:
    """(what is laid over the clone, what is read), as tars; names relative to the root."""
    laid, read = io.BytesIO(), io.BytesIO()
    with (
        tarfile.open(fileobj=laid, mode="w", format=tarfile.PAX_FORMAT) as over,
        tarfile.open(fileobj=read, mode="w", format=tarfile.PAX_FORMAT) as aside,
    ):
        for member in walk_copy(io.BytesIO(copy), "the copy for the clone"):
            if member.path in merged:
                member.info.name = member.path.lstrip("/")
            _add(aside if member.path in merged else over, member, member.path)
    return laid.getvalue(), read.getvalue()


def read_files(source: Path, wanted: Collection[str]) -> dict[str, bytes]:
    """Path to content of some regular files of a sanitised copy."""
    if not wanted:
        return {}
    with _open(source) as stream:
        return read_members(stream, wanted, str(source))


def read_members(stream: BinaryIO, wanted: Collection[str], where: str) -> dict[str, bytes]:
    """Path to content of some regular files of a copy that is open."""
    found: dict[str, bytes] = {}
    for member in walk_copy(stream, where):
        if member.content is not None and member.path in wanted:
            with _told(where):
                found[member.path] = member.content.read()
    return found
