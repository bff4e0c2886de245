"""How like production a clone is, and what its upgrade will ask: before, during and after
the rehearsal, in this order: `foretell`, `compare`, `check`.

Nothing here stops a rehearsal: what cannot be compared or foretold is said.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from forerun.distro.registry import DISTROS
from forerun.model.blueprint import AllowedArchive, Blueprint
from forerun.model.likeness import Agreement, ForetellingCheck
from forerun.model.profile import Profile
from forerun.model.survey import CleanSurvey
from forerun.pipeline_bench import Bench
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.guest import Guest
from forerun.stages.fidelity_run import (
    PlannedProduction,
    judge_clone,
    judge_plan,
    open_planner,
    plan_production,
)
from forerun.stages.foretell_check import check_foretelling
from forerun.stages.foretell_fetch import Foretelling, foretell_upgrade
from forerun.stages.plan import Planner, read_survey_inputs
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
    production: PlannedProduction | None = None

    @property
    def outside_bytes(self) -> int:
        """Bytes fetched from outside this lab host for looking ahead."""
        return self.gateway.reading().outside

    def foretell(self) -> str:
        """Plan production's upgrade from its survey, look into the new packages that may
        ask, and say what they will. Returns a line for a person."""
        sources = self.profile.sources
        self.production = plan_production(self.planner, self.survey, self.copy, sources)
        walked = self.production.plan
        if any("unhold" in step.script for step in self.profile.steps):
            inputs = read_survey_inputs(self.survey, self.copy)
            walked = self.planner.plan_upgrade(inputs, sources, holds=False)
        if walked.reason:
            return f"no plan: {walked.reason}"
        self.told = foretell_upgrade(
            self.gateway.port,
            self.survey,
            walked.uris,
            removed=[step.name for step in walked.removes],
            environment=dict(self.profile.environment),
            folder=self.planner.folder,
        )
        return f"{len(self.told.contents)} of {len(walked.uris)} new packages read"

    def compare(self, guest: Guest, blueprint: Blueprint) -> str:
        """Read the clone as production was read and compare. Returns a line for a person.

        Raises CloneUnreachable."""
        distro = DISTROS[self.survey.release.family]
        self.agreements = judge_clone(guest, distro, self.survey, blueprint)
        if self.production is not None:
            self.agreements += judge_plan(
                guest, self.planner, self.production, self.profile.sources
            )
        compared = [one for one in self.agreements if one.total]
        alike = sum(one.alike == one.total for one in compared)
        return f"{alike} of {len(compared)} subjects fully alike"

    def check(self, observed: Observed) -> None:
        """Compare what was foretold with what the rehearsal met. Without a plan nothing
        was foretold, and nothing can be compared."""
        if self.production is None or self.production.plan.reason:
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
    """With a folder for the lab host's apt and a gateway of its own: the clone's may be
    slowed on purpose."""
    copy = bench.store.surveys / survey.id / "copy.tar"
    with (
        ArchiveGateway(bench.store.archive, allowed, index_age_s=index_age_s) as gateway,
        open_planner(bench.store, run_id, bench.command, gateway.port) as planner,
    ):
        yield Likeness(survey, profile, copy, planner, gateway)
