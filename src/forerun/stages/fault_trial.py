"""One fault, let happen on a clone in one step, and what becomes of it.

The clone is at a hold point before the step; whoever calls this returns it there
afterwards. In order: the cause is laid, the step runs until it ends or the fault strikes,
the power is cut and given back (would the server still boot, and be reached?), the cause is
lifted, the profile's recovery for it runs, and the step runs again.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from forerun.errors import CloneUnreachable, ForerunError
from forerun.model.observation import StepEnd
from forerun.model.profile import Action, Profile, Recovery, ServiceProbe, Step
from forerun.model.terminal_text import clean_terminal_text
from forerun.model.trial import FaultTried
from forerun.ports.clock import Clock
from forerun.ports.gateway import Gateway, Trouble
from forerun.ports.prober import look_at
from forerun.stages.build import Clone
from forerun.stages.faults import Cause, Fault
from forerun.stages.hold import Holder
from forerun.stages.session import PromptPolicy, SessionEnd, StepSession

BOOT_S = 300.0
SERVICES_S = 90.0
HANG_S = 30.0  # nothing new from a step whose script hangs: then it is believed
SLOW_S = 40.0
NO_RESTART_S = 240.0
SEEN_LINES = 14
TELLING_LINES = 6
LAST_LINES = 3
# How apt, dpkg, the kernel and a shell begin to say what is wrong.
_TELLING = re.compile(
    r"^[EWN]: |^Err:|^dpkg: |mismatch|No space left|Killed|^cannot|: cannot|fail|NO_PUBKEY"
    r"|not valid"
)
_TROUBLE_ON_CONSOLE = re.compile(
    r"Gave up waiting|ALERT!|Kernel panic|emergency mode|grub rescue|error: .*not found"
)


class _PowerWent(Exception):
    """The session cannot go on: its clone is off."""


class _Hangs(Exception):
    """Nothing moves any more; the processes that are left are in `args`."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where faults are tried: one clone and what drives it."""

    clone: Clone
    holder: Holder
    profile: Profile
    policy: PromptPolicy
    clock: Clock
    gateway: Gateway
    trouble: Trouble
    services: tuple[tuple[ServiceProbe, int], ...]
    emit: Callable[[str], None]


@dataclass(slots=True)
class _Course:
    """What happened so far."""

    end: str = ""
    seen: list[str] = field(default_factory=list)
    boots: str = "not tried"
    reachable: str = "not tried"
    silent: tuple[str, ...] = ()
    recovery: str = ""
    recovered: bool = False
    recovery_s: float = 0.0
    why: str = ""


