"""Figures in words: seconds, bytes and shares, the same in every rendering.

Sizes use decimal prefixes, 1 MB = 1 000 000 bytes (ISO/IEC 80000-13), as package
managers do. A figure that was not measured is `None` here and says so.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator

from forerun.model.observation import RunRecord, WayEnd
from forerun.report.sections import Figure, Spread

NOT_MEASURED = "not measured"
_INSTANT = re.compile(r"^(\d{4}-\d\d-\d\d)T(\d\d:\d\d:\d\d)Z$")
_PREFIXES = ((10**12, "TB"), (10**9, "GB"), (10**6, "MB"), (10**3, "kB"))


def known(value: float) -> float | None:
    """A record's figure, or None where the record says -1: not measured."""
    return None if value < 0 else value


def known_bytes(value: int) -> int | None:
    """A record's byte count, or None where the record says -1: not measured."""
    return None if value < 0 else value


def say_seal(record: RunRecord) -> str:
    """Whether the clone was shown to be sealed before its first step, in one sentence."""
    if not record.ways_tried:
        return "Ways out of the clone were not tried: whether it was sealed is not on record."
    found = Counter(way.result for way in record.ways_tried)
    tried = len(record.ways_tried) - found[WayEnd.NOT_TRIED]
    said = f"{found[WayEnd.OPEN]} open, {found[WayEnd.CLOSED]} closed"
    if found[WayEnd.REFUSED]:
        said += f", {found[WayEnd.REFUSED]} refused by the archive gateway"
    if found[WayEnd.NOT_TRIED]:
        said += f"; {found[WayEnd.NOT_TRIED]} more could not be tried"
    return (
        f"{count_of(tried, 'way')} out of the clone {'was' if tried == 1 else 'were'} tried from "
        f"inside before the first step: {said}."
    )


def list_ways(record: RunRecord) -> Iterator[tuple[str, str, str, str]]:
    """A row for each way out: what, where, what came of it, and what was seen."""
    for way in record.ways_tried:
        port = f" {way.port}" if way.port else ""
        where = f"{way.address} {way.protocol}{port}".strip()
        yield way.name, where, way.result.value, way.detail


def say_seconds(value: float | None) -> str:
    """3.4 s; 45 s; 10 min 56 s; 1 h 04 min 10 s."""
    if value is None:
        return NOT_MEASURED
    if value < 0:
        return f"-{say_seconds(-value)}"
    if value < 9.95:
        return f"{value:.1f} s"
    whole = round(value)
    if whole < 60:
        return f"{whole} s"
    minutes, seconds = divmod(whole, 60)
    if minutes < 60:
        return f"{minutes} min {seconds:02d} s"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min {seconds:02d} s"


def say_tenths(value: float | None) -> str:
    """24.2 s, for parts that must add up."""
    return NOT_MEASURED if value is None else f"{value:.1f} s"


def say_instant(text: str) -> str:
    """2026-03-14 22:03:12 for 2026-03-14T22:03:12Z (RFC 3339); other text as it is."""
    return _INSTANT.sub(r"\1 \2", text)


def say_clock(value: float | None) -> str:
    """0:10:56, hours without a leading zero."""
    if value is None:
        return "–"  # noqa: RUF001 - an en dash is what a timetable prints for no time
    whole = round(max(value, 0))
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def say_bytes(value: int | None) -> str:
    """999 B; 12.3 kB; 203 MB."""
    if value is None:
        return NOT_MEASURED
    for size, prefix in _PREFIXES:
        if abs(value) >= size:
            amount = value / size
            return f"{amount:.0f} {prefix}" if abs(amount) >= 99.95 else f"{amount:.1f} {prefix}"
    return f"{value} B"


def say_share(value: float | None) -> str:
    """0.42 %; 12.3 %."""
    if value is None:
        return NOT_MEASURED
    percent = value * 100
    return f"{percent:.2f} %" if abs(percent) < 10 else f"{percent:.1f} %"


def say_count(value: float | None) -> str:
    """A whole number."""
    return NOT_MEASURED if value is None else f"{value:.0f}"


def say_spread(spread: Spread | None) -> str:
    """3.1 s to 4.0 s in 3 runs; or that there is no spread."""
    if spread is None:
        return "one run only: no spread"
    return f"{say_seconds(spread.low)} to {say_seconds(spread.high)} in {spread.runs} runs"


def say_figure(figure: Figure) -> str:
    """A figure's value with its unit, and its resolution where it has one."""
    if figure.unit == "s":
        said = say_seconds(figure.value)
    elif figure.unit == "bytes":
        said = say_bytes(None if figure.value is None else int(figure.value))
    else:
        said = say_count(figure.value)
    if figure.resolution_s is not None and figure.value is not None:
        said += f" ±{figure.resolution_s:g} s"
    return said


def count_of(number: int, noun: str, plural: str = "") -> str:
    """1 check; 2 checks; no checks."""
    many = plural or noun + "s"
    return f"no {many}" if number == 0 else f"{number} {noun if number == 1 else many}"


def times_of(number: int) -> str:
    """once; twice; 3 times."""
    return {1: "once", 2: "twice"}.get(number, f"{number} times")
