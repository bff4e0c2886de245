"""HTML from the Markdown that this package writes, for sheets that are printed.

One text in two forms: what stands in the Markdown stands on the page, and nothing else.
The reader knows no links, images or raw HTML, so none can come of any text.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from html import escape

from markdown_it import MarkdownIt
from markdown_it.token import Token

from forerun.report.plain import one_line

_TICK = "[ ] "
_GATES = ("HOLD", "POINT OF NO RETURN")
_CAPTION_LONGEST = 120


@dataclass(frozen=True, slots=True)
class Part:
    """What stands under one second-level heading. `place` is its id; `html` begins below
    the heading. The part before the first such heading has neither place nor title."""

    place: str
    title: str
    html: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """A whole document: its first-level heading, and its parts."""

    title: str
    parts: tuple[Part, ...]


def name_place(title: str) -> str:
    """The id of a heading: its letters and digits, joined by hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")[:60].strip("-") or "part"


def read_sheet(markdown: str) -> Sheet:
    """The document as a title and parts of HTML, every text escaped."""
    tokens = _reader().parse(markdown)
    title, rest = _take_title(tokens)
    parts: list[Part] = []
    taken: set[str] = set()
    for heading, members in _split(rest):
        place = _unique(name_place(heading), taken) if heading else ""
        parts.append(Part(place, heading, "".join(_Writer(heading or title, taken).write(members))))
    return Sheet(title, tuple(parts))


@cache
def _reader() -> MarkdownIt:
    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    return reader.disable(["link", "image", "autolink", "html_inline", "html_block", "reference"])


def _take_title(tokens: Sequence[Token]) -> tuple[str, Sequence[Token]]:
    if tokens and tokens[0].type == "heading_open" and tokens[0].tag == "h1":
        return _plain(tokens[1]), tokens[3:]
    return "", tokens


def _split(tokens: Sequence[Token]) -> Iterator[tuple[str, list[Token]]]:
    heading = ""
    members: list[Token] = []
    stream = iter(tokens)
    for token in stream:
        if token.type == "heading_open" and token.tag == "h2":
            if heading or members:
                yield heading, members
            heading, members = _plain(next(stream)), []
            next(stream)
        else:
            members.append(token)
    yield heading, members


def _plain(token: Token) -> str:
    return "".join(
        " " if child.type in ("softbreak", "hardbreak") else child.content
        for child in token.children or ()
    )


def _unique(place: str, taken: set[str]) -> str:
    number, found = 2, place
    while found in taken:
        found, number = f"{place}-{number}", number + 1
    taken.add(found)
    return found


class _Writer:
    """Writes the tokens of one part. Tables are named after the last heading or line."""

    def __init__(self, heading: str, taken: set[str]) -> None:
        self._name = heading
        self._taken = taken
        self._tables = 0
        self._cell = 0
        self._ticks: list[bool] = []

    def write(self, tokens: Sequence[Token]) -> Iterator[str]:
        for place, token in enumerate(tokens):
            method = getattr(self, f"_{token.type}", None)
            if method is not None:
                yield method(token, tokens[place + 1 : place + 3])
            elif token.type.endswith(("_open", "_close")):
                yield f"<{'/' if token.nesting < 0 else ''}{token.tag}>"
            else:
                raise ValueError(f"a sheet has no {token.type}")

    def _inline(self, token: Token, _after: Sequence[Token]) -> str:
        text = "".join(self._span(child) for child in token.children or ())
        return text.removeprefix(_TICK) if self._ticks and self._ticks[-1] else text

    @staticmethod
    def _span(child: Token) -> str:
        kinds = {"strong_open": "<strong>", "strong_close": "</strong>", "hardbreak": "<br>"}
        if child.type in kinds:
            return kinds[child.type]
        return "\n" if child.type == "softbreak" else escape(child.content)

    def _heading_open(self, token: Token, after: Sequence[Token]) -> str:
        self._name = _plain(after[0])
        return f'<{token.tag} id="{_unique(name_place(self._name), self._taken)}">'

    def _paragraph_open(self, token: Token, after: Sequence[Token]) -> str:
        if token.hidden:
            return ""
        return '<p class="gate">' if _plain(after[0]).startswith(_GATES) else "<p>"

    def _paragraph_close(self, token: Token, _after: Sequence[Token]) -> str:
        return "" if token.hidden else "</p>\n"

    def _list_item_open(self, _token: Token, after: Sequence[Token]) -> str:
        ticked = len(after) > 1 and _plain(after[1]).startswith(_TICK)
        self._ticks.append(ticked)
        if not ticked:
            return "<li>"
        return '<li class="tick"><span class="box" aria-hidden="true"></span><div>'

    def _list_item_close(self, _token: Token, _after: Sequence[Token]) -> str:
        return "</div></li>\n" if self._ticks.pop() else "</li>\n"

    def _fence(self, token: Token, _after: Sequence[Token]) -> str:
        kind = ' class="typed"' if token.info == "bash" else ""
        return f"<pre{kind}>{escape(token.content)}</pre>\n"

    def _table_open(self, _token: Token, _after: Sequence[Token]) -> str:
        self._tables += 1
        number = f", {self._tables}" if self._tables > 1 else ""
        label = escape(one_line(self._name, longest=_CAPTION_LONGEST) + number)
        place = _unique(f"{name_place(self._name)}-table", self._taken)
        return (
            f'<div class="scroll" role="region" aria-label="Table: {label}" tabindex="0">\n'
            f'<table id="{place}">\n<caption class="said">{label}</caption>\n'
        )

    def _table_close(self, _token: Token, _after: Sequence[Token]) -> str:
        return "</table>\n</div>\n"

    def _tr_open(self, _token: Token, _after: Sequence[Token]) -> str:
        self._cell = 0
        return "<tr>"

    def _th_open(self, _token: Token, _after: Sequence[Token]) -> str:
        return '<th scope="col">'

    def _td_open(self, _token: Token, _after: Sequence[Token]) -> str:
        self._cell += 1
        return '<th scope="row">' if self._cell == 1 else "<td>"

    def _td_close(self, _token: Token, _after: Sequence[Token]) -> str:
        return "</th>" if self._cell == 1 else "</td>"
