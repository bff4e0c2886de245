"""The one door to time."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """Wall time, monotonic time and waiting."""

    def now(self) -> datetime:
        """The wall clock, in UTC."""
        ...

    def monotonic(self) -> float:
        """Seconds on a clock that never goes back."""
        ...

    def sleep(self, seconds: float) -> None:
        """Wait that many seconds."""
        ...


class SystemClock:
    """The machine's own clock."""

    def now(self) -> datetime:
        """The wall clock, in UTC."""
        return datetime.now(UTC)

    def monotonic(self) -> float:
        """Seconds on a clock that never goes back."""
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Wait that many seconds."""
        time.sleep(seconds)


class PausableClock:
    """A clock whose monotonic time can be stopped, so that what is not part of a procedure
    (keeping a hold point, trying a fault) is in none of its durations.

    Only the thread that pauses may sleep on it meanwhile; wall time goes on."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._lost_s = 0.0
        self._stopped_at: float | None = None

    def now(self) -> datetime:
        """The wall clock, in UTC."""
        return self._clock.now()

    def monotonic(self) -> float:
        """Seconds, without those that were spent in pauses."""
        at = self._clock.monotonic() if self._stopped_at is None else self._stopped_at
        return at - self._lost_s

    def sleep(self, seconds: float) -> None:
        """Wait that many seconds."""
        self._clock.sleep(seconds)

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Stop the monotonic time for as long as the block runs; not to be nested."""
        self._stopped_at = began = self._clock.monotonic()
        try:
            yield
        finally:
            self._lost_s += self._clock.monotonic() - began
            self._stopped_at = None


def format_instant(moment: datetime) -> str:
    """RFC 3339 in UTC, to the second: 2026-01-31T22:00:00Z."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
