"""Reading a tar stream from a server that may be hostile.

The library's header parser, and a loop of our own around it: the library's keeps every
member in memory, reads name headers of any size whole, and follows kinds of headers that
production's tar is never asked for. Format: GNU tar's manual, "Basic Tar Format".
"""

from __future__ import annotations

import tarfile
from collections.abc import Iterable, Iterator

from forerun.errors import SurveyFailed

BLOCK = tarfile.BLOCKSIZE
MEMBER_LIMIT = 250_000
# PATH_MAX of Linux is 4096 with the closing zero byte.
_NAME_LIMIT = 4096
_PIECE = 1 << 16
_NAME_KINDS = {tarfile.GNUTYPE_LONGNAME: "name", tarfile.GNUTYPE_LONGLINK: "linkname"}
# Kinds that --format=gnu without --sparse never makes.
_STRANGE = frozenset({tarfile.XHDTYPE, tarfile.XGLTYPE, tarfile.SOLARIS_XHDTYPE,
                      tarfile.GNUTYPE_SPARSE})  # fmt: skip


def _fail(found: str, *, wanted: str = "a whole tar archive") -> SurveyFailed:
    return SurveyFailed(
        "The stream of configuration files is damaged.",
        where="files",
        wanted=wanted,
        found=found,
        hint="Survey again; if it repeats, look at the server's tar and disk.",
    )


class _Blocks:
    """Chunks of any size, read by the number of bytes."""

    def __init__(self, chunks: Iterable[bytes]) -> None:
        self._chunks = iter(chunks)
        self._held = b""
        self._at = 0

    def read(self, size: int) -> bytes:
        """That many bytes; raises SurveyFailed where the stream ends before."""
        end = self._at + size
        if end > len(self._held):
            parts = [self._held[self._at :]]
            have = len(parts[0])
            while have < size:
                chunk = next(self._chunks, None)
                if chunk is None:
                    raise _fail(f"an end {size - have} bytes early")
                parts.append(chunk)
                have += len(chunk)
            self._held, self._at, end = b"".join(parts), 0, size
        taken = self._held[self._at : end]
        self._at = end
        return taken

    def skip(self, size: int) -> None:
        """Pass over that many bytes without keeping them."""
        while size > 0:
            size -= len(self.read(min(size, _PIECE)))

    def drain(self) -> None:
        """Read what is left, so that the sender's end mark is seen."""
        self._held, self._at = b"", 0
        for _ in self._chunks:
            pass


class TarStream:
    """The members of a GNU tar in chunks: `for info in stream`, then `read` for the
    content of the one just given, if it is wanted.

    Raises SurveyFailed for what is no such archive, and after MEMBER_LIMIT members."""

    def __init__(self, chunks: Iterable[bytes]) -> None:
        self._blocks = _Blocks(chunks)
        self._left = 0
        self._padding = 0

    def __iter__(self) -> Iterator[tarfile.TarInfo]:
        try:
            yield from self._walk()
        except SurveyFailed:
            # The sender's own account of what went wrong comes first.
            self._blocks.drain()
            raise
        self._blocks.drain()

    def _walk(self) -> Iterator[tarfile.TarInfo]:
        names: dict[str, str] = {}
        members = 0
        while (info := self._read_header()) is not None:
            if info.type in _NAME_KINDS:
                names[_NAME_KINDS[info.type]] = self._read_name(info)
                continue
            members += 1
            if members > MEMBER_LIMIT:
                raise _fail(f"more than {MEMBER_LIMIT}", wanted="fewer files than that")
            info.name = names.pop("name", info.name)
            info.linkname = names.pop("linkname", info.linkname)
            has_data = info.isreg() or info.type not in tarfile.SUPPORTED_TYPES
            self._left = info.size if has_data else 0
            self._padding = -self._left % BLOCK
            yield info
            self._blocks.skip(self._left + self._padding)

    def _read_header(self) -> tarfile.TarInfo | None:
        block = self._blocks.read(BLOCK)
        if block.count(0) == BLOCK:
            return None
        try:
            info = tarfile.TarInfo.frombuf(block, "utf-8", "surrogateescape")
        except tarfile.TarError as problem:
            raise _fail(str(problem)) from problem
        if info.type in _STRANGE or info.size < 0:
            raise _fail(f"a header of kind {info.type!r}, size {info.size}")
        return info

    def _read_name(self, info: tarfile.TarInfo) -> str:
        if not 0 < info.size <= _NAME_LIMIT:
            raise _fail(f"a name of {info.size} bytes", wanted=f"at most {_NAME_LIMIT}")
        raw = self._blocks.read(info.size + -info.size % BLOCK)[: info.size]
        return raw.partition(b"\0")[0].decode("utf-8", "surrogateescape")

    def read(self) -> bytes:
        """The whole content of the member that was given last."""
        content = self._blocks.read(self._left)
        self._left = 0
        return content
