"""A drill: a training session on a clone, what it asks for, and what became of it.

Words as in exercises of contingency plans (NIST SP 800-84): objectives say what must be
achieved, injects are planned events that change the situation, the debrief compares both.
Durations are seconds; `at_s` counts from when the trainee's clock began, instants are RFC 3339.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum

DRILL_FILE_SCHEMA = "forerun.drill/1"
DRILL_SCHEMA = "forerun.drill-record/1"

# What an objective can be checked by (`drills/checks.py` says how each is told).
CHECK_NAMES = (
    "configuration-taken-off",
    "plan-read",
    "services-rested",
    "services-resumed",
    "services-answer",
    "sources-switched",
    "old-sources-gone",
    "signatures-kept",
    "packages-whole",
    "all-upgraded",
    "one-package-manager",
    "new-kernel-running",
    "no-unit-failed",
    "configuration-as-decided",
    "way-in-kept",
    "procedure-checks-pass",
    "back-out-called-in-time",
    "state-as-before",
    "decision-noted",
)

# What can be let happen in a drill (`drills/injects.py` says how each is done).
INJECT_NAMES = (
    "session-lost",
    "power-cut",
    "root-full",
    "boot-full",
    "login-question",
    "signing-key-missing",
    "signing-key-expired",
    "vendor-without-suite",
    "held-package",
    "service-stays-down",
    "interface-renamed",
    "wrong-answer-given",
    "archive-slow",
    "archive-gone",
    "script-hangs",
    "script-fails",
)


class Moment(Enum):
    """A state of the clone at which an inject may happen. START is before the trainee sees it;
    the others are told by the clone itself."""

    START = "start"
    RESTING = "services-rest"
    SWITCHED = "sources-switched"
    INDEXED = "new-index"
    UNPACKING = "unpacking"
    CONFIGURING = "configuring"
    ASKING = "question-waits"
    RESTARTED = "restarted"


class DrillState(Enum):
    """Where a drill is. PREPARING: the clone is being made. READY: nobody has begun. RUNNING:
    the clock runs. BACKED_OUT: the trainee called the back-out, the clone is at its hold point.
    The rest are ends: FINISHED by the trainee, LEFT when nobody came back, FAILED to be made."""

    PREPARING = "preparing"
    READY = "ready"
    RUNNING = "running"
    BACKED_OUT = "backed-out"
    FINISHED = "finished"
    LEFT = "left"
    FAILED = "failed"

    @property
    def is_open(self) -> bool:
        """Whether the drill goes on, or can."""
        return self not in (DrillState.FINISHED, DrillState.LEFT, DrillState.FAILED)


class Standing(Enum):
    """Of an objective: MET, NOT_YET (it still can be), LOST (in this attempt it no longer can)."""

    MET = "met"
    NOT_YET = "not yet"
    LOST = "lost"


@dataclass(frozen=True, slots=True)
class Hint:
    """A hint: what it says and how many points it costs."""

    text: str
    cost: int = 1


@dataclass(frozen=True, slots=True)
class Objective:
    """What the trainee must achieve. `check` is of CHECK_NAMES; a critical one failed fails
    the drill. `points` are earned when it is met; `why` is the reason told in the debrief,
    `read` where more stands; `hints` go from vague to plain."""

    name: str
    title: str
    check: str
    critical: bool = True
    points: int = 10
    why: str = ""
    read: str = ""
    hints: tuple[Hint, ...] = ()


@dataclass(frozen=True, slots=True)
class Inject:
    """A planned event. `kind` is of INJECT_NAMES; it happens at the moment `when`, in the
    profile's step `step`, or `at_s` seconds after the clock began; exactly one of the three.
    `cue` is what the trainee can notice, `lesson` is told in the debrief, `right` what the
    right way is, `read` where more stands. `limit_s` is the time in which it should be mended,
    0 = none. `always` is true where it is not left to the draw."""

    name: str
    kind: str
    title: str
    when: Moment | None = None
    step: str = ""
    at_s: float = -1.0
    cue: str = ""
    right: str = ""
    lesson: str = ""
    read: str = ""
    limit_s: float = 0.0
    always: bool = False


@dataclass(frozen=True, slots=True)
class Passing:
    """When a drill is passed: every critical objective met, and at least `points_share` of all
    points left after hints; with `within_time` also in the time allowed."""

    points_share: float = 0.7
    within_time: bool = False


@dataclass(frozen=True, slots=True)
class DrillFile:
    """A drill as its file says. `begins_before` names the first step that is the trainee's, ""
    the first of the stage `window`; what comes before it is done for them. `draw` is how many
    of the injects that are not `always` happen; -1 all of them. `time_allowed_s` is for the
    trainee's part; `window_s` is the night's window in the drill, 0 where it has none: the
    latest moment to begin the back-out is counted from its end. `key_points` are told before,
    `debrief` and `read` after it. `digest` is SHA-256 of the file."""

    name: str
    title: str
    level: str
    situation: str
    objectives: tuple[Objective, ...]
    injects: tuple[Inject, ...]
    time_allowed_s: float
    window_s: float
    begins_before: str = ""
    draw: int = -1
    passing: Passing = field(default_factory=Passing)
    key_points: tuple[str, ...] = ()
    debrief: tuple[str, ...] = ()
    read: tuple[str, ...] = ()
    digest: str = ""
    path: str = ""
    schema: str = DRILL_FILE_SCHEMA


@dataclass(frozen=True, slots=True)
class DrillEvent:
    """One line of a drill's event line. `kind`: "state", "inject", "mended", "objective",
    "hint", "shell", "call", "note", "reset", "fetched", "wrong". `attempt` counts from 1."""

    at: str
    at_s: float
    attempt: int
    kind: str
    name: str
    text: str


@dataclass(frozen=True, slots=True)
class Judged:
    """An objective as it stands: with the evidence that decided."""

    name: str
    standing: Standing
    evidence: str
    at_s: float = -1.0


@dataclass(frozen=True, slots=True)
class InjectCourse:
    """What became of an inject: when it happened and when its trouble was gone (-1: not),
    what showed that (`detection`). `why` says why it could not be made to happen."""

    name: str
    struck_s: float = -1.0
    mended_s: float = -1.0
    detection: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True)
class DrillRecord:
    """A drill that was played, or is. `person` is a pseudonym; `seed` drew `drawn`, the names
    of the injects that happen. `reference_s` is what the measured rehearsal's same steps took,
    `latest_s` the latest moment to begin the back-out; 0 where there is none. `resets` are
    (at_s, seconds back at the hold point); `casts` the recorded terminals; `began_s` is
    `began_at` on the lab host's monotonic clock. `passed` and `verdict` stand once it is
    finished."""

    id: str
    drill: DrillFile
    person: str
    state: DrillState
    made_at: str
    host: str
    survey_id: str
    profile: str
    profile_digest: str
    run_id: str = ""
    seed: int = 0
    drawn: tuple[str, ...] = ()
    began_at: str = ""
    began_s: float = 0.0
    finished_at: str = ""
    attempt: int = 1
    spent_s: float = 0.0
    reference_s: float = 0.0
    latest_s: float = 0.0
    cold_start_s: float = 0.0
    resets: tuple[tuple[float, float], ...] = ()
    events: tuple[DrillEvent, ...] = ()
    judged: tuple[Judged, ...] = ()
    injects: tuple[InjectCourse, ...] = ()
    hints: tuple[tuple[str, int], ...] = ()
    casts: tuple[str, ...] = ()
    points: int = 0
    most_points: int = 0
    passed: bool = False
    verdict: str = ""
    forerun_version: str = ""
    schema: str = DRILL_SCHEMA
