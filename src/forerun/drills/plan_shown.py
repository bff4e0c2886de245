"""Whether a terminal showed the package manager's plan before anything was done: a simulation's
lines, or the plan that a command shows before it asks (apt-get(8))."""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

_PLAN = re.compile(r"(?m)^Inst \S+ .*\(|^\d+ upgraded, \d+ newly installed, \d+ to remove")


def find_plan_shown(casts: Sequence[Path], began_at: str) -> float:
    """Seconds after the trainee's clock began at which a recorded terminal (asciicast v2)
    showed a plan for the first time since; -1 for never."""
    if not began_at:
        return -1.0
    began = datetime.fromisoformat(began_at).timestamp()
    found = [at for path in casts if (at := _search(path, began)) >= 0]
    return min(found, default=-1.0)


def _search(path: Path, began: float) -> float:
    lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    shown = ""
    with contextlib.suppress(ValueError, LookupError, TypeError):  # a line cut short ends it
        started = float(json.loads(lines[0])["timestamp"])
        for line in lines[1:]:
            at, code, text = json.loads(line)
            if code != "o":
                continue
            shown = (shown + str(text).replace("\r", ""))[-4000:]
            since = started + float(at) - began
            if since >= 0 and _PLAN.search(shown):
                return round(since, 1)
            if since < 0:
                shown = ""
    return -1.0
