"""The leak scan: looks for originals where none must be. Shares no code with sanitising.

An original is searched as it is, in base64 and base64url (all three alignments, so a
`user:password` pair too), in hexadecimal, percent-encoded, escaped as in JSON, a shell,
HTML and a format string, in UTF-16, and as its digest (MD5, SHA-1, SHA-256, SHA-512) in
hexadecimal and base64. gzip, xz and bzip2 data inside of what is scanned is opened, up to
MEMBER_LIMIT bytes each. Not searched: originals shorter than 6 bytes, those in `COMMON` or
given as common words, bare numbers below 10 digits, and lower-case words below 8 letters:
a disk image is full of those.

How it stays fast: of each pattern at most 12 bytes from its middle go into one automaton
(Hyperscan), and only where those stand is the whole compared. Holes of sparse files are
not read. `tests/bench/leak_scan.py` measures it.
"""

from __future__ import annotations

import bz2
import errno
import lzma
import os
import re
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

import hyperscan

from forerun.errors import LeakFound
from forerun.stages.leakscan_forms import COMMON, is_worth_searching, walk_forms

CHUNK = 1 << 20
_ANCHOR = 12
MEMBER_LIMIT = 64 << 20
# So many packed members may be open at once, and so deep one in another.
_MOST_MEMBERS = 32
_DEEPEST = 2


class Masked(Protocol):
    """An original that shows itself only when asked."""

    @property
    def rule(self) -> str:
        """The rule that found it."""
        ...

    def reveal(self) -> bytes:
        """The original."""
        ...


class Originals(Protocol):
    """Where the originals are kept."""

    def originals(self) -> Iterable[Masked]:
        """All of them."""
        ...


@dataclass(frozen=True, slots=True)
class Hit:
    """An original at a byte offset of a file: never the value. `form` is how it stood;
    `number` tells one scanner's patterns apart."""

    place: str
    offset: int
    rule: str
    form: str
    number: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class _Pattern:
    value: bytes = field(repr=False)
    rule: str
    form: str
    number: int


class LeakScanner:
    """Patterns made of all originals that can be told from noise.

    `common` are further words not to search for; inside an `allowed` text (an archive's
    host name that must stay) a hit does not count."""

    def __init__(
        self,
        originals: Originals,
        *,
        common: Iterable[str] = (),
        allowed: Iterable[str] = (),
    ) -> None:
        words = COMMON | {word.lower().encode() for word in common}
        patterns: dict[bytes, _Pattern] = {}
        for original in originals.originals():
            value = original.reveal()
            if not is_worth_searching(value, words):
                continue
            for form, coded in walk_forms(value):
                patterns.setdefault(coded, _Pattern(coded, original.rule, form, len(patterns)))
        self._find, self._rows = _compile(patterns.values())
        self._overlap = max((len(p.value) for p in patterns.values()), default=1) - 1
        self._allowed = tuple(text.encode() for text in allowed if text)
        self.patterns = len(patterns)

    def __repr__(self) -> str:
        return f"<LeakScanner of {self.patterns} patterns>"

    def scan_stream(self, place: str, chunks: Iterable[bytes]) -> Iterator[Hit]:
        """Hits in a byte stream, in order within each chunk."""
        feed = _Feed(self, place)
        for chunk in chunks:
            yield from feed.take(chunk)
        yield from feed.end()

    @property
    def overlap(self) -> int:
        """Bytes of a block that must be seen again with the next one."""
        return self._overlap

    def scan_block(self, block: bytes) -> Iterator[tuple[int, _Pattern]]:
        """Each pattern in the block, with its place there."""
        for end, number in self._find(block):
            for offset, pattern in self._rows[number]:
                at = end - offset
                whole = at >= 0 and block.startswith(pattern.value, at)
                if whole and not self._is_allowed(block, at, pattern.value):
                    yield at, pattern

    def _is_allowed(self, block: bytes, at: int, value: bytes) -> bool:
        for text in self._allowed:
            inside = text.find(value)
            if inside >= 0 and block[max(0, at - inside) :].startswith(text):
                return True
        return False

    def scan_path(self, path: Path) -> Iterator[Hit]:
        """Hits in a file, or in every file below a folder, and in their names. Links are
        not followed; holes of sparse files cost nothing but time to skip."""
        if path.is_symlink():
            target = os.fsencode(path.readlink())
            yield from self.scan_stream(f"{path} (link)", [target])
        elif path.is_dir():
            for child in sorted(path.iterdir()):
                yield from self.scan_stream(f"{child} (name)", [os.fsencode(child.name)])
                yield from self.scan_path(child)
        elif path.is_file():
            yield from self._scan_file(path)

    def _scan_file(self, path: Path) -> Iterator[Hit]:
        feed = _Feed(self, str(path))
        with path.open("rb", buffering=0) as stream:
            for start, end in _walk_data(stream.fileno(), path.stat().st_size):
                yield from feed.jump(start)
                at = start
                while at < end and (chunk := os.pread(stream.fileno(), min(CHUNK, end - at), at)):
                    at += len(chunk)
                    yield from feed.take(chunk)
        yield from feed.end()


