"""What is tried beside the procedure: hold points, faults, ways back.

All of it happens in pauses of the rehearsal's own clock, with the probes at rest, so that
no figure of the procedure has any of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from forerun.model.observation import CheckResult
from forerun.model.profile import Action, Check, Step
from forerun.model.trial import BackOutTried, FaultTried, HoldKept
from forerun.ports.clock import PausableClock
from forerun.ports.prober import Prober
from forerun.stages.back_out import NewGround, OldState, Start, read_state, rebuild, return_to_hold
from forerun.stages.build import Yard
from forerun.stages.fault_trial import FaultTrial, Place
from forerun.stages.faults import Fault
from forerun.stages.hold import HoldPoint


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be tried: faults by step, and whether the ways back are."""

    faults: Mapping[str, tuple[Fault, ...]] = field(default_factory=dict)
    back_out: bool = False

    def list_faults(self) -> tuple[str, ...]:
        """NAME@STEP texts, as they were asked for."""
        return tuple(f"{fault.name}@{step}" for step, them in self.faults.items() for fault in them)


class Trials:
    """Tries what is wanted on one clone; `holds`, `faults` and `back_outs` are what came
    of it so far."""

    def __init__(
        self,
        wanted: Wanted,
        place: Place,
        *,
        clock: PausableClock,
        prober: Prober,
        yard: Yard,
        memory_bytes: int,
        origin_s: float,
    ) -> None:
        self._wanted = wanted
        self._place = place
        self._clock = clock
        self._prober = prober
        self._yard = yard
        self._memory_bytes = memory_bytes
        self._origin = origin_s
        self._start: Start | None = None
        self._backed_up: OldState | None = None
        self.holds: list[HoldKept] = []
        self.faults: list[FaultTried] = []
        self.back_outs: list[BackOutTried] = []

    def before_step(self, step: Step, checks: Sequence[CheckResult]) -> None:
        """Keep a hold point before a step that needs one, and try its faults from there.
        `checks` are the results so far."""
        faults = self._wanted.faults.get(step.name, ())
        if self._wanted.back_out and step.action is Action.KEEP_CONFIGURATION:
            with self._clock.paused(), self._prober.paused():
                self._backed_up = read_state(self._place.clone.guest)
        way_back = self._wanted.back_out and step.point_of_no_return
        if not (faults or way_back):
            return
        at_s = round(self._clock.monotonic() - self._origin, 2)
        with self._clock.paused(), self._prober.paused():
            holder = self._place.holder
            state = read_state(self._place.clone.guest) if way_back else None
            self._place.emit(f"hold point before {step.name}")
            point = holder.take(step.name, memory_bytes=self._memory_bytes)
            self.holds.append(
                HoldKept(step.name, at_s, point.took_s, point.memory_bytes, point.disk_bytes)
            )
            for fault in faults:
                self._try_fault(fault, step, point)
            if state is not None:
                before = tuple(result for result in checks if result.moment == "before")
                self._start = Start(step.name, point, state, before)
            else:
                holder.drop(point)

    def _try_fault(self, fault: Fault, step: Step, point: HoldPoint) -> None:
        self._place.emit(f"fault {fault.name} in {step.name}: {fault.title}")
        try:
            tried = FaultTrial(self._place, fault, step).run()
        finally:
            back_s = self._place.holder.return_to(point)
        self.faults.append(tried)
        how = "recovered" if tried.recovered else tried.why or "not recovered"
        self._place.emit(f"{fault.name}: {how}; back at the hold point in {back_s:.0f} s")

    def back_out(self, checks: Sequence[Check], ground: NewGround) -> None:
        """After the procedure: both ways back, each proved. The clone is at the hold point
        afterwards, and no longer running."""
        if self._start is None:
            return
        with self._clock.paused(), self._prober.paused():
            self._place.emit("back-out: to the hold point")
            clone = self._place.clone
            self.back_outs.append(
                return_to_hold(self._place.holder, clone, self._start, checks, self._yard)
            )
            self._place.holder.cut_power()  # two machines at once need twice the memory
            self._place.emit("back-out: rebuild from the configuration backup")
            # A rebuild leads back to when the backup was taken.
            start = replace(self._start, state=self._backed_up or self._start.state)
            self.back_outs.append(rebuild(ground, start, checks, self._yard))
