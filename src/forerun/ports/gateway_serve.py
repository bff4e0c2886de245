"""Answering the gateway's clients."""

from __future__ import annotations

import asyncio
import logging
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import BinaryIO, Protocol

from aiohttp import StreamReader, web
from aiohttp.abc import AbstractStreamWriter
from aiohttp.http import RawRequestMessage

from forerun.errors import ArchiveUnreachable
from forerun.model.blueprint import AllowedArchive
from forerun.ports.clock import Clock
from forerun.ports.gateway_address import (
    Placed,
    Refused,
    classify_file,
    place_request,
    plain_text,
)
from forerun.ports.gateway_answer import Answer, Representation, answer_fields, decide_answer
from forerun.ports.gateway_cache import Cache, Entry
from forerun.ports.gateway_fetch import (
    Fetcher,
    Flowing,
    Outcome,
    PassedOn,
    Spool,
    Stored,
    Unanswered,
)
from forerun.ports.gateway_meter import Pacer, Tally, measure_header
from forerun.ports.gateway_upstream import Told

MALFORMED = "(malformed request)"
# How an answer begins, after the program's name, that turns a request away.
REFUSED = "refused:"


SLOW_BYTES_A_SECOND = 8_000
_SLOW_CHUNK = 4_096


@dataclass(slots=True)
class Trouble:
    """What is wrong with the archive while a fault is tried; `kind` may be set from any
    thread: "gone" (no answer but 503), "slow" (SLOW_BYTES_A_SECOND), "altered" (one byte
    of each package file is another one), or ""."""

    kind: str = ""


class _Source(Protocol):
    async def read(self, offset: int, size: int) -> bytes: ...


class _FileSource:
    """A body on disk."""

    def __init__(self, body: BinaryIO) -> None:
        self._handle = body.fileno()

    async def read(self, offset: int, size: int) -> bytes:
        # Off the event loop: the disk may be slow where the page cache is cold.
        return await asyncio.to_thread(os.pread, self._handle, size, offset)


