"""What is compared with what: both sides of a comparison, and the form of a subject."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from forerun.model.blueprint import Blueprint
from forerun.model.raw import RawSurvey
from forerun.model.survey import CleanSurvey
from forerun.stages.fidelity_read import CloneFacts

ABSENT_WORD = "absent"


@dataclass(frozen=True, slots=True)
class Judged:
    """What a difference may hide, or, `explained`, why it hides nothing."""

    text: str
    explained: bool = False


def say(text: str) -> Callable[[str, str, str], Judged]:
    """The same judgement of every difference."""
    return lambda name, production, clone: Judged(text)


@dataclass(frozen=True, slots=True)
class Subject:
    """One subject: two tables of things, the `probes` they were read by, and, where the
    tables cannot be compared, the `reason`."""

    name: str
    rule: str
    probes: tuple[str, ...]
    production: Mapping[str, str]
    clone: Mapping[str, str]
    judge: Callable[[str, str, str], Judged]
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Ground:
    """Both sides and the clone's blueprint."""

    survey: CleanSurvey
    facts: CloneFacts
    blueprint: Blueprint
    hollow: frozenset[str] = field(init=False)

    def __post_init__(self) -> None:
        names = frozenset(package.name for package in self.blueprint.recipe.stand_ins)
        object.__setattr__(self, "hollow", names)

    @property
    def clone(self) -> RawSurvey:
        """The clone's facts."""
        return self.facts.survey


Facts = CleanSurvey | RawSurvey
