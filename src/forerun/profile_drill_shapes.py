"""The shapes of a drill file and their turn into records.

Keys are those of `model/drill.py` with hyphens. What stands between the parts, such as the
three ways to say when an inject happens, is in `profile_drill`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, ConfigDict, Field, WithJsonSchema

from forerun.model.drill import (
    CHECK_NAMES,
    INJECT_NAMES,
    DrillFile,
    Hint,
    Inject,
    Moment,
    Objective,
    Passing,
)
from forerun.profile_mistakes import offer, show
from forerun.profile_shapes import Shape
from forerun.profile_values import (
    Count,
    Draw,
    Duration,
    Flag,
    Line,
    Name,
    Points,
    Prose,
    Share,
    SomeTime,
)

WAYS_TO_HAPPEN = ("when", "step", "at")
USUAL_POINTS = 10
USUAL_COST = 1


def _need_known(known: Sequence[str]) -> Callable[[object], str]:
    """A parser for one of `known`; what is none is told as for other closed sets."""

    def need(value: object) -> str:
        if isinstance(value, str) and value in known:
            return value
        if value is None:
            raise ValueError(f"nothing is written here {offer('', known)}")
        raise ValueError(f"{show(value)!r} is not known {offer(str(value), known)}")

    return need


CheckName = Annotated[
    str,
    BeforeValidator(_need_known(CHECK_NAMES)),
    WithJsonSchema({"type": "string", "enum": list(CHECK_NAMES)}),
]
InjectKind = Annotated[
    str,
    BeforeValidator(_need_known(INJECT_NAMES)),
    WithJsonSchema({"type": "string", "enum": list(INJECT_NAMES)}),
]
_NONE: Any = Field(default=None)  # a key that is not written says nothing


class HintShape(Shape):
    """One hint and what it costs, in points."""

    hint: Prose
    costs: Points = USUAL_COST

    def record(self) -> Hint:
        """The frozen record."""
        return Hint(self.hint, self.costs)


class ObjectiveShape(Shape):
    """What the trainee must achieve."""

    objective: Name
    title: Line
    check: CheckName
    critical: Flag = True
    points: Count = USUAL_POINTS
    why: Prose = ""
    read: Line = ""
    hints: list[HintShape] = Field(default=[])

    def record(self) -> Objective:
        """The frozen record."""
        return Objective(
            name=self.objective,
            title=self.title,
            check=self.check,
            critical=self.critical,
            points=self.points,
            why=self.why,
            read=self.read,
            hints=tuple(hint.record() for hint in self.hints),
        )


class InjectShape(Shape):
    """A planned event; exactly one of `when`, `step` and `at` says when it happens."""

    model_config = ConfigDict(
        json_schema_extra={"oneOf": [{"required": [way]} for way in WAYS_TO_HAPPEN]}
    )

    inject: Name
    kind: InjectKind
    title: Line
    when: Moment = _NONE
    step: Name = ""
    at: Duration = -1.0
    cue: Prose
    right: Prose
    lesson: Prose
    read: Line = ""
    limit: SomeTime = 0.0
    always: Flag = False

    def record(self) -> Inject:
        """The frozen record."""
        return Inject(
            name=self.inject,
            kind=self.kind,
            title=self.title,
            when=self.when,
            step=self.step,
            at_s=self.at,
            cue=self.cue,
            right=self.right,
            lesson=self.lesson,
            read=self.read,
            limit_s=self.limit,
            always=self.always,
        )


class PassingShape(Shape):
    """When the drill is passed, beside every critical objective."""

    points: Share = 0.7
    in_time: Flag = False

    def record(self) -> Passing:
        """The frozen record."""
        return Passing(self.points, self.in_time)


class DrillShape(Shape):
    """A whole drill file."""

    schema_: Literal["forerun.drill/1"] = Field(alias="schema")
    drill: Name
    title: Line
    level: Literal["observe", "supervised", "alone", "assess"]
    situation: Prose
    time_allowed: SomeTime
    window: SomeTime = 0.0
    begins_before: Name = ""
    draw: Draw = -1
    passing: PassingShape = PassingShape()
    objectives: list[ObjectiveShape] = Field(min_length=1)
    injects: list[InjectShape] = Field(default=[])
    key_points: list[Line] = Field(default=[])
    debrief: list[Line] = Field(default=[])
    read: list[Line] = Field(default=[])

    def record(self, *, digest: str, path: str) -> DrillFile:
        """The frozen record; `digest` is SHA-256 of the file."""
        return DrillFile(
            name=self.drill,
            title=self.title,
            level=self.level,
            situation=self.situation,
            objectives=tuple(objective.record() for objective in self.objectives),
            injects=tuple(inject.record() for inject in self.injects),
            time_allowed_s=self.time_allowed,
            window_s=self.window,
            begins_before=self.begins_before,
            draw=self.draw,
            passing=self.passing.record(),
            key_points=tuple(self.key_points),
            debrief=tuple(self.debrief),
            read=tuple(self.read),
            digest=digest,
            path=path,
        )
