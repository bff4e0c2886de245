"""A reboot of the clone, cut into its parts.

The instants come from three places: the serial console (stamped as it grows), the
clone's own clock (uptime and the service manager's monotonic stamps), and the outside
probes. All are put on the lab host's monotonic clock.
"""

from __future__ import annotations

import contextlib
import re
import shlex
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from forerun.distro.linux_system import parse_boots
from forerun.errors import CloneUnreachable, ForerunError, LinkLost, ProductionUnreachable
from forerun.model.observation import RebootSplit, StepEnd
from forerun.model.profile import ServiceProbe
from forerun.ports.clock import Clock
from forerun.ports.guest import Guest
from forerun.stages.actions import Done

_DOWN = re.compile(rb"reboot: Restarting system")
_LOADER = re.compile(rb"GRUB|Loading Linux|Booting `")
_UPTIME = re.compile(rb"[0-9]{1,10}(?:\.[0-9]{1,6})?")
_READY_WAIT_S = 240.0
_SETTLE_WAIT_S = 60.0
_ASK_UNITS_S = 6.0  # several looks at each service
_AT_REST = ("failed", "inactive")


@dataclass(frozen=True, slots=True)
class ConsoleMark:
    """The first moment a pattern was seen on the console."""

    name: str
    at_s: float


class ConsoleWatch:
    """Follows the serial log in a thread, stamping the first sight of each pattern."""

    def __init__(self, path: Path, clock: Clock) -> None:
        self._path = path
        self._clock = clock
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._follow, daemon=True)
        self.seen: dict[str, float] = {}
        self._text = b""
        self._offset = path.stat().st_size if path.exists() else 0

    def __enter__(self) -> ConsoleWatch:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(timeout=5)

    def _follow(self) -> None:
        while not self._stop.wait(0.1):
            self.look()

    def look(self) -> None:
        """Read what is new and stamp what is seen in it for the first time."""
        with contextlib.suppress(OSError), self._path.open("rb") as stream:
            stream.seek(self._offset)
            new = stream.read()
            self._offset += len(new)
            self._text = (self._text + new)[-65536:]
        now = self._clock.monotonic()
        for name, pattern in (("down", _DOWN), ("loader", _LOADER)):
            if name == "loader" and "down" not in self.seen:
                continue
            if name not in self.seen and pattern.search(self._text):
                self.seen[name] = now


@dataclass(frozen=True, slots=True)
class BootAccount:
    """The clone's own account of its boot: the kernel's start on the lab host's clock,
    and seconds from there to user space and to the service manager's "finished"."""

    zero_s: float
    userspace_s: float
    finish_s: float
    kernel: str
    boot_id: str


def read_boot_account(guest: Guest, clock: Clock) -> BootAccount:
    """Raises CloneUnreachable; `finish_s` is 0 while the boot is not finished."""
    uptime = _UPTIME.match(guest.read_file("/proc/uptime"))
    now = clock.monotonic()
    shown = guest.run(
        "systemctl show -p UserspaceTimestampMonotonic -p FinishTimestampMonotonic; uname -r",
        timeout_s=60,
    ).text()
    stamps = dict(re.findall(r"(\w+)=([0-9]{1,15})", shown))
    boot_id = guest.read_file("/proc/sys/kernel/random/boot_id").decode("ascii", "replace").strip()
    if uptime is None or not shown.strip():
        raise CloneUnreachable("The clone does not say how long it has been up.")
    return BootAccount(
        zero_s=now - float(uptime[0]),
        userspace_s=int(stamps.get("UserspaceTimestampMonotonic", "0")) / 1e6,
        finish_s=int(stamps.get("FinishTimestampMonotonic", "0")) / 1e6,
        kernel=shown.strip().splitlines()[-1],
        boot_id=boot_id,
    )


@dataclass(frozen=True, slots=True)
class RebootTimes:
    """Instants on the lab host's clock: request, first SSH answer, all services well;
    `ready` is None when one stayed away, and `missing` then says which."""

    requested: float
    answered: float
    ready: float | None
    missing: tuple[str, ...] = ()


