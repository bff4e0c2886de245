"""What the gateway counts, and how it keeps to its rate."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass

from forerun.ports.clock import Clock, SystemClock

# A guest could ask for endless different addresses: from here on they share one row.
MOST_ROWS = 20_000
MOST_FAULTS = 200
OTHER_ADDRESSES = "(other addresses)"
# Long enough to make good for late timers, short enough not to show as a burst.
_DEPTH_S = 0.1


@dataclass(frozen=True, slots=True)
class GatewayReading:
    """Counters since the gateway started, in bytes. `packages` and `indexes` are body
    bytes of archive files served (texts of errors and refusals are not counted);
    `outside` body bytes fetched from outside; `cached` body bytes served that were not
    fetched for that request (they were on disk, or another request was fetching them);
    `headers` response header bytes sent: status line, fields, blank line; `refused`
    requests turned away (off the allow-list, malformed, or not a plain GET/HEAD);
    `fetching_s` seconds in which at least one GET was being answered."""

    requests: int = 0
    packages: int = 0
    indexes: int = 0
    outside: int = 0
    cached: int = 0
    headers: int = 0
    refused: int = 0
    fetching_s: float = 0.0


@dataclass(frozen=True, slots=True)
class UrlMeter:
    """What one URL cost: requests, body bytes served, body bytes fetched outside."""

    url: str
    requests: int
    served_bytes: int
    outside_bytes: int
    refused: int = 0


class _Row:
    __slots__ = ("outside", "refused", "requests", "served")

    def __init__(self) -> None:
        self.requests = 0
        self.served = 0
        self.outside = 0
        self.refused = 0


class Tally:
    """The counters; every method may be called from any thread."""

    def __init__(self, clock: Clock | None = None) -> None:
        self._lock = threading.Lock()
        self._clock: Clock = clock or SystemClock()
        self._open = 0
        self._open_since = 0.0
        self._fetching_s = 0.0
        self._requests = 0
        self._packages = 0
        self._indexes = 0
        self._cached = 0
        self._headers = 0
        self._refused = 0
        self._outside = 0
        self._rows: dict[str, _Row] = {}
        self._faults: dict[str, int] = {}

    def note_request(self) -> None:
        """A request came in, good or bad."""
        with self._lock:
            self._requests += 1

    @contextmanager
    def answering(self) -> Iterator[None]:
        """A GET is being answered for as long as the block runs; several at once count as
        one, since seconds are of the wall clock."""
        with self._lock:
            if self._open == 0:
                self._open_since = self._clock.monotonic()
            self._open += 1
        try:
            yield
        finally:
            with self._lock:
                self._open -= 1
                if self._open == 0:
                    self._fetching_s += self._clock.monotonic() - self._open_since

    def note_headers(self, size: int) -> None:
        """`size` bytes of response header are sent."""
        with self._lock:
            self._headers += size

    def note_asked(self, url: str) -> None:
        """A request for `url` is on the allow-list."""
        with self._lock:
            self._row(url).requests += 1

    def note_served(self, url: str, size: int, *, index: bool, cached: bool) -> None:
        """`size` body bytes go to a client (negative: they did not after all)."""
        with self._lock:
            self._row(url).served += size
            if index:
                self._indexes += size
            else:
                self._packages += size
            if cached:
                self._cached += size

    def note_outside(self, url: str, size: int) -> None:
        """`size` body bytes came from outside."""
        with self._lock:
            self._outside += size
            self._row(url).outside += size

    def note_refused(self, label: str, *, asked: bool = False) -> None:
        """A request was turned away; `asked`: `note_asked` already counted it."""
        with self._lock:
            self._refused += 1
            row = self._row(label)
            row.refused += 1
            if not asked:
                row.requests += 1

    def note_fault(self, text: str) -> None:
        """Something outside or on disk went wrong; equal texts are kept once."""
        with self._lock:
            if text in self._faults or len(self._faults) < MOST_FAULTS:
                self._faults[text] = self._faults.get(text, 0) + 1

    def reading(self) -> GatewayReading:
        """The counters now."""
        with self._lock:
            open_s = self._clock.monotonic() - self._open_since if self._open else 0.0
            return GatewayReading(
                fetching_s=self._fetching_s + open_s,
                requests=self._requests,
                packages=self._packages,
                indexes=self._indexes,
                outside=self._outside,
                cached=self._cached,
                headers=self._headers,
                refused=self._refused,
            )

    def meters(self) -> tuple[UrlMeter, ...]:
        """One row for each URL, in the order of first asking."""
        with self._lock:
            return tuple(
                UrlMeter(url, row.requests, row.served, row.outside, row.refused)
                for url, row in self._rows.items()
            )

    def faults(self) -> tuple[str, ...]:
        """The faults in order of first occurrence, "(N times)" added to repeated ones."""
        with self._lock:
            return tuple(
                text if count == 1 else f"{text} ({count} times)"
                for text, count in self._faults.items()
            )

    def _row(self, url: str) -> _Row:
        if url not in self._rows and len(self._rows) >= MOST_ROWS:
            url = OTHER_ADDRESSES
        return self._rows.setdefault(url, _Row())


def measure_header(
    version: tuple[int, int], status: int, reason: str, fields: Mapping[str, str]
) -> int:
    """Bytes of a response header on the wire (RFC 9112 section 2.1): status line,
    field lines and the blank line, each ended by CR LF."""
    lines = [f"HTTP/{version[0]}.{version[1]} {status} {reason}"]
    lines += [f"{name}: {value}" for name, value in fields.items()]
    return sum(len(line.encode()) + 2 for line in lines) + 2


class TokenBucket:
    """A token bucket that starts empty and lets its users run into debt.

    Each user pays before it sends and waits until its own bytes are paid for, so N
    bytes from a fresh bucket take 8N/limit seconds, and several users share the rate in
    order of asking. `limit_bits` is in bit/s, decimal.
    """

    def __init__(self, limit_bits: int, now_s: float) -> None:
        self._rate = limit_bits / 8
        self._tokens = 0.0
        self._then = now_s
        self.chunk = min(262_144, max(512, int(self._rate / 20)))
        self._depth = max(float(self.chunk), self._rate * _DEPTH_S)

    def take(self, size: int, now_s: float) -> float:
        """Pay for `size` bytes at `now_s`: seconds to wait before they may be sent."""
        earned = max(0.0, now_s - self._then) * self._rate
        self._tokens = min(self._depth, self._tokens + earned) - size
        self._then = max(self._then, now_s)
        return max(0.0, -self._tokens / self._rate)


class Pacer:
    """Holds back bodies so that all clients together keep to the rate; 0 = no rate."""

    def __init__(
        self,
        limit_bits: int,
        clock: Clock,
        pause: Callable[[float], Awaitable[object]] = asyncio.sleep,
    ) -> None:
        self._clock = clock
        self._pause = pause
        self._bucket = TokenBucket(limit_bits, clock.monotonic()) if limit_bits > 0 else None

    @property
    def chunk(self) -> int:
        """The most bytes to send at once: small under a rate, to keep it even."""
        return self._bucket.chunk if self._bucket else 1_048_576

    async def pay(self, size: int) -> None:
        """Wait until `size` bytes may be sent."""
        if self._bucket is None:
            return
        wait = self._bucket.take(size, self._clock.monotonic())
        if wait > 0:
            await self._pause(wait)
