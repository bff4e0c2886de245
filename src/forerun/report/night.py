"""The drawings of what is expected: the night by the clock, outages, the spread, the parts.

Geometry as in `timetable`: places across are percent of the width, heights CSS pixels.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from forerun.model.counters import Part, StepParts
from forerun.model.estimate import Forecast, Histogram, ServiceForecast
from forerun.model.window import PlanLine, WindowPlan
from forerun.report.figures import count_of, say_clock, say_seconds, say_share
from forerun.report.forecast import NOT_BACK
from forerun.report.parts import LETTERS, list_parts_seen
from forerun.report.plan import Moment, list_moments, say_turn
from forerun.report.timetable import (
    ROW,
    Axis,
    Bar,
    Drawing,
    Flag,
    Row,
    Tick,
    find_ticks,
    join_rows,
    label_row,
)
from forerun.report.wall_clock import read_instant, say_time

_HEAD = 56  # room for two rows of flags' letters above the clock
_NEAR = 5.0  # percent: nearer letters go into the second row
_LETTER_FITS = 4.0
_UPPER, _LOWER = 13, 28
_MARGIN = 7.0  # percent: half a label on a phone
_QUARTERS_S = (300, 600, 900, 1800, 3600, 7200, 14400, 28800, 86400)


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the histogram: percent across, pixels down."""

    left: float
    width: float
    y: float
    height: float
    kind: str


@dataclass(frozen=True, slots=True)
class Columns:
    """The histogram. `rows` is its table: (from, to, draws, share)."""

    height: int
    columns: tuple[Column, ...]
    ticks: tuple[Tick, ...]
    flags: tuple[Flag, ...]
    keys: tuple[tuple[str, str], ...]
    told: str
    rows: tuple[tuple[str, str, str, str], ...]


def draw_night(plan: WindowPlan | None) -> Drawing | None:
    """Two courses through the steps, of the middle night and of the late one, with the
    moments that must not be missed as lettered lines. None without a plan, or where its
    times are no instants."""
    if plan is None or not plan.lines:
        return None
    try:
        stamps = [_stamp(at) for line in plan.lines for at in _times(line)]
        edges = [_stamp(plan.begins), _stamp(plan.ends)]
    except ValueError:
        return None
    start = min(stamps + edges)
    axis = Axis(start, max(max(stamps + edges) - start, 60.0))
    rows = tuple(_night_row(place, line, axis, plan) for place, line in enumerate(plan.lines))
    height = _HEAD + len(rows) * ROW + 4
    told = (
        f"{count_of(len(rows), 'step')} by the clock, from {say_time(plan.begins)} to "
        f"{say_time(plan.ends, since=plan.begins)}. Latest moment to begin going back: "
        f"{say_turn(plan)}. The table below has every time."
    )
    return Drawing(
        height,
        rows,
        _clock_ticks(axis, plan),
        axis.bar(edges[0], edges[1], "window"),
        told,
        flags=_raise_flags(list_moments(plan), axis),
        paths=(*join_rows(rows), *join_rows(rows, 1, "path-line late-line")),
    )


def _times(line: PlanLine) -> tuple[str, str, str, str]:
    return (line.begins_p50, line.ends_p50, line.begins_p95, line.ends_p95)


def _stamp(text: str) -> float:
    instant = read_instant(text)
    if instant is None:
        raise ValueError(f"no instant: {text!r}")
    return instant.timestamp()


def _night_row(place: int, line: PlanLine, axis: Axis, plan: WindowPlan) -> Row:
    begins, ends, late_begins, late_ends = map(_stamp, _times(line))
    marks = ("hold", line.hold_point), ("no return", line.point_of_no_return)
    words = [word for word, is_set in marks if is_set]
    title = f"{place + 1} {line.title or line.step}"
    early, late = line.begins_p50, line.ends_p95
    at = f"{say_time(early, since=plan.begins)}, late {say_time(late, since=plan.begins)}"
    return Row(
        _HEAD + place * ROW,
        *label_row(f"{title} ({', '.join(words)})" if words else title),
        at,
        (
            axis.bar(begins, ends, f"stage-{line.stage}", top=19, height=6),
            axis.bar(late_begins, late_ends, "late", top=27, height=5),
        ),
    )


