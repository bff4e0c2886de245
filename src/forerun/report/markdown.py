"""Markdown from plain text: escaping, code blocks, tables and lists.

Every text is escaped: what a guest said stays plain text and can form neither a link
nor an image nor HTML (CommonMark 0.31, 2.4 backslash escapes).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

from forerun.report.plain import one_line

# What can open a construct inside a line, the table bar and what common extensions
# make a link of (addresses with "://", "www." or "@"); then what can open a block.
_SPECIAL = re.compile(r"([\\`*_\[\]<>|&~@]|:(?=//)|(?<=www)\.)", re.IGNORECASE)
_BLOCK = re.compile(r"^(\d*)([-+#=]|(?<=\d)[.)](?=\s|$))")


def escape(text: str) -> str:
    """One line of plain text that Markdown shows as it is."""
    line = _SPECIAL.sub(r"\\\1", one_line(text))
    return _BLOCK.sub(r"\1\\\2", line)


def fence(text: str, info: str = "text") -> Iterator[str]:
    """A code block whose fence is longer than any run of backticks in the text
    (CommonMark 0.31, 4.5); `info` is one word that names the kind of text."""
    longest = max((len(run) for run in re.findall(r"`+", text)), default=0)
    marks = "`" * max(3, longest + 1)
    yield f"{marks}{info}"
    yield text
    yield marks


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterator[str]:
    """A table as the GFM extension has it; every cell is escaped, heads are not."""
    yield f"| {' | '.join(heads)} |"
    yield f"|{' --- |' * len(heads)}"
    for row in rows:
        yield f"| {' | '.join(escape(cell) for cell in row)} |"


def listed(title: str, items: Sequence[str]) -> Iterator[str]:
    """A second-level heading with a list of escaped items, or that there is nothing."""
    yield f"## {title}"
    yield ""
    yield from (f"- {escape(item)}" for item in items or ("Nothing.",))
