"""A comparison for people and programs: terminal, Markdown, HTML, JSON."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator
from functools import cache
from typing import Any

from jinja2 import Environment
from markupsafe import Markup
from tabulate import tabulate

from forerun.report.compare import Comparison, Judged, Moved
from forerun.report.figures import count_of, say_bytes, say_count, say_seconds
from forerun.report.markdown import escape, table
from forerun.report.markdown_html import read_sheet
from forerun.report.page import draw_page, make_environment
from forerun.report.plain import one_line
from forerun.report.timetable import ROW, Axis, Drawing, Row, find_ticks, label_row

COMPARISON_SCHEMA = "forerun.comparison/1"
CAUTION = (
    "Both are rehearsals on approximate clones: what moved between them is evidence of a change, "
    "not of its size in production. Local change control decides what follows."
)
_MOST = 12


def say_value(moved: Moved, value: float | None) -> str:
    """A figure of either run in its unit."""
    if moved.unit == "s":
        return say_seconds(value)
    if moved.unit == "bytes":
        return say_bytes(None if value is None else round(value))
    return say_count(value)


def say_difference(moved: Moved) -> str:
    """New less old, with its sign."""
    value = moved.difference
    if value is None:
        return "not known"
    said = say_value(moved, abs(value))
    return said if value == 0 else f"{'+' if value > 0 else '-'}{said}"


def say_judged(moved: Moved) -> str:
    """What can be said of it, with what that rests on."""
    if moved.low is None or moved.high is None:
        return moved.judged.value
    return (
        f"{moved.judged.value} ({say_value(moved, moved.low)} to {say_value(moved, moved.high)} "
        f"expected from {moved.runs} runs)"
    )


def say_summary(comparison: Comparison) -> str:
    """What moved, in one sentence."""
    more = sum(moved.judged is Judged.MORE for moved in comparison.figures)
    changed = sum(len(group.changes) for group in comparison.groups)
    told = f"{count_of(changed, 'change')}"
    if comparison.kind == "surveys":
        return f"From {comparison.old} to {comparison.new}: {told}."
    if any(moved.judged is Judged.OTHER for moved in comparison.figures):
        rest = "the figures are of other circumstances and are not comparable"
    elif any(moved.judged is Judged.ONE_EACH for moved in comparison.figures):
        rest = Judged.ONE_EACH.value
    else:
        rest = f"{count_of(more, 'figure')} moved by more than noise"
    return f"From {comparison.old} to {comparison.new}: {rest}; {told} beside the figures."


# --- JSON


def render_comparison_json(comparison: Comparison) -> str:
    """The contract `forerun.comparison/1` as indented ASCII."""
    return json.dumps(document_comparison(comparison), indent=2, ensure_ascii=True) + "\n"


def document_comparison(comparison: Comparison) -> dict[str, Any]:
    """The comparison as plain data; what was not measured is null."""
    return {
        "schema": COMPARISON_SCHEMA,
        "kind": comparison.kind,
        "host": comparison.host,
        "old": comparison.old,
        "new": comparison.new,
        "summary": say_summary(comparison),
        "circumstances": [
            {"what": what, "old": old, "new": new} for what, old, new in comparison.circumstances
        ],
        "figures": [
            {
                "key": m.key,
                "name": m.name,
                "unit": m.unit,
                "old": m.old,
                "new": m.new,
                "difference": m.difference,
                "judged": m.judged.value,
                "expected_low": m.low,
                "expected_high": m.high,
                "runs": m.runs,
            }
            for m in comparison.figures
        ],
        "groups": [
            {
                "title": group.title,
                "unchanged": group.same,
                "changes": [
                    {
                        "kind": c.kind,
                        "what": c.what,
                        "before": c.before,
                        "after": c.after,
                        "why": c.why,
                    }
                    for c in group.changes
                ],
            }
            for group in comparison.groups
        ],
        "notes": list(comparison.notes),
        "cautions": [CAUTION],
    }


# --- Markdown and HTML


def render_comparison_markdown(comparison: Comparison) -> str:
    """The comparison as Markdown."""
    return "\n".join(_mark_down(comparison)) + "\n"


def _mark_down(comparison: Comparison) -> Iterator[str]:
    yield f"# Comparison of two {comparison.kind} of {escape(comparison.host)}"
    yield ""
    yield escape(say_summary(comparison))
    yield ""
    yield "## Circumstances that differ"
    yield ""
    if comparison.circumstances:
        yield from table(("What", "Older", "Newer"), comparison.circumstances)
    else:
        yield "None of those that are on record."
    if comparison.figures:
        yield ""
        yield "## Figures"
        yield ""
        yield from table(
            ("Figure", "Older", "Newer", "Difference", "Judged"),
            (
                (
                    m.name,
                    say_value(m, m.old),
                    say_value(m, m.new),
                    say_difference(m),
                    say_judged(m),
                )
                for m in comparison.figures
            ),
        )
    for group in comparison.groups:
        yield ""
        yield f"## {escape(group.title)}"
        yield ""
        same = "" if group.same is None else f" {group.same} the same."
        yield f"{count_of(len(group.changes), 'change').capitalize()}.{same}"
        if group.changes:
            yield ""
            yield from table(
                ("What", "Change", "Before", "After", "Why it matters"),
                ((c.what, c.kind, c.before, c.after, c.why) for c in group.changes),
            )
    yield ""
    yield "## Cautions"
    yield ""
    yield from (f"- {escape(text)}" for text in (*comparison.notes, CAUTION))


def render_comparison_html(comparison: Comparison) -> str:
    """The comparison as a page, with both runs' steps drawn."""
    sheet = read_sheet(render_comparison_markdown(comparison))
    return draw_page(
        _environment(),
        "comparison.html.j2",
        title=sheet.title,
        kind="comparison",
        footer=f"Drawn by forerun from {comparison.old} and {comparison.new}.",
        comparison=comparison,
        parts=[(part.place, part.title, Markup(part.html)) for part in sheet.parts],  # noqa: S704 - escaped by its writer
        drawing=draw_both(comparison),
    )