def _clock_ticks(axis: Axis, plan: WindowPlan) -> tuple[Tick, ...]:
    """Round clock times of the place, at most six."""
    first = read_instant(plan.begins)
    every = next((s for s in _QUARTERS_S if axis.length / s <= 5), _QUARTERS_S[-1])
    if first is None or axis.length / every > 40:
        return ()
    begin = datetime.fromtimestamp(axis.start, first.tzinfo)
    midnight = begin.replace(hour=0, minute=0, second=0, microsecond=0)
    number = math.ceil((begin - midnight).total_seconds() / every)
    ticks = []
    at = midnight + timedelta(seconds=number * every)
    while at.timestamp() <= axis.start + axis.length:
        left = axis.place(at.timestamp())
        anchor = "start" if left < _MARGIN else "end" if left > 100 - _MARGIN else "middle"
        ticks.append(Tick(left, f"{at:%H:%M}", anchor))
        at += timedelta(seconds=every)
    return tuple(ticks)


def _raise_flags(moments: Sequence[Moment], axis: Axis) -> tuple[Flag, ...]:
    flags: list[Flag] = []
    for moment in moments:
        instant = read_instant(moment.at)
        if instant is None:
            continue
        left = axis.place(instant.timestamp())
        crowded = bool(flags) and flags[-1].y == _LOWER and left - flags[-1].left < _NEAR
        flags.append(Flag(left, moment.letter, moment.kind, _UPPER if crowded else _LOWER))
    return tuple(flags)


def draw_services(made: Forecast | None) -> Drawing | None:
    """One row a service: its outage in half, four in five and nineteen in twenty nights,
    and a mark at what its owner tolerates. None where there is none."""
    if made is None or made.refused or not made.services:
        return None
    longest = max(max(s.total.p95, s.tolerable_s) for s in made.services)
    axis = Axis(0.0, max(longest, 1.0))
    rows = tuple(
        Row(
            22 + place * ROW,
            *label_row(one.service),
            f"{say_seconds(one.total.p95)}" if one.returns else NOT_BACK.partition(":")[0],
            _service_bars(one, axis),
        )
        for place, one in enumerate(made.services)
    )
    told = "; ".join(_tell_service(one) for one in made.services) + ". The table below has them."
    return Drawing(22 + len(rows) * ROW + 4, rows, find_ticks(axis), None, told)


def _service_bars(one: ServiceForecast, axis: Axis) -> tuple[Bar, ...]:
    half = "outage" if one.returns else "outage-open"
    bars = [
        axis.bar(one.total.p80, one.total.p95, "late", top=22, height=6),
        axis.bar(one.total.p50, one.total.p80, "middle", top=20, height=10),
        axis.bar(0.0, one.total.p50, half, top=20, height=10),
    ]
    if one.tolerable_s:
        bars.append(axis.bar(one.tolerable_s, one.tolerable_s, "limit", top=17, height=16))
    return tuple(bars)


def _tell_service(one: ServiceForecast) -> str:
    if not one.returns:
        return f"{one.service} {NOT_BACK}"
    limit = f", tolerable {say_seconds(one.tolerable_s)}" if one.tolerable_s else ""
    return f"{one.service}: 19 in 20 nights no more than {say_seconds(one.total.p95)}{limit}"


def draw_parts(parts: Sequence[StepParts], titles: dict[str, str]) -> Drawing | None:
    """One row a step, its time cut into what it was spent on, each part with its letter."""
    steps = [step for step in parts if step.wall_s > 0]
    if not steps:
        return None
    axis = Axis(0.0, max(step.wall_s for step in steps))
    rows = tuple(
        Row(
            22 + place * ROW,
            *label_row(titles.get(step.step, step.step)),
            say_seconds(step.wall_s),
            _part_bars(step, axis),
        )
        for place, step in enumerate(steps)
    )
    told = (
        f"{count_of(len(rows), 'step')}, each cut into what its time was spent on: "
        f"{', '.join(part.value for part in list_parts_seen(steps))}. The table below has "
        "every figure."
    )
    return Drawing(22 + len(rows) * ROW + 4, rows, find_ticks(axis), None, told)


