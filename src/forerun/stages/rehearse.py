"""The rehearsal driver: walks a profile on a clone and records what happens.

Whatever goes wrong on the clone is a result: the rest of the record is kept. Only the
lab host's own troubles are errors, and even then what was seen so far is kept.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from forerun.distro.debian_logs import parse_need_to_get
from forerun.errors import (
    CloneUnreachable,
    ForerunError,
    HypervisorFailed,
    Interrupted,
    NoRoom,
)
from forerun.events import Sink, StepFinished, StepStarted
from forerun.model.inventory import Inventory
from forerun.model.observation import (
    CheckResult,
    KeptFile,
    PackageChange,
    PromptMet,
    RebootSplit,
    Seen,
    StepEnd,
    StepRecord,
)
from forerun.model.profile import Action, Profile, Site, Step
from forerun.model.speed import LabLoad
from forerun.ports.clock import Clock
from forerun.ports.prober import Prober
from forerun.ports.store import reporting_room
from forerun.stages.actions import (
    Done,
    conclude_checks,
    count_stored,
    keep_configuration,
    quiesce,
    resume,
    run_checks,
    simulate,
    switch_sources,
)
from forerun.stages.build import Clone
from forerun.stages.examine import (
    FIND_KEPT,
    MOST_COMPARED_BYTES,
    compare_kept,
    find_kept_files,
    judge_removals,
)
from forerun.stages.guest_counters import GuestMark
from forerun.stages.inventory import read_inventory
from forerun.stages.measure import (
    DiskWatch,
    StepMark,
    StepMeter,
    count_download,
    count_step,
)
from forerun.stages.package_log import PackageLog, PackageWork
from forerun.stages.reboot import Reboot
from forerun.stages.session import PromptPolicy, StepSession
from forerun.stages.upgrade import WalkEnd, walk

MOST_TRANSCRIPT = 256 << 20
MOST_FAILED = 200


@dataclass(slots=True)
class Observed:
    """What a rehearsal has collected so far."""

    steps: list[StepRecord] = field(default_factory=list)
    prompts: list[PromptMet] = field(default_factory=list)
    checks: list[CheckResult] = field(default_factory=list)
    reboots: list[RebootSplit] = field(default_factory=list)
    packages: tuple[PackageChange, ...] = ()
    kept_files: tuple[KeptFile, ...] = ()
    seen: list[Seen] = field(default_factory=list)
    inventories: list[Inventory] = field(default_factory=list)
    release_after: str = ""


@dataclass(frozen=True, slots=True)
class _Ended:
    done: Done
    quiet_s: float = 0.0
    text: str = ""


class Rehearsal:
    """One walk of a profile on one clone."""

    def __init__(
        self,
        clone: Clone,
        profile: Profile,
        site: Site,
        *,
        policy: PromptPolicy,
        meter: StepMeter,
        disk: DiskWatch,
        prober: Prober,
        clock: Clock,
        sink: Sink,
        folder: Path,
        origin_s: float,
        expected_s: dict[str, float],
        chosen: Collection[str],
        is_running: Callable[[], bool],
        before_step: Callable[[Step, Sequence[CheckResult]], None] = lambda _step, _checks: None,
    ) -> None:
        self._clone = clone
        self._guest = clone.guest
        self._profile = profile
        self._site = site
        self._policy = policy
        self._meter = meter
        self._disk = disk
        self._prober = prober
        self._clock = clock
        self._sink = sink
        self._folder = folder
        self._origin = origin_s
        self._expected = expected_s
        self._chosen = chosen
        self._is_running = is_running
        self._before_step = before_step
        self._rested: list[str] = []
        self._log = PackageLog(clone.guest)
        self._written = 0
        self.observed = Observed()
        self._handlers: dict[Action, Callable[[Step], _Ended]] = {
            Action.COMMANDS: self._do_commands,
            Action.REBOOT: self._do_reboot,
            Action.CHECKS: self._do_checks,
            Action.KEEP_CONFIGURATION: self._do_keep,
            Action.QUIESCE: self._do_quiesce,
            Action.RESUME: self._do_resume,
            Action.SWITCH_SOURCES: self._do_switch,
            Action.SIMULATE: self._do_simulate,
        }

    def run(self) -> WalkEnd:
        """Walk the profile to its end. What the clone has is read before the first step and
        after the last, outside of any step's time."""
        self._take_stock("before")
        steps = walk(self._profile)
        step = next(steps)
        number = 1
        while True:
            record = self._take(step, number)
            self.observed.steps.append(record)
            try:
                step = steps.send(record)
            except StopIteration as end:
                self._examine()
                result: WalkEnd = end.value
                return result
            number += 1

    def _take(self, step: Step, number: int) -> StepRecord:
        self._before_step(step, self.observed.checks)
        total = len(self._profile.steps)
        expected = self._expected.get(step.name, 0.0)
        now = self._clock.monotonic() - self._origin
        self._sink.emit(
            StepStarted(now, step.stage.value, step.name, step.title, number, total, expected)
        )
        stored = self._count_before(step)
        asked = len(self.observed.prompts)
        before = self._meter.mark()
        try:
            ended = self._handlers[step.action](step)
        except (HypervisorFailed, Interrupted, NoRoom) as problem:
            cut = _Ended(Done(StepEnd.STOPPED, problem.what, (), -1))
            ended_at = replace(before, at_s=self._clock.monotonic())  # nothing more can be asked
            self.observed.steps.append(self._record(step, cut, before, ended_at, (-1, -1)))
            raise
        except (CloneUnreachable, FileNotFoundError) as problem:
            what = problem.what if isinstance(problem, ForerunError) else str(problem)
            ended = _Ended(Done(StepEnd.UNREACHABLE, what, (), -1))
        after = self._meter.mark()
        fetched = self._count_fetched(step, stored)
        planned = parse_need_to_get(ended.text) if stored >= 0 else -1
        answers = after.guest != GuestMark()  # who did not is not asked again
        work = self._log.take_step() if answers else PackageWork()
        people_s = sum(prompt.waited_s for prompt in self.observed.prompts[asked:])
        record = replace(
            self._record(step, ended, before, after, (planned, fetched)),
            counters=count_step(before, after, work, people_s=people_s),
        )
        self._sink.emit(
            StepFinished(
                self._clock.monotonic() - self._origin,
                step.name,
                record.end.value,
                record.wall_s,
                record.message,
            )
        )
        return record

    def _count_before(self, step: Step) -> int:
        """Package bytes stored so far; outside the step's own time."""
        if not (step.downloads and step.changes_packages):
            return -1
        try:
            self._guest.ensure_gateway()
            return count_stored(self._guest)
        except ForerunError:
            return -1

    def _count_fetched(self, step: Step, stored: int) -> int:
        if stored < 0:
            return -1
        try:
            return max(-1, count_stored(self._guest) - stored)
        except ForerunError:
            return -1

    def _record(
        self,
        step: Step,
        ended: _Ended,
        before: StepMark,
        after: StepMark,
        counts: tuple[int, int],
    ) -> StepRecord:
        done = ended.done
        load: LabLoad = self._meter.load(before, after)
        restarted = step.action is Action.REBOOT
        guest_cpu = after.guest.busy_s - (0.0 if restarted else before.guest.busy_s)
        return StepRecord(
            name=step.name,
            title=step.title,
            stage=step.stage.value,
            action=step.action.value,
            started_s=round(before.at_s - self._origin, 2),
            wall_s=round(
                (self._clock.monotonic() if after is before else after.at_s) - before.at_s, 2
            ),
            guest_cpu_s=round(max(0.0, guest_cpu), 2),
            host_cpu_s=round(max(0.0, after.host_cpu_s - before.host_cpu_s), 2),
            end=done.end,
            exit_code=done.exit_code,
            message=done.message,
            last_lines=done.lines,
            quiet_longest_s=ended.quiet_s,
            reattached=self._guest.reattached,
            load=load,
            download=None
            if restarted
            else count_download(before, after, planned=counts[0], fetched=counts[1]),
        )

    def _between(self) -> None:
        self._disk.sample()
        self._guest.ensure_gateway()

    def _write_transcript(self, text: bytes) -> None:
        """Up to a limit, so that a clone cannot fill the lab host's disk by talking."""
        left = MOST_TRANSCRIPT - self._written
        self._written += len(text)
        if left > 0:
            place = self._folder / "terminal.log"
            with reporting_room(self._folder), place.open("ab") as stream:
                stream.write(text[:left])
                stream.write(b"\n(cut here)\n" if len(text) > left else b"")

    def _do_commands(self, step: Step) -> _Ended:
        self._write_transcript(f"\n=== {step.stage.value}: {step.name} ===\n".encode())
        session = StepSession(
            self._guest,
            name=step.name,
            policy=self._policy,
            clock=self._clock,
            sink=self._sink,
            origin_s=self._origin,
            transcript=self._write_transcript,
            between=self._between,
        )
        self._disk.sample(anyway=True)
        try:
            end = session.run(
                step.script,
                dict(self._profile.environment),
                allowed_s=step.time_allowed_s,
                exits=step.exits,
            )
        finally:
            self.observed.prompts.extend(session.prompts)
        self._disk.sample(anyway=True)
        done = Done(end.end, end.message, end.last_lines, end.exit_code)
        return _Ended(done, end.quiet_longest_s, end.text)

    def _do_reboot(self, step: Step) -> _Ended:
        self._log.read()  # while it can be
        self.observed.packages = self._log.changes()
        reboot = Reboot(
            self._guest,
            self._clone.console,
            self._clock,
            origin_s=self._origin,
            find_silent=self._prober.find_silent,
            is_running=self._is_running,
        )
        done, split = reboot.run(allowed_s=step.time_allowed_s)
        if split is not None:
            self.observed.reboots.append(split)
        self._meter.forget_link()
        self._disk.forget_targets()
        return _Ended(done)

    def _do_checks(self, step: Step) -> _Ended:
        checks = (*self._profile.checks, *self._site.checks)
        results = run_checks(self._guest, checks, moment=step.checks or "before")
        self.observed.checks.extend(results)
        return _Ended(conclude_checks(results))

    def _do_keep(self, step: Step) -> _Ended:
        return _Ended(keep_configuration(self._guest, self._folder, allowed_s=step.time_allowed_s))

    def _do_quiesce(self, step: Step) -> _Ended:
        units = (*self._profile.rest_units, *self._site.rest_units)
        done, self._rested = quiesce(self._guest, units, allowed_s=step.time_allowed_s)
        return _Ended(done)

    def _do_resume(self, step: Step) -> _Ended:
        if not self._rested:
            return _Ended(Done(StepEnd.SKIPPED, "nothing had been stopped"))
        return _Ended(resume(self._guest, self._rested, allowed_s=step.time_allowed_s))

    def _do_switch(self, _step: Step) -> _Ended:
        return _Ended(switch_sources(self._guest, self._profile.sources))

    def _do_simulate(self, step: Step) -> _Ended:
        done, plan = simulate(self._guest, allowed_s=step.time_allowed_s)
        if plan is not None:
            names = [(change.name, change.old) for change in plan.removals]
            planned = {change.name for change in plan.installs}
            self.observed.seen.extend(judge_removals(names, self._chosen, planned))
        return _Ended(done)

    def _take_stock(self, moment: str) -> None:
        at_s = round(self._clock.monotonic() - self._origin, 2)
        stock = read_inventory(self._guest, moment=moment, at_s=at_s)
        self.observed.inventories.append(stock)

    def _read_kept(self, path: str) -> bytes | None:
        try:
            return self._guest.read_file(path, limit=MOST_COMPARED_BYTES)
        except FileNotFoundError:
            return None

    def _examine(self) -> None:
        """After the last step: what the clone looks like now. Best effort by design: a
        clone that cannot be reached any more has said all it will."""
        try:
            self._log.read()
            self.observed.packages = self._log.changes()
            kept = self._guest.run(FIND_KEPT, timeout_s=60).text()
            self.observed.kept_files = find_kept_files(kept)
            self._take_stock("after")
            text = self._guest.run(
                '. /etc/os-release; echo "$PRETTY_NAME $(cat /etc/debian_version)"', timeout_s=60
            ).text()
            self.observed.release_after = text.strip()
            failed = self._guest.run("systemctl --failed --plain --no-legend", timeout_s=60).text()
            kept_files = self.observed.kept_files
            self.observed.kept_files = compare_kept(kept_files, self._read_kept)
        except (ForerunError, FileNotFoundError):
            return
        for line in filter(str.strip, failed.splitlines()[:MOST_FAILED]):
            unit = line.split()[0]
            self.observed.seen.append(
                Seen(
                    "service down",
                    f"The unit {unit} has failed.",
                    line.strip(),
                    f"Read `journalctl -u {unit}` on the clone; mend the cause before the window.",
                    "systemctl(1), on the clone after the upgrade",
                )
            )

    def note_log_start(self) -> None:
        """Package changes before now belong to the template, not to the rehearsal."""
        self._log.start()
