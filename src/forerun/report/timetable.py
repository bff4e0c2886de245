"""The geometry of the two drawn tables: steps over time, outages over the same time.

Horizontal places are percentages of the drawing's width, so that a drawing without a
view box fits a phone and a printed page with its letters at their own size; vertical
places are CSS pixels.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise

from forerun.model.observation import StepEnd
from forerun.report.figures import say_clock, say_seconds
from forerun.report.outage import say_outage
from forerun.report.plain import one_line
from forerun.report.sections import Report, StepLine

ROW = 34
TOP = 22
LABEL_LONGEST = 90
BRIEF_LONGEST = 32
_STEPS_S = (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800, 86400)
_MOST_TICKS = 5


@dataclass(frozen=True, slots=True)
class Bar:
    """From `left` to `left + width` percent; `kind` names its colour. It lies `top` below
    its row's top, and a `letter` says which it is where there is room for one."""

    left: float
    width: float
    kind: str
    top: int = 20
    height: int = 10
    letter: str = ""


@dataclass(frozen=True, slots=True)
class Flag:
    """A lettered line from top to bottom; `y` is the letter's base line."""

    left: float
    letter: str
    kind: str
    y: int = 11


@dataclass(frozen=True, slots=True)
class Row:
    """A label and a word at its right end above one line of bars; `y` is its top and
    `brief` the label for a narrow page."""

    y: int
    label: str
    brief: str
    word: str
    bars: tuple[Bar, ...]


@dataclass(frozen=True, slots=True)
class Tick:
    """A mark on the time axis."""

    left: float
    label: str
    anchor: str


@dataclass(frozen=True, slots=True)
class Path:
    """A line from one bar's end to the next one's beginning, as a train's course is drawn."""

    left: float
    y: int
    to_left: float
    to_y: int
    kind: str


@dataclass(frozen=True, slots=True)
class Drawing:
    """One drawn table; `told` says in words what it shows."""

    height: int
    rows: tuple[Row, ...]
    ticks: tuple[Tick, ...]
    window: Bar | None
    told: str
    flags: tuple[Flag, ...] = ()
    paths: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True)
class Axis:
    """`length` seconds from `start`."""

    start: float
    length: float

    def place(self, at_s: float) -> float:
        """Percent of the drawing's width; what lies outside is at its edge."""
        share = (at_s - self.start) / self.length
        return round(min(max(share, 0.0), 1.0) * 100, 3)

    def bar(
        self,
        from_s: float,
        to_s: float,
        kind: str,
        *,
        top: int = 20,
        height: int = 10,
        letter: str = "",
    ) -> Bar:
        """The bar between two instants."""
        left, right = self.place(from_s), self.place(to_s)
        return Bar(left, max(round(right - left, 3), 0.0), kind, top, height, letter)


def find_start(report: Report) -> float:
    """The instant that the drawings and the timetable call 0:00:00: the start of the
    first step, or of the run where none ran."""
    return min((line.step.started_s for line in _find_ran(report)), default=0.0)


def group_by_stage(report: Report) -> tuple[tuple[str, tuple[StepLine, ...]], ...]:
    """The steps in order, neighbours of the same stage together."""
    groups = groupby(report.steps, key=lambda line: line.step.stage)
    return tuple((stage, tuple(lines)) for stage, lines in groups)


def draw_steps(report: Report) -> Drawing | None:
    """One row a step, a bar from its start to its end; None where no step ran."""
    ran = _find_ran(report)
    if not ran:
        return None
    axis = _find_axis(report)
    rows = []
    for place, line in enumerate(ran):
        step = line.step
        bad = "" if step.end is StepEnd.DONE else f", {step.end.value}"
        kind = f"stage-{step.stage}" if step.end is StepEnd.DONE else "bad"
        rows.append(
            Row(
                TOP + place * ROW,
                *label_row(f"{line.number} {step.title or step.name}"),
                f"{say_seconds(step.wall_s)}{bad}",
                (axis.bar(step.started_s, step.started_s + step.wall_s, kind),),
            )
        )
    window = _find_window(ran, axis)
    told = (
        f"{len(ran)} steps drawn over {say_seconds(axis.length)}; the longest is "
        f"“{report.slowest_steps[0].step.title}” with "
        f"{say_seconds(report.slowest_steps[0].step.wall_s)}. The table below has every figure."
    )
    return Drawing(
        TOP + len(rows) * ROW + 4,
        tuple(rows),
        find_ticks(axis),
        window,
        told,
        paths=join_rows(rows),
    )


def join_rows(rows: Sequence[Row], place: int = 0, kind: str = "path-line") -> tuple[Path, ...]:
    """The lines by which the bar at that place of each row hands over to the next row's."""
    return tuple(
        Path(
            round(one.bars[place].left + one.bars[place].width, 3),
            one.y + one.bars[place].top + one.bars[place].height,
            other.bars[place].left,
            other.y + other.bars[place].top,
            kind,
        )
        for one, other in pairwise(rows)
    )


def draw_outages(report: Report) -> Drawing | None:
    """One row a service, a bar for each outage; None where no service was watched."""
    if not report.outages:
        return None
    axis = _find_axis(report)
    rows = []
    for place, service in enumerate(report.outages):
        bars = [
            axis.bar(span.start_s, span.end_s, "outage" if span.ended else "outage-open")
            for span in service.spans
        ]
        word = say_seconds(service.total_s) if service.count else "none seen"
        rows.append(
            Row(
                TOP + place * ROW,
                *label_row(service.service),
                word if service.ended else "never came back",
                tuple(bars),
            )
        )
    told = "; ".join(f"{row.service}: {say_outage(row)}" for row in report.outages) + "."
    window = _find_window(_find_ran(report), axis)
    return Drawing(TOP + len(rows) * ROW + 4, tuple(rows), find_ticks(axis), window, told)


def label_row(text: str) -> tuple[str, str]:
    """The label for a wide page and for a narrow one."""
    return one_line(text, longest=LABEL_LONGEST), one_line(text, longest=BRIEF_LONGEST)


def _find_ran(report: Report) -> list[StepLine]:
    return [line for line in report.steps if line.step.end is not StepEnd.SKIPPED]


def _find_axis(report: Report) -> Axis:
    start = find_start(report)
    ends = [line.step.started_s + line.step.wall_s for line in _find_ran(report)]
    ends += [span.end_s for row in report.outages for span in row.spans]
    return Axis(start, max(max(ends, default=start) - start, 1.0))


def _find_window(ran: Sequence[StepLine], axis: Axis) -> Bar | None:
    steps = [line.step for line in ran if line.step.stage == "window"]
    if not steps:
        return None
    first = min(step.started_s for step in steps)
    return axis.bar(first, max(step.started_s + step.wall_s for step in steps), "window")


def find_ticks(axis: Axis) -> tuple[Tick, ...]:
    """At most six marks, counted from the axis' start."""
    days = math.ceil(axis.length / _STEPS_S[-1] / _MOST_TICKS) * _STEPS_S[-1]
    every = next((s for s in _STEPS_S if axis.length / s <= _MOST_TICKS), days)
    ticks = []
    for number in range(int(axis.length // every) + 1):
        left = axis.place(axis.start + number * every)
        anchor = "start" if left < 4 else "end" if left > 92 else "middle"
        ticks.append(Tick(left, say_clock(number * every), anchor))
    return tuple(ticks)
