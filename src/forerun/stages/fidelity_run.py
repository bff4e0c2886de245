"""Comparing a running clone with production, and their plans: the reading and the asking."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from forerun.distro.base import Distro
from forerun.errors import SurveyFailed
from forerun.model.blueprint import Blueprint
from forerun.model.likeness import Agreement, UpgradePlan
from forerun.model.profile import SourcePlan
from forerun.model.survey import CleanSurvey
from forerun.ports.command import Command
from forerun.ports.guest import Guest
from forerun.ports.removal import remove_tree
from forerun.ports.store import Store
from forerun.stages.fidelity import compare_likeness, compare_plans
from forerun.stages.fidelity_read import read_clone
from forerun.stages.plan import Planner, read_clone_inputs, read_survey_inputs


@contextmanager
def open_planner(
    store: Store, run_id: str, command: Command, gateway_port: int
) -> Iterator[Planner]:
    """A planner with a folder of its own (about 150 MB of indexes), noted before it is made
    and removed at the end. The folder lies where apt's own user can get in."""
    folder = store.machines / f"{run_id}-plan"
    entry = store.ledger.note(run_id, "folder", str(folder))
    try:
        folder.mkdir(mode=0o711)
        yield Planner(folder, command, gateway_port)
    finally:
        if remove_tree(folder):
            store.ledger.strike(entry)


@dataclass(frozen=True, slots=True)
class PlannedProduction:
    """Production's plan, from its survey alone, and its own package manager's version."""

    plan: UpgradePlan
    manager: str


def plan_production(
    planner: Planner, survey: CleanSurvey, copy: Path, sources: SourcePlan
) -> PlannedProduction:
    """Needs no clone: it can be asked as soon as the archives are known to answer. `copy`
    is the sanitised copy's tar file."""
    inputs = read_survey_inputs(survey, copy)
    return PlannedProduction(planner.plan_upgrade(inputs, sources), inputs.manager)


def judge_clone(
    guest: Guest, distro: Distro, survey: CleanSurvey, blueprint: Blueprint
) -> tuple[Agreement, ...]:
    """Every subject of likeness, read of the clone before its first step. A clone whose
    probes give nothing to compare is one subject that says so. Raises CloneUnreachable."""
    try:
        facts = read_clone(guest, distro, survey.entries)
    except SurveyFailed as problem:
        why = " ".join(filter(None, (problem.what, problem.where)))
        return (Agreement("the clone", 0, 0, f"not compared: {why}"),)
    return compare_likeness(survey, facts, blueprint)


def judge_plan(
    guest: Guest, planner: Planner, production: PlannedProduction, sources: SourcePlan
) -> tuple[Agreement, ...]:
    """The plan of the clone's own package database against production's; the clone is
    only read. Raises CloneUnreachable."""
    if production.plan.reason:  # nothing to compare with: the clone is not even asked
        return compare_plans(production.plan, UpgradePlan())
    plan = planner.plan_upgrade(read_clone_inputs(guest), sources)
    return compare_plans(production.plan, plan, own_manager=production.manager)
