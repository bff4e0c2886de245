"""Finding one URL: on disk, or outside; once for all who ask for it at a time."""

from __future__ import annotations

import asyncio
import hashlib
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import aiohttp

from forerun.errors import ArchiveUnreachable
from forerun.model.blueprint import AllowedArchive
from forerun.ports.clock import Clock
from forerun.ports.gateway_address import FileKind, Placed, classify_file, release_urls
from forerun.ports.gateway_answer import Representation
from forerun.ports.gateway_cache import Cache, Entry, judge_entry
from forerun.ports.gateway_meter import Tally
from forerun.ports.gateway_upstream import (
    RedirectRefused,
    Told,
    Upstream,
    map_problem,
    read_told,
)
from forerun.ports.held import open_held

_BLOCK = 262_144


class Spool:
    """A file that is being fetched: one writer, any number of readers behind it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._handle = open_held(path)
        self._digest = hashlib.sha256()
        self._moved = asyncio.Event()
        self.written = 0
        self.ended = False
        self.problem: ArchiveUnreachable | None = None

    def write(self, block: bytes) -> None:
        """Append a block (to the page cache: short enough for the event loop)."""
        rest = memoryview(block)
        while rest:
            rest = rest[os.write(self._handle, rest) :]
        self._digest.update(block)
        self.written += len(block)
        self._wake()

    def end(self, problem: ArchiveUnreachable | None = None) -> None:
        """No more will come."""
        if not self.ended:
            self.ended, self.problem = True, problem
            self._wake()

    async def read(self, offset: int, size: int) -> bytes:
        """Up to `size` bytes from `offset`, as soon as there are any; empty at the
        end. Raises ArchiveUnreachable when the fetch failed."""
        while offset >= self.written and not self.ended:
            await self._moved.wait()
        if offset >= self.written and self.problem is not None:
            raise self.problem
        return os.pread(self._handle, min(size, max(0, self.written - offset)), offset)

    def digest(self) -> str:
        """SHA-256 of what was written, in hex."""
        return self._digest.hexdigest()

    def close(self) -> None:
        """Close the file; nobody reads any more."""
        os.close(self._handle)

    def _wake(self) -> None:
        self._moved.set()
        self._moved = asyncio.Event()


@dataclass(frozen=True, slots=True)
class Stored:
    """The file is on disk."""

    entry: Entry


@dataclass(frozen=True, slots=True)
class Flowing:
    """The file is coming in."""

    have: Representation
    spool: Spool


@dataclass(frozen=True, slots=True)
class PassedOn:
    """The archive answered, but not with the file: its status is passed on."""

    status: int


@dataclass(frozen=True, slots=True)
class Unanswered:
    """No archive answered, or a redirect led off the list (`refused`)."""

    status: int
    reason: str
    refused: bool = False


Outcome = Stored | Flowing | PassedOn | Unanswered


class Fetch:
    """One URL being found; `users` counts the requests that hold on to it. `after` is
    an earlier fetch of the URL that must be in the cache before this one looks there."""

    def __init__(self, placed: Placed, no_cache: bool, after: Fetch | None) -> None:
        self.placed = placed
        self.after = after
        self.kind = classify_file(placed.path)
        self.no_cache = no_cache
        self.outcome: asyncio.Future[Outcome] = asyncio.get_running_loop().create_future()
        self.task: asyncio.Task[None] | None = None
        self.spool: Spool | None = None
        self.users = 0

    @property
    def is_storing(self) -> bool:
        """Whether the file has come in and is being put into the cache."""
        return self.spool is not None and self.spool.ended

    def settle(self, outcome: Outcome) -> None:
        """Tell everyone who waits, once."""
        if not self.outcome.done():
            self.outcome.set_result(outcome)

    def close_if_idle(self) -> None:
        """Close the spool when neither the task nor a request needs it."""
        if self.spool and self.users == 0 and (self.task is None or self.task.done()):
            self.spool.close()
            self.spool = None


class Fetcher:
    """Finds URLs for the requests of one event loop."""

    def __init__(
        self,
        cache: Cache,
        upstream: Upstream,
        tally: Tally,
        clock: Clock,
        *,
        index_age_s: float,
        allowed: Callable[[], Sequence[AllowedArchive]],
    ) -> None:
        self._cache = cache
        self._upstream = upstream
        self._tally = tally
        self._clock = clock
        self._index_age_s = index_age_s
        self._allowed = allowed
        self._running: dict[str, Fetch] = {}
        self._tasks: dict[asyncio.Task[None], Fetch] = {}

    def join(self, placed: Placed, *, no_cache: bool) -> tuple[Fetch, bool]:
        """The fetch of a URL, started if none runs, and whether it was started for this
        request. Each call is matched by one of `leave`."""
        fetch = self._running.get(placed.url)
        fresh = fetch is None or fetch.is_storing
        if fetch is None or fetch.is_storing:
            fetch = self._running[placed.url] = Fetch(placed, no_cache, after=fetch)
            fetch.task = asyncio.get_running_loop().create_task(self._run(fetch))
            self._tasks[fetch.task] = fetch
            fetch.task.add_done_callback(self._end_task)
        fetch.users += 1
        return fetch, fresh

    def leave(self, fetch: Fetch) -> None:
        """A request no longer needs its fetch. The fetch itself goes on: the next
        attempt of the client then finds the file on disk."""
        fetch.users -= 1
        fetch.close_if_idle()

    async def ask_head(self, placed: Placed) -> Outcome | Told:
        """What a HEAD request gets: the entry on disk when it may be reused, else what
        the archive says now. Nothing is stored."""
        entry = await asyncio.to_thread(self._find_reusable, placed.url, placed.path)
        if entry is not None:
            return Stored(entry)
        try:
            response = await self._upstream.ask("HEAD", placed.upstream, {}, self._allowed)
        except ArchiveUnreachable as problem:
            return self._report(problem)
        told = read_told(response)
        response.release()
        return told if told.status == 200 else PassedOn(told.status)

    async def close(self) -> None:
        """Break off whatever still comes in; let what has come in get into the cache."""
        for task, fetch in self._tasks.items():
            if not fetch.is_storing:
                task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def _end_task(self, task: asyncio.Task[None]) -> None:
        self._tasks.pop(task).close_if_idle()

    async def _run(self, fetch: Fetch) -> None:
        entry: Entry | None = None
        try:
            await self._wait_for_stores(fetch)
            entry, reuse = await asyncio.to_thread(self._look_up, fetch)
            if entry is not None and reuse:
                fetch.settle(Stored(entry))
            else:
                await self._ask_outside(fetch, entry)
        except ArchiveUnreachable as problem:
            self._give_up(fetch, entry, problem)
        except OSError as problem:
            found = ArchiveUnreachable(
                "The gateway's cache cannot be written.",
                where=str(fetch.placed.url),
                found=problem.strerror or "",
            )
            self._give_up(fetch, entry, found)
        except Exception as problem:
            # A bug of ours: told here, as nobody waits for this task.
            self._tally.note_fault(f"{fetch.placed.url}: unexpected {problem!r}")
            fetch.settle(Unanswered(500, "the gateway failed"))
        finally:
            if self._running.get(fetch.placed.url) is fetch:
                del self._running[fetch.placed.url]
            closing = ArchiveUnreachable("The gateway is closing.", where=fetch.placed.url)
            if fetch.spool:
                fetch.spool.end(closing)
                fetch.spool.path.unlink(missing_ok=True)
            fetch.settle(Unanswered(503, "the gateway is closing"))

    async def _wait_for_stores(self, fetch: Fetch) -> None:
        """Let what the look-up depends on get into the cache: the same URL, and the
        release file that covers an index, which apt has just read to its last byte."""
        nearby = [self._running.get(one) for one in release_urls(fetch.placed.url)]
        storing = [one for one in (fetch.after, *nearby) if one and one.is_storing]
        fetch.after = None
        if tasks := [one.task for one in storing if one.task]:
            await asyncio.wait(tasks)

    def _look_up(self, fetch: Fetch) -> tuple[Entry | None, bool]:
        """The entry of a URL with its body sound, and whether it may be reused."""
        url = fetch.placed.url
        entry = self._cache.find(url)
        if entry is None:
            return None, False
        body = self._cache.open_body(entry)
        if body is None:
            self._tally.note_fault(f"{url}: damaged or missing in the cache; fetched again")
            return None, False
        body.close()
        return entry, self._may_reuse(entry, fetch.kind, no_cache=fetch.no_cache)

    def _find_reusable(self, url: str, path: str) -> Entry | None:
        entry = self._cache.find(url)
        if entry is None or not self._may_reuse(entry, classify_file(path), no_cache=False):
            return None
        return entry

    def _may_reuse(self, entry: Entry, kind: FileKind, *, no_cache: bool) -> bool:
        changed_at = 0.0
        if kind.index and not kind.immutable:
            found = [self._cache.find(one) for one in release_urls(entry.url)]
            changed_at = max((one.changed_at for one in found if one), default=0.0)
        return judge_entry(
            entry,
            kind,
            now_s=self._now(),
            index_age_s=self._index_age_s,
            release_changed_at=changed_at,
            no_cache=no_cache,
        ).reuse

    async def _ask_outside(self, fetch: Fetch, entry: Entry | None) -> None:
        # The time of asking, not of the last byte: nothing in the answer can be newer.
        asked_at = self._now()
        response = await self._upstream.ask(
            "GET", fetch.placed.upstream, _conditions(entry), self._allowed
        )
        try:
            told = read_told(response)
            if told.status == 304 and entry is not None:
                kept = _confirm(entry, told.have, asked_at)
                await asyncio.to_thread(self._cache.write_entry, kept)
                fetch.settle(Stored(kept))
            elif told.status == 200:
                await self._take_body(fetch, response, told, asked_at)
            else:
                await self._pass_status(fetch, told.status, entry)
        finally:
            response.close()

    async def _take_body(
        self, fetch: Fetch, response: aiohttp.ClientResponse, told: Told, asked_at: float
    ) -> None:
        url = fetch.placed.url
        spool = fetch.spool = Spool(self._cache.new_partial())
        fetch.settle(Flowing(told.have, spool))
        while block := await _read_block(response, fetch.placed.upstream):
            self._tally.note_outside(url, len(block))
            spool.write(block)
        spool.end()
        digest = spool.digest()
        if fetch.kind.sha256 not in ("", digest):
            self._tally.note_fault(f"{url}: the content is not what the name promises")
        elif told.whole or not fetch.kind.immutable:
            have = told.have
            entry = Entry(
                url=url,
                sha256=digest,
                length=spool.written,
                checked_at=asked_at,
                changed_at=asked_at,
                etag=have.etag,
                last_modified=have.last_modified,
                content_type=have.content_type,
                content_encoding=have.content_encoding,
            )
            await asyncio.to_thread(self._cache.store, spool.path, entry)

    async def _pass_status(self, fetch: Fetch, status: int, entry: Entry | None) -> None:
        if status < 400 or status >= 500:
            self._tally.note_fault(f"{fetch.placed.url}: the archive answered status {status}")
            if entry is not None:
                self._tally.note_fault(f"{fetch.placed.url}: an older copy was served")
                fetch.settle(Stored(entry))
                return
        if status in (404, 410) and entry is not None:
            await asyncio.to_thread(self._cache.forget, fetch.placed.url)
        fetch.settle(PassedOn(status))

    def _give_up(self, fetch: Fetch, entry: Entry | None, problem: ArchiveUnreachable) -> None:
        outcome = self._report(problem)
        if entry is not None and not fetch.outcome.done() and not outcome.refused:
            self._tally.note_fault(f"{fetch.placed.url}: an older copy was served")
            fetch.settle(Stored(entry))
        if fetch.spool:
            fetch.spool.end(problem)
        fetch.settle(outcome)

    def _report(self, problem: ArchiveUnreachable) -> Unanswered:
        note = f"{problem.where}: {problem.what}"
        self._tally.note_fault(f"{note} {problem.found}".strip())
        refused = isinstance(problem, RedirectRefused)
        return Unanswered(502 if refused else 503, problem.what, refused)

    def _now(self) -> float:
        return self._clock.now().timestamp()


def _conditions(entry: Entry | None) -> dict[str, str]:
    """The fields that ask "changed since?" (RFC 9110 section 13.1)."""
    fields = {}
    if entry and entry.etag:
        fields["If-None-Match"] = entry.etag
    if entry and entry.last_modified:
        fields["If-Modified-Since"] = entry.last_modified
    return fields


def _confirm(entry: Entry, have: Representation, now_s: float) -> Entry:
    """An entry after a 304 (RFC 9111 section 4.3.4)."""
    return replace(
        entry,
        checked_at=now_s,
        changed_at=min(entry.changed_at, now_s),
        etag=have.etag or entry.etag,
        last_modified=have.last_modified or entry.last_modified,
    )


async def _read_block(response: aiohttp.ClientResponse, url: str) -> bytes:
    try:
        return await response.content.read(_BLOCK)
    except (aiohttp.ClientError, OSError) as problem:
        raise map_problem(problem, url) from problem
