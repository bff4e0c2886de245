"""How like production a clone is, and what its upgrade will ask: before, during and after
the rehearsal, in this order: `foretell`, `compare`, `check`.

Nothing here stops a rehearsal: what cannot be compared or foretold is said.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from forerun.distro.registry import DISTROS
from forerun.errors import SurveyFailed
from forerun.model.blueprint import AllowedArchive, Blueprint
from forerun.model.likeness import Agreement, ForetellingCheck, UpgradePlan
from forerun.model.profile import Profile
from forerun.model.survey import CleanSurvey
from forerun.pipeline_bench import Bench
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.guest import Guest
from forerun.stages.fidelity import compare_likeness, compare_plans
from forerun.stages.fidelity_read import read_clone
from forerun.stages.foretell_check import check_foretelling
from forerun.stages.foretell_fetch import Foretelling, foretell_upgrade
from forerun.stages.plan import Planner, read_clone_inputs, read_survey_inputs
from forerun.stages.rehearse import Observed


@dataclass(slots=True)
class Likeness:
    """What one rehearsal found out about its clone, as far as it came."""

    survey: CleanSurvey
    profile: Profile
    copy: Path
    planner: Planner
    gateway: ArchiveGateway
    told: Foretelling = field(default_factory=Foretelling)
    agreements: tuple[Agreement, ...] = ()
    checks: tuple[ForetellingCheck, ...] = ()
    plan: UpgradePlan | None = None

    @property
    def outside_bytes(self) -> int:
        """Bytes fetched from outside this lab host for looking ahead."""
        return self.gateway.reading().outside

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
        self.told = foretell_upgrade(
            self.planner.proxy_port,
            self.survey,
            walked.uris,
            removed=[step.name for step in walked.removes],
            environment=dict(self.profile.environment),
            folder=self.planner.folder,
        )
        return f"{len(self.told.contents)} of {len(walked.uris)} new packages read"

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
        """Compare what was foretold with what the rehearsal met. Without a plan nothing
        was foretold, and nothing can be compared."""
        if self.plan is None or self.plan.reason:
            return
        self.checks = check_foretelling(
            self.told.foretold,
            observed.prompts,
            observed.kept_files,
            survey=self.survey,
            contents=self.told.contents,
            changes=observed.packages,
        )


@contextmanager
def open_likeness(
    bench: Bench,
    run_id: str,
    *,
    survey: CleanSurvey,
    profile: Profile,
    allowed: tuple[AllowedArchive, ...],
    index_age_s: float,
) -> Iterator[Likeness]:
    """With a folder for the lab host's apt, removed when the block ends, and a gateway of
    its own: the clone's may be slowed on purpose."""
    folder = bench.store.machines / f"{run_id}-plan"
    copy = bench.store.surveys / survey.id / "copy.tar"
    entry = bench.store.ledger.note(run_id, "folder", str(folder))
    try:
        folder.mkdir(mode=0o711)
        with ArchiveGateway(bench.store.archive, allowed, index_age_s=index_age_s) as gateway:
            planner = Planner(folder, bench.command, gateway.port)
            yield Likeness(survey, profile, copy, planner, gateway)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        if not folder.exists():
            bench.store.ledger.strike(entry)