def _walk_data(file: int, size: int) -> Iterator[tuple[int, int]]:
    """(start, end) of the parts of a file that are no holes."""
    at = 0
    while at < size:
        try:
            start = os.lseek(file, at, os.SEEK_DATA)
            end = os.lseek(file, start, os.SEEK_HOLE)
        except OSError as problem:
            if problem.errno == errno.ENXIO:  # nothing but a hole up to the end
                return
            yield at, size  # a file system that knows no holes
            return
        yield start, end
        at = end


class _Feed:
    """One stream on its way through the scanner: the part that is held, and the packed
    members that have begun in it."""

    def __init__(self, scanner: LeakScanner, place: str, depth: int = 0) -> None:
        self._scanner = scanner
        self._place = place
        self._depth = depth
        self._held = b""
        self._start = 0
        self._tail = b""
        self._seen: set[tuple[int, bytes]] = set()
        self._members: list[_Member] = []

    def jump(self, to: int) -> Iterator[Hit]:
        """The stream goes on at another place: nothing lies across the border."""
        yield from self._flush()
        self._held, self._start, self._tail = b"", to, b""

    def take(self, chunk: bytes) -> Iterator[Hit]:
        """The next bytes."""
        if self._depth < _DEEPEST:
            yield from self._feed_members(chunk)
        self._held = self._held + chunk if self._held else chunk
        if len(self._held) < CHUNK:
            return
        yield from self._flush()
        cut = max(0, len(self._held) - self._scanner.overlap)
        self._start += cut
        self._held = self._held[cut:]
        self._seen = {row for row in self._seen if row[0] >= self._start}

    def end(self) -> Iterator[Hit]:
        """There are no more."""
        yield from self._flush()
        self._held = b""
        for member in self._members:
            yield from member.feed.end()

    def _flush(self) -> Iterator[Hit]:
        block = self._held
        if not block or block == _ZEROS[: len(block)]:
            return
        for at, found in self._scanner.scan_block(block):
            place = self._start + at
            if (place, found.value) not in self._seen:
                self._seen.add((place, found.value))
                yield Hit(self._place, place, found.rule, found.form, found.number)

    def _feed_members(self, chunk: bytes) -> Iterator[Hit]:
        for member in self._members:
            yield from member.take(chunk)
        whole = self._tail + chunk
        base = self._start + len(self._held) - len(self._tail)
        for match in _MAGIC.finditer(whole):
            if match.end() <= len(self._tail):
                continue
            self._members = [member for member in self._members if member.open]
            if len(self._members) < _MOST_MEMBERS:
                place = f"{self._place} (packed at byte {base + match.start()})"
                member = _Member(_Feed(self._scanner, place, self._depth + 1), match[0])
                self._members.append(member)
                yield from member.take(whole[match.start() :])
        self._tail = whole[-_MAGIC_SIZE:]


_ZEROS = bytes(2 * CHUNK)
_MAGIC = re.compile(rb"\x1f\x8b\x08[\x00-\x1f]|\xfd7zXZ\x00|BZh[1-9]1AY&SY")
_MAGIC_SIZE = 9


