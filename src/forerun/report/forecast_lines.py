"""Forecast, score and plan on a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence

from tabulate import tabulate

from forerun.model.estimate import Assumption, Forecast, Quantiles, Score, TrackRecord
from forerun.model.window import WindowPlan
from forerun.report.figures import say_seconds
from forerun.report.forecast_words import say_chance, say_headline, say_past
from forerun.report.plain import one_line

_BOLD = "1"
_YELLOW = "33"
_NIGHTS = ("half of nights", "4 in 5", "19 in 20")
CAUTION = (
    "A forecast from an approximate clone is evidence, not proof, and any time can be exceeded. "
    "Local change control and authorised people decide. Prove a backup by a restore first."
)


class _Page:
    """Lines no wider than `width`, in colour where that is wanted."""

    def __init__(self, width: int, *, colour: bool) -> None:
        self._width = max(width, 40)
        self._colour = colour

    def paint(self, text: str, code: str) -> str:
        return f"\x1b[{code}m{text}\x1b[0m" if self._colour and text else text

    def wrap(self, text: str, indent: str = "") -> list[str]:
        return textwrap.wrap(
            one_line(text),
            self._width,
            initial_indent=indent,
            subsequent_indent=" " * len(indent),
        )

    def table(
        self, title: str, rows: Sequence[Sequence[str]], head: Sequence[str]
    ) -> Iterator[str]:
        if not rows:
            return
        yield ""
        yield self.paint(title, _BOLD)
        cells = [[one_line(cell, longest=160) for cell in row] for row in (head, *rows)]
        fit = _fit_columns(cells, self._width - 2)
        text = tabulate(
            cells[1:],
            headers=cells[0],
            disable_numparse=True,
            maxcolwidths=list(fit),
            maxheadercolwidths=list(fit),
        )
        yield from (f"  {line}".rstrip() for line in text.splitlines())

    def listing(self, title: str, lines: Iterable[str], mark: str, code: str) -> Iterator[str]:
        body = [piece for line in lines for piece in self.wrap(line, f"  {mark} ")]
        if body:
            yield ""
            yield self.paint(title, _BOLD)
            yield from (self.paint(line, code) if code else line for line in body)


def _fit_columns(cells: Sequence[Sequence[str]], width: int) -> tuple[int, ...]:
    """Columns' widths that fit the page: the widest gives way first, down to its longest
    word or six letters."""
    columns = list(zip(*cells, strict=True))
    widths = [max(1, *map(len, column)) for column in columns]
    least = [
        min(wide, max(6, *(len(word) for cell in column for word in cell.split() or [""])))
        for wide, column in zip(widths, columns, strict=True)
    ]
    while _measure(columns, widths) > width:
        room = [wide - low for wide, low in zip(widths, least, strict=True)]
        if max(room) <= 0:
            break
        at = max((wide, number) for number, wide in enumerate(widths) if room[number] > 0)[1]
        widths[at] -= 1
    return tuple(widths)


def _measure(columns: Sequence[Sequence[str]], widths: Sequence[int]) -> int:
    """The table's width as it will be drawn: tabulate gives a heading two letters more than
    its longest line."""
    drawn = 0
    for column, wide in zip(columns, widths, strict=True):
        heading = max((len(line) for line in textwrap.wrap(column[0], wide)), default=0)
        drawn += max(min(wide, max(map(len, column[1:]), default=0)), heading + 2)
    return drawn + 2 * (len(widths) - 1)


def _three(takes: Quantiles) -> list[str]:
    return [say_seconds(takes.p50), say_seconds(takes.p80), say_seconds(takes.p95)]


def render_forecast(forecast: Forecast, *, width: int = 80, colour: bool = False) -> str:
    """The sentences first, then what they rest on."""
    page = _Page(width, colour=colour)
    lines: list[str] = []
    for sentence in say_headline(forecast):
        lines += [page.paint(line, _BOLD) for line in page.wrap(sentence)]
    lines += page.listing("What if", (w.change for w in forecast.wishes), "-", "")
    if not forecast.refused:
        lines += _tell_figures(page, forecast)
    lines += page.listing("What speaks against the forecast", forecast.objections, "*", _YELLOW)
    if not forecast.refused:
        lines += ["", *page.wrap(say_past(forecast.past))]
        lines += page.wrap(
            f"{forecast.draws} draws, seed {forecast.seed}, from {', '.join(forecast.runs)}."
        )
    lines += ["", *page.wrap(CAUTION)]
    return "\n".join(lines) + "\n"


def _tell_figures(page: _Page, forecast: Forecast) -> Iterator[str]:
    whole = [("window", forecast.window), ("outage, any service", forecast.outage)]
    rows = [[name, *_three(takes)] for name, takes in whole if takes is not None]
    rows += [[f"going back: {one.title}", *_three(one.takes)] for one in forecast.back_outs]
    yield from page.table("The night", rows, ("", *_NIGHTS))
    services = [
        [
            one.service,
            *_three(one.total),
            say_seconds(one.longest.p95),
            say_chance(one.within),
            "yes" if one.returns else "not by itself",
        ]
        for one in forecast.services
    ]
    away = ("service", *_NIGHTS, "longest, 19 in 20", "within agreed", "comes back")
    yield from page.table("Away, seen from outside", services, away)
    steps = [
        [one.stage, one.title or one.step, *_three(one.takes), _say_leading(one.parts)]
        for one in forecast.steps
    ]
    yield from page.table("Steps", steps, ("stage", "step", *_NIGHTS, "mostly"))
    shares = [
        [one.name, say_chance(one.share), say_seconds(one.seconds), "+" if one.sign > 0 else "-"]
        for one in forecast.contributors
    ]
    head = ("input", "of the spread", "from low to high", "sign")
    yield from page.table("What the window's spread comes from", shares, head)
    inputs = [[one.name, *_say_input(one), one.basis.value] for one in forecast.assumptions]
    head = ("input", "value", "4 in 5 lie in", "basis")
    yield from page.table("What the forecast rests on", inputs, head)
    yield from page.table("What else may happen", _list_hazards(forecast), (
        "what", "seen", "odds", "at most (19 in 20)", "window then, 19 in 20", "fits",
    ))  # fmt: skip


def _say_leading(parts: Sequence[tuple[str, float]]) -> str:
    whole = sum(seconds for _, seconds in parts)
    if whole <= 0:
        return "-"
    name, seconds = max(parts, key=lambda part: part[1])
    return f"{name} {seconds / whole:.0%}"


def _say_input(one: Assumption) -> tuple[str, str]:
    unit = "" if one.unit == "times" else f" {one.unit}"
    if one.unit == "standard deviations":
        unit = " sd"
    return f"{one.value:.3g}{unit}", f"{one.low:.3g} to {one.high:.3g}"


def _list_hazards(forecast: Forecast) -> list[list[str]]:
    rows = []
    for one in forecast.hazards:
        odds = [f"{one.seen} of {one.of} runs", say_chance(one.chance), say_chance(one.upper)]
        if not one.of:
            odds = ["let happen", "not known", "not known"]
        later = "-" if one.window is None else say_seconds(one.window.p95)
        rows.append([one.title, *odds, later, say_chance(one.fits)])
    return rows


def render_scores(
    scores: Sequence[Score], past: TrackRecord, *, width: int = 80, colour: bool = False
) -> str:
    """What was told against what came."""
    page = _Page(width, colour=colour)
    rows = [
        [
            one.name,
            say_seconds(one.takes.p50),
            f"{say_seconds(one.low)} to {say_seconds(one.high)}",
            say_seconds(one.actual),
            "inside" if one.inside else "outside",
            f"{one.place:.2f}",
            f"{one.log_error:+.2f}",
        ]
        for one in scores
    ]
    head = ("figure", "told: middle", "told: middle 80 %", "came", "", "place", "ln(came/told)")
    lines = list(page.table("Told and come", rows, head))
    lines += ["", *page.wrap(say_past(past))]
    return "\n".join(lines).lstrip("\n") + "\n"


def render_plan(plan: WindowPlan, *, width: int = 80, colour: bool = False) -> str:
    """The night by the clock."""
    page = _Page(width, colour=colour)
    said = f"From {_say_at(plan.begins)} to {_say_at(plan.ends)}."
    if plan.back_out_by:
        said += f" Begin going back by {_say_at(plan.back_out_by)}: {plan.back_out_way}."
    if plan.no_return_p50:
        said += (
            f" The point of no return comes at about {_say_at(plan.no_return_p50)}, in nineteen "
            f"nights of twenty by {_say_at(plan.no_return_p95)}."
        )
    lines = [page.paint(line, _BOLD) for line in page.wrap(said)]
    rows = [
        [
            one.title or one.step,
            _say_at(one.begins_p50),
            _say_at(one.ends_p50),
            _say_at(one.ends_p95),
            ", ".join(
                word
                for word, told in (
                    ("hold point", one.hold_point),
                    ("NO RETURN", one.point_of_no_return),
                )
                if told
            ),
        ]
        for one in plan.lines
    ]
    head = ("step", "begins", "ends", "ends, 19 in 20", "")
    lines += page.table("By the clock", rows, head)
    notices = [[_say_at(one.at, day=True), one.whom, one.what] for one in plan.notices]
    lines += page.table("Whom to tell", notices, ("when", "whom", "what"))
    lines += page.listing("What the plan lacks", plan.objections, "*", _YELLOW)
    lines += ["", *page.wrap(CAUTION)]
    return "\n".join(lines) + "\n"


def _say_at(text: str, *, day: bool = False) -> str:
    """22:47 of 2026-12-05T22:47:10+01:00."""
    return f"{text[:10]} {text[11:16]}" if day else text[11:16]
