"""What reading production may cost, what it has cost, and the meter that stops it."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from forerun.errors import SurveyFailed
from forerun.ports.clock import Clock


@dataclass(frozen=True, slots=True)
class Budget:
    """What a survey may cost: bytes read, seconds of wall time, and seconds of CPU time
    that its programs may use on production."""

    read_bytes: int = 200_000_000
    seconds: float = 900.0
    cpu_seconds: float = 30.0


@dataclass(frozen=True, slots=True)
class Spent:
    """What reading has cost so far. `cpu_seconds` is user and system time on production
    of the probes themselves, as their own shell reports it."""

    read_bytes: int = 0
    cpu_seconds: float = 0.0
    wall_seconds: float = 0.0


class Meter:
    """Counts what reading costs and stops at the budget."""

    def __init__(self, budget: Budget, clock: Clock) -> None:
        self.budget = budget
        self.read_bytes = 0
        self.cpu_seconds = 0.0
        self._clock = clock
        self._start = clock.monotonic()

    def wall_seconds(self) -> float:
        """Seconds since the meter was made."""
        return self._clock.monotonic() - self._start

    def count(self, size: int, what: str) -> None:
        """Add bytes; raises SurveyFailed past the budget."""
        self.read_bytes += size
        self.check(0, what)

    def check(self, coming: int, what: str) -> None:
        """Raises SurveyFailed when these further bytes, not yet counted, or the time
        spent so far are past the budget."""
        size = self.read_bytes + coming
        if size > self.budget.read_bytes:
            raise SurveyFailed(
                "The survey read more than its budget allows and was stopped.",
                where=what,
                wanted=f"at most {self.budget.read_bytes} bytes",
                found=f"{size} bytes",
                hint="Raise the byte budget, or find what is so large below /etc.",
            )
        took = self.wall_seconds()
        if took > self.budget.seconds:
            raise SurveyFailed(
                "The survey took longer than its budget allows and was stopped.",
                where=what,
                wanted=f"at most {self.budget.seconds:.0f} s",
                found=f"{took:.0f} s",
                hint="Try again when the server is less busy, or raise the time budget.",
            )

    def charge(self, cpu_seconds: float, what: str) -> None:
        """Add CPU time on production; raises SurveyFailed past the budget."""
        self.cpu_seconds += cpu_seconds
        if self.cpu_seconds > self.budget.cpu_seconds:
            raise SurveyFailed(
                "The survey used more CPU time on the server than its budget allows and was"
                " stopped.",
                where=what,
                wanted=f"at most {self.budget.cpu_seconds:.0f} s",
                found=f"{self.cpu_seconds:.1f} s, {cpu_seconds:.1f} s of it here",
                hint="Nothing was changed there. Raise the CPU budget if the server can spare it.",
            )

    def left_s(self) -> float:
        """Seconds left of the budget, at least one."""
        return max(1.0, self.budget.seconds - self.wall_seconds())

    def left_cpu_s(self) -> int:
        """Whole seconds of CPU time after which one program is surely past the budget."""
        return max(1, math.ceil(self.budget.cpu_seconds - self.cpu_seconds)) + 1


_TIME = re.compile(r"(\d+)m(\d+(?:[.,]\d+)?)s")


def sum_times(text: str) -> float:
    """CPU seconds in the output of the shell's `times` (POSIX: minutes and seconds of
    user and system time, of the shell and of its children)."""
    total = 0.0
    for line in text.splitlines():
        pairs = _TIME.findall(line)
        if len(pairs) == 2 and not _TIME.sub("", line).strip():
            total += sum(int(m) * 60 + float(s.replace(",", ".")) for m, s in pairs)
    return total


def limit_cpu(seconds: int) -> str:
    """A shell line after which the kernel ends each program that uses more CPU time
    (setrlimit(2), RLIMIT_CPU): a survey learns what it cost only at a probe's end."""
    return f"ulimit -t {seconds} 2>/dev/null\n"
