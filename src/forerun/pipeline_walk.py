"""The walk of a rehearsal's profile on a clone that is ready."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path

from forerun.errors import CloneUnreachable
from forerun.events import Notice, Sink
from forerun.model.blueprint import Blueprint, TemplateInfo
from forerun.model.observation import Outcome
from forerun.model.speed import SpeedReading
from forerun.pipeline_bench import Bench
from forerun.pipeline_request import RehearsalRequest
from forerun.ports.clock import PausableClock
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.guest import Guest
from forerun.ports.prober import Prober
from forerun.stages.back_out import NewGround
from forerun.stages.build import Clone, Yard
from forerun.stages.clone_speed import read_clone_speed
from forerun.stages.fault_trial import Place
from forerun.stages.hold import Holder
from forerun.stages.measure import DiskWatch, StepMeter
from forerun.stages.rehearse import Rehearsal
from forerun.stages.session import PromptPolicy
from forerun.stages.trials import Trials
from forerun.stages.upgrade import WalkEnd

# How often the clone is timed before its first step, and again after its last: a lab host that
# others share is slow for seconds and minutes. Ours.
_TIMINGS = 2


class Walk:
    """One walk on one clone: the meters, the driver and what is tried beside it."""

    def __init__(
        self,
        request: RehearsalRequest,
        bench: Bench,
        yard: Yard,
        gateway: ArchiveGateway,
        *,
        clone: Clone,
        folder: Path,
        sink: Sink,
        origin_s: float,
        expected_s: dict[str, float],
    ) -> None:
        self._request = request
        self._yard = yard
        self._clone = clone
        self._folder = folder
        clock = PausableClock(bench.clock)
        self._bench, self._clock, self._tell = bench, clock, make_tell(sink, clock, origin_s)
        self.speeds: list[SpeedReading] = []
        services = tuple((probe, clone.host_port(probe.port)) for probe in request.site.services)
        self.disk = DiskWatch(clone.guest, clock, origin_s=origin_s)
        self.prober = Prober(services, clock=clock, origin_s=origin_s)
        policy = make_policy(request)
        place = Place(
            clone,
            Holder(clone, yard, bench.command),
            request.profile,
            policy,
            bench.clock,
            gateway,
            gateway.trouble,
            services,
            self._tell,
        )
        self.trials = Trials(
            request.wanted,
            place,
            clock=clock,
            prober=self.prober,
            yard=yard,
            memory_bytes=request.memory_bytes,
            origin_s=origin_s,
        )
        self.rehearsal = Rehearsal(
            clone,
            request.profile,
            request.site,
            policy=policy,
            meter=StepMeter(
                clone.guest,
                gateway,
                bench.lab,
                clock,
                host_cpu=lambda: yard.hypervisor.cpu_seconds(clone.name),
                blocks=lambda: yard.hypervisor.block_counts(clone.name),
                sent=clone.guest.sent_bytes,
                mac=clone.mac,
            ),
            disk=self.disk,
            prober=self.prober,
            clock=clock,
            sink=sink,
            folder=folder,
            origin_s=origin_s,
            expected_s=expected_s,
            chosen=frozenset(
                package.name
                for package in request.survey.packages
                if not package.automatic or not package.candidate
            ),
            is_running=lambda: yard.hypervisor.is_running(clone.name),
            before_step=self.trials.before_step,
        )

    def run(self) -> WalkEnd:
        """Walk the profile to its end. The clone is timed at work right before its first step
        and after its last, more than once each, in pauses of the clock."""
        with self.prober:
            self.rehearsal.note_log_start()
            self._time_clone()
            end = self.rehearsal.run()
            # One that did not come to its end may not answer, and is not waited for.
            if end.outcome is Outcome.COMPLETED:
                self._time_clone()
            return end

    def _time_clone(self) -> None:
        for _ in range(_TIMINGS):
            if not self._time_clone_once():
                return

    def _time_clone_once(self) -> bool:
        """Whether it answered."""
        with self._clock.paused(), self.prober.paused():
            reading = None
            with contextlib.suppress(CloneUnreachable):
                reading = read_clone_speed(self._clone.guest, self._bench.lab, self._bench.clock)
        if reading is None:
            self._tell("the clone could not be timed at work")
            return False
        self.speeds.append(reading)
        self._tell(f"the clone was timed at work: {reading.wall_s:.0f} s, in no step's time")
        return True

    def back_out(
        self,
        blueprint: Blueprint,
        template: TemplateInfo,
        prove_sealed: Callable[[Guest], None],
    ) -> None:
        """Rehearse the ways back, where that is wanted."""
        request = self._request
        checks = (*request.profile.checks, *request.site.checks)
        backup = self._folder / "configuration.tar.gz"
        self.trials.back_out(checks, NewGround(blueprint, template, backup, prove_sealed))


def make_tell(sink: Sink, clock: PausableClock, origin_s: float) -> Callable[[str], None]:
    """A function that tells the sink something, at the run's own time."""

    def tell(text: str) -> None:
        sink.emit(Notice(clock.monotonic() - origin_s, "note", text))

    return tell


def make_policy(request: RehearsalRequest) -> PromptPolicy:
    """What is answered to the questions of a rehearsal."""
    profile = request.profile
    return PromptPolicy(
        request.site.prompts,
        profile.prompts,
        request.unknown or profile.unknown_prompt,
        profile.quiet_s,
        request.ask,
    )
