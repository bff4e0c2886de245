"""One rehearsal from its request to its record."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Callable
from contextlib import ExitStack
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
from forerun.ports.clock import format_instant
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.prober import Prober
from forerun.ports.store import Store
from forerun.profiles import fit_profile
from forerun.stages.build import Clone, Yard, check_room, open_clone, write_reach_hint
from forerun.stages.custody import check_usable, find_copy
from forerun.stages.design import design_clone, list_key_files
from forerun.stages.lab import Accelerator
from forerun.stages.measure import DiskWatch, StepMeter, find_outages
from forerun.stages.rehearse import Observed, Rehearsal
from forerun.stages.seal import prove_sealed
from forerun.stages.seed import filter_copy, list_taken, read_files, write_settle_script
from forerun.stages.seed_disks import note_not_made
from forerun.stages.session import PromptPolicy
from forerun.stages.template import (
    find_template,
    verify_template,
)
from forerun.stages.template_fit import note_fit
from forerun.stages.upgrade import WalkEnd


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
        self.prober: Prober | None = None
        self.disk: DiskWatch | None = None
        self.blueprint: Blueprint | None = None
        self.outside_bytes = 0
        self.reach_hint = ""
        self.ways_tried: tuple[str, ...] = ()
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
        with self._phase("settle", "services read their configuration") as phase:
            settled = clone.guest.run(write_settle_script(self._blueprint()), timeout_s=600)
        self.preparation.append(("settle", phase.took_s))
        self.blueprint = note_not_made(self._blueprint(), settled.text())
        for line in settled.text().splitlines():
            self.sink.emit(Notice(clock.monotonic() - self.origin_s, "caution", line[:200]))
        self._scan_clone(clone)
        self._prove_sealed(clone, gateway)
        self._look_ahead(
            "likeness",
            "the clone is compared with the survey",
            lambda: self._likeness().compare(clone.guest, self._blueprint()),
        )
        services = tuple((probe, clone.host_port(probe.port)) for probe in request.site.services)
        self.disk = DiskWatch(clone.guest, clock, origin_s=self.origin_s)
        self.prober = Prober(services, clock=clock, origin_s=self.origin_s)
        meter = StepMeter(
            clone.guest,
            gateway,
            self.bench.lab,
            clock,
            host_cpu=lambda: yard.hypervisor.cpu_seconds(clone.name),
            sent=clone.guest.sent_bytes,
            mac=clone.mac,
        )
        with self.prober:
            rehearsal = Rehearsal(
                clone,
                request.profile,
                request.site,
                policy=self._policy(),
                meter=meter,
                disk=self.disk,
                prober=self.prober,
                clock=clock,
                sink=self.sink,
                folder=folder,
                origin_s=self.origin_s,
                expected_s=find_expected(self.bench.store, request, self.accelerator.name),
                chosen=frozenset(
                    package.name
                    for package in request.survey.packages
                    if not package.automatic or not package.candidate
                ),
                is_running=lambda: yard.hypervisor.is_running(clone.name),
            )
            self.observed = rehearsal.observed
            rehearsal.note_log_start()
            self.end = rehearsal.run()
        self._likeness().check(self.observed)

    def _prove_sealed(self, clone: Clone, gateway: ArchiveGateway) -> None:
        with self._phase("seal", "every way out is tried from inside") as phase:
            ways = prove_sealed(clone.guest, lab_port=gateway.port)
        self.preparation.append(("seal", phase.took_s))
        self.ways_tried = tuple(way.label() for way in ways)

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

    def _policy(self) -> PromptPolicy:
        profile = self.request.profile
        return PromptPolicy(
            self.request.site.prompts,
            profile.prompts,
            self.request.unknown or profile.unknown_prompt,
            profile.quiet_s,
            self.request.ask,
        )

    def record(self, failure: BaseException | None) -> RunRecord:
        """What was observed, complete or not."""
        request, bench = self.request, self.bench
        if self.end is not None and failure is None:
            outcome, why = self.end.outcome, self.end.why
        else:
            outcome, why = Outcome.ABANDONED, say_failure(failure)
        probes = self.prober.samples() if self.prober else ()
        entries = bench.store.ledger.find(self.id, with_gone=True)
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
            disk=tuple(self.disk.samples) if self.disk else (),
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
