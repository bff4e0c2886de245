"""The order of a procedure, written once.

`walk` yields steps and receives how each ended. A rehearsal, a dry run and a drill are
drivers of the same generator; the generator does no I/O.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass

from forerun.model.observation import Outcome, StepEnd, StepRecord
from forerun.model.profile import OnFailure, Profile, Step


@dataclass(frozen=True, slots=True)
class WalkEnd:
    """How the walk ended, and by which rule."""

    outcome: Outcome
    why: str


def walk(profile: Profile) -> Generator[Step, StepRecord, WalkEnd]:
    """Yield each step in order; the driver sends its record back.

    Rule: a step that did not end well ends the procedure, unless it says `go-on`. A
    stopped step (a person or a policy) always ends it, as abandoned.
    """
    tolerated: list[str] = []
    for step in profile.steps:
        record = yield step
        if record.end is StepEnd.DONE or record.end is StepEnd.SKIPPED:
            continue
        if record.end is StepEnd.STOPPED:
            return WalkEnd(Outcome.ABANDONED, f"{step.name}: {record.message}")
        if step.on_failure is OnFailure.GO_ON and record.end is not StepEnd.UNREACHABLE:
            tolerated.append(step.name)
            continue
        return WalkEnd(Outcome.FAILED, f"{step.name} {record.end.value}: {record.message}")
    if tolerated:
        return WalkEnd(
            Outcome.COMPLETED, f"completed; steps that failed and may: {', '.join(tolerated)}"
        )
    return WalkEnd(Outcome.COMPLETED, "every step ended as expected")
