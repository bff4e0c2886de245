"""One rehearsal from its request to its record."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from contextlib import ExitStack
from functools import partial
from pathlib import Path

from forerun import __version__
from forerun.errors import ForerunError, Interrupted
from forerun.events import Notice, Sink
from forerun.model.observation import (
    GapSeen,
    LabFacts,
    Outcome,
    RunRecord,
    Teardown,
)
from forerun.pipeline_bench import Bench
from forerun.pipeline_clone import CloneRun
from forerun.pipeline_leaks import check_clone
from forerun.pipeline_likeness import Likeness, open_likeness
from forerun.pipeline_request import RehearsalRequest
from forerun.pipeline_walk import Walk
from forerun.ports.clock import format_instant
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.store import Store
from forerun.stages.back_out import REBUILD_ENDING
from forerun.stages.build import Clone, Yard
from forerun.stages.measure import find_outages
from forerun.stages.rehearse import Observed
from forerun.stages.upgrade import WalkEnd


class RehearsalRun(CloneRun):
    """One rehearsal from its request to its record."""

    def __init__(self, request: RehearsalRequest, bench: Bench, sink: Sink) -> None:
        run_id = bench.store.draw_id("run", bench.clock.now(), bench.store.runs)
        super().__init__(request, bench, sink, run_id)
        self.observed = Observed()
        self.end: WalkEnd | None = None
        self.walk: Walk | None = None
        self.likeness: Likeness | None = None

    def on_archives(self, stack: ExitStack) -> None:
        """What the upgrade will ask is told before it is tried."""
        self.likeness = stack.enter_context(
            open_likeness(
                self.bench,
                self.id,
                survey=self.request.survey,
                profile=self.request.profile,
                allowed=self.need_blueprint().allowed,
                index_age_s=self.request.index_age_s,
            )
        )
        stack.callback(self._count_outside)
        self._look_ahead("foretell", "what the upgrade will ask", self._likeness().foretell)

    def on_settled(self, clone: Clone) -> None:
        """Originals are looked for, and how like the clone is to the survey."""
        self._scan_clone(clone)
        self._look_ahead(
            "likeness",
            "the clone is compared with the survey",
            lambda: self._likeness().compare(clone.guest, self.need_blueprint()),
        )

    def _count_outside(self) -> None:
        self.outside_bytes += self._likeness().outside_bytes

    def on_clone(self, clone: Clone, folder: Path, yard: Yard, gateway: ArchiveGateway) -> None:
        """Walk the profile, then try the ways back where that is wanted."""
        request = self.request
        walk = Walk(
            request,
            self.bench,
            yard,
            gateway,
            clone=clone,
            folder=folder,
            sink=self.sink,
            origin_s=self.origin_s,
            expected_s=find_expected(self.bench.store, request, self.accelerator.name),
        )
        self.walk, self.observed = walk, walk.rehearsal.observed
        self.end = walk.run()
        self._likeness().check(self.observed)
        if self.template is not None:
            walk.back_out(self.need_blueprint(), self.template, partial(self.try_seal, gateway))

    def _scan_clone(self, clone: Clone) -> None:
        request = self.request
        if request.originals is None:
            return
        with self.phase("leaks", "originals are looked for on the clone's disks") as phase:
            scanner = request.make_scanner(request.originals)
            check_clone(scanner, clone, self.bench.command)
        self.preparation.append(("leaks", phase.took_s))

    def _look_ahead(self, name: str, detail: str, look: Callable[[], str]) -> None:
        with self.phase(name, detail) as phase:
            said = look()
        self.preparation.append((name, phase.took_s))
        now = self.bench.clock.monotonic() - self.origin_s
        self.sink.emit(Notice(now, "note", f"{name}: {said}"))

    def _likeness(self) -> Likeness:
        if self.likeness is None:
            raise ValueError("likeness is opened with the gateway")
        return self.likeness

    def record(self, failure: BaseException | None) -> RunRecord:
        """What was observed, complete or not."""
        request, bench = self.request, self.bench
        if self.end is not None and failure is None:
            outcome, why = self.end.outcome, self.end.why
        else:
            outcome, why = Outcome.ABANDONED, say_failure(failure)
        probes = self.walk.prober.samples() if self.walk else ()
        entries = [
            entry
            for run in (self.id, f"{self.id}{REBUILD_ENDING}")
            for entry in bench.store.ledger.find(run, with_gone=True)
        ]
        blueprint, likeness = self.blueprint, self.likeness
        release = request.survey.release
        return RunRecord(
            id=self.id,
            started_at=self.started_at,
            finished_at=format_instant(bench.clock.now()),
            host=request.site.name or request.survey.host,
            survey_id=request.survey.id,
            profile=request.profile.name,
            profile_digest=request.profile.digest,
            site_digest=request.site.digest,
            copy_approved_by=self.approval.by if self.approval else "",
            outcome=outcome,
            why=why,
            template_id=self.template.id if self.template else "",
            release_before=f"{release.title} {release.point}".strip(),
            release_after=self.observed.release_after,
            lab=LabFacts(
                self.accelerator.name,
                self.accelerator.why,
                bench.lab.cpus(),
                bench.lab.memory_bytes()[0],
                self.hypervisor_name,
            ),
            clone_cpus=request.cpus,
            clone_memory_bytes=request.memory_bytes,
            preparation=tuple(self.preparation),
            steps=tuple(self.observed.steps),
            prompts=tuple(self.observed.prompts),
            checks=tuple(self.observed.checks),
            packages=self.observed.packages,
            disk=tuple(self.walk.disk.samples) if self.walk else (),
            holds=tuple(self.walk.trials.holds) if self.walk else (),
            faults=tuple(self.walk.trials.faults) if self.walk else (),
            back_outs=tuple(self.walk.trials.back_outs) if self.walk else (),
            speeds=tuple(self.walk.speeds) if self.walk else (),
            probes=probes,
            outages=find_outages(probes, self.observed.steps),
            reboots=tuple(self.observed.reboots),
            kept_files=self.observed.kept_files,
            fidelity=tuple(
                GapSeen(gap.subject, gap.state, gap.note)
                for gap in (blueprint.gaps if blueprint else ())
            ),
            agreements=likeness.agreements if likeness else (),
            foretold=likeness.told.foretold if likeness else (),
            foretelling=likeness.checks if likeness else (),
            not_looked_at=likeness.told.not_looked_at if likeness else (),
            seen=tuple(self.observed.seen),
            inventories=tuple(self.observed.inventories),
            ways_tried=self.ways_tried,
            rate_limit_bits=request.rate_limit_bits,
            teardown=Teardown(
                created=tuple(entry.label() for entry in entries),
                left=tuple(e.label() for e in entries if not e.gone and not e.kept),
                kept=tuple(e.label() for e in entries if not e.gone and e.kept),
            ),
            forerun_version=__version__,
        )


def say_failure(failure: BaseException | None) -> str:
    """Why a run was cut short, in one line."""
    if isinstance(failure, Interrupted):
        return "interrupted"
    if isinstance(failure, ForerunError):
        return failure.what + (f" ({failure.found})" if failure.found else "")
    return type(failure).__name__ if failure else "ended before the first step"


def find_expected(store: Store, request: RehearsalRequest, accelerator: str) -> dict[str, float]:
    """Seconds each step took in the newest comparable completed run, for progress only."""
    for run_id in reversed(store.find_runs()):
        with contextlib.suppress(ForerunError):
            run = store.load_run(run_id)
            same = (run.profile_digest, run.lab.accelerator, run.clone_cpus) == (
                request.profile.digest,
                accelerator,
                request.cpus,
            )
            if same and run.outcome is Outcome.COMPLETED:
                return {step.name: step.wall_s for step in run.steps}
    return {}
