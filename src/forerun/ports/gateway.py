"""The archive gateway: the clone's only way to package archives.

An HTTP proxy on a loopback port of the lab host. It answers GET and HEAD for archives on
its allow-list, from its cache where it may, and counts every byte. What it consists of:

    gateway_address    what a request asks for and whether it may (pure)
    gateway_answer     conditional and partial requests (pure)
    gateway_cache      the cache on disk
    gateway_meter      counters, rate
    gateway_upstream   asking archives
    gateway_fetch      finding one URL, on disk or outside
    gateway_serve      answering clients
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

from aiohttp import web

from forerun.errors import ForerunError, LabUnfit, NoRoom
from forerun.model.blueprint import AllowedArchive
from forerun.ports.clock import Clock, SystemClock
from forerun.ports.gateway_cache import Cache
from forerun.ports.gateway_fetch import Fetcher
from forerun.ports.gateway_meter import GatewayReading, Pacer, Tally, UrlMeter
from forerun.ports.gateway_serve import Counter, Trouble
from forerun.ports.gateway_upstream import Upstream, check_archive

__all__ = [
    "ArchiveGateway",
    "Gateway",
    "GatewayReading",
    "Trouble",
    "UrlMeter",
    "check_archive",
]

_LISTEN = "127.0.0.1"
_START_S = 20.0
# Closing: open transfers get the first, all of closing the second, the thread the third.
_DRAIN_S = 0.3
_CLOSE_S = 4.0
_JOIN_S = 8.0


class Gateway(Protocol):
    """A running gateway; a context manager in its real form."""

    @property
    def port(self) -> int:
        """The loopback port it listens on."""
        ...

    def reading(self) -> GatewayReading:
        """The counters now."""
        ...

    def meters(self) -> tuple[UrlMeter, ...]:
        """One row for each URL asked for."""
        ...


class ArchiveGateway:
    """The real gateway: a thread of its own, from `with` to the end of the block.

    `trouble` makes it a bad archive for as long as a fault is tried.

    `folder` is the cache, shared by all gateways of this lab host. `allowed` says which
    archives may be asked and how. `rate_limit_bits` in bit/s (decimal, 0 = none) holds
    for the bodies of all clients together. An index whose archive sends neither ETag nor
    Last-Modified is used again for `index_age_s` seconds (RFC 9111 section 4.2.2); other
    indexes are checked at each use. `port` 0 takes a free one. `ca_file` is a PEM file
    that replaces the system's trusted certificates (which SSL_CERT_FILE also does).

    Entering raises LabUnfit when the port cannot be had, NoRoom when the folder cannot be
    made or written, ArchiveUnreachable for unreadable certificates. Leaving never hangs:
    open transfers are broken off.
    """

    def __init__(
        self,
        folder: Path,
        allowed: Sequence[AllowedArchive],
        *,
        rate_limit_bits: int = 0,
        index_age_s: float = 3600,
        port: int = 0,
        clock: Clock | None = None,
        ca_file: str = "",
    ) -> None:
        self._folder = folder
        self._allowed = tuple(allowed)
        self._rate_limit_bits = rate_limit_bits
        self._index_age_s = index_age_s
        self._port = port
        self._clock: Clock = clock or SystemClock()
        self._ca_file = ca_file
        self._tally = Tally(self._clock)
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop: asyncio.Event | None = None
        self._started = threading.Event()
        self._problem: BaseException | None = None
        self.trouble = Trouble()

    @property
    def port(self) -> int:
        """The loopback port it listens on."""
        return self._port

    def reading(self) -> GatewayReading:
        """The counters now; also after the gateway has closed."""
        return self._tally.reading()

    def meters(self) -> tuple[UrlMeter, ...]:
        """One row for each URL asked for. Refused requests have a row named by what
        was asked, on one line."""
        return self._tally.meters()

    def faults(self) -> tuple[str, ...]:
        """What went wrong outside or on disk, a line each; stale indexes that were
        served are among them."""
        return self._tally.faults()

    @contextlib.contextmanager
    def lend(self, extra: AllowedArchive) -> Iterator[None]:
        """One more entry on the allow-list, for as long as the block runs; may be used
        from any thread."""
        lent = replace(extra)  # an own object: an equal entry that was there before stays
        self._allowed = (*self._allowed, lent)
        try:
            yield
        finally:
            self._allowed = tuple(one for one in self._allowed if one is not lent)

    def __enter__(self) -> Self:
        self._started.clear()
        self._problem = None
        self._thread = threading.Thread(target=self._run, name="forerun-gateway", daemon=True)
        self._thread.start()
        if not self._started.wait(_START_S) and self._problem is None:
            self._problem = LabUnfit(f"The archive gateway did not start in {_START_S:.0f} s.")
        if self._problem is not None:
            self._shut_down()
            raise self._problem
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._shut_down()

    def _shut_down(self) -> None:
        loop, stop = self._loop, self._stop
        if loop is not None and stop is not None:
            with contextlib.suppress(RuntimeError):  # the loop is already closed
                loop.call_soon_threadsafe(stop.set)
        if self._thread is not None:
            self._thread.join(_JOIN_S)
            if self._thread.is_alive():
                self._tally.note_fault("the gateway's thread did not end in time")
            self._thread = None

    def _run(self) -> None:
        # Not asyncio.run: at its end that waits for the thread which resolves names.
        loop = asyncio.new_event_loop()
        self._loop = loop
        loop.set_exception_handler(self._note_loop_fault)
        try:
            loop.run_until_complete(self._serve())
        except BaseException as problem:  # handed to the thread that entered
            self._problem = problem
        finally:
            loop.close()
            self._started.set()

    def _note_loop_fault(self, loop: asyncio.AbstractEventLoop, context: dict[str, object]) -> None:
        """Nothing of the event loop's own is written to a terminal."""
        self._tally.note_fault(f"gateway: {context.get('exception') or context['message']}")

    async def _serve(self) -> None:
        self._stop = asyncio.Event()
        cache = await asyncio.to_thread(self._open_cache)
        upstream = Upstream(ca_file=self._ca_file)
        await upstream.open()
        fetcher = Fetcher(
            cache,
            upstream,
            self._tally,
            self._clock,
            index_age_s=self._index_age_s,
            allowed=self._list_allowed,
        )
        pacer = Pacer(self._rate_limit_bits, self._clock)
        counter = Counter(
            fetcher=fetcher,
            cache=cache,
            tally=self._tally,
            pacer=pacer,
            clock=self._clock,
            allowed=self._list_allowed,
            trouble=self.trouble,
        )
        runner = web.ServerRunner(counter.make_server(), shutdown_timeout=_DRAIN_S)
        try:
            await self._listen(runner)
            self._started.set()
            await self._stop.wait()
        finally:
            await _close_all(runner, fetcher, upstream)

    async def _listen(self, runner: web.ServerRunner) -> None:
        await runner.setup()
        try:
            await web.TCPSite(runner, _LISTEN, self._port).start()
        except OSError as problem:
            raise LabUnfit(
                "The archive gateway cannot listen on its port.",
                where=f"{_LISTEN}:{self._port}",
                found=problem.strerror or str(problem),
                hint="Leave the port to the system (0), or end what holds it.",
            ) from problem
        self._port = runner.addresses[0][1]

    def _open_cache(self) -> Cache:
        try:
            cache = Cache(self._folder)
            cache.remove_strays()
        except OSError as problem:
            raise NoRoom(
                "The archive gateway's cache folder cannot be used.",
                where=str(self._folder),
                found=problem.strerror or str(problem),
                hint="Make the folder writable, or set FORERUN_HOME to one that is.",
            ) from problem
        return cache

    def _list_allowed(self) -> tuple[AllowedArchive, ...]:
        return self._allowed


async def _close_all(runner: web.ServerRunner, fetcher: Fetcher, upstream: Upstream) -> None:
    """Close in the order of the flow, each with its own bound."""
    for closing in (runner.cleanup(), fetcher.close(), upstream.close()):
        with contextlib.suppress(TimeoutError, ForerunError):
            await asyncio.wait_for(closing, _CLOSE_S / 3)
