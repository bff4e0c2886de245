"""The answer to a known change's test: it holds, it does not, or it is not known why.

An answer that could not be had never counts as a no. Joined as Kleene's three-valued logic
joins (S. C. Kleene, Introduction to Metamathematics, 1952, section 64): one no settles all
of, one yes settles any of, whatever else is not known.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from fnmatch import fnmatchcase

from forerun.model.observation import RunRecord
from forerun.model.survey import CleanSurvey

MOST_CLUES = 20
MOST_LINE = 200


class Holds(Enum):
    """Whether a test holds."""

    YES = "yes"
    NO = "no"
    NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True)
class Clue:
    """One line of evidence. `mark` names the thing it is of ("check:NAME", "unit:NAME"), so
    that what a known change explains is not told a second time."""

    line: str
    mark: str = ""


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of a test: `clues` when it holds, `why` when it is not known."""

    holds: Holds
    clues: tuple[Clue, ...] = ()
    why: tuple[str, ...] = ()


NO = Answer(Holds.NO)


@dataclass(frozen=True, slots=True)
class Facts:
    """All that may be asked: the survey, the files of its copy (None when the copy is gone),
    what the copy is made of (`roots`), how versions are ordered, and a rehearsal's record."""

    survey: CleanSurvey
    files: Mapping[str, str] | None
    compare: Callable[[str, str], int]
    roots: Sequence[str]
    run: RunRecord | None = None
    not_read: Mapping[str, str] = field(default_factory=dict)


def say_unknown(*why: str) -> Answer:
    """An answer that could not be had."""
    return Answer(Holds.NOT_KNOWN, why=tuple(dict.fromkeys(why)))


def answer(clues: Iterable[Clue], why: Iterable[str] = ()) -> Answer:
    """Yes with these clues; without any, not known if something kept it, else no."""
    found = tuple(dict.fromkeys(clues))
    if found:
        more = len(found) - MOST_CLUES
        cut = (Clue(f"and {more} more"),) if more > 0 else ()
        return Answer(Holds.YES, (*found[:MOST_CLUES], *cut))
    reasons = tuple(why)
    return say_unknown(*reasons) if reasons else NO


def join_all(answers: Sequence[Answer]) -> Answer:
    """All of them hold."""
    if any(one.holds is Holds.NO for one in answers):
        return NO
    unknown = [reason for one in answers for reason in one.why]
    if unknown:
        return say_unknown(*unknown)
    return Answer(Holds.YES, tuple(dict.fromkeys(c for one in answers for c in one.clues)))


def join_any(answers: Sequence[Answer]) -> Answer:
    """One of them holds; the evidence of all that do."""
    clues = tuple(dict.fromkeys(clue for one in answers for clue in one.clues))
    if any(one.holds is Holds.YES for one in answers):
        return Answer(Holds.YES, clues)
    unknown = [reason for one in answers for reason in one.why]
    return say_unknown(*unknown) if unknown else NO


def turn(one: Answer) -> Answer:
    """It does not hold. That something is not there has no line of its own."""
    if one.holds is Holds.NOT_KNOWN:
        return one
    return NO if one.holds is Holds.YES else Answer(Holds.YES)


def matches(pattern: str, text: str) -> bool:
    """Whether a regular expression is found; an empty one asks nothing."""
    return not pattern or re.search(pattern, text) is not None


def matches_any(globs: Iterable[str], text: str) -> bool:
    """Whether one of the globs fits."""
    return any(fnmatchcase(text, glob) for glob in globs)


def cut(line: str) -> str:
    """A line for a person: blanks single, bounded."""
    short = " ".join(line.split())
    return short if len(short) <= MOST_LINE else short[: MOST_LINE - 3] + "..."


def walk_lines(text: str, *, comments: bool) -> Iterator[tuple[int, str]]:
    """(number from 1, line), without empty lines and, unless wanted, comments."""
    for number, line in enumerate(text.splitlines(), start=1):
        bare = line.strip()
        if bare and (comments or not bare.startswith(("#", ";"))):
            yield number, line
