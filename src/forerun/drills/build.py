"""The making of a drill's clone, up to its hold point."""

from __future__ import annotations

import secrets
import shlex
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

from forerun.drills.baseline import Baseline, read_baseline
from forerun.drills.draw import list_drawn
from forerun.drills.folder import DrillFolder, DrillGround
from forerun.drills.injects import KINDS, Ground, find_moment
from forerun.errors import CloneUnreachable, UsageError
from forerun.events import Sink
from forerun.model.drill import DrillFile, Moment
from forerun.model.observation import Outcome, RunRecord
from forerun.model.profile import Profile, Stage, Step
from forerun.pipeline_bench import Bench
from forerun.pipeline_clone import CloneRun
from forerun.pipeline_request import RehearsalRequest
from forerun.pipeline_walk import Walk
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.guest import Guest
from forerun.stages.adopt import note_clone
from forerun.stages.back_out import TO_HOLD, read_state
from forerun.stages.build import Clone, Yard
from forerun.stages.hold import Holder

# A way back that nobody has measured: back at the hold point, and the services looked at.
UNMEASURED_BACK_OUT_S = 300.0


@dataclass(frozen=True, slots=True)
class Order:
    """What a drill is made from: the request of its clone, its file, the rehearsal whose
    figures it is compared with (None where there is none)."""

    request: RehearsalRequest
    drill: DrillFile
    run: RunRecord | None


def list_done_before(profile: Profile, begins_before: str) -> tuple[Step, ...]:
    """The steps that are done for the trainee: those before that step or stage, "" for the
    stage `window`. Raises UsageError where the profile has neither."""
    place = begins_before or Stage.WINDOW.value
    for number, step in enumerate(profile.steps):
        if place in (step.name, step.stage.value):
            return profile.steps[:number]
    raise UsageError(
        "The drill begins at a step that the profile does not have.",
        found=place,
        wanted=", ".join(step.name for step in profile.steps),
        hint="Name another profile, or another drill.",
    )


def check_fits(drill: DrillFile, profile: Profile) -> None:
    """Raises UsageError when the drill names steps that the profile does not have, or whose
    coming nothing on the clone tells."""
    list_done_before(profile, drill.begins_before)
    for inject in drill.injects:
        try:
            find_moment(inject, profile)
        except ValueError as problem:
            raise UsageError(
                "An inject of the drill cannot happen in this profile.",
                where=f"{drill.name}: {inject.name}",
                found=str(problem),
                hint="Say `when:` or `at:` in the drill's file.",
            ) from problem


def measure_reference(drill: DrillFile, profile: Profile, run: RunRecord | None) -> float:
    """Seconds that the trainee's own steps took in the measured rehearsal; 0 without one."""
    if run is None:
        return 0.0
    done = {step.name for step in list_done_before(profile, drill.begins_before)}
    return round(sum(step.wall_s for step in run.steps if step.name not in done), 1)


def find_latest(drill: DrillFile, run: RunRecord | None) -> float:
    """The latest moment to begin the back-out, in seconds from the start; 0 without a window.
    The longest way back to a hold point that was measured has to fit behind it."""
    if not drill.window_s:
        return 0.0
    tried = [one.wall_s for one in run.back_outs if one.way == TO_HOLD] if run else []
    return max(0.0, round(drill.window_s - max(tried, default=UNMEASURED_BACK_OUT_S), 1))


class DrillBuild(CloneRun):
    """Builds the clone of one drill and leaves it running, at its hold point."""

    def __init__(self, order: Order, bench: Bench, sink: Sink, folder: DrillFolder) -> None:
        done = list_done_before(order.request.profile, order.drill.begins_before)
        cut = replace(order.request.profile, steps=done)
        super().__init__(replace(order.request, keep=True), bench, sink, folder.id)
        self._order = order
        self._cut = cut
        self._folder = folder
        self._record = folder.load()
        self.cold_start_s = 0.0

    def on_archives(self, stack: ExitStack) -> None:
        """Nothing is foretold: a rehearsal does that."""

    def on_settled(self, clone: Clone) -> None:
        """Its likeness is a rehearsal's business, too."""

    def on_clone(self, clone: Clone, folder: Path, yard: Yard, gateway: ArchiveGateway) -> None:
        """Do what is done before the trainee's part, lay what is there from the start, keep the
        hold point, and write down all that is needed to go on."""
        self.cold_start_s = clone.answered_s
        self._walk(clone, folder, yard, gateway)
        guest, order = clone.guest, self._order
        profile, site = order.request.profile, order.request.site
        password = _set_password(guest)
        with self.phase("baseline", "the clone before the drill is read"):
            baseline = read_baseline(guest, profile, site)
        laid = self._lay_first(guest, gateway, baseline)
        baseline = baseline.with_state(read_state(guest))
        with self.phase("hold", "the moment to come back to is kept"):
            holder = Holder(clone, yard, self.bench.command)
            point = holder.take("start", memory_bytes=order.request.memory_bytes)
        blueprint = self.need_blueprint()
        self._folder.save_ground(
            DrillGround(
                clone=note_clone(clone),
                hold=point,
                baseline=baseline,
                allowed=blueprint.allowed,
                accelerator=self.accelerator.name,
                memory_bytes=order.request.memory_bytes,
                rate_limit_bits=order.request.rate_limit_bits,
                index_age_s=order.request.index_age_s,
                password=password,
                laid=laid,
            )
        )

    def _walk(self, clone: Clone, folder: Path, yard: Yard, gateway: ArchiveGateway) -> None:
        if not self._cut.steps:
            return
        request = replace(self.request, profile=self._cut)
        walk = Walk(
            request,
            self.bench,
            yard,
            gateway,
            clone=clone,
            folder=folder,
            sink=self.sink,
            origin_s=self.origin_s,
            expected_s={},
        )
        with walk.prober:
            walk.rehearsal.note_log_start()
            end = walk.rehearsal.run()
        if end.outcome is not Outcome.COMPLETED:
            raise CloneUnreachable(
                "What comes before the trainee's part did not end well on the clone.",
                found=end.why,
                hint="Rehearse that server first; the drill begins where a rehearsal goes on.",
            )

    def _lay_first(
        self, guest: Guest, gateway: ArchiveGateway, baseline: Baseline
    ) -> tuple[tuple[str, str], ...]:
        """Those that are there before the trainee: (inject, why it could not be laid)."""
        profile, site = self._order.request.profile, self._order.request.site
        ground = Ground(guest, gateway.trouble, profile, site, baseline, lambda: None)
        laid = []
        for inject in list_drawn(self._record):
            if find_moment(inject, profile) is Moment.START:
                laid.append((inject.name, KINDS[inject.kind].lay(ground)))
        return tuple(laid)


def _set_password(guest: Guest) -> str:
    """Root's password for the clone's console, where SSH is gone: drawn for this clone."""
    password = secrets.token_hex(4)
    line = shlex.quote(f"root:{password}")
    guest.run(f"printf '%s\\n' {line} | chpasswd", timeout_s=60)
    return password
