"""Where in its life a command is killed: points, and a seeded plan of them.

FORERUN_TESTS_KILLS says which kills of the plan are made: `3` the first three (of the kinds
that come early in a rehearsal), `100` all, `21-40` a piece. FORERUN_TESTS_KILL_SEED is the
plan's seed; without it one is drawn, and it is printed."""

from __future__ import annotations

import os
import random
import secrets
from dataclasses import dataclass

TOTAL = 100
SHORT = 3


@dataclass(frozen=True, slots=True)
class Point:
    """`seen` is a pattern for a line of the run's progress, "" the command's own start;
    "survey" stands for the folder of a survey. The kill follows within `within_s` seconds,
    `after_s` at the earliest. `share` of 100 kills are made there."""

    name: str
    seen: str
    within_s: float
    share: int
    after_s: float = 0.0


def _phase(name: str, kind: str = "started") -> str:
    return rf'"kind": "phase-{kind}".*"phase": "{name}"'


def _step(name: str, kind: str = "started") -> str:
    return rf'"kind": "step-{kind}".*"step": "{name}"'


# The later, the fewer: each kill costs the time until its point.
POINTS = (
    Point("start", "", 2.0, 10),
    Point("survey", "survey", 5.0, 12),
    Point("archives", _phase("archives"), 1.0, 5),
    Point("foretell", _phase("foretell"), 6.0, 10),
    Point("template check", _phase("foretell", "finished"), 0.6, 5),
    Point("clone start", _phase("clone"), 2.5, 16),
    Point("boot", _phase("clone"), 25.0, 10, after_s=2.5),
    Point("settle", _phase("settle"), 6.0, 6),
    Point("seal", _phase("seal"), 2.0, 3),
    Point("likeness", _phase("likeness"), 6.0, 5),
    Point("first step", _step("readiness"), 4.0, 3),
    Point("download", _step("new-index"), 4.0, 3),
    Point("upgrade", _step("upgrade"), 20.0, 4),
    Point("reboot", _step("restart"), 25.0, 4),
    Point("teardown", _step("clean", "finished"), 2.0, 4),
)


@dataclass(frozen=True, slots=True)
class Kill:
    """One kill: so many seconds after its point is seen."""

    number: int
    point: Point
    wait_s: float

    def label(self) -> str:
        """For a test's name."""
        return f"{self.number}-{self.point.name.replace(' ', '-')}"


def plan_kills(seed: int) -> tuple[Kill, ...]:
    """The whole plan: every point as often as its share, in a drawn order that begins with
    one kill each of a command's start or survey, of a clone's start, and of its boot."""
    draw = random.Random(seed)
    points = [point for point in POINTS for _ in range(point.share)]
    draw.shuffle(points)
    first = [draw.choice(("start", "survey", "foretell")), "clone start", "boot"]
    for place, name in enumerate(first):
        found = next(n for n, point in enumerate(points) if n >= place and point.name == name)
        points[place], points[found] = points[found], points[place]
    return tuple(
        Kill(number, point, draw.uniform(point.after_s, point.within_s))
        for number, point in enumerate(points, start=1)
    )


def read_wish(text: str) -> range:
    """Which kills are wanted: "" the short form, "100" so many, "21-40" those. ValueError."""
    if not text.strip():
        return range(1, SHORT + 1)
    first, dash, last = text.strip().partition("-")
    wanted = range(int(first), int(last) + 1) if dash else range(1, int(first) + 1)
    if not (wanted and wanted[0] >= 1 and wanted[-1] <= TOTAL):
        raise ValueError(f"FORERUN_TESTS_KILLS is 1 to {TOTAL} or a piece such as 21-40: {text!r}")
    return wanted


def choose_kills(environment: dict[str, str] | None = None) -> tuple[int, tuple[Kill, ...]]:
    """The seed, and the kills that are to be made."""
    given = dict(os.environ) if environment is None else environment
    seed = int(given.get("FORERUN_TESTS_KILL_SEED") or secrets.randbelow(1_000_000))
    wanted = read_wish(given.get("FORERUN_TESTS_KILLS", ""))
    return seed, tuple(kill for kill in plan_kills(seed) if kill.number in wanted)
