"""The leak scan: looks for originals where none must be. Shares no code with sanitising.

An original is searched as it is, in base64 (all three alignments), in hexadecimal (both
cases) and with percent-encoding. Not searched: originals shorter than 6 bytes, those in
`COMMON` or given as common words, bare numbers below 10 digits, and lower-case words
below 8 letters: a disk image is full of those. Compressed data is not looked into.

How it stays fast: every 4-byte word at a multiple of 4 is put into a set, chunk by chunk.
A pattern of 7 bytes or more contains one such word whatever its alignment, so a chunk
that has none of a pattern's words cannot hold it; only the others are searched.
"""

from __future__ import annotations

import base64
import os
import urllib.parse
from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from forerun.errors import LeakFound

CHUNK = 1 << 20
LEAST = 6
_LEAST_CODED = 8

COMMON = frozenset({
    b"access", b"administrator", b"changeme", b"community", b"database", b"debian", b"default",
    b"example", b"example.com", b"localhost", b"monitor", b"monitoring", b"network", b"password",
    b"password1", b"postgres", b"private", b"public", b"readonly", b"replication", b"secret",
    b"server", b"service", b"system", b"testing", b"username", b"welcome", b"www-data",
})  # fmt: skip


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
            for form, coded in _walk_forms(value):
                patterns.setdefault(coded, _Pattern(coded, original.rule, form, len(patterns)))
        self._short = [p for p in patterns.values() if len(p.value) < 7]
        self._by_word: dict[int, list[_Pattern]] = {}
        for pattern in patterns.values():
            if len(pattern.value) >= 7:
                for word in _read_words(pattern.value[:7], every=True):
                    self._by_word.setdefault(word, []).append(pattern)
        self._words = frozenset(self._by_word)
        self._overlap = max((len(p.value) for p in patterns.values()), default=1) - 1
        self._allowed = tuple(text.encode() for text in allowed if text)
        self.patterns = len(patterns)

    def __repr__(self) -> str:
        return f"<LeakScanner of {self.patterns} patterns>"

    def scan_stream(self, place: str, chunks: Iterable[bytes]) -> Iterator[Hit]:
        """Hits in a byte stream, in order within each chunk."""
        held, start = b"", 0
        seen: set[tuple[int, bytes]] = set()
        for chunk in chunks:
            held += chunk
            if len(held) < CHUNK:
                continue
            yield from self._scan_block(place, held, start, seen)
            # A multiple of 4 keeps the words where they were.
            cut = max(0, (len(held) - self._overlap - 64) & ~3)
            start += cut
            held = held[cut:]
        yield from self._scan_block(place, held, start, seen)

    def _scan_block(
        self, place: str, block: bytes, start: int, seen: set[tuple[int, bytes]]
    ) -> Iterator[Hit]:
        if block.count(0) == len(block):
            return
        wanted = {p.value: p for p in self._short}
        for word in self._words & set(_read_words(block)):
            wanted.update((p.value, p) for p in self._by_word[word])
        for value, pattern in wanted.items():
            at = block.find(value)
            while at >= 0:
                if (start + at, value) not in seen and not self._is_allowed(block, at, value):
                    seen.add((start + at, value))
                    yield Hit(place, start + at, pattern.rule, pattern.form, pattern.number)
                at = block.find(value, at + 1)

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
            yield from self.scan_stream(str(path), _read_chunks(path))


def _read_chunks(path: Path) -> Iterator[bytes]:
    with path.open("rb") as stream:
        while chunk := stream.read(CHUNK):
            yield chunk


def _read_words(block: bytes, *, every: bool = False) -> array[int]:
    """The 4-byte words at multiples of 4, or with `every` those at the first four
    offsets: one of them is at a multiple of 4 wherever the block lies."""
    words = array("I")
    if every:
        for at in range(4):
            words.frombytes(block[at : at + 4])
    else:
        words.frombytes(block[: len(block) & ~3])
    return words


def is_worth_searching(value: bytes, common: frozenset[bytes] | set[bytes] = COMMON) -> bool:
    """The rule of the module's docstring."""
    if len(value) < LEAST or value.lower() in common:
        return False
    if value.isdigit():
        return len(value) >= 10
    return not (value.isalpha() and value.islower() and len(value) < 8)


def _walk_forms(value: bytes) -> Iterator[tuple[str, bytes]]:
    yield "plain", value
    for shift in range(3):
        coded = base64.b64encode(b"\0" * shift + value)
        # Drop what also depends on the bytes before and after.
        first = (0, 2, 3)[shift]
        last = len(coded) if (shift + len(value)) % 3 == 0 else -(4 - (shift + len(value)) % 3)
        part = coded[first:last]
        if len(part) >= _LEAST_CODED:
            yield "base64", part
            if b"+" in part or b"/" in part:
                yield "base64", part.replace(b"+", b"-").replace(b"/", b"_")
    yield "hexadecimal", value.hex().encode()
    yield "hexadecimal", value.hex().upper().encode()
    quoted = urllib.parse.quote(value, safe="").encode()
    if quoted != value:
        yield "percent-encoded", quoted
        yield "percent-encoded", _lower_escapes(quoted)


def _lower_escapes(quoted: bytes) -> bytes:
    parts = quoted.split(b"%")
    return b"%".join([parts[0], *(part[:2].lower() + part[2:] for part in parts[1:])])


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