class _Member:
    """Packed data that began somewhere in a stream."""

    def __init__(self, feed: _Feed, magic: bytes) -> None:
        self.feed = feed
        self.open = True
        self._left = MEMBER_LIMIT
        self._is_gzip = magic[:2] == b"\x1f\x8b"
        self._gzip = zlib.decompressobj(31)
        self._other: lzma.LZMADecompressor | bz2.BZ2Decompressor = (
            lzma.LZMADecompressor(memlimit=128 << 20) if magic[:1] == b"\xfd"
            else bz2.BZ2Decompressor()
        )  # fmt: skip

    def take(self, data: bytes) -> Iterator[Hit]:
        """The next packed bytes: what comes out is scanned."""
        while self.open and data:
            try:
                out, data = self._unpack(data)
            except (zlib.error, lzma.LZMAError, OSError, EOFError):
                self.open = False  # it only looked like packed data, or ends damaged
                return
            self._left -= len(out)
            self.open = self.open and self._left > 0
            if out:
                yield from self.feed.take(out)

    def _unpack(self, data: bytes) -> tuple[bytes, bytes]:
        if self._is_gzip:
            out = self._gzip.decompress(data, CHUNK)
            self.open = not self._gzip.eof
            return out, self._gzip.unconsumed_tail
        out = self._other.decompress(data, CHUNK)
        while not self._other.needs_input and not self._other.eof and len(out) < self._left:
            out += self._other.decompress(b"", CHUNK)
        self.open = not self._other.eof
        return out, b""


def _compile(
    patterns: Iterable[_Pattern],
) -> tuple[Callable[[bytes], list[tuple[int, int]]], list[list[tuple[int, _Pattern]]]]:
    """A function that gives (end, number) of each anchor in a block; and for each number
    the patterns with that anchor: how many bytes before that end each begins."""
    numbers: dict[bytes, int] = {}
    rows: list[list[tuple[int, _Pattern]]] = []
    for pattern in patterns:
        first = max(0, (len(pattern.value) - _ANCHOR) // 2)
        anchor = pattern.value[first : first + _ANCHOR]
        number = numbers.setdefault(anchor, len(rows))
        if number == len(rows):
            rows.append([])
        rows[number].append((first + len(anchor), pattern))
    if not rows:
        return (lambda block: []), rows
    database = hyperscan.Database()
    database.compile(
        expressions=[b"".join(b"\\x%02x" % byte for byte in anchor) for anchor in numbers],
        ids=list(range(len(rows))),
        elements=len(rows),
        flags=[hyperscan.HS_FLAG_DOTALL] * len(rows),
    )
    hits: list[tuple[int, int]] = []

    def note(number: int, start: int, end: int, flags: int, context: object) -> None:
        hits.append((end, number))

    def find(block: bytes) -> list[tuple[int, int]]:
        hits.clear()
        database.scan(block, match_event_handler=note)
        return list(hits)

    return find, rows


def check_no_leak(
    originals: Originals,
    paths: Iterable[Path],
    *,
    common: Iterable[str] = (),
    allowed: Iterable[str] = (),
) -> int:
    """Scan files and folders; returns the number of patterns searched for.

    Raises LeakFound naming up to 20 places (file, offset, rule, form), never a value."""
    scanner = LeakScanner(originals, common=common, allowed=allowed)
    refuse_hits([hit for path in paths for hit in scanner.scan_path(path)])
    return scanner.patterns


def refuse_hits(hits: Sequence[Hit]) -> None:
    """LeakFound when there is any hit; see `check_no_leak`."""
    if hits:
        shown = [f"{h.place} at byte {h.offset}: {h.rule}, {h.form}" for h in hits[:20]]
        more = [f"and {len(hits) - 20} more"] if len(hits) > 20 else []
        raise LeakFound(
            f"{len(hits)} original secret(s) were found where none must be.",
            where=hits[0].place,
            wanted="no original in any form",
            found="; ".join(shown + more),
            hint="Nothing of this survey may be used. Remove it and report the rule names above.",
        )
