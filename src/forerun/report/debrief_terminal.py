"""A debrief's short form for a terminal: what matters most, a screen or so."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from tabulate import tabulate

from forerun.report.debrief import Debrief
from forerun.report.debrief_words import (
    list_times,
    say_at,
    say_earned,
    say_help,
    say_next,
    say_refresher,
    say_standing,
    say_took,
    say_verdict,
)
from forerun.report.plain import one_line

_MOST = 6


def render_debrief_terminal(debrief: Debrief, *, width: int = 80, folder: str = "") -> str:
    """What matters most, no wider than `width` columns (at least 60) and no longer than a screen
    or so; `folder` is where the whole debrief lies."""
    return "\n".join(_list_lines(debrief, max(width, 60), folder)) + "\n"


def _list_lines(debrief: Debrief, width: int, folder: str) -> Iterator[str]:
    record = debrief.record
    yield one_line(f"Drill {record.id}: {record.drill.title}", longest=width)
    yield from _wrap(say_verdict(debrief), width)
    yield from _cut(debrief.reasons, width)
    yield from _cut(debrief.objections, width)
    yield ""
    yield from _cut([f"{what}: {told}" for what, told in list_times(debrief)], width)
    yield f"  Help: {say_help(debrief)}"
    yield ""
    yield from _columns(
        ("objective", "standing", "points"),
        [
            (line.objective.title, say_standing(line, debrief), say_earned(line))
            for line in debrief.objectives
        ],
        width,
    )
    yield ""
    yield from _columns(
        ("inject", "what became of it", "lasted"),
        [(line.inject.title, line.mended.value, say_took(line)) for line in debrief.injects],
        width,
    )
    wrong = [f"{say_at(event)} {event.text or event.name}" for event in debrief.wrong_turns]
    if wrong:
        yield ""
        yield "Wrong turns that mattered"
        yield from _cut(wrong, width)
    yield ""
    yield from _wrap(f"Next refresher: {say_refresher(debrief)}", width)
    yield from _wrap(f"Best next drill: {say_next(debrief)}", width)
    yield from _wrap(debrief.cautions[0], width)
    if folder:
        yield f"Whole debrief: {one_line(folder)}"


def _wrap(text: str, width: int) -> list[str]:
    return textwrap.wrap(one_line(text), width, max_lines=4, placeholder=" …")


def _cut(items: Sequence[str], width: int) -> Iterator[str]:
    yield from (f"  {one_line(item, longest=width - 2)}" for item in items[:_MOST])
    if len(items) > _MOST:
        yield f"  and {len(items) - _MOST} more"


def _columns(
    heads: tuple[str, str, str], rows: Sequence[tuple[str, str, str]], width: int
) -> Iterator[str]:
    if not rows:
        yield f"no {heads[0]}"
        return
    clean = [(one_line(a, longest=width), one_line(b), one_line(c)) for a, b, c in rows[:_MOST]]
    others = sum(max(len(row[n]) for row in (heads, *clean)) + 2 for n in (1, 2))
    room = max(width - others, 16)
    cut = [(one_line(a, longest=room), b, c) for a, b, c in clean]
    text = tabulate(cut, headers=heads, tablefmt="plain", disable_numparse=True)
    yield from (line[:width].rstrip() for line in text.splitlines())
    if len(rows) > _MOST:
        yield f"and {len(rows) - _MOST} more"
