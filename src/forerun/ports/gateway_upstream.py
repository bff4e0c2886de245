"""Asking package archives: addresses, redirects, certificates, time limits, proxies."""

from __future__ import annotations

import asyncio
import ipaddress
import re
import ssl
import threading
from collections.abc import Callable, Coroutine, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar
from urllib.request import getproxies, proxy_bypass

import aiohttp
from yarl import URL

from forerun import __version__
from forerun.errors import ArchiveUnreachable
from forerun.model.blueprint import AllowedArchive
from forerun.ports.gateway_address import Refused, archive_url, place_redirect, plain_text
from forerun.ports.gateway_answer import Representation, clean_date, clean_tag, clean_type

CONNECT_S = 20.0
IDLE_S = 60.0
MOST_REDIRECTS = 5
_REDIRECTS = {301, 302, 303, 307, 308}
_HINT = "Check the lab host's network, proxy and certificates, then try again."
_RELEASE_START = re.compile(rb"\s*(?:-----BEGIN PGP SIGNED MESSAGE-----|[A-Za-z][A-Za-z0-9-]*:)")
_T = TypeVar("_T")


class RedirectRefused(ArchiveUnreachable):
    """An archive redirects to a place that is not on the allow-list, or in a circle."""


@dataclass(frozen=True, slots=True)
class Told:
    """What an archive said of a file. `whole`: a cut-off body would be noticed, as the
    length or the framing says where it ends."""

    status: int
    have: Representation
    whole: bool


class Upstream:
    """The way out. Lives on one event loop; open it there and close it there."""

    def __init__(
        self, *, ca_file: str = "", connect_s: float = CONNECT_S, idle_s: float = IDLE_S
    ) -> None:
        self._ca_file = ca_file
        self._limits = aiohttp.ClientTimeout(
            total=None, connect=None, sock_connect=connect_s, sock_read=idle_s
        )
        self._session: aiohttp.ClientSession | None = None

    async def open(self) -> None:
        """Make the connection pool. Raises ArchiveUnreachable for unreadable
        certificates. The environment's SSL_CERT_FILE and SSL_CERT_DIR count, as in
        OpenSSL, when no `ca_file` was given."""
        try:
            trust = ssl.create_default_context(cafile=self._ca_file or None)
        except OSError as problem:
            raise ArchiveUnreachable(
                "The certificates for https archives cannot be read.",
                where=self._ca_file or "the system's certificates",
                found=plain_text(str(problem)),
                hint="Name a PEM file of trusted certificates.",
            ) from problem
        self._session = aiohttp.ClientSession(
            connector=aiohttp.TCPConnector(ssl=trust, limit=24),
            timeout=self._limits,
            auto_decompress=False,
            cookie_jar=aiohttp.DummyCookieJar(),
            headers={
                "User-Agent": f"forerun/{__version__}",
                "Accept-Encoding": "identity",
                "Via": "1.1 forerun",
            },
        )

    async def close(self) -> None:
        """Close the pool."""
        if self._session is not None:
            await self._session.close()
            self._session = None

    async def ask(
        self,
        method: str,
        url: str,
        fields: Mapping[str, str],
        allowed: Callable[[], Sequence[AllowedArchive]],
    ) -> aiohttp.ClientResponse:
        """One request, with redirects followed as far as the allow-list goes. The caller
        releases the response. Raises ArchiveUnreachable, RedirectRefused."""
        start = url
        for _ in range(MOST_REDIRECTS + 1):
            response = await self._ask_once(method, url, fields)
            if response.status not in _REDIRECTS:
                return response
            location = response.headers.get("Location", "")
            response.release()
            onward = place_redirect(url, location, allowed())
            if isinstance(onward, Refused):
                raise RedirectRefused(
                    f"{onward.reason[0].upper()}{onward.reason[1:]}.",
                    where=start,
                    hint="Add the other host to the site's allowed archives if it is wanted.",
                )
            url = onward
        raise RedirectRefused(
            f"The archive redirects more than {MOST_REDIRECTS} times.", where=start
        )

    async def _ask_once(
        self, method: str, url: str, fields: Mapping[str, str]
    ) -> aiohttp.ClientResponse:
        if self._session is None:
            raise ArchiveUnreachable("The gateway is closing.", where=url)
        for attempt in (1, 2):
            try:
                return await self._session.request(
                    method,
                    URL(url, encoded=True),
                    headers=dict(fields),
                    allow_redirects=False,
                    proxy=find_proxy(url),
                )
            except aiohttp.ServerDisconnectedError as problem:
                # A kept connection may be closed just as it is used again.
                if attempt == 2:
                    raise map_problem(problem, url) from problem
            except (aiohttp.ClientError, OSError, ValueError) as problem:
                raise map_problem(problem, url) from problem
        raise AssertionError  # the second attempt returns or raises


