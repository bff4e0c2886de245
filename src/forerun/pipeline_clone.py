"""A clone made ready for work: built from a survey's approved copy, sealed, settled.

What is done on it then is a rehearsal's or a drill's own business (`on_clone`).
"""

from __future__ import annotations

import contextlib
import shutil
from abc import ABC, abstractmethod
from contextlib import ExitStack
from pathlib import Path

from forerun.events import Notice, Sink
from forerun.model.blueprint import Blueprint, TemplateInfo
from forerun.model.observation import WayTried
from forerun.model.survey import Approval
from forerun.pipeline_bench import (
    Bench,
    Phase,
    check_archives,
    find_accelerator,
    make_template,
    open_gateway,
)
from forerun.pipeline_request import RehearsalRequest
from forerun.ports.canary import LoopbackCanary
from forerun.ports.clock import format_instant
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.guest import Guest
from forerun.profiles import fit_profile
from forerun.stages.build import Clone, Yard, check_room, open_clone, write_reach_hint
from forerun.stages.copy_tar import filter_copy, read_files
from forerun.stages.custody import check_usable, find_copy
from forerun.stages.design import design_clone, list_key_files
from forerun.stages.lab import Accelerator
from forerun.stages.seal import check_sealed, try_ways
from forerun.stages.seal_ways import list_ways
from forerun.stages.seed import list_taken, write_settle_script
from forerun.stages.seed_disks import note_not_made
from forerun.stages.template import find_template, verify_template
from forerun.stages.template_fit import note_fit

_MOST_NOTICES = 100


class CloneRun(ABC):
    """One clone from its request to its end. `preparation` is (name, seconds) of what was
    done before it was ready."""

    def __init__(self, request: RehearsalRequest, bench: Bench, sink: Sink, run_id: str) -> None:
        self.request = request
        self.bench = bench
        self.sink = sink
        self.id = run_id
        self.origin_s = bench.clock.monotonic()
        self.started_at = format_instant(bench.clock.now())
        self.preparation: list[tuple[str, float]] = []
        self.template: TemplateInfo | None = None
        self.accelerator = Accelerator("", "")
        self.hypervisor_name = ""
        self.blueprint: Blueprint | None = None
        self.outside_bytes = 0
        self.reach_hint = ""
        self.ways_tried: tuple[WayTried, ...] = ()
        self.approval: Approval | None = None

    @abstractmethod
    def on_clone(self, clone: Clone, folder: Path, yard: Yard, gateway: ArchiveGateway) -> None:
        """What is done on the clone once it is sealed and settled."""

    @abstractmethod
    def on_archives(self, stack: ExitStack) -> None:
        """What is done once the archives answer, before anything is built."""

    @abstractmethod
    def on_settled(self, clone: Clone) -> None:
        """What is looked at on a settled clone before it is worked on."""

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
            self._run_in(folder, yard, gateway, stack)

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

    def _run_in(self, folder: Path, yard: Yard, gateway: ArchiveGateway, around: ExitStack) -> None:
        blueprint = self.need_blueprint()
        try:
            with self.phase("archives", "old and new release reachable"):
                check_archives(blueprint, self.request.profile, gateway)
            self.on_archives(around)
            self.template = self._make_template(blueprint)
            blueprint = note_fit(blueprint, self.request.survey, self.template)
            self.blueprint = blueprint
            copy = filter_copy(self._find_copy(), list_taken(blueprint))
            with ExitStack() as stack:
                with self.phase("clone", "overlay, seed, first boot") as phase:
                    clone = stack.enter_context(open_clone(blueprint, self.template, copy, yard))
                self.preparation.append(("clone", phase.took_s))
                try:
                    self.make_ready(clone, gateway)
                    self.on_clone(clone, folder, yard, gateway)
                finally:
                    with contextlib.suppress(OSError):
                        shutil.copyfile(clone.console, folder / "console.log")
                if self.request.keep:
                    clone.keep = True
                    self.reach_hint = write_reach_hint(clone)
        finally:
            self.outside_bytes += gateway.reading().outside

    def phase(self, name: str, detail: str = "") -> Phase:
        """A phase of this run, told to its sink."""
        return Phase(self.sink, self.bench.clock, name, detail, origin_s=self.origin_s)

    def _make_template(self, blueprint: Blueprint) -> TemplateInfo:
        if self.request.template_id:
            info = find_template(self.bench.store, self.request.template_id)
            verify_template(self.bench.store, info, self.bench.disks)
            return info
        age = self.request.index_age_s
        with (
            self.phase("template", "production's package set") as phase,
            open_gateway(self.bench, blueprint.recipe, index_age_s=age) as gateway,
        ):  # a gateway of its own: the clone's rate limit is not for building
            info = make_template(
                blueprint.recipe, gateway, self.bench, self.sink, origin_s=self.origin_s
            )
            self.outside_bytes += gateway.reading().outside
        self.preparation.append(("template", phase.took_s))
        return info

    def make_ready(self, clone: Clone, gateway: ArchiveGateway) -> None:
        """Prove that the clone is sealed, then let its services read their configuration."""
        clock = self.bench.clock
        self._prove_sealed(clone, gateway)
        with self.phase("settle", "services read their configuration") as phase:
            settled = clone.guest.run(write_settle_script(self.need_blueprint()), timeout_s=600)
        self.preparation.append(("settle", phase.took_s))
        self.blueprint = note_not_made(self.need_blueprint(), settled.text())
        for line in settled.text().splitlines()[:_MOST_NOTICES]:
            self.sink.emit(Notice(clock.monotonic() - self.origin_s, "caution", line[:200]))
        self.on_settled(clone)

    def _prove_sealed(self, clone: Clone, gateway: ArchiveGateway) -> None:
        """First of all: nothing of production's is read, started or looked for before."""
        with self.phase("seal", "every way out is tried from inside") as phase:
            self.try_seal(gateway, clone.guest)
        self.preparation.append(("seal", phase.took_s))

    def try_seal(self, gateway: ArchiveGateway, guest: Guest) -> None:
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

    def need_blueprint(self) -> Blueprint:
        """The blueprint, which is made before anything else."""
        if self.blueprint is None:
            raise ValueError("the blueprint is made before the clone")
        return self.blueprint
