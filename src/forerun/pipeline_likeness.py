"""How like production a clone is, and what its upgrade will ask: before, during and after
the rehearsal, in this order: `foretell`, `compare`, `check`.

Nothing here stops a rehearsal: what cannot be compared or foretold is said.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from forerun.distro.debian_packages import PackageContents
from forerun.distro.registry import DISTROS
from forerun.errors import SurveyFailed
from forerun.model.blueprint import Blueprint
from forerun.model.likeness import (
    Agreement,
    ForetellingCheck,
    Foretold,
    NotLookedAt,
    UpgradePlan,
)
from forerun.model.profile import Profile
from forerun.model.survey import CleanSurvey
from forerun.pipeline_bench import Bench
from forerun.ports.guest import Guest
from forerun.stages.fidelity import compare_likeness, compare_plans
from forerun.stages.fidelity_read import read_clone
from forerun.stages.foretell import foretell
from forerun.stages.foretell_check import check_foretelling
from forerun.stages.foretell_fetch import choose_packages, fetch_contents, list_wanted
from forerun.stages.plan import Planner, read_clone_inputs, read_survey_inputs
from forerun.stages.rehearse import Observed


@dataclass(slots=True)
class Likeness:
    """What one rehearsal found out about its clone, as far as it came."""

    survey: CleanSurvey
    profile: Profile
    copy: Path
    planner: Planner
    foretold: tuple[Foretold, ...] = ()
    not_looked_at: tuple[NotLookedAt, ...] = ()
    agreements: tuple[Agreement, ...] = ()
    foretelling: tuple[ForetellingCheck, ...] = ()
    contents: tuple[PackageContents, ...] = ()
    plan: UpgradePlan | None = None

    def foretell(self) -> str:
        """Plan production's upgrade from its survey, look into the new packages that may
        ask, and say what they will. Returns a line for a person."""
        inputs = read_survey_inputs(self.survey, self.copy)
        self.plan = self.planner.plan_upgrade(inputs, self.profile.sources)
        walked = self.plan
        if any("unhold" in step.script for step in self.profile.steps):
            walked = self.planner.plan_upgrade(inputs, self.profile.sources, holds=False)
        if walked.reason:
            return f"no plan: {walked.reason}"
        choice = choose_packages(self.survey, walked.uris)
        self.contents, unread = fetch_contents(
            self.planner.proxy_port, choice, list_wanted(self.survey), folder=self.planner.folder
        )
        self.not_looked_at = (*choice.left_out, *unread)
        self.foretold = foretell(
            self.survey,
            walked.uris,
            self.contents,
            removed=[step.name for step in walked.removes],
            environment=dict(self.profile.environment),
        )
        return f"{len(self.contents)} of {len(walked.uris)} new packages read"

    def compare(self, guest: Guest, blueprint: Blueprint) -> str:
        """Read the clone as production was read and compare. Returns a line for a person."""
        distro = DISTROS[self.survey.release.family]
        try:
            seen = read_clone(guest, distro, self.survey.entries)
        except SurveyFailed as problem:
            return f"the clone could not be read: {problem.what}"
        agreements = compare_likeness(self.survey, seen, blueprint)
        if self.plan is not None:
            apt = self.survey.find_package("apt")
            own = self.planner.plan_upgrade(read_clone_inputs(guest), self.profile.sources)
            agreements += compare_plans(self.plan, own, own_manager=apt.version if apt else "")
        self.agreements = agreements
        compared = [one for one in agreements if one.total]
        alike = sum(one.alike == one.total for one in compared)
        return f"{alike} of {len(compared)} subjects fully alike"

    def check(self, observed: Observed) -> None:
        """Compare what was foretold with what the rehearsal met."""
        self.foretelling = check_foretelling(
            self.foretold,
            observed.prompts,
            observed.kept_files,
            survey=self.survey,
            contents=self.contents,
            changes=observed.packages,
        )


@contextmanager
def open_likeness(
    bench: Bench,
    run_id: str,
    *,
    survey: CleanSurvey,
    profile: Profile,
    copy: Path,
    proxy_port: int,
) -> Iterator[Likeness]:
    """With a folder of its own for the lab host's apt, removed when the block ends."""
    folder = bench.store.machines / f"{run_id}-plan"
    entry = bench.store.ledger.note(run_id, "folder", str(folder))
    try:
        folder.mkdir(mode=0o711)
        yield Likeness(survey, profile, copy, Planner(folder, bench.command, proxy_port))
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        if not folder.exists():
            bench.store.ledger.strike(entry)