def _part_bars(step: StepParts, axis: Axis) -> tuple[Bar, ...]:
    bars: list[Bar] = []
    at = 0.0
    for part in Part:
        seconds = sum(max(one.seconds, 0.0) for one in step.parts if one.part is part)
        if seconds > 0:
            wide = seconds / axis.length * 100 >= _LETTER_FITS
            letter = LETTERS[part] if wide else ""
            kind = f"part-{part.name.lower()}"
            bars.append(axis.bar(at, at + seconds, kind, top=19, height=13, letter=letter))
            at += seconds
    return tuple(bars)


def draw_histogram(made: Forecast | None) -> Columns | None:
    """How the draws of the window's length lie, with its quantiles and the declared window."""
    drawn = made.histogram if made is not None and not made.refused else None
    if made is None or drawn is None or not _is_whole(drawn):
        return None
    most, whole = max(drawn.counts), sum(drawn.counts)
    low = drawn.edges_s[0]
    high = max(drawn.edges_s[-1], made.window_s)
    axis = Axis(low, max(high - low, 1.0))
    top, floor = 42, 160
    columns = tuple(
        Column(
            axis.place(left),
            round(axis.place(right) - axis.place(left), 3),
            round(floor - (floor - top) * count / most, 2),
            round((floor - top) * count / most, 2),
            "beyond" if made.window_s and left >= made.window_s else "draws",
        )
        for (left, right), count in zip(pairwise(drawn.edges_s), drawn.counts, strict=True)
    )
    flags, keys = _mark_quantiles(made, axis)
    rows = tuple(
        (say_clock(left), say_clock(right), str(count), say_share(count / whole))
        for (left, right), count in zip(pairwise(drawn.edges_s), drawn.counts, strict=True)
    )
    told = f"{whole} draws of the length of the window's work, from {say_clock(low)} to " + (
        f"{say_clock(drawn.edges_s[-1])}. {'; '.join(words for _, words in keys)}."
    )
    return Columns(floor + 18, columns, _range_ticks(axis), flags, keys, told, rows)


def _is_whole(drawn: Histogram) -> bool:
    rising = all(left < right for left, right in pairwise(drawn.edges_s))
    return rising and len(drawn.edges_s) == len(drawn.counts) + 1 and sum(drawn.counts) > 0


def _mark_quantiles(
    made: Forecast, axis: Axis
) -> tuple[tuple[Flag, ...], tuple[tuple[str, str], ...]]:
    marks = []
    if made.window is not None:
        marks = [
            (made.window.p50, "half of nights", "edge"),
            (made.window.p80, "4 in 5 nights", "edge"),
            (made.window.p95, "19 in 20 nights", "turn"),
        ]
    if made.window_s:
        marks.append((made.window_s, "the declared window", "no-return"))
    flags: list[Flag] = []
    keys: list[tuple[str, str]] = []
    for letter, (at_s, words, kind) in zip("ABCD", sorted(marks), strict=False):
        left = axis.place(at_s)
        crowded = bool(flags) and flags[-1].y == _LOWER and left - flags[-1].left < _NEAR
        flags.append(Flag(left, letter, kind, _UPPER if crowded else _LOWER))
        keys.append((letter, f"{words}: {say_seconds(at_s)}"))
    return tuple(flags), tuple(keys)


def _range_ticks(axis: Axis) -> tuple[Tick, ...]:
    """Round lengths within the axis, at most six."""
    steps = (60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800, 86400)
    every = next((s for s in steps if axis.length / s <= 5), math.ceil(axis.length / 5))
    first = math.ceil(axis.start / every)
    last = math.floor((axis.start + axis.length) / every)
    ticks = []
    for number in range(first, last + 1):
        left = axis.place(number * every)
        anchor = "start" if left < _MARGIN else "end" if left > 100 - _MARGIN else "middle"
        ticks.append(Tick(left, say_clock(number * every), anchor))
    return tuple(ticks)
