"""The one door to time."""

from __future__ import annotations

import time
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


def format_instant(moment: datetime) -> str:
    """RFC 3339 in UTC, to the second: 2026-01-31T22:00:00Z."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
