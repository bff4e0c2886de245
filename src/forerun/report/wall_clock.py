"""Clock times of the night in words. Instants are RFC 3339 with the place's own offset."""

from __future__ import annotations

import math
from datetime import datetime

from forerun.report.plain import one_line

_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip
NO_TIME = "–"  # noqa: RUF001 - an en dash is what a timetable prints for no time


def read_instant(text: str) -> datetime | None:
    """The instant; None for a text that is none or has no offset."""
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        return None
    return instant if instant.tzinfo is not None else None


def say_time(text: str, *, since: str = "") -> str:
    """22:04; with the day where it is another than that of `since`: Sun 00:12. A text that
    is no instant is shown as it is, a missing one as a dash."""
    instant, first = read_instant(text), read_instant(since)
    if instant is None:
        return one_line(text, longest=40) or NO_TIME
    clock = f"{instant:%H:%M}"
    if first is not None and instant.date() != first.date():
        return f"{_DAYS[instant.weekday()][:3]} {clock}"
    return clock


def say_day(text: str) -> str:
    """Saturday 14 March 2026, 22:00 (UTC+01:00)."""
    instant = read_instant(text)
    if instant is None:
        return one_line(text, longest=40) or NO_TIME
    day = f"{_DAYS[instant.weekday()]} {instant.day} {_MONTHS[instant.month - 1]} {instant.year}"
    return f"{day}, {instant:%H:%M} ({instant.tzname() or 'UTC'})"


def say_aloud(seconds: float) -> str:
    """A duration to be read aloud, never shorter than it is: 40 seconds; 7 minutes;
    1 hour 20 minutes."""
    if seconds < 90:
        whole = max(math.ceil(seconds), 0)
        return f"{whole} second{'' if whole == 1 else 's'}"
    minutes = math.ceil(seconds / 60)
    if minutes < 60:
        return f"{minutes} minutes"
    hours, rest = divmod(minutes, 60)
    hour = f"{hours} hour{'' if hours == 1 else 's'}"
    return f"{hour} {rest} minute{'' if rest == 1 else 's'}" if rest else hour
