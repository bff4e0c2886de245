"""Which rules need to look at a text at all: one pass over its bytes.

Most bytes of a copy hold nothing to replace. All rules' patterns are turned into one
automaton (Hyperscan) that reads the bytes once and says which patterns may match. It may
say yes too often, never too seldom; a rule that it cannot speak for is always asked.

Why it is no weaker. Each pattern is loosened, node by node of its parse tree, to one over
bytes that matches wherever the original matches:

- look-around, anchors and word boundaries are left out;
- a back-reference matches whatever its group does;
- an upper bound of a repetition is left out, except for a class of ASCII characters;
- a class that may match a character outside ASCII matches any run of bytes from 0x80 on;
- what may match a line end matches anything: rules read a text in which what earlier
  rules dealt with is blanked by line ends (`Sheet.rest`);
- a text that holds one of the few characters which Python's case folding counts as an
  ASCII letter (`FOLDED`) is a text that every rule looks at.

A pattern with any other part cannot be loosened, and its rule is always asked.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cache
from re import _constants as _op  # type: ignore[attr-defined]
from re import _parser  # type: ignore[attr-defined]
from typing import Any

import hyperscan

# Characters outside ASCII that match an ASCII letter when case is ignored (a test goes
# through all of Unicode). Dotted and dotless i, long s, the Kelvin sign.
FOLDED = "\u0130\u0131\u017f\u212a"
_HIGH = frozenset(range(0x80, 0x100))
_REPEATS = (_op.MAX_REPEAT, _op.MIN_REPEAT, _op.POSSESSIVE_REPEAT)
_NOTHING = (_op.ASSERT, _op.ASSERT_NOT, _op.AT)
_ASCII = tuple(chr(code) for code in range(0x80))
_CATEGORIES = {
    _op.CATEGORY_DIGIT: re.compile(r"\d"),
    _op.CATEGORY_NOT_DIGIT: re.compile(r"\D"),
    _op.CATEGORY_SPACE: re.compile(r"\s"),
    _op.CATEGORY_NOT_SPACE: re.compile(r"\S"),
    _op.CATEGORY_WORD: re.compile(r"\w"),
    _op.CATEGORY_NOT_WORD: re.compile(r"\W"),
}
_SHARD = 20_000
_KNOWN_BYTES = 16


class NotLoosened(ValueError):
    """A pattern has a part that this module has no looser form for."""


def loosen(pattern: re.Pattern[str]) -> bytes:
    """A pattern over bytes (Hyperscan's syntax, `.` matches all) that matches somewhere
    in `text.encode()` whenever the given one matches somewhere in `text`, case aside.

    Raises NotLoosened."""
    return _Loosener(pattern.flags).write(_parser.parse(pattern.pattern, pattern.flags))


class _Loosener:
    """Writes the looser form; `crosses` is set once a part may match a line end, also one
    looked ahead at, and `letters` once one is a character outside ASCII."""

    def __init__(self, flags: int) -> None:
        self._dot = b".+" if flags & re.DOTALL else b"[^\\x0a]+"
        self._ends = {_op.AT_END_STRING} | ({_op.AT_END} if not flags & re.MULTILINE else set())
        self._groups: dict[int, bytes] = {}
        self.crosses = False
        self.letters = False

    def write(self, nodes: Iterable[tuple[Any, Any]]) -> bytes:
        return b"".join(self._one(code, value) for code, value in nodes)

    def _one(self, code: Any, value: Any) -> bytes:
        if code in _NOTHING:
            if code is _op.AT:
                self.crosses = self.crosses or value in self._ends
            elif value[0] > 0:
                self.write(value[1])
            return b""
        if code in _REPEATS:
            return self._repeat(*value)
        if code is _op.SUBPATTERN:
            return self._group(*value)
        if code is _op.BRANCH:
            return b"(?:" + b"|".join(self.write(part) for part in value[1]) + b")"
        if code is _op.ATOMIC_GROUP:
            return b"(?:" + self.write(value) + b")"
        if code is _op.GROUPREF:
            # The same text again, so what the group matches; `.*` inside the group itself.
            return self._groups.get(value, b".*")
        return self._class(code, value)

    def _group(self, number: int | None, more: int, fewer: int, nodes: Any) -> bytes:
        outer = self._dot
        if more & re.DOTALL:  # `(?s:...)`; where it is taken away again, more is matched
            self._dot = b".+"
        self.crosses = self.crosses or bool((more | fewer) & re.MULTILINE)
        written = b"(?:" + self.write(nodes) + b")"
        self._dot = outer
        if number is not None:
            self._groups[number] = written
        return written

    def _class(self, code: Any, value: Any) -> bytes:
        written = self._write_class(code, value)
        self.crosses = self.crosses or written == b".+"
        return written

    def _write_class(self, code: Any, value: Any) -> bytes:
        if code is _op.LITERAL:
            self.letters = self.letters or value >= 0x80
            return _write_literal(value)
        if code is _op.ANY:
            return self._dot
        if code is _op.NOT_LITERAL:
            return _write_set(frozenset(range(0x80)) - {value} | _HIGH)
        if code is _op.IN:
            return _write_set(_list_members(value))
        raise NotLoosened(str(code))

    def _repeat(self, least: int, most: int, nodes: Any) -> bytes:
        inner = self.write(nodes)
        single = len(nodes) == 1 and nodes[0][0] in {_op.IN, _op.ANY, _op.NOT_LITERAL}
        if single and inner.endswith(b"]") and most is not _op.MAXREPEAT:
            # Only ASCII and no line end: a character is a byte, so the bound holds.
            return inner + b"{%d,%d}" % (least, most)
        inner = inner.removesuffix(b"+") if single else b"(?:" + inner + b")"
        return inner + (b"{%d,}" % least if least > 1 else (b"*", b"+")[least])


def _write_before(nodes: Sequence[tuple[Any, Any]]) -> bytes:
    """What a pattern's first look-behind forbids, where that is one ASCII character: the
    start of the text, or another one. Here the text is the one that `re` reads."""
    code, value = nodes[0]
    if code is not _op.ASSERT_NOT or value[0] >= 0 or len(value[1]) != 1:
        return b""
    kind, what = value[1][0]
    if kind not in {_op.IN, _op.LITERAL}:
        return b""
    members = _list_members(what if kind is _op.IN else [(kind, what)])
    if members & _HIGH or not members:
        return b""
    return b"(?:^|[^" + b"".join(b"\\x%02x" % byte for byte in sorted(members)) + b"])"


def _write_literal(code: int) -> bytes:
    if code == 0x0A:
        return b".+"
    return b"".join(b"\\x%02x" % byte for byte in chr(code).encode("utf-8", "surrogatepass"))


def _list_members(parts: Sequence[tuple[Any, Any]]) -> frozenset[int]:
    """The bytes that a class may match: all from 0x80 on where one of them may be."""
    members: set[int] = set()
    negate = parts[0][0] is _op.NEGATE
    for code, value in parts[1:] if negate else parts:
        if code is _op.LITERAL:
            members |= {value} if value < 0x80 else _HIGH
        elif code is _op.RANGE:
            members |= set(range(value[0], min(value[1], 0x7F) + 1))
            members |= _HIGH if value[1] >= 0x80 else set()
        elif code is _op.CATEGORY:
            known = _CATEGORIES[value]
            members |= {ord(c) for c in _ASCII if known.match(c)} | _HIGH
        else:
            raise NotLoosened(str(code))
    return frozenset(range(0x80)) - members | _HIGH if negate else frozenset(members)


def _write_set(members: frozenset[int]) -> bytes:
    if 0x0A in members:
        return b".+"
    written = b"[" + b"".join(b"\\x%02x" % byte for byte in sorted(members)) + b"]"
    return written + (b"+" if members & _HIGH else b"")


class Prefilter:
    """Names of rules to the patterns one of which must match before the rule can find
    anything; `literals` likewise, in any case.

    `scan` returns the names of the rules to ask."""

    def __init__(
        self,
        rules: Mapping[str, Iterable[re.Pattern[str]]],
        literals: Mapping[str, Iterable[str]] | None = None,
    ) -> None:
        self.names = frozenset(rules) | frozenset(literals or {})
        self._always: set[str] = set()
        self._rows: list[tuple[str, bytes, int]] = []
        for name, patterns in rules.items():
            for pattern in patterns:
                self._add(name, pattern)
        for name, words in (literals or {}).items():
            for word in words:
                self._add_word(name, word)
        for character in FOLDED:
            self._rows.append(("", _escape(character.encode()), 0))
        try:
            self._find = _compile([(row[1], row[2]) for row in self._rows])
        except hyperscan.error:  # a pattern too large for it, perhaps: leave that one out
            self._always |= {row[0] for row in self._rows if not _can_compile(row)}
            self._rows = [row for row in self._rows if _can_compile(row)]
            self._find = _compile([(row[1], row[2]) for row in self._rows])

    def _add(self, name: str, pattern: re.Pattern[str]) -> None:
        try:
            loose = loosen(pattern)
        except NotLoosened:
            self._always.add(name)
            return
        if re.search(loose, b"", re.DOTALL) is not None:  # it would match in every text
            self._always.add(name)
            return
        caseless = hyperscan.HS_FLAG_CASELESS if "i" in _read_flags(pattern) else 0
        self._rows.append((name, loose, caseless))

    def _add_word(self, name: str, word: str) -> None:
        if word.isascii() and word:
            self._rows.append((name, _escape(word.encode()), hyperscan.HS_FLAG_CASELESS))
        else:
            self._always.add(name)

    def scan(self, content: bytes) -> frozenset[str]:
        """The rules that may find something in a text with these bytes."""
        found = {self._rows[number][0] for number in self._find(content)}
        return self.names if "" in found else frozenset(found | self._always)


def _read_flags(pattern: re.Pattern[str]) -> str:
    """`i` where the pattern, or any group of it, ignores case."""
    inner = re.search(r"\(\?[a-zA-Z]*i", pattern.pattern)
    return "i" if pattern.flags & re.IGNORECASE or inner else ""


def _escape(value: bytes) -> bytes:
    return b"".join(b"\\x%02x" % byte for byte in value)


def _can_compile(row: tuple[str, bytes, int]) -> bool:
    try:
        _compile([(row[1], row[2])])
    except hyperscan.error:
        return False
    return True


def _compile(rows: Sequence[tuple[bytes, int]]) -> Callable[[bytes], set[int]]:
    """A function that gives the numbers of the rows which match somewhere."""
    flags = hyperscan.HS_FLAG_SINGLEMATCH | hyperscan.HS_FLAG_DOTALL
    database = hyperscan.Database()
    database.compile(
        expressions=[row[0] for row in rows],
        ids=list(range(len(rows))),
        elements=len(rows),
        flags=[row[1] | flags for row in rows],
    )
    found: set[int] = set()

    def note(number: int, start: int, end: int, flags: int, context: object) -> None:
        found.add(number)

    def scan(content: bytes) -> set[int]:
        found.clear()
        if content:
            database.scan(content, match_event_handler=note)
        return set(found)

    return scan


class LinePattern:
    """A pattern that is asked only about the lines in which it can match.

    `finditer` gives what the pattern's own would, for many texts 50 times as fast: `re`
    reads 5 MB a second for an alternation that ignores case. It is the pattern's own
    where lines cannot be told apart: where it may match a line end, or has a part that
    has no looser form."""

    def __init__(self, pattern: re.Pattern[str]) -> None:
        self.pattern = pattern
        self._database: hyperscan.Database | None = None
        loosener = _Loosener(pattern.flags)
        try:
            nodes = _parser.parse(pattern.pattern, pattern.flags)
            loose = loosener.write(nodes)
            if loosener.crosses or loosener.letters or re.search(loose, b"", re.DOTALL):
                return
            caseless = hyperscan.HS_FLAG_CASELESS if "i" in _read_flags(pattern) else 0
            if not caseless:
                loose = _write_before(nodes) + loose
            database = hyperscan.Database()
            database.compile(
                expressions=[loose], ids=[0], elements=1,
                flags=[caseless | hyperscan.HS_FLAG_DOTALL],
            )  # fmt: skip
        except (NotLoosened, hyperscan.error):
            return
        self._database = database

    def finditer(self, text: str) -> Iterator[re.Match[str]]:
        """The pattern's matches in the text, first to last."""
        folded = not text.isascii() and any(character in text for character in FOLDED)
        if self._database is None or len(text) < _SHORT or folded:
            yield from self.pattern.finditer(text)
            return
        # One byte a character, so that places are the same in both.
        ends: list[int] = []
        shadow = text.encode("ascii", _SHADOW)
        self._database.scan(shadow, match_event_handler=lambda n, start, end, *_: ends.append(end))
        done = 0
        for end in ends:
            if end > done:
                start = text.rfind("\n", 0, end - 1) + 1
                after = text.find("\n", end - 1)
                done = after + 1 if after >= 0 else len(text)
                yield from self.pattern.finditer(text, start, done)


_SHORT = 400
_SHADOW = "forerun-shadow"
codecs.register_error(_SHADOW, lambda e: (b"\x80" * (e.end - e.start), e.end))  # type: ignore[attr-defined]


# What base64, hexadecimal digits and most tokens are written in, both alphabets' letters.
_RUN = rb"[A-Za-z0-9+/]"
RUN_LENGTH = 16
_WHOLE_RUN = re.compile(_RUN + b"{%d,}" % RUN_LENGTH)


def is_run(start: bytes) -> bool:
    """Whether the first bytes of a text are as many as a run's, and all of its kind."""
    return _WHOLE_RUN.fullmatch(start[:RUN_LENGTH]) is not None


@cache
def _run_finders() -> tuple[Callable[[bytes], set[int]], hyperscan.Database]:
    """Whether there is a run at all; and where the 16th byte of each ends."""
    enough = b"%s{%d}" % (_RUN, RUN_LENGTH)
    database = hyperscan.Database()
    once = b"(?:^|[^%s)%s" % (_RUN[1:], enough)
    database.compile(expressions=[once], ids=[0], elements=1, flags=[hyperscan.HS_FLAG_DOTALL])
    return _compile([(enough, 0)]), database


def find_runs(content: bytes) -> Iterator[bytes]:
    """All runs of at least RUN_LENGTH letters, digits, `+` and `/`, whole."""
    ends: list[int] = []
    has_any, database = _run_finders()
    if has_any(content):
        database.scan(content, match_event_handler=lambda n, start, end, *_: ends.append(end))
    for end in ends:
        match = _WHOLE_RUN.match(content, end - RUN_LENGTH)
        if match is not None:
            yield match[0]


class KnownWords:
    """Which of many known texts occur in another: none is missed.

    Only the first bytes of each are searched for, so a text named may still not occur."""

    def __init__(self, words: Sequence[bytes]) -> None:
        by_start: dict[bytes, list[int]] = {}
        for number, word in enumerate(words):
            by_start.setdefault(word[:_KNOWN_BYTES], []).append(number)
        starts = list(by_start)
        self._shards = [
            (
                starts[at : at + _SHARD],
                _compile([(_escape(s), 0) for s in starts[at : at + _SHARD]]),
            )
            for at in range(0, len(starts), _SHARD)
        ]
        self._by_start = by_start

    def find(self, content: bytes) -> list[int]:
        """Numbers of the known texts that may occur, smallest first."""
        numbers: list[int] = []
        for starts, scan in self._shards:
            for hit in scan(content):
                numbers += self._by_start[starts[hit]]
        return sorted(numbers)
