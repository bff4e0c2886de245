"""YAML text -> plain data that knows where every key stands.

Built on the event stream of the safe loader, with a stack of its own: nothing is
constructed from tags, nothing recurses, and every key keeps its line and column.
Scalars stay the text that was written: `answer: no` is the text "no", not False, and
what a field makes of its text is decided by the field. Anchors, aliases, tags and a
second document are refused, because one line of them can stand for a billion nodes.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

import yaml

from forerun.profile_mistakes import Loc, Mistake, Spot, show

MAX_BYTES = 1 << 20
MAX_DEPTH = 20
MAX_NODES = 50_000

# What YAML 1.1 (5.1) calls printable, without the surrogates Python cannot hold.
_UNPRINTABLE = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
# A line ends at each of these (YAML 1.1, 4.2); the parser's marks count so.
_LINE_END = re.compile("\r\n|[\r\n\x85\u2028\u2029]")
_NULLS = frozenset(("", "~", "null", "Null", "NULL"))
_REFUSED = "(refused)"

# The C parser gives the same marks and is twenty times as fast (PyYAML 6.0.4, a file at
# the size limit: 0.2 s against 4.2 s); where PyYAML was built without it, the other works.
_LOADER: type = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


@dataclass(slots=True)
class Written:
    """A file as written: `data` of dict, list, str and None; `spots` has the place of
    every key and list item; `refused` are places whose value was not taken; `cut` says
    that the file was not read to its end."""

    data: object = None
    spots: dict[Loc, Spot] = field(default_factory=dict)
    refused: set[Loc] = field(default_factory=set)
    mistakes: list[Mistake] = field(default_factory=list)
    cut: bool = False

    def spot(self, loc: Loc) -> Spot:
        """Where `loc` stands, or the nearest place above it that is written."""
        for length in range(len(loc), 0, -1):
            found = self.spots.get(loc[:length])
            if found is not None:
                return found
        return Spot(1, 1)

    def add(self, loc: Loc, text: str, spot: Spot | None = None) -> None:
        """Note a mistake at `loc`."""
        self.mistakes.append(Mistake(spot or self.spot(loc), loc, text))


class _Stop(Exception):
    """The rest of the file is not worth reading."""


def read_yaml(content: bytes) -> Written:
    """Read one document; never raises for what is written in it.

    Everything that is wrong with the text is in `mistakes`; when that leaves no data
    at all, `data` is None.
    """
    written = Written()
    text = _decode(content, written)
    if text is None:
        return written
    builder = _Builder(written)
    try:
        for event in _events(text):
            builder.take(event)
    except yaml.MarkedYAMLError as problem:
        written.cut = True
        written.mistakes.append(_syntax_mistake(problem, text))
    except _Stop:
        written.cut = True
    if not written.mistakes and not builder.documents:
        written.add((), "the file is empty")
    return written


def _events(text: str) -> Iterator[yaml.Event]:
    yield from yaml.parse(text, Loader=_LOADER)


def _decode(content: bytes, written: Written) -> str | None:
    if len(content) > MAX_BYTES:
        written.add((), f"the file has {len(content)} bytes (allowed: up to {MAX_BYTES})")
        return None
    try:
        text = content.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as problem:
        before = content[: problem.start].decode("utf-8")
        written.add(
            (),
            f"byte 0x{content[problem.start]:02x} is not UTF-8 text (allowed: UTF-8 only)",
            _spot_after(before),
        )
        return None
    bad = _UNPRINTABLE.search(text)
    if bad is not None:
        written.add(
            (),
            f"the control character U+{ord(bad.group()):04X} cannot stand in YAML",
            _spot_after(text[: bad.start()]),
        )
        return None
    return text


def _spot_after(before: str) -> Spot:
    return Spot(before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1)


def _syntax_mistake(problem: yaml.MarkedYAMLError, content: str) -> Mistake:
    mark = problem.problem_mark or problem.context_mark
    text = problem.problem or "not YAML"
    if problem.context:
        text = f"{text} ({problem.context})"
    spot = Spot(mark.line + 1, mark.column + 1) if mark else Spot(1, 1)
    lines = _LINE_END.split(content)
    line = lines[min(spot.line, len(lines)) - 1]
    if "\t" in line[: len(line) - len(line.lstrip())]:
        text += "; indent with blanks, not with tabs"
    return Mistake(spot, (), f"not YAML: {text}")


@dataclass(slots=True)
class _Frame:
    """An open mapping or list."""

    loc: Loc
    mapping: dict[str, object] | None
    items: list[object] | None
    key: str | None = None
    doubled: bool = False


class _Builder:
    """Puts events together; one method for each kind of event."""

    def __init__(self, written: Written) -> None:
        self.written = written
        self.documents = 0
        self._frames: list[_Frame] = []
        self._nodes = 0

    def take(self, event: yaml.Event) -> None:
        """Take the next event."""
        if isinstance(event, yaml.DocumentStartEvent):
            self._start_document(event)
        elif isinstance(event, (yaml.MappingEndEvent, yaml.SequenceEndEvent)):
            self._frames.pop()
        elif isinstance(event, yaml.NodeEvent):
            self._node(event)

    def _start_document(self, event: yaml.DocumentStartEvent) -> None:
        self.documents += 1
        if self.documents > 1:
            self.written.add((), "a second document begins (allowed: one)", _at(event))
            raise _Stop

    def _node(self, event: yaml.NodeEvent) -> None:
        self._nodes += 1
        if self._nodes > MAX_NODES:
            self.written.add((), f"more than {MAX_NODES} values in one file", _at(event))
            raise _Stop
        frame = self._frames[-1] if self._frames else None
        if frame is not None and frame.mapping is not None and frame.key is None:
            self._key(frame, event)
            return
        loc = self._place(frame, event)
        self._refuse_extras(loc, event)
        if isinstance(event, yaml.MappingStartEvent):
            self._open(frame, _Frame(loc, {}, None), event)
        elif isinstance(event, yaml.SequenceStartEvent):
            self._open(frame, _Frame(loc, None, []), event)
        elif isinstance(event, yaml.ScalarEvent):
            self._put(frame, _scalar(event))
        else:
            self._put(frame, _REFUSED)

    def _key(self, frame: _Frame, event: yaml.NodeEvent) -> None:
        if not isinstance(event, yaml.ScalarEvent):
            self.written.add(frame.loc, "a key must be a plain word", _at(event))
            raise _Stop
        assert frame.mapping is not None  # noqa: S101 - told apart by the caller
        frame.key = event.value
        loc = (*frame.loc, event.value)
        frame.doubled = event.value in frame.mapping
        self._refuse_extras(loc, event)
        if frame.doubled:
            first = self.written.spots[loc].line
            self.written.add(loc, f"written twice; the first is on line {first}", _at(event))
        else:
            self.written.spots[loc] = _at(event)

    def _place(self, frame: _Frame | None, event: yaml.NodeEvent) -> Loc:
        if frame is None:
            return ()
        if frame.items is not None:
            loc: Loc = (*frame.loc, len(frame.items))
            self.written.spots[loc] = _at(event)
            return loc
        return (*frame.loc, frame.key or "")

    def _refuse_extras(self, loc: Loc, event: yaml.NodeEvent) -> None:
        if isinstance(event, yaml.AliasEvent):
            self.written.add(loc, f"the alias *{show(event.anchor)} is not taken", _at(event))
            self.written.refused.add(loc)
        elif event.anchor:
            self.written.add(loc, f"the anchor &{show(event.anchor)} is not taken", _at(event))
        tag = getattr(event, "tag", None)
        if tag and tag != "!":
            self.written.add(loc, f"the tag {show(tag)} is not taken", _at(event))
            self.written.refused.add(loc)

    def _open(self, parent: _Frame | None, frame: _Frame, event: yaml.NodeEvent) -> None:
        if len(self._frames) >= MAX_DEPTH:
            self.written.add((), f"nested deeper than {MAX_DEPTH} levels", _at(event))
            raise _Stop
        self._put(parent, frame.mapping if frame.mapping is not None else frame.items)
        self._frames.append(frame)

    def _put(self, frame: _Frame | None, value: object) -> None:
        if frame is None:
            self.written.data = value
        elif frame.items is not None:
            frame.items.append(value)
        elif frame.mapping is not None:
            if not frame.doubled:
                frame.mapping[frame.key or ""] = value
            frame.key = None
            frame.doubled = False


def _scalar(event: yaml.ScalarEvent) -> str | None:
    plain = event.style is None or event.style == ""
    if plain and event.value in _NULLS:
        return None
    value: str = event.value
    return value


def _at(event: yaml.Event) -> Spot:
    mark = event.start_mark
    return Spot(mark.line + 1, mark.column + 1) if mark else Spot(1, 1)
