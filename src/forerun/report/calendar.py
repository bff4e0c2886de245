"""The night's plan as a calendar file (iCalendar, RFC 5545).

Instants are written in UTC (form 2 of RFC 5545, 3.3.5): every calendar shows them in its
own place's time, and no time zone's rules need to be carried along.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from forerun.model.window import WindowPlan
from forerun.report.plain import strip_controls

_FOLD = 75  # octets in a line, RFC 5545, 3.1
_BRIEF = timedelta(minutes=5)  # how long a notice is shown


def write_calendar(plan: WindowPlan, *, run: str, host: str, version: str, stamp: datetime) -> str:
    """One VEVENT for the window, one for each step of it and one for each notice; lines end
    in CRLF. `stamp` is when it is written. The same run and name give the same UID, so that
    a newer plan takes an older one's place."""
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        f"PRODID:-//forerun//forerun {_escape(version)}//EN",
        "CALSCALE:GREGORIAN",
    ]
    for name, start, end, title, text in _list_events(plan, host):
        named = uuid.uuid5(uuid.NAMESPACE_URL, f"urn:forerun:{run}:{name}")
        lines += [
            "BEGIN:VEVENT",
            f"UID:{named}",
            f"DTSTAMP:{_say_utc(stamp)}",
            f"DTSTART:{_say_utc(start)}",
            f"DTEND:{_say_utc(end)}",
            f"SUMMARY:{_escape(title)}",
            f"DESCRIPTION:{_escape(text)}",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(f"{folded}\r\n" for line in lines for folded in _fold(line))


def _list_events(plan: WindowPlan, host: str) -> Iterator[tuple[str, datetime, datetime, str, str]]:
    begins, ends = _read(plan.begins), _read(plan.ends)
    if ends <= begins:  # no window was given: the work's own length
        ends = max((_read(line.ends_p95) for line in plan.lines), default=begins + _BRIEF)
    told = f"From rehearsals. {' '.join(plan.objections)}"
    if plan.back_out_by:
        told = f"Begin going back by {plan.back_out_by} ({plan.back_out_way}). {told}"
    yield "window", begins, ends, f"Upgrade of {host}", told
    for line in plan.lines:
        mark = " (point of no return)" if line.point_of_no_return else ""
        start, end = _read(line.begins_p50), _read(line.ends_p50)
        text = f"In nineteen of twenty nights over by {line.ends_p95}."
        yield (
            f"step {line.step}",
            start,
            max(end, start + timedelta(seconds=1)),
            f"{host}: {line.title or line.step}{mark}",
            text,
        )
    for notice in plan.notices:
        at = _read(notice.at)
        yield f"notice {notice.name}", at, at + _BRIEF, f"Tell {notice.whom}", notice.what


def _read(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _say_utc(moment: datetime) -> str:
    return f"{moment.astimezone(UTC):%Y%m%dT%H%M%SZ}"


def _escape(text: str) -> str:
    """TEXT of RFC 5545, 3.3.11; other control characters have no place in it."""
    kept = strip_controls(text)
    for plain, told in (("\\", "\\\\"), (";", "\\;"), (",", "\\,"), ("\n", "\\n")):
        kept = kept.replace(plain, told)
    return kept


def _fold(line: str) -> Iterator[str]:
    """Pieces of at most 75 octets, no character cut, each but the first after a blank."""
    piece, size = "", 0
    for character in line:
        width = len(character.encode("utf-8", "replace"))
        if size + width > _FOLD:
            yield piece
            piece, size = " ", 1
        piece += character
        size += width
    yield piece
