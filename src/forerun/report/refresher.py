"""When a drill is to be played again, so that what was learnt is not lost.

Half of what was gained is lost after about 6.5 months without use where it is about doing
things rightly, after 13 months where it is about doing them fast (Tatel and Ackerman,
"Procedural skill retention and decay", Psychological Bulletin, doi 10.1037/bul0000481: a
meta-analysis of 457 reports, of skills with a motor part; administrators' work was not looked
at by itself). So six months are common practice here, and no rule of anybody's.
"""

from __future__ import annotations

from calendar import monthrange
from datetime import MAXYEAR, date, timedelta

from forerun.model.drill import DrillRecord, DrillState
from forerun.report.wall_clock import read_instant

REFRESHER_MONTHS = 6
BEFORE_CHANGE_WEEKS = 4

REFRESHER_BASIS = (
    "Common practice, not a rule of law: half of what was gained is lost after about 6.5 months "
    "without use for doing things rightly, after 13 months for doing them fast (Tatel and "
    "Ackerman, Psychological Bulletin, doi 10.1037/bul0000481; skills with a motor part, not "
    "administrators' work by itself)."
)


def is_passed(record: DrillRecord) -> bool:
    """Whether the drill counts as passed: played to its end, and judged so."""
    return record.state is DrillState.FINISHED and record.passed


def find_end(record: DrillRecord) -> date | None:
    """The day on which the drill ended, where it was played; None where that is not on record."""
    instant = read_instant(record.finished_at)
    return instant.date() if instant is not None else None


def find_due(record: DrillRecord) -> date | None:
    """The day by which a passed drill wants its refresher; None for every other drill: what
    was not passed is to be repeated, and no term runs for it."""
    ended = find_end(record) if is_passed(record) else None
    return add_months(ended, REFRESHER_MONTHS) if ended is not None else None


def is_fresh(ended: date, change: date) -> bool:
    """Whether what was practised on the day `ended` lies within the weeks before a real change."""
    return timedelta() <= change - ended <= timedelta(weeks=BEFORE_CHANGE_WEEKS)


def add_months(day: date, months: int) -> date:
    """The same day so many calendar months later; the last one of a month that is too short."""
    years, month = divmod(day.month - 1 + months, 12)
    year = day.year + years
    if year > MAXYEAR:  # only a spoilt record comes here
        return date.max
    return date(year, month + 1, min(day.day, monthrange(year, month + 1)[1]))
