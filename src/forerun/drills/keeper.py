"""The keeper of a drill: the process that holds the clone's gateway, looks at the clone, lets
injects happen and answers the trainee's commands. It outlives every terminal.

When it is killed itself, the next command starts another one, which goes on from what is
written in the drill's folder: the clone runs on meanwhile.
"""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from forerun import __version__
from forerun.drills.checks import Scene, judge
from forerun.drills.chronicle import Chronicle
from forerun.drills.folder import LOCK_NAME, DrillFolder
from forerun.drills.injector import Injector
from forerun.drills.injects import Ground, drop_shells
from forerun.drills.look import History, Look, extend_history, take_look
from forerun.drills.papers import write_debriefs
from forerun.drills.plan_shown import find_plan_shown
from forerun.drills.scoring import conclude
from forerun.errors import CloneUnreachable, ForerunError, LabUnfit, UsageError
from forerun.model.drill import DrillRecord, DrillState, Judged
from forerun.pipeline_bench import Bench
from forerun.ports.gateway import ArchiveGateway
from forerun.ports.held import open_held, remove_unheld
from forerun.stages.adopt import adopt_clone
from forerun.stages.build import Yard
from forerun.stages.hold import Holder
from forerun.stages.sweep import sweep

LOOK_EVERY_S = 3.0
POLL_EVERY_S = 0.7
PATIENCE_S = 4.0
ON_AGAIN_S = 20.0
# Nobody has asked for anything for so long: the drill is given up.
LEFT_AFTER_S = 12 * 3600.0
MOST_TAKEN_BYTES = 1 << 30
_CHUNK = 1 << 20