class FaultTrial:
    """Tries one fault in one step."""

    def __init__(self, place: Place, fault: Fault, step: Step) -> None:
        self._place = place
        self._guest = place.clone.guest
        self._clock = place.clock
        self._fault = fault
        self._step = step
        keyring = place.profile.sources.keyring
        self._cause = Cause(fault, self._guest, place.trouble, keyring)
        self._course = _Course()
        self._struck_at = 0.0
        self._served = place.gateway.reading().packages

    def run(self) -> FaultTried:
        """Let it happen, and see. What goes wrong on the clone is a result; only the lab
        host's own troubles are raised (HypervisorFailed, CommandFailed, NoRoom)."""
        began = self._clock.monotonic()
        course = self._course
        try:
            why = self._cause.lay()
            if why:
                course.why = course.end = f"not tried: {why}"
            elif self._step.action is Action.REBOOT:
                self._run_restart()
            else:
                self._run_step()
                if self._cause.moment:
                    self._cut_and_start()
                    self._recover()
                else:
                    course.why = "the step ended before the moment came"
        except (CloneUnreachable, FileNotFoundError) as problem:
            what = problem.what if isinstance(problem, ForerunError) else str(problem)
            course.why = course.why or f"the clone was lost: {what}"
        finally:
            self._place.trouble.kind = ""
        fault = self._fault
        return FaultTried(
            fault=fault.name,
            title=fault.title,
            step=self._step.name,
            moment=self._cause.moment,
            end=course.end,
            seen=tuple(course.seen[-SEEN_LINES:]),
            boots=course.boots,
            reachable=course.reachable,
            silent=course.silent,
            recovery=course.recovery,
            recovered=course.recovered,
            recovery_s=round(course.recovery_s, 2),
            wall_s=round(self._clock.monotonic() - began, 2),
            rule=fault.rule,
            why=course.why,
        )

    # -- the step with the fault in it ---------------------------------------------------------

    def _run_step(self) -> None:
        course = self._course
        try:
            end = self._session(self._step.name, self._step, self._between)
        except _PowerWent:
            course.end = "cut off by the loss of power"
            return
        except _Hangs as hang:
            course.end, *lines = map(str, hang.args)
            course.seen += lines
            self._look_closer()  # while it hangs: who holds what
            self._guest.end_session(self._step.name)
            return
        course.end = f"{end.end.value}: {end.message}".removesuffix(": ")
        course.seen += pick_telling(end.text)
        self._look_closer()

    def _session(self, name: str, step: Step | Recovery, between: Callable[[], None]) -> SessionEnd:
        session = StepSession(
            self._guest,
            name=name,
            policy=self._place.policy,
            clock=self._clock,
            sink=_Silent(),
            origin_s=0.0,
            transcript=lambda _text: None,
            between=between,
        )
        exits: Sequence[int] = step.exits if isinstance(step, Step) else (0,)
        environment = dict(self._place.profile.environment)
        return session.run(step.script, environment, allowed_s=step.time_allowed_s, exits=exits)

    def _between(self) -> None:
        """Between two looks at the step: strike, or find that it hangs."""
        self._guest.ensure_gateway()
        cause, fault = self._cause, self._fault
        now = self._clock.monotonic()
        if not self._struck_at and cause.poll():
            self._struck_at = now
            self._place.emit(f"{fault.name} strikes: {cause.moment}")
            if fault.power:
                self._place.holder.cut_power()
                raise _PowerWent
            cause.strike()
            cause.let_go()
            if fault.name == "session-lost-asking":
                self._leave_unanswered()
        if fault.name == "archive-slow":
            self._watch_slow(now)
        if fault.name in {"script-hangs", "session-lost"} and self._struck_at:
            self._watch_hang(now)

    def _watch_slow(self, now: float) -> None:
        served = self._place.gateway.reading().packages - self._served
        if served and now - self._struck_at > SLOW_S and self._place.trouble.kind:
            self._course.seen.append(
                f"{served} bytes of packages in the first {now - self._struck_at:.0f} s; then "
                "the archive was let be quick again"
            )
            self._place.trouble.kind = ""

    def _leave_unanswered(self) -> None:
        """From here on nobody looks at the session or types into it, as when the line is
        dead and the server has not noticed: does the question wait for ever?"""
        limit = self._clock.monotonic() + HANG_S
        waiting = None
        while self._clock.monotonic() < limit:
            self._clock.sleep(5.0)
            waiting = self._guest.find_waiting(self._step.name)
        if waiting is None:
            return  # it went on by itself
        raise _Hangs(
            f"a question waited {HANG_S:.0f} s and nobody could answer it",
            f"process {waiting.pid} ({waiting.process}) waits for an answer",
            *self._list_managers(),
        )

    def _watch_hang(self, now: float) -> None:
        if now - self._struck_at < HANG_S:
            return
        end = f"hangs: nothing new in {HANG_S:.0f} s"
        if self._fault.name == "script-hangs":
            left = self._guest.run(
                "ps -e -o pid=,stat=,etime=,args= | grep -e '[s]leep 1000000' -e '[d]pkg'",
                timeout_s=60,
            )
            if "sleep 1000000" in left.text():
                raise _Hangs(end, *left.text().splitlines())
            self._struck_at = now  # the script has not been reached yet
            return
        # Without its terminal the session has no way to say that it ended.
        raise _Hangs(end, *(self._list_managers() or ["no package manager runs any more"]))

    def _list_managers(self) -> list[str]:
        left = self._guest.run(
            "ps -e -o pid=,stat=,etime=,args= | grep -e '[a]pt-get' -e '[d]pkg' | head -n 8; true",
            timeout_s=60,
        )
        return left.text().splitlines()

    def _look_closer(self) -> None:
        """What an administrator would ask first."""
        if not self._place.holder.is_reachable():
            return
        told = self._guest.run(
            "dpkg --audit | grep -c '^ ' | sed 's/$/ packages half way (dpkg --audit)/';"
            ' lslocks -n -o PID,COMMAND,PATH | awk \'$3 ~ "/dpkg/lock-frontend$" '
            '{print "lock held by process " $1 " (" $2 ")"}\';'
            " journalctl -k -q --no-pager --grep 'Out of memory' 2>/dev/null | tail -n 2;"
            " df --output=target,pcent / /boot | tail -n +2 | sort -u",
            timeout_s=120,
        )
        self._course.seen += [line.strip() for line in told.text().splitlines() if line.strip()]

    # -- would it boot, and be reached ---------------------------------------------------------

    def _cut_and_start(self) -> None:
        course, holder = self._course, self._place.holder
        holder.cut_power()
        size = _size(self._place.clone.console)
        try:
            holder.switch_on(patience_s=BOOT_S)
            course.boots = course.reachable = "yes"
        except CloneUnreachable:
            shown = read_console(self._place.clone.console, size)
            course.boots = "yes" if re.search(r"login: *$", shown, re.MULTILINE) else "no"
            course.reachable = "no"
            course.seen += shown.splitlines()[-SEEN_LINES:]
            return
        course.silent = self._find_silent()

    def _find_silent(self) -> tuple[str, ...]:
        """The services that do not answer in the time they are given."""
        silent = list(self._place.services)
        limit = self._clock.monotonic() + SERVICES_S
        while silent and self._clock.monotonic() < limit:
            silent = [
                (probe, port)
                for probe, port in silent
                if look_at(probe, port, self._clock).state == "down"
            ]
            if silent:
                self._clock.sleep(1.0)
        return tuple(probe.name for probe, _ in silent)

    # -- mending -------------------------------------------------------------------------------

    def _recover(self) -> None:
        course = self._course
        if course.reachable != "yes":
            course.why = "it cannot be reached, so nothing can be mended in place: back out"
            return
        began = self._clock.monotonic()
        self._cause.lift()
        course.recovery = _BY_RESTART.get(self._fault.name, "")
        recovery = next(
            (one for one in self._place.profile.recoveries if self._fault.name in one.mends), None
        )
        if recovery is not None:
            course.recovery = recovery.title
            mended = self._session(f"mend-{recovery.name}", recovery, self._guest.ensure_gateway)
            if mended.end is not StepEnd.DONE:
                course.why = f"{recovery.name} {mended.end.value}: {mended.message}"
                course.seen += pick_telling(mended.text)
                course.recovery_s = self._clock.monotonic() - began
                return
        course.recovery = course.recovery or "the cause taken away; then the step again"
        again = self._session(self._step.name, self._step, self._guest.ensure_gateway)
        course.recovery_s = self._clock.monotonic() - began
        audit = self._guest.run("dpkg --audit", timeout_s=120).text().strip()
        course.recovered = again.end is StepEnd.DONE and not audit
        if not course.recovered:
            course.why = f"the step again: {again.end.value} {again.message} {audit}".strip()

    # -- a restart that does not come back -----------------------------------------------------

    def _run_restart(self) -> None:
        course, console = self._course, self._place.clone.console
        size = _size(console)
        self._guest.run("systemctl --no-block reboot", timeout_s=60)
        self._guest.close()
        limit = self._clock.monotonic() + min(NO_RESTART_S, self._step.time_allowed_s)
        shown = ""
        while self._clock.monotonic() < limit:
            self._clock.sleep(2.0)
            shown = read_console(console, size)
            if _TROUBLE_ON_CONSOLE.search(shown):
                self._clock.sleep(5.0)
                shown = read_console(console, size)
                break
        back = self._place.holder.is_reachable()
        course.boots = course.reachable = "yes" if back else "no"
        course.end = "came back" if back else "did not come back"
        course.seen += [line for line in shown.splitlines() if line.strip()][-SEEN_LINES:]
        if not back:
            course.recovery = "none over the network; the way back is the hold point"
            course.why = "it cannot be reached, so nothing can be mended in place: back out"


