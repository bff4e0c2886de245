"""Whether a terminal showed the package manager's plan before anything was done: a simulation's
lines, or the plan that a command shows before it asks (apt-get(8))."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from forerun.errors import ForerunError
from forerun.ports.asciicast import read_cast

_PLAN = re.compile(r"(?m)^Inst \S+ .*\(|^\d+ upgraded, \d+ newly installed, \d+ to remove")
_MOST_SHOWN = 4000


def find_plan_shown(casts: Sequence[Path], began_at: str) -> float:
    """Seconds after the trainee's clock began at which a recorded terminal (asciicast v2)
    showed a plan for the first time since; -1 for never. What cannot be read showed none."""
    if not began_at:
        return -1.0
    began = datetime.fromisoformat(began_at).timestamp()
    found = []
    for path in casts:
        with contextlib.suppress(ForerunError):
            found += [at for at in (_search(path, began),) if at >= 0]
    return min(found, default=-1.0)


def _search(path: Path, began: float) -> float:
    cast = read_cast(path)
    offset_s = cast.header.started_s - began
    shown = ""
    for event in cast.events:
        if event.code != "o" or offset_s + event.at_s < 0:
            continue
        shown = (shown + event.text.replace("\r", ""))[-_MOST_SHOWN:]
        if _PLAN.search(shown):
            return round(offset_s + event.at_s, 1)
    return -1.0
