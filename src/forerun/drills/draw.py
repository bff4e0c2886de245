"""Which injects happen in a drill: drawn by a seed, so that a group gets the same night or
each another one."""

from __future__ import annotations

import random

from forerun.model.drill import DrillFile, DrillRecord, Inject


def draw_injects(drill: DrillFile, seed: int) -> tuple[str, ...]:
    """Names of the injects that happen, in the file's order: all that always do, and as many
    of the others as the file says, the same for the same seed."""
    free = [inject.name for inject in drill.injects if not inject.always]
    count = len(free) if drill.draw < 0 else min(drill.draw, len(free))
    # Not for secrets: the same seed has to give the same night on every machine.
    drawn = set(random.Random(seed).sample(free, count))  # noqa: S311
    return tuple(one.name for one in drill.injects if one.always or one.name in drawn)


def list_drawn(record: DrillRecord) -> tuple[Inject, ...]:
    """The injects that happen in that drill, in the file's order."""
    return tuple(one for one in record.drill.injects if one.name in record.drawn)
