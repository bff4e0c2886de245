"""Whether the lab host's wall clock was set between two commands.

Retention goes by the wall clock, for its ends are dates. A clock that is set forward by
mistake would have copies deleted for good before their time. Within one boot the time that
really passed is known (proc(5), uptime): a clock that moved otherwise is doubted for a day,
or until it is back. Across boots nobody knows, and the clock is believed.
"""

from __future__ import annotations

import contextlib
import json
import math
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path

from forerun.errors import NoRoom
from forerun.ports.labhost import LabHost
from forerun.ports.store import Store, write_durably

JUMP_S = 3600.0  # NTP slews by 500 ppm at most: 43 s a day, an hour in 83 days
DOUBT_S = 86400.0
_NAME = "clock.json"


@dataclass(frozen=True, slots=True)
class ClockMark:
    """Where the wall clock stood (seconds since 1970) at an uptime of one boot, in seconds;
    `doubted_at_s` the uptime since which it is doubted, -1 for not."""

    boot: str
    uptime_s: float
    wall_s: float
    doubted_at_s: float = -1.0


@dataclass(frozen=True, slots=True)
class ClockFinding:
    """The mark to keep, and by how many seconds the clock was set; 0 while it is believed."""

    mark: ClockMark
    moved_s: float


def judge_clock(kept: ClockMark | None, now: ClockMark) -> ClockFinding:
    """Rules, the first that fits: nothing kept of this boot, believed; it ran with the
    uptime, believed; doubted for a day, believed from now on; else doubted."""
    if kept is None or kept.boot != now.boot:
        return ClockFinding(now, 0.0)
    moved = (now.wall_s - kept.wall_s) - (now.uptime_s - kept.uptime_s)
    if abs(moved) <= JUMP_S:
        return ClockFinding(now, 0.0)
    since = kept.doubted_at_s if kept.doubted_at_s >= 0 else now.uptime_s
    if now.uptime_s - since >= DOUBT_S:
        return ClockFinding(now, 0.0)
    return ClockFinding(replace(kept, doubted_at_s=since), moved)


def watch_clock(store: Store, lab: LabHost, now: datetime) -> float:
    """By how many seconds the wall clock was set since an earlier command; 0 while there is
    no reason to doubt it."""
    path = store.root / _NAME
    mark = ClockMark(lab.boot_id(), lab.uptime_s(), now.timestamp())
    finding = judge_clock(_read(path), mark)
    with contextlib.suppress(NoRoom):  # then the next command knows less, no more
        write_durably(path, json.dumps(asdict(finding.mark)).encode("ascii"))
    return finding.moved_s


def _read(path: Path) -> ClockMark | None:
    """The kept mark; a file that is absent or damaged keeps none."""
    try:
        kept = ClockMark(**json.loads(path.read_bytes()))
        figures = (kept.uptime_s, kept.wall_s, kept.doubted_at_s)
        return kept if all(math.isfinite(one) for one in figures) else None
    except (OSError, ValueError, TypeError):
        return None