@cache
def _environment() -> Environment:
    return make_environment()


def draw_both(comparison: Comparison) -> Drawing | None:
    """One row a step: the older run's time hollow, the newer one's solid; None without."""
    steps = [
        (m, m.old, m.new)
        for m in comparison.figures
        if m.key.startswith("step ") and m.old is not None and m.new is not None
    ]
    longest = max((max(old, new) for _, old, new in steps), default=0.0)
    if longest <= 0:
        return None
    axis = Axis(0.0, longest)
    rows = tuple(
        Row(
            22 + place * ROW,
            *label_row(moved.name.removeprefix("Step: ")),
            f"{say_difference(moved)}, {moved.judged.value.partition(':')[0]}",
            (
                axis.bar(0.0, old, "late", top=19, height=6),
                axis.bar(0.0, new, "stage-window", top=26, height=6),
            ),
        )
        for place, (moved, old, new) in enumerate(steps)
    )
    told = f"{count_of(len(rows), 'step')}, each run's time; the table of figures has them."
    return Drawing(22 + len(rows) * ROW + 4, rows, find_ticks(axis), None, told)


# --- terminal


def render_comparison_terminal(comparison: Comparison, *, width: int = 80) -> str:
    """A summary no wider than `width` (at least 60 columns)."""
    return "\n".join(_list_lines(comparison, max(width, 60))) + "\n"


def _list_lines(comparison: Comparison, width: int) -> Iterator[str]:
    yield from textwrap.wrap(one_line(say_summary(comparison)), width)
    for what, old, new in comparison.circumstances:
        yield one_line(f"  {what}: {old} then {new}"[:400], longest=width)
    rows = [
        (
            one_line(m.name, longest=max(width - 58, 16)),
            say_value(m, m.old),
            say_value(m, m.new),
            say_difference(m),
            m.judged.value.partition(":")[0],
        )
        for m in comparison.figures
        if m.difference or m.judged is Judged.NO_FIGURE
    ]
    if rows:
        yield ""
        heads = ("figure", "older", "newer", "difference", "judged")
        text = tabulate(rows, headers=heads, tablefmt="plain", disable_numparse=True)
        yield from (line[:width].rstrip() for line in text.splitlines())
    for group in comparison.groups:
        if group.changes:
            yield ""
            yield f"{group.title}: {count_of(len(group.changes), 'change')}"
            for c in group.changes[:_MOST]:
                told = f"  {c.kind}: {c.what}: {c.before or '-'} then {c.after or '-'}"
                yield one_line(told).rjust(0)[: width - 1]
            if len(group.changes) > _MOST:
                yield f"  and {len(group.changes) - _MOST} more (--format markdown has all)"
    yield ""
    for text in (*comparison.notes, CAUTION):
        yield from textwrap.wrap(one_line(text), width)
