"""Mistakes in a YAML file: where each stands, what is wrong, what may have been meant.

All mistakes of a file are told at once, one a line, in the order of the file:
`file:line: path.to.key: what is wrong (allowed: ...; did you mean ...?)`.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args, get_origin

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from forerun.errors import InvalidFile

Loc = tuple[str | int, ...]

_MOST_SHOWN = 60

_PLAIN_WORDS = {
    "missing": "is missing",
    "list_type": "must be a list (write [] for none)",
    "dict_type": "must be a mapping of keys to values",
    "model_type": "must be a mapping of keys to values",
    "model_attributes_type": "must be a mapping of keys to values",
    "tuple_type": "must be a list (write [] for none)",
}


@dataclass(frozen=True, slots=True, order=True)
class Spot:
    """A place in a file; both count from 1."""

    line: int
    column: int


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake. `loc` is the path to the key, () where there is none to name."""

    spot: Spot
    loc: Loc
    text: str


def find_control(text: str) -> str:
    """The first control or invisible character (Unicode's category C, and the separators
    of lines and paragraphs), or ""."""
    return next((c for c in text if c in "\u2028\u2029" or unicodedata.category(c)[0] == "C"), "")


def show(text: object) -> str:
    """Untrusted text for a message: no control characters, at most 60 letters."""
    clean = "".join("?" if find_control(c) else c for c in str(text)[: _MOST_SHOWN + 1])
    return clean if len(clean) <= _MOST_SHOWN else clean[: _MOST_SHOWN - 3] + "..."


def show_loc(loc: Loc) -> str:
    """`stages.window[2].time-allowed`: list places count from 0, as in the schema."""
    path = ""
    for part in loc:
        if isinstance(part, int):
            path += f"[{part}]"
        else:
            path += ("." if path else "") + show(part)
    return path


def near_miss(wrong: str, known: Iterable[str]) -> str:
    """What was probably meant, as " did you mean ...?", or ""."""
    close = difflib.get_close_matches(wrong.lower(), sorted(known), n=1, cutoff=0.6)
    return f"did you mean {close[0]!r}?" if close else ""


def offer(wrong: str, known: Sequence[str]) -> str:
    """The bracket behind a mistake: what is allowed, and the near miss."""
    parts = [f"allowed: {', '.join(known)}", near_miss(wrong, known)]
    return f"({'; '.join(part for part in parts if part)})"


def name_mistakes(path: Path, mistakes: Sequence[Mistake], *, hint: str) -> InvalidFile:
    """One error that lists them all, in the order of the file."""
    lines: list[str] = []
    for mistake in sorted(mistakes, key=lambda one: one.spot):
        line = _line(path, mistake)
        if line not in lines:
            lines.append(line)
    count = "a mistake" if len(lines) == 1 else f"{len(lines)} mistakes"
    return InvalidFile(
        f"{path.name} has {count}.",
        where=str(path),
        wanted="each key once, with a value of its kind",
        found="\n" + "\n".join(lines),
        hint=hint,
    )


def _line(path: Path, mistake: Mistake) -> str:
    if mistake.loc:
        return f"{path}:{mistake.spot.line}: {show_loc(mistake.loc)}: {mistake.text}"
    return f"{path}:{mistake.spot.line}:{mistake.spot.column}: {mistake.text}"


def explain(error: ErrorDetails, root: type[BaseModel]) -> str:
    """One pydantic error in our own words, with what is allowed at that place."""
    kind = error["type"]
    loc: Loc = tuple(error["loc"])
    if kind == "extra_forbidden":
        known = _keys_at(root, loc[:-1])
        return f"is not a key of this place {offer(str(loc[-1]), known)}"
    if kind in ("enum", "literal_error"):
        known = re.findall(r"'([^']*)'", str(error.get("ctx", {}).get("expected", "")))
        wrong = error["input"]
        if wrong is None:
            return f"nothing is written here {offer('', known)}"
        return f"{show(wrong)!r} is not known {offer(str(wrong), known)}"
    if kind == "value_error":
        return str(error.get("ctx", {}).get("error", error["msg"]))
    return _PLAIN_WORDS.get(kind, error["msg"])


def _keys_at(root: type[BaseModel], loc: Loc) -> list[str]:
    """The keys that the shape at `loc` knows, in the order they are documented."""
    shape: Any = root
    for part in loc:
        shape = _step_into(shape, part)
    shape = _bare(shape)
    if not (isinstance(shape, type) and issubclass(shape, BaseModel)):
        return []
    return [info.alias or name for name, info in shape.model_fields.items()]


def _step_into(shape: Any, part: str | int) -> Any:
    shape = _bare(shape)
    if isinstance(shape, type) and issubclass(shape, BaseModel):
        for name, info in shape.model_fields.items():
            if part in (name, info.alias):
                return info.annotation
        return None
    inner = get_args(shape)
    return inner[-1] if inner and inner[-1] is not Ellipsis else (inner[0] if inner else None)


def _bare(shape: Any) -> Any:
    """The type without its annotations."""
    while get_origin(shape) is not None and hasattr(shape, "__metadata__"):
        shape = get_args(shape)[0]
    return shape