class Counter:
    """The gateway's request handler."""

    def __init__(
        self,
        *,
        fetcher: Fetcher,
        cache: Cache,
        tally: Tally,
        pacer: Pacer,
        clock: Clock,
        allowed: Callable[[], Sequence[AllowedArchive]],
        trouble: Trouble | None = None,
    ) -> None:
        self._fetcher = fetcher
        self._cache = cache
        self._tally = tally
        self._pacer = pacer
        self._clock = clock
        self._allowed = allowed
        self._trouble = trouble or Trouble()

    def make_server(self) -> web.Server:
        """The low-level server; call it on the event loop it shall run on."""
        quiet = logging.getLogger("forerun.gateway")
        quiet.addHandler(logging.NullHandler())
        quiet.propagate = False
        return web.Server(
            self.handle,
            request_factory=self._make_request,
            access_log=None,
            logger=quiet,
            keepalive_timeout=75.0,
        )

    async def handle(self, request: web.BaseRequest) -> web.StreamResponse:
        """Answer one request that could be parsed."""
        target = request.raw_path
        hosts = request.headers.getall("Host", [])
        placed = place_request(request.method, target, hosts, self._allowed())
        if isinstance(placed, Placed):
            wrong = _find_wrong(request, hosts)
            placed = wrong or placed
        if isinstance(placed, Refused):
            self._tally.note_refused(plain_text(f"{request.method} {target}"))
            return _say(placed.status, f"{REFUSED} {placed.reason}", close=True)
        self._tally.note_asked(placed.url)
        if self._trouble.kind == "gone":
            return _say(503, "the archive is gone, on purpose", close=True)
        try:
            if request.method == "HEAD":
                return await self._answer_head(request, placed)
            with self._tally.answering():
                return await self._answer_get(request, placed)
        except ConnectionError:  # the client went away
            raise
        except OSError as problem:
            self._tally.note_fault(f"{placed.url}: {problem.strerror or problem}")
            return _say(503, "the gateway's cache cannot be read")
        except Exception as problem:
            # A bug of ours: the library answers 500, the fault says why.
            self._tally.note_fault(f"{placed.url}: unexpected {problem!r}")
            raise

    async def _answer_head(self, request: web.BaseRequest, placed: Placed) -> web.StreamResponse:
        found = await self._fetcher.ask_head(placed)
        if isinstance(found, Told):
            return await self._send(request, placed, found.have, None, cached=False)
        if isinstance(found, Stored):
            have = self._describe(found.entry)
            return await self._send(request, placed, have, None, cached=True)
        return self._say_failure(placed, found)

    async def _answer_get(self, request: web.BaseRequest, placed: Placed) -> web.StreamResponse:
        # Twice: another process may remove a damaged body between look-up and opening.
        for _ in range(2):
            fetch, fresh = self._fetcher.join(placed, no_cache=_wants_fresh(request))
            try:
                outcome = await asyncio.shield(fetch.outcome)
                if isinstance(outcome, Flowing):
                    return await self._send(
                        request, placed, outcome.have, outcome.spool, cached=not fresh
                    )
            finally:
                self._fetcher.leave(fetch)
            if not isinstance(outcome, Stored):
                return self._say_failure(placed, outcome)
            body = await asyncio.to_thread(self._cache.open_body, outcome.entry)
            if body is not None:
                with body:
                    have = self._describe(outcome.entry)
                    source = _FileSource(body)
                    return await self._send(request, placed, have, source, cached=True)
        return _say(503, "the gateway's cache changed while it was read")

    async def _send(
        self,
        request: web.BaseRequest,
        placed: Placed,
        have: Representation,
        source: _Source | Spool | None,
        *,
        cached: bool,
    ) -> web.StreamResponse:
        answer = decide_answer(have, request.method, request.headers)
        response = web.StreamResponse(status=answer.status, headers=_own_fields())
        response.headers.update(answer_fields(have, answer))
        await response.prepare(request)
        if source is not None and answer.status in (200, 206):
            try:
                whole = await self._pour(response, placed, answer, source, cached=cached)
            except (ArchiveUnreachable, OSError) as problem:
                self._tally.note_fault(f"{placed.url}: {problem}".partition("\n")[0])
                whole = False
            if not whole and request.transport is not None:
                # The client must not take what it has for the whole.
                request.transport.abort()
        return response

    async def _pour(
        self,
        response: web.StreamResponse,
        placed: Placed,
        answer: Answer,
        source: _Source | Spool,
        *,
        cached: bool,
    ) -> bool:
        """Send a body, paced and metered. False: it could not be sent whole."""
        index = classify_file(placed.path).index
        offset, left = answer.start, answer.count
        while left is None or left > 0:
            chunk = _SLOW_CHUNK if self._trouble.kind == "slow" else self._pacer.chunk
            most = chunk if left is None else min(chunk, left)
            block = await source.read(offset, most)
            if not block:
                break
            await self._pacer.pay(len(block))
            block = await self._disturb(block, offset, index=index)
            # Counted first: a client that has its last byte may read the counters.
            self._tally.note_served(placed.url, len(block), index=index, cached=cached)
            try:
                await response.write(block)
            except ConnectionError:
                self._tally.note_served(placed.url, -len(block), index=index, cached=cached)
                return False
            offset += len(block)
            left = None if left is None else left - len(block)
        return not left

    async def _disturb(self, block: bytes, offset: int, *, index: bool) -> bytes:
        if self._trouble.kind == "slow":
            await asyncio.sleep(len(block) / SLOW_BYTES_A_SECOND)
        if self._trouble.kind == "altered" and not index and offset == 0:
            return bytes([block[0] ^ 1]) + block[1:]
        return block

    def _describe(self, entry: Entry) -> Representation:
        age = self._clock.now().timestamp() - entry.checked_at
        return Representation(
            length=entry.length,
            etag=entry.etag,
            last_modified=entry.last_modified,
            content_type=entry.content_type,
            content_encoding=entry.content_encoding,
            age_s=max(0, int(age)),
        )

    def _say_failure(self, placed: Placed, outcome: Outcome) -> web.StreamResponse:
        if isinstance(outcome, PassedOn):
            status = outcome.status if outcome.status >= 400 else 502
            return _say(status, f"the archive answered with status {outcome.status}")
        if isinstance(outcome, Unanswered):
            if outcome.refused:
                self._tally.note_refused(placed.url, asked=True)
                return _say(outcome.status, f"{REFUSED} {outcome.reason}")
            return _say(outcome.status, outcome.reason)
        raise TypeError(outcome)

    def _make_request(
        self,
        message: RawRequestMessage,
        payload: StreamReader,
        protocol: web.RequestHandler,
        writer: AbstractStreamWriter,
        task: asyncio.Task[None],
    ) -> web.BaseRequest:
        """Called by the server for everything that arrives, malformed requests
        included: for those it passes a made-up message of the method UNKNOWN."""
        request = _CountedRequest(
            message, payload, protocol, writer, task, asyncio.get_running_loop()
        )
        request.tally = self._tally
        self._tally.note_request()
        if request.method == "UNKNOWN":
            self._tally.note_refused(MALFORMED)
        return request


class _CountedRequest(web.BaseRequest):
    """A request whose response header is measured when it is complete."""

    tally: Tally

    async def _prepare_hook(self, resp: web.StreamResponse) -> None:
        version = (self.version.major, self.version.minor)
        size = measure_header(version, resp.status, resp.reason or "", resp.headers)
        self.tally.note_headers(size)


def _find_wrong(request: web.BaseRequest, hosts: list[str]) -> Refused | None:
    """What is wrong with the request's other fields, if anything."""
    if request.version >= (1, 1) and len(hosts) != 1:
        # RFC 9112 section 3.2: exactly one Host field, also beside the absolute form.
        return Refused("exactly one Host field is needed", 400)
    if request.body_exists:
        return Refused("a request with a body is not served")
    return None


def _wants_fresh(request: web.BaseRequest) -> bool:
    """RFC 9111 sections 5.2.1.4 and 5.4. max-age=0 is not obeyed: apt sends it with
    every index, and the archives without validators would be fetched anew each time."""
    said = ",".join(
        request.headers.getall("Cache-Control", []) + request.headers.getall("Pragma", [])
    )
    return "no-cache" in {part.strip().lower() for part in said.split(",")}


def _own_fields() -> dict[str, str]:
    return {"Via": "1.1 forerun", "Server": "forerun"}


def _say(status: int, text: str, *, close: bool = False) -> web.Response:
    """A one-line answer in plain text."""
    response = web.Response(
        status=status, text=f"forerun: {plain_text(text, 400)}\n", headers=_own_fields()
    )
    if close:
        response.force_close()
    return response
