"""One rehearsal from its request to its record."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Callable
from contextlib import ExitStack
from functools import partial
from pathlib import Path

from forerun import __version__
from forerun.errors import ForerunError, Interrupted
from forerun.events import Notice, Sink
from forerun.model.blueprint import Blueprint, TemplateInfo
from forerun.model.observation import (
    GapSeen,
    LabFacts,
    Outcome,
    RunRecord,
    Teardown,
    WayTried,
)
from forerun.model.survey import Approval
from forerun.pipeline_bench import (
    Bench,
    Phase,
    check_archives,
    find_accelerator,
    make_template,
    open_gateway,
)
from forerun.pipeline_leaks import check_clone
from forerun.pipeline_likeness import Likeness, open_likeness
from forerun.pipeline_request import RehearsalRequest
from forerun.pipeline_walk import Walk
from forerun.ports.canary import LoopbackCanary
from forerun.ports.clock import format_instant
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.guest import Guest
from forerun.ports.store import Store
from forerun.profiles import fit_profile
from forerun.stages.back_out import REBUILD_ENDING
from forerun.stages.build import Clone, Yard, check_room, open_clone, write_reach_hint
from forerun.stages.copy_tar import filter_copy, read_files
from forerun.stages.custody import check_usable, find_copy
from forerun.stages.design import design_clone, list_key_files
from forerun.stages.lab import Accelerator
from forerun.stages.measure import find_outages
from forerun.stages.rehearse import Observed
from forerun.stages.seal import check_sealed, try_ways
from forerun.stages.seal_ways import list_ways
from forerun.stages.seed import list_taken, write_settle_script
from forerun.stages.seed_disks import note_not_made
from forerun.stages.template import (
    find_template,
    verify_template,
)
from forerun.stages.template_fit import note_fit
from forerun.stages.upgrade import WalkEnd

_MOST_NOTICES = 100


class RehearsalRun:
    """One rehearsal from its request to its record."""

    def __init__(self, request: RehearsalRequest, bench: Bench, sink: Sink) -> None:
        self.request = request
        self.bench = bench
        self.sink = sink
        self.id = bench.store.draw_id("run", bench.clock.now(), bench.store.runs)
        self.origin_s = bench.clock.monotonic()
        self.started_at = format_instant(bench.clock.now())
        self.preparation: list[tuple[str, float]] = []
        self.observed = Observed()
        self.end: WalkEnd | None = None
        self.template: TemplateInfo | None = None
        self.accelerator = Accelerator("", "")
        self.hypervisor_name = ""
        self.walk: Walk | None = None
        self.blueprint: Blueprint | None = None
        self.outside_bytes = 0
        self.reach_hint = ""
        self.ways_tried: tuple[WayTried, ...] = ()
        self.likeness: Likeness | None = None
        self.approval: Approval | None = None

    def run(self, folder: Path) -> None:
        """Do it all; whatever is raised, what was seen so far stays in this object."""
        request, bench = self.request, self.bench
        fit_profile(request.profile, request.survey.release)
        self.approval = check_usable(bench.store, request.survey, bench.clock.now())
        hypervisor = bench.open_hypervisor()
        with ExitStack() as stack:
            stack.callback(hypervisor.close)
            self.hypervisor_name = hypervisor.describe()
            self.accelerator = find_accelerator(bench, hypervisor)
            self.blueprint = self._design()
            gateway = stack.enter_context(
                ArchiveGateway(
                    bench.store.archive,
                    self.blueprint.allowed,
                    rate_limit_bits=request.rate_limit_bits,
                    index_age_s=request.index_age_s,
                )
            )
            yard = Yard(
                bench.store,
                bench.disks,
                hypervisor,
                bench.lab,
                bench.clock,
                self.sink,
                self.accelerator.name,
                gateway.port,
            )
            check_room(yard, self.blueprint.memory_bytes)
            self.likeness = stack.enter_context(
                open_likeness(
                    bench,
                    self.id,
                    survey=request.survey,
                    profile=request.profile,
                    allowed=self.blueprint.allowed,
                    index_age_s=request.index_age_s,
                )
            )
            self._run_in(folder, yard, gateway)

    def _design(self) -> Blueprint:
        request = self.request
        return design_clone(
            request.survey,
            request.profile,
            request.site,
            run_id=self.id,
            cpus=request.cpus,
            memory_bytes=request.memory_bytes,
            emulated=self.accelerator.name != "kvm",
            keys=read_files(self._find_copy(), list_key_files(request.survey)),
        )

    def _find_copy(self) -> Path:
        return find_copy(self.bench.store, self.request.survey.id)

    def _run_in(self, folder: Path, yard: Yard, gateway: ArchiveGateway) -> None:
        blueprint = self._blueprint()
        try:
            with self._phase("archives", "old and new release reachable"):
                check_archives(blueprint, self.request.profile, gateway)
            self._look_ahead("foretell", "what the upgrade will ask", self._likeness().foretell)
            self.template = self._make_template(blueprint)
            blueprint = note_fit(blueprint, self.request.survey, self.template)
            self.blueprint = blueprint
            copy = filter_copy(self._find_copy(), list_taken(blueprint))
            with ExitStack() as stack:
                with self._phase("clone", "overlay, seed, first boot") as phase:
                    clone = stack.enter_context(open_clone(blueprint, self.template, copy, yard))
                self.preparation.append(("clone", phase.took_s))
                try:
                    self._on_clone(clone, folder, yard, gateway)
                finally:
                    with contextlib.suppress(OSError):
                        shutil.copyfile(clone.console, folder / "console.log")
                if self.request.keep:
                    clone.keep = True
                    self.reach_hint = write_reach_hint(clone)
        finally:
            self.outside_bytes += gateway.reading().outside + self._likeness().outside_bytes

    def _phase(self, name: str, detail: str = "") -> Phase:
        return Phase(self.sink, self.bench.clock, name, detail, origin_s=self.origin_s)

    def _make_template(self, blueprint: Blueprint) -> TemplateInfo:
        if self.request.template_id:
            info = find_template(self.bench.store, self.request.template_id)
            verify_template(self.bench.store, info, self.bench.disks)
            return info
        age = self.request.index_age_s
        with (
            self._phase("template", "production's package set") as phase,
            open_gateway(self.bench, blueprint.recipe, index_age_s=age) as gateway,
        ):  # a gateway of its own: the clone's rate limit is not for building
            info = make_template(
                blueprint.recipe, gateway, self.bench, self.sink, origin_s=self.origin_s
            )
            self.outside_bytes += gateway.reading().outside
        self.preparation.append(("template", phase.took_s))
        return info

    def _on_clone(self, clone: Clone, folder: Path, yard: Yard, gateway: ArchiveGateway) -> None:
        request, clock = self.request, self.bench.clock
        self._prove_sealed(clone, gateway)
        with self._phase("settle", "services read their configuration") as phase:
            settled = clone.guest.run(write_settle_script(self._blueprint()), timeout_s=600)
        self.preparation.append(("settle", phase.took_s))
        self.blueprint = note_not_made(self._blueprint(), settled.text())
        for line in settled.text().splitlines()[:_MOST_NOTICES]:
            self.sink.emit(Notice(clock.monotonic() - self.origin_s, "caution", line[:200]))
        self._scan_clone(clone)
        self._look_ahead(
            "likeness",
            "the clone is compared with the survey",
            lambda: self._likeness().compare(clone.guest, self._blueprint()),
        )
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
            walk.back_out(self._blueprint(), self.template, partial(self._try_seal, gateway))

    def _prove_sealed(self, clone: Clone, gateway: ArchiveGateway) -> None:
        """First of all: nothing of production's is read, started or looked for before."""
        with self._phase("seal", "every way out is tried from inside") as phase:
            self._try_seal(gateway, clone.guest)
        self.preparation.append(("seal", phase.took_s))

    def _try_seal(self, gateway: ArchiveGateway, guest: Guest) -> None:
        """On record are the ways of the last machine that was tried: of each that was made
        none may be open, or this raises SealBroken."""
        others = [
            int(entry.name)
            for entry in self.bench.store.ledger.find()
            if entry.kind == "port" and entry.run != self.id
        ]
        with LoopbackCanary() as canary, gateway.lend(canary.entry()):
            ways = list_ways(canary, gateway_port=gateway.port, clone_ports=others)
            self.ways_tried = try_ways(guest, ways, canary)
        check_sealed(self.ways_tried)

    def _scan_clone(self, clone: Clone) -> None:
        request = self.request
        if request.originals is None:
            return
        with self._phase("leaks", "originals are looked for on the clone's disks") as phase:
            scanner = request.make_scanner(request.originals)
            check_clone(scanner, clone, self.bench.command)
        self.preparation.append(("leaks", phase.took_s))

    def _look_ahead(self, name: str, detail: str, look: Callable[[], str]) -> None:
        with self._phase(name, detail) as phase:
            said = look()
        self.preparation.append((name, phase.took_s))
        now = self.bench.clock.monotonic() - self.origin_s
        self.sink.emit(Notice(now, "note", f"{name}: {said}"))

    def _likeness(self) -> Likeness:
        if self.likeness is None:
            raise ValueError("likeness is opened with the gateway")
        return self.likeness

    def _blueprint(self) -> Blueprint:
        if self.blueprint is None:
            raise ValueError("the blueprint is made before the clone")
        return self.blueprint

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