class Keeper:
    """Keeps one drill whose clone is ready. All that touches the clone holds `hands`."""

    def __init__(self, folder: DrillFolder, bench: Bench, stack: ExitStack) -> None:
        self.folder = folder
        self.bench = bench
        self.chronicle = Chronicle(folder, bench.clock)
        self.procedure = folder.load_procedure()
        self.ground_facts = folder.load_ground()
        facts = self.ground_facts
        self.hypervisor = bench.open_hypervisor()
        stack.callback(self.hypervisor.close)
        self.gateway = stack.enter_context(
            ArchiveGateway(
                bench.store.archive,
                facts.allowed,
                rate_limit_bits=facts.rate_limit_bits,
                index_age_s=facts.index_age_s,
            )
        )
        self.yard = Yard(
            bench.store,
            bench.disks,
            self.hypervisor,
            bench.lab,
            bench.clock,
            _NoSink(),
            facts.accelerator,
            self.gateway.port,
        )
        self.clone = adopt_clone(facts.clone, self.yard, patience_s=PATIENCE_S)
        stack.callback(self.clone.guest.close)
        self.holder = Holder(self.clone, self.yard, bench.command)
        profile, site = self.procedure.profile, self.procedure.site
        self.ground = Ground(
            self.clone.guest,
            self.gateway.trouble,
            profile,
            site,
            facts.baseline,
            self._cut_power,
        )
        baseline = facts.baseline
        self.units = baseline.units
        fresh = History(changes=baseline.changes, boot_id=baseline.boot_id)
        self.fresh = fresh
        self.seen = folder.load_history() or fresh
        self.hands = threading.RLock()
        self.done = threading.Event()
        self.touched_s = self.bench.clock.monotonic()
        self.injector = Injector(self.chronicle, self.ground)
        self.injector.restore_trouble()
        self._off_since = 0.0

    @property
    def record(self) -> DrillRecord:
        """The drill's record as it stands."""
        return self.chronicle.record

    def begin(self) -> None:
        """The trainee's clock begins."""
        self.chronicle.begin(dict(self.ground_facts.laid))

    # -- the loop ----------------------------------------------------------------------------

    def run(self) -> None:
        """Until the drill ends."""
        looked = 0.0
        while not self.done.wait(POLL_EVERY_S):
            now = self.bench.clock.monotonic()
            with self.hands, contextlib.suppress(ForerunError, FileNotFoundError, OSError):
                self.clone.guest.ensure_gateway()
                if self.record.state in (DrillState.RUNNING, DrillState.BACKED_OUT):
                    self.injector.poll()
                    if now - looked >= LOOK_EVERY_S:
                        looked = now
                        self.look()
            if now - self.touched_s > LEFT_AFTER_S:
                self.end(DrillState.LEFT, "nobody came back to it")
            elif not self.clone.folder.is_dir():
                self.end(DrillState.LEFT, "its clone was removed")

    def look(self) -> Look:
        """Look at the clone, and do what that look calls for."""
        if self._is_off():
            return Look(self.chronicle.now_s(), reachable=False)
        look = take_look(self.clone.guest, self.units, self.chronicle.now_s())
        before = self.seen
        self.seen = extend_history(before, look, self.procedure.profile.sources, self.units)
        for name in ("insecure", "two_managers", "locks_removed"):
            if getattr(self.seen, name) and not getattr(before, name):
                self.chronicle.note("wrong", name.replace("_", "-"), getattr(self.seen, name))
        self.folder.save_history(self.seen)
        if self.record.state is DrillState.RUNNING:
            # A clone that goes away meanwhile is looked at again in a moment.
            with contextlib.suppress(CloneUnreachable, FileNotFoundError):
                self.injector.go_on(look, self.seen)
        return look

    def _is_off(self) -> bool:
        """A clone that somebody switched off is switched on again after a while."""
        if self.hypervisor.is_running(self.clone.name):
            self._off_since = 0.0
            return False
        self._off_since = self._off_since or self.bench.clock.monotonic()
        if self.bench.clock.monotonic() - self._off_since > ON_AGAIN_S:
            self.chronicle.note(
                "wrong", "switched-off", "the server was off; somebody switched it on again"
            )
            self.hypervisor.start(self.clone.xml)
            self._off_since = 0.0
        return True

    def _cut_power(self) -> None:
        self.holder.cut_power()
        self.bench.clock.sleep(2.0)
        self.hypervisor.start(self.clone.xml)

    # -- what the trainee asks for -----------------------------------------------------------

    def check_open(self) -> None:
        """Somebody is there. Raises UsageError when the drill has ended."""
        self.touched_s = self.bench.clock.monotonic()
        if not self.record.state.is_open:
            raise UsageError("This drill has ended.", where=self.record.id)

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Nothing else touches the clone meanwhile; the drill must be going on."""
        self.check_open()
        with self.hands:
            self.check_open()
            yield

    def check(self) -> tuple[Judged, ...]:
        """Every objective as it stands now; what changed is on the event line."""
        with self.alone():
            scene = self._set_scene()
            before = {one.name: one.standing for one in self.record.judged}
            judged = tuple(judge(one, scene) for one in self.record.drill.objectives)
            for one in judged:
                if before.get(one.name) is not one.standing:
                    self.chronicle.note(
                        "objective", one.name, f"{one.standing.value}: {one.evidence}"
                    )
            self.chronicle.change(judged=judged, spent_s=self.chronicle.now_s())
            return judged

    def _set_scene(self) -> Scene:
        look = self.look()
        record, facts = self.record, self.ground_facts
        struck = [one.struck_s for one in record.injects if one.struck_s > 0]
        ports = {
            service.name: self._find_port(service.port) for service in self.procedure.site.services
        }
        return Scene(
            guest=self.clone.guest,
            look=look,
            seen=self.seen,
            baseline=facts.baseline,
            profile=self.procedure.profile,
            site=self.procedure.site,
            clock=self.bench.clock,
            state=record.state,
            events=tuple(one for one in record.events if one.attempt == record.attempt),
            taken=self._list_taken(),
            plan_shown_s=find_plan_shown(self.folder.list_casts(), record.began_at),
            latest_s=record.latest_s,
            first_inject_s=min(struck, default=0.0),
            ports=ports,
        )

    def _find_port(self, guest_port: int) -> int:
        found = [one.host_port for one in self.clone.ports if one.guest_port == guest_port]
        return found[0] if found else 0

    def _list_taken(self) -> tuple[tuple[Path, float], ...]:
        at = {one.name: one.at_s for one in self.record.events
              if one.kind == "fetched" and one.attempt == self.record.attempt}  # fmt: skip
        return tuple(
            (path, at[path.name]) for path in sorted(self.folder.taken.glob("*")) if path.name in at
        )

    def fetch(self, path: str) -> Path:
        """Take a file off the clone. Raises FileNotFoundError, UsageError."""
        with self.alone():
            name = Path(path).name
            if not name or name.startswith("."):
                raise UsageError("Name a file on the clone.", found=path)
            self.folder.taken.mkdir(mode=0o700, exist_ok=True)
            target = self.folder.taken / name
            aside = target.with_name(f".{name}.part")
            offset = 0
            try:
                with aside.open("wb") as out:
                    aside.chmod(0o600)
                    while chunk := self.clone.guest.read_file(path, offset=offset, limit=_CHUNK):
                        out.write(chunk)
                        offset += len(chunk)
                        if offset > MOST_TAKEN_BYTES:
                            raise UsageError("That file is larger than 1 GiB.", where=path)
                aside.rename(target)
            finally:
                aside.unlink(missing_ok=True)
            self.chronicle.note("fetched", name, f"{path}, {offset} bytes")
            return target

    def hint(self, objective: str) -> tuple[str, str, int, int]:
        """(objective, text, cost, hints left) of the next hint, for that objective or the
        first one that is not met. Raises UsageError where there is none."""
        self.check_open()
        met = {one.name for one in self.record.judged if one.standing.value == "met"}
        given = dict(self.record.hints)
        known = self.record.drill.objectives
        if objective and objective not in {one.name for one in known}:
            raise UsageError(
                "The drill has no such objective.",
                found=objective,
                wanted=", ".join(one.name for one in known),
            )
        for one in known:
            if objective not in ("", one.name) or (not objective and one.name in met):
                continue
            used = given.get(one.name, 0)
            if used < len(one.hints):
                hint = one.hints[used]
                given[one.name] = used + 1
                self.chronicle.change(hints=tuple(given.items()))
                self.chronicle.note("hint", one.name, f"hint {used + 1}, {hint.cost} points")
                return one.name, hint.text, hint.cost, len(one.hints) - used - 1
        raise UsageError("There is no hint left.", where=objective or self.record.id)

    def reset(self) -> float:
        """Back to the hold point; a new attempt begins. Returns the seconds it took."""
        with self.alone():
            at_s = self.chronicle.now_s()
            back_s = self._go_back()
            for path in self.folder.taken.glob("*"):
                path.unlink()
            self.chronicle.begin_again(dict(self.ground_facts.laid), at_s, back_s)
            self.seen = self.fresh
            self.folder.save_history(self.seen)
            return back_s

    def _go_back(self) -> float:
        self.injector.forget()
        with contextlib.suppress(ForerunError):
            drop_shells(self.ground)
        back_s = self.holder.return_to(self.ground_facts.hold)
        self._off_since = 0.0
        return back_s

    def call_back_out(self, why: str) -> float:
        """The trainee calls the back-out: who looks after the hypervisor brings the server
        back to where it was before. Returns the seconds it took."""
        with self.alone():
            if self.record.state is not DrillState.RUNNING:
                raise UsageError(
                    "There is nothing to go back from.",
                    where=self.record.id,
                    found=self.record.state.value,
                )
            self.chronicle.note("call", "back-out", why)
            back_s = self._go_back()
            self.chronicle.change(state=DrillState.BACKED_OUT)
            self.chronicle.note(
                "state", "backed-out", f"the server is as before, after {back_s:.1f} s"
            )
            return back_s

    def finish(self) -> DrillRecord:
        """Judge it for good, write what came of it, and take the clone away."""
        with self.alone():
            self.check()
            spent = self.chronicle.now_s()
            self.chronicle.note("state", "finished", f"after {spent:.0f} s")
            casts = tuple(path.name for path in self.folder.list_casts())
            self.chronicle.change(casts=casts, spent_s=spent)
            made = conclude(self.record)
            self.end(DrillState.FINISHED, made.verdict, made)
            return self.record

    def end(self, state: DrillState, verdict: str, made: DrillRecord | None = None) -> None:
        """Take the clone away and say how it ended; it ends once."""
        with self.hands:
            if self.done.is_set():
                return
            self.clone.guest.close()
            sweep(self.bench.store, self.hypervisor, self.bench.command, run=self.record.id)
            self.folder.forget_clone()
            parts = (
                {}
                if made is None
                else {"points": made.points, "most_points": made.most_points, "passed": made.passed}
            )
            self.chronicle.change(
                state=state,
                verdict=verdict,
                finished_at=self.chronicle.now(),
                forerun_version=__version__,
                **parts,
            )
            try:
                if made is not None:
                    write_debriefs(self.record, self.folder.path)
            finally:  # where there was no room for it, it can be drawn again
                self.done.set()


class _NoSink:
    """A keeper tells its event line, not a terminal."""

    def emit(self, _event: object) -> None:
        """Say nothing."""

    def close(self) -> None:
        """Nothing is open."""


@contextmanager
def holding(folder: DrillFolder) -> Iterator[None]:
    """Be the one keeper of that drill. Raises LabUnfit when there is one."""
    lock = folder.path / LOCK_NAME
    if lock.exists() and not remove_unheld(lock):
        raise LabUnfit("That drill has a keeper already.", where=folder.id)
    try:
        handle = open_held(lock)
    except FileExistsError as problem:
        raise LabUnfit("That drill has a keeper already.", where=folder.id) from problem
    try:
        yield
    finally:
        lock.unlink(missing_ok=True)
        os.close(handle)


def connect(keeper: Keeper) -> None:
    """Reach the clone, which may be starting, or without its network on purpose."""
    with contextlib.suppress(CloneUnreachable):
        keeper.clone.guest.connect(patience_s=60.0, alive=lambda: True)
