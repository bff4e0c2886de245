"""Plain text from untrusted text: what a guest or server said, made harmless.

Everything a report or a progress display shows passes through `strip_controls`;
`clean_record` does so for every text of a whole record, so that none is forgotten.
"""

from __future__ import annotations

import dataclasses
import re
import unicodedata
from typing import Any, TypeVar

T = TypeVar("T")

# Control sequences as ECMA-48 builds them: CSI, then OSC and the other string
# openers up to their end (never past the line: an unended one must not hide what
# follows), then any two-byte escape.
_SEQUENCES = re.compile(
    r"(?:\x1b\[|\x9b)[0-?]*[ -/]*[@-~]"
    r"|(?:\x1b[\]PX^_]|[\x90\x98\x9d-\x9f])[^\x07\x1b\x9c\r\n]*(?:\x07|\x1b\\|\x9c)?"
    r"|\x1b[ -/]*[0-~]?"
)
_LINE_ENDS = re.compile(r"\r\n?|[\x0b\x0c\x85\u2028\u2029]")
_LONGEST = 4000


def strip_controls(text: str) -> str:
    """The text without terminal sequences, control and invisible format characters.

    Line ends become newlines and tabs become blanks; Unicode categories Cc, Cf
    (bidirectional controls and zero-width characters among them), Cs, Co and Cn go.
    """
    lines = _LINE_ENDS.sub("\n", _SEQUENCES.sub("", text)).replace("\t", "    ")
    return "".join(c for c in lines if c == "\n" or not unicodedata.category(c).startswith("C"))


def show_controls(text: str) -> str:
    """The text with every character that `strip_controls` takes away shown as an escape
    (`\\x1b`, `\\u202e`) instead; newlines and tabs stay, so that a harmless script is
    returned exactly as it is."""
    return "".join(
        c
        if c in "\n\t" or not (unicodedata.category(c).startswith("C") or c in "\u2028\u2029")
        else c.encode("unicode_escape").decode("ascii")
        for c in text
    )


def one_line(text: str, *, longest: int = 0) -> str:
    """The text as one line, runs of white space made one blank; cut with an ellipsis
    where it is longer than `longest` characters (0 = never)."""
    line = " ".join(strip_controls(text).split())
    if longest and len(line) > longest:
        return line[: max(longest - 1, 0)].rstrip() + "…"
    return line


def clean_record(record: T) -> T:
    """The same record with `strip_controls` done to every text in it, at any depth;
    a single text longer than 4000 characters is cut, and says so."""
    cleaned: T = _clean(record)
    return cleaned


def _clean(value: Any) -> Any:
    if isinstance(value, str):
        text = strip_controls(value)
        return text if len(text) <= _LONGEST else text[:_LONGEST] + " … (cut here)"
    if isinstance(value, tuple):
        return tuple(_clean(item) for item in value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        parts = {f.name: _clean(getattr(value, f.name)) for f in dataclasses.fields(value)}
        return dataclasses.replace(value, **parts)
    return value