class Reboot:
    """Restarts the clone and follows it back."""

    def __init__(
        self,
        guest: Guest,
        console: Path,
        clock: Clock,
        *,
        origin_s: float,
        find_silent: Callable[[float], tuple[ServiceProbe, ...]],
        is_running: Callable[[], bool],
    ) -> None:
        self._guest = guest
        self._console = console
        self._clock = clock
        self._origin = origin_s
        self._find_silent = find_silent
        self._is_running = is_running

    def run(self, *, allowed_s: float) -> tuple[Done, RebootSplit | None]:
        """Ask for the restart, wait for the new boot, and cut the time into parts."""
        before = read_boot_account(self._guest, self._clock)
        with ConsoleWatch(self._console, self._clock) as watch:
            requested = self._clock.monotonic()
            with contextlib.suppress(ForerunError):  # the link may fall while it answers
                self._guest.run("systemctl reboot --no-block", timeout_s=30)
            self._guest.close()
            try:
                answered = self._wait_for_new_boot(before.boot_id, requested, allowed_s)
            except CloneUnreachable as problem:
                return Done(StepEnd.UNREACHABLE, problem.what, _tail(self._console), -1), None
            account = self._wait_for_finish(requested, allowed_s)
            ready, missing = self._wait_for_services(answered)
        times = RebootTimes(requested, answered, ready, missing)
        done, split = cut_reboot(before, account, times, watch.seen, origin_s=self._origin)
        return done, replace(split, journal_gap_s=read_journal_gap(self._guest))

    def _wait_for_new_boot(self, old_id: str, requested: float, allowed_s: float) -> float:
        """The instant at which SSH of the new boot answered."""
        while True:
            left = allowed_s - (self._clock.monotonic() - requested)
            if left <= 0:
                raise CloneUnreachable(f"The clone was not back after {allowed_s:.0f} s.")
            # It may be the old boot, going down while it is asked: a link that is lost
            # or refused halfway says nothing about the new one.
            with contextlib.suppress(LinkLost, ProductionUnreachable):
                self._guest.connect(patience_s=left, alive=self._is_running)
                answered = self._clock.monotonic()
                text = self._guest.read_file("/proc/sys/kernel/random/boot_id")
                if text.decode("ascii", "replace").strip() != old_id:
                    return answered
            self._guest.close()
            self._clock.sleep(0.5)

    def _wait_for_finish(self, requested: float, allowed_s: float) -> BootAccount:
        while True:
            account = read_boot_account(self._guest, self._clock)
            late = self._clock.monotonic() - requested > allowed_s
            if account.finish_s > 0 or late:
                return account
            self._clock.sleep(1.0)

    def _wait_for_services(self, since: float) -> tuple[float | None, tuple[str, ...]]:
        """The instant at which the last service answered, or the names of those that did
        not. A service whose units are at rest is not waited for to the end."""
        began = self._clock.monotonic()
        ask_at = began + _ASK_UNITS_S
        while True:
            silent = self._find_silent(since - self._origin)
            now = self._clock.monotonic()
            if not silent:
                return now, ()
            over = now >= began + _SETTLE_WAIT_S
            if over or (now >= ask_at and have_given_up(self._guest, silent)):
                return None, tuple(probe.name for probe in silent)
            if now >= ask_at:
                ask_at = now + _ASK_UNITS_S
            self._clock.sleep(0.2)


def read_journal_gap(guest: Guest) -> float:
    """Seconds between the journals of the last two starts, as production's history has them;
    -1 where the clone keeps no journal over a restart, or gives no answer."""
    with contextlib.suppress(ForerunError):
        said = guest.run("journalctl --list-boots --utc --no-pager", timeout_s=60).text()
        boots = parse_boots(said.splitlines(), ())
        if len(boots) > 1:
            return boots[-1].measure_gap(boots[-2])
    return -1.0


def have_given_up(guest: Guest, services: Sequence[ServiceProbe]) -> bool:
    """Whether none of the services can come back by itself: a unit of it has failed, or
    all its units are at rest. One that waits for its restart is "activating"
    (org.freedesktop.systemd1(5), ActiveState); of one without units nothing is known."""
    if not all(probe.units for probe in services):
        return False
    units = sorted({unit for probe in services for unit in probe.units})
    states: dict[str, str] = {}
    with contextlib.suppress(ForerunError):
        shown = guest.run(f"systemctl is-active -- {shlex.join(units)}", timeout_s=60).text()
        states = dict(zip(units, shown.split(), strict=False))
    return all(
        any(states.get(unit) == "failed" for unit in probe.units)
        or all(states.get(unit) in _AT_REST for unit in probe.units)
        for probe in services
    )


def cut_reboot(
    before: BootAccount,
    account: BootAccount,
    times: RebootTimes,
    seen: Mapping[str, float],
    *,
    origin_s: float,
) -> tuple[Done, RebootSplit]:
    """The parts of one reboot; down, loader, kernel, user space and settling make up the
    total. Without the console's word the loader's time is part of `down_s`. A boot that
    never finished has overrun: what comes after user space's start is then -1."""
    requested, ready = times.requested, times.ready
    down_at = seen.get("down", account.zero_s)
    whole = account.finish_s > 0
    finished = account.zero_s + account.finish_s if whole else ready or times.answered
    end = max(finished, ready or finished)
    userspace = round(account.finish_s - account.userspace_s, 2) if whole else -1.0
    notes = [] if "down" in seen else ["the console did not show the end of the old system"]
    if not whole:
        notes.append("the service manager had not finished starting in the time allowed")
    split = RebootSplit(
        requested_s=round(requested - origin_s, 2),
        down_s=round(down_at - requested, 2),
        loader_s=round(account.zero_s - down_at, 2),
        kernel_s=round(account.userspace_s, 2),
        userspace_s=userspace,
        settle_s=round(end - finished, 2) if whole else -1.0,
        ssh_s=round(times.answered - requested, 2),
        ready_s=round(ready - requested, 2) if ready else -1.0,
        total_s=round(end - requested, 2),
        own_kernel_s=round(account.userspace_s, 2),
        own_userspace_s=userspace,
        kernel_before=before.kernel,
        kernel_after=account.kernel,
        note="; ".join(notes),
    )
    late = f"; not back: {', '.join(times.missing)}" if times.missing else ""
    message = f"{before.kernel} -> {account.kernel}, {split.total_s:.0f} s{late}"
    if not whole:
        return Done(StepEnd.OVERRAN, f"{message}; {notes[-1]}", (), -1), split
    return Done(StepEnd.DONE, message), split


def _tail(console: Path) -> tuple[str, ...]:
    text = console.read_text(encoding="utf-8", errors="replace") if console.exists() else ""
    return tuple(line[:200] for line in text.splitlines()[-20:])