def find_proxy(url: str) -> str | None:
    """The proxy the environment names for an address (http_proxy, https_proxy,
    no_proxy), or None. The lab host's own loopback is never asked by way of a proxy,
    whose loopback is another one. ~/.netrc is deliberately not read: no credential of the
    lab host's user goes to an archive."""
    parts = URL(url, encoded=True)
    host = parts.host or ""
    if _is_loopback(host) or proxy_bypass(f"{host}:{parts.port}"):
        return None
    return getproxies().get(parts.scheme) or None


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def read_told(response: aiohttp.ClientResponse) -> Told:
    """What a response says, cleaned of anything not fit to be stored or sent on."""
    fields = response.headers
    coding = fields.get("Transfer-Encoding", "").lower()
    length = None if coding else response.content_length
    have = Representation(
        length=length,
        etag=clean_tag(fields.get("ETag", "")),
        last_modified=clean_date(fields.get("Last-Modified", "")),
        content_type=clean_type(fields.get("Content-Type", "")),
        content_encoding=clean_type(fields.get("Content-Encoding", "")),
    )
    return Told(response.status, have, whole=length is not None or "chunked" in coding)


def map_problem(problem: BaseException, url: str) -> ArchiveUnreachable:
    """The error of ours for one of the client library's."""
    found = plain_text(str(problem)) or type(problem).__name__
    hint = _HINT
    if isinstance(problem, TimeoutError):
        what = "The archive did not answer in time."
    elif isinstance(problem, aiohttp.ClientSSLError | ssl.SSLError):
        what = "The archive's certificate was not accepted."
        hint = "Set SSL_CERT_FILE to the certificates that this network uses."
    elif isinstance(problem, aiohttp.ClientPayloadError):
        what = "The archive broke off in the middle of a file."
    else:
        what = "The archive cannot be reached."
    return ArchiveUnreachable(what, where=url, found=found, hint=hint)


def check_archive(
    allowed: AllowedArchive,
    *,
    timeout_s: float,
    suites: Sequence[str],
    also: Sequence[AllowedArchive] = (),
    ca_file: str = "",
) -> None:
    """See that an archive can give the release file of each suite.

    `suites` as in a source line; one that ends in "/" is a flat archive's folder.
    `timeout_s` is for each file. InRelease is asked for, then, if the archive does not
    have it, Release. Redirects may lead to this archive and to those in `also`.
    Raises ArchiveUnreachable.
    """
    run_on_own_loop(_check_suites(allowed, timeout_s, suites, (allowed, *also), ca_file))


def run_on_own_loop(work: Coroutine[Any, Any, _T]) -> _T:
    """Run `work` to its end on a new event loop in a thread of its own.

    Not asyncio.run: that waits at the end for the thread which resolves names, for as
    long as the resolver likes.
    """
    results: list[_T] = []
    problems: list[BaseException] = []

    def run() -> None:
        loop = asyncio.new_event_loop()
        try:
            results.append(loop.run_until_complete(work))
        except BaseException as problem:  # handed to the caller's thread
            problems.append(problem)
        finally:
            loop.close()

    thread = threading.Thread(target=run, name="forerun-archive-check", daemon=True)
    thread.start()
    thread.join()
    if problems:
        raise problems[0]
    return results[0]


async def _check_suites(
    entry: AllowedArchive,
    timeout_s: float,
    suites: Sequence[str],
    allowed: Sequence[AllowedArchive],
    ca_file: str,
) -> None:
    upstream = Upstream(ca_file=ca_file)
    await upstream.open()
    try:
        for suite in suites:
            await _check_suite(upstream, entry, timeout_s, suite, allowed)
    finally:
        await upstream.close()


async def _check_suite(
    upstream: Upstream,
    entry: AllowedArchive,
    timeout_s: float,
    suite: str,
    allowed: Sequence[AllowedArchive],
) -> None:
    folder = suite if suite.endswith("/") else f"dists/{suite}/"
    status, start, url = 0, b"", ""
    for name in ("InRelease", "Release"):
        asked = archive_url(entry, folder + name)
        if isinstance(asked, Refused):
            raise ArchiveUnreachable(
                f"The suite is not one an archive can have: {asked.reason}.",
                where=f"{entry.host}{entry.path_prefix}",
                found=plain_text(suite),
                hint="Correct the suite in the list of archives.",
            )
        status, start = await _fetch_start(upstream, asked, timeout_s, allowed)
        url = url or asked
        if status == 200 or status not in (404, 410):
            break
    if status != 200:
        raise ArchiveUnreachable(
            "The archive does not give the suite's release file.",
            where=url,
            wanted="HTTP status 200",
            found=f"HTTP status {status}",
            hint="Check the archive's address and the suite's name.",
        )
    if not _RELEASE_START.match(start):
        raise ArchiveUnreachable(
            "Something else than an archive answered.",
            where=url,
            wanted="a release file",
            found=plain_text(start[:60].decode("ascii", "replace")) or "an empty file",
            hint="A login page of the network, or a wrong address: open it in a browser.",
        )


async def _fetch_start(
    upstream: Upstream, url: str, timeout_s: float, allowed: Sequence[AllowedArchive]
) -> tuple[int, bytes]:
    try:
        async with asyncio.timeout(timeout_s):
            response = await upstream.ask("GET", url, {}, lambda: allowed)
            try:
                start = await response.content.read(512)
            finally:
                response.close()
            return response.status, start
    except (aiohttp.ClientError, OSError) as problem:
        raise map_problem(problem, url) from problem
