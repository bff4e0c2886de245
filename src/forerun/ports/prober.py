"""Looks at the clone's services from outside, once a second, through loopback ports."""

from __future__ import annotations

import re
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from forerun.model.observation import ProbeSample
from forerun.model.profile import ServiceProbe
from forerun.ports.clock import Clock

PERIOD_S = 1.0


@dataclass(frozen=True, slots=True)
class Look:
    """One look: `state` "up", "slow" or "down" with its cause."""

    state: str
    cause: str
    took_s: float


def look_at(probe: ServiceProbe, port: int, clock: Clock) -> Look:
    """Speak the service's own protocol once. QEMU's user network accepts every
    connection by itself, so an accepted connection alone proves nothing: the service
    must say something (or, for "tcp", keep the connection open)."""
    began = clock.monotonic()
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=probe.slow_after_s) as link:
            link.settimeout(probe.slow_after_s)
            cause = _speak(probe, link)
    except TimeoutError:
        cause = "timeout"
    except ConnectionRefusedError:
        cause = "refused"
    except OSError:
        cause = "reset"
    took = clock.monotonic() - began
    if not cause and took > probe.slow_after_s:
        return Look("slow", "slow", took)
    return Look("down" if cause else "up", cause, took)


def _speak(probe: ServiceProbe, link: socket.socket) -> str:
    """The cause of trouble, or "" when the service answered rightly."""
    if probe.speaks == "tcp":
        link.settimeout(min(0.5, probe.slow_after_s))
        try:
            return "reset" if link.recv(1) == b"" else ""
        except TimeoutError:
            return ""
    if probe.speaks == "http":
        request = f"GET {probe.path} HTTP/1.0\r\nHost: localhost\r\nConnection: close\r\n\r\n"
        link.sendall(request.encode("ascii"))
        return _judge_http(_receive(link, 1 << 18), probe.expect)
    answer = _receive(link, 4096, until=b"\n")
    if not answer:
        return "reset"
    return "" if answer.startswith(probe.expect.encode("utf-8")) else "wrong answer"


def _receive(link: socket.socket, limit: int, until: bytes = b"") -> bytes:
    parts: list[bytes] = []
    size = 0
    while size < limit:
        part = link.recv(min(1 << 16, limit - size))
        if not part:
            break
        parts.append(part)
        size += len(part)
        if until and until in part:
            break
    return b"".join(parts)


def _judge_http(answer: bytes, expect: str) -> str:
    """RFC 9112 status line; any status from 400 on is a wrong answer."""
    if not answer:
        return "reset"
    words = answer.split(b"\r\n", 1)[0].split()
    if len(words) < 2 or not re.fullmatch(rb"[1-3][0-9]{2}", words[1]):
        return "wrong answer"
    return "" if expect.encode("utf-8") in answer else "wrong answer"


class Prober:
    """A thread for each service; a context manager. Samples are instants on the clock
    given, less `origin_s`."""

    def __init__(
        self,
        services: tuple[tuple[ServiceProbe, int], ...],
        *,
        clock: Clock,
        origin_s: float,
    ) -> None:
        self._services = services
        self._clock = clock
        self._origin = origin_s
        self._stop = threading.Event()
        self._awake = threading.Event()
        self._awake.set()
        self._lock = threading.Lock()
        self._samples: list[ProbeSample] = []
        self._threads = [
            threading.Thread(target=self._watch, args=entry, daemon=True) for entry in services
        ]

    def __enter__(self) -> Prober:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join(timeout=10)

    def _watch(self, probe: ServiceProbe, port: int) -> None:
        while not self._stop.is_set():
            if not self._awake.wait(PERIOD_S):
                continue
            began = self._clock.monotonic()
            look = look_at(probe, port, self._clock)
            sample = ProbeSample(
                probe.name,
                round(began - self._origin, 3),
                look.state,
                look.cause,
                round(look.took_s, 3),
            )
            with self._lock:
                if self._awake.is_set():  # a look that a pause cut says nothing
                    self._samples.append(sample)
            self._stop.wait(max(0.05, PERIOD_S - (self._clock.monotonic() - began)))

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Look at nothing for as long as the block runs."""
        with self._lock:
            self._awake.clear()
        try:
            yield
        finally:
            self._awake.set()

    def samples(self) -> tuple[ProbeSample, ...]:
        """All samples so far, in order of time."""
        with self._lock:
            return tuple(sorted(self._samples, key=lambda sample: sample.at_s))

    def find_silent(self, since_s: float) -> tuple[ServiceProbe, ...]:
        """The services that have not answered rightly after that instant."""
        good = {s.service for s in self.samples() if s.at_s >= since_s and s.state == "up"}
        return tuple(probe for probe, _ in self._services if probe.name not in good)