# What the restart mended, since the cause was only the clone's clock.
_BY_RESTART = {
    "clock-wrong": "the clock is set by the restart; then the step again",
    "signing-key-expired": "a key that is good again, here by the clock; then the step again",
}


def pick_telling(text: str) -> list[str]:
    """Of a step's output the lines that say what is wrong, then the last ones."""
    lines = [line.strip()[:300] for line in text.splitlines() if line.strip()]
    lines = [line for line in lines if not line.startswith("Script done on ")]
    telling = list(dict.fromkeys(line for line in lines if _TELLING.search(line)))
    return [*telling[-TELLING_LINES:], *(x for x in lines[-LAST_LINES:] if x not in telling)]


class _Silent:
    """A fault's own sessions are told by its record, not as progress."""

    def emit(self, _event: object) -> None:
        """Say nothing."""

    def close(self) -> None:
        """Nothing is open."""


def _size(path: Path) -> int:
    with contextlib.suppress(OSError):
        return path.stat().st_size
    return 0


def read_console(path: Path, offset: int) -> str:
    """What the serial console has shown since that offset, as plain text."""
    with contextlib.suppress(OSError), path.open("rb") as stream:
        stream.seek(offset)
        return clean_terminal_text(stream.read(1 << 20).decode("utf-8", "replace"))
    return ""
