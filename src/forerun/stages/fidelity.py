"""How like production a clone is: subject by subject, what agrees and what does not. Pure.

Production's facts are sanitised, the clone's are its own, so only what sanitising leaves
alone, or does to both alike, is compared. Each subject is a table from a thing's name to
what is said of it; a thing is alike when both sides say the same. A difference says what
may go unseen because of it, or why it hides nothing; neither kind counts as alike. What
one side could not read is not compared, and nothing to compare is no agreement.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from forerun.model.blueprint import Blueprint
from forerun.model.likeness import Agreement, Difference, PlannedStep, UpgradePlan
from forerun.model.survey import CleanSurvey
from forerun.stages.fidelity_ground import ABSENT_WORD, Ground, Judged, Subject
from forerun.stages.fidelity_read import CloneFacts
from forerun.stages.fidelity_subjects import list_subjects

_Judge = Callable[[str, str, str], Judged]


@dataclass(frozen=True, slots=True)
class _Sides:
    """Why a side could not be read, by the probe's name."""

    production: Mapping[str, str]
    clone: Mapping[str, str]

    def find_reason(self, probes: tuple[str, ...]) -> str:
        for side, rows in (("production", self.production), ("the clone", self.clone)):
            for probe in probes:
                if probe in rows:
                    return f"not read of {side}: {rows[probe]}"
        return ""


def compare_likeness(
    production: CleanSurvey, clone: CloneFacts, blueprint: Blueprint
) -> tuple[Agreement, ...]:
    """One agreement for each subject, those that could not be compared among them."""
    sides = _Sides(
        {row.path: row.reason for row in production.not_readable},
        {row.path: row.reason for row in clone.survey.not_readable},
    )
    ground = Ground(production, clone, blueprint)
    return tuple(_compare_subject(subject, sides) for subject in list_subjects(ground))


def _compare_subject(subject: Subject, sides: _Sides) -> Agreement:
    reason = sides.find_reason(subject.probes) or subject.reason
    if reason:
        return Agreement(subject.name, 0, 0, f"not compared: {reason}")
    return compare_tables(
        subject.name, subject.rule, subject.production, subject.clone, subject.judge
    )


def compare_tables(
    name: str,
    rule: str,
    production: Mapping[str, str],
    clone: Mapping[str, str],
    judge: _Judge,
) -> Agreement:
    """The agreement of two tables; every thing that either side has counts once."""
    things = sorted(production.keys() | clone.keys())
    if not things:
        return Agreement(name, 0, 0, "not compared: there is nothing of the kind on either side")
    differences: list[Difference] = []
    for thing in things:
        here, there = production.get(thing, ABSENT_WORD), clone.get(thing, ABSENT_WORD)
        if here != there:
            judged = judge(thing, here, there)
            differences.append(Difference(thing, here, there, judged.text, judged.explained))
    return Agreement(name, len(things) - len(differences), len(things), rule, tuple(differences))


PLAN_RULE = (
    "one thing is a package that either plan installs, upgrades, downgrades, removes or keeps "
    "back; alike when action, old and new version are the same. Both plans were made by the lab "
    "host's package manager from the same indexes with the same settings: production's from its "
    "survey, the clone's from the clone's own package database"
)
FIRST_RULE = "as the upgrade plan, for the upgrade that brings no new package and removes none"


def compare_plans(
    production: UpgradePlan, clone: UpgradePlan, *, own_manager: str = ""
) -> tuple[Agreement, ...]:
    """The whole plan and its first part. `own_manager` is the version of the package
    manager on production: another one than planned here may plan otherwise."""
    names = ("upgrade plan", "upgrade plan without new packages")
    for side, plan in (("production", production), ("the clone", clone)):
        if plan.reason:
            why = f"not compared: no plan for {side}: {plan.reason}"
            return tuple(Agreement(name, 0, 0, why) for name in names)
    extra = (*_walk_problems(production, clone), *_note_manager(production, own_manager))
    whole = compare_tables(
        names[0], PLAN_RULE, _list_steps(production), _list_steps(clone), _judge_step
    )
    first = compare_tables(
        names[1],
        FIRST_RULE,
        {step.name: _say_step(step) for step in production.first_part},
        {step.name: _say_step(step) for step in clone.first_part},
        _judge_step,
    )
    return (
        Agreement(whole.subject, whole.alike, whole.total, whole.rule, whole.differences + extra),
        first,
    )


def _list_steps(plan: UpgradePlan) -> dict[str, str]:
    return {
        **{name: "kept back" for name in plan.kept},
        **{step.name: _say_step(step) for step in plan.steps},
    }


def _say_step(step: PlannedStep) -> str:
    return f"{step.action} {' to '.join(filter(None, (step.old, step.new)))}"


def _judge_step(name: str, production: str, clone: str) -> Judged:
    return Judged(
        f"what production's upgrade does with {name}, and what that asks or breaks, was not "
        "rehearsed as it will be"
    )


def _walk_problems(production: UpgradePlan, clone: UpgradePlan) -> Iterator[Difference]:
    for line in dict.fromkeys(production.problems + clone.problems):
        here, there = (
            "said" if line in plan.problems else "not said" for plan in (production, clone)
        )
        yield Difference(line, here, there, "an archive that is left out may change the plan")


def _note_manager(plan: UpgradePlan, own: str) -> Iterator[Difference]:
    if own and own != plan.manager:
        yield Difference(
            "version of the package manager that planned",
            own,
            f"{plan.manager} (lab host)",
            "another version may choose other packages; both plans were made by the same one",
        )
