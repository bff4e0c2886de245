"""What every archive gateway does, checked over loopback sockets.

The `check_` functions take any running gateway whose allow-list holds `/debian` of the
archive they are given; `CHECKS` lists them. What only the real gateway has (cache on
disk, rate, shutting down, apt as a client) follows as tests of `ArchiveGateway`.
"""

from __future__ import annotations

import contextlib
import hashlib
import http.server
import os
import re
import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path
from ssl import PROTOCOL_TLS_SERVER, SSLContext
from typing import Any

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from forerun.errors import ArchiveUnreachable, LabUnfit, NoRoom
from forerun.model.blueprint import AllowedArchive
from forerun.ports.command import LocalCommand
from forerun.ports.gateway import ArchiveGateway, Gateway, check_archive

pytestmark = [pytest.mark.tools, pytest.mark.timeout(60)]

PATIENCE_S = 15.0
DATE = "Sun, 06 Nov 1994 08:49:37 GMT"
DEB = "/debian/pool/main/t/tool/tool_1.0_all.deb"
INDEX = "/debian/dists/x/main/binary-all/Packages"
RELEASE = "/debian/dists/x/InRelease"


# -- a package archive on loopback ---------------------------------------------------


@dataclass
class Reply:
    """What the archive answers for a path. `hold_after`: bytes sent before it waits for
    `go`; `cut_after`: bytes sent before it breaks off."""

    body: bytes = b""
    status: int = 200
    fields: dict[str, str] = field(default_factory=dict)
    chunked: bool = False
    hold_after: int | None = None
    cut_after: int | None = None
    go: threading.Event = field(default_factory=threading.Event)


class Archive:
    """An archive whose every answer a test decides, and which remembers each request."""

    def __init__(self, tls: SSLContext | None = None) -> None:
        self.replies: dict[str, Reply] = {}
        self.asked: list[tuple[str, str, dict[str, str]]] = []
        self._closed = False
        archive = self

        class Handler(http.server.BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                with contextlib.suppress(OSError):
                    archive.answer(self)

            do_HEAD = do_GET  # noqa: N815 - the name is the base class's

            def log_message(self, format: str, *args: Any) -> None:
                """Say nothing."""

        class Server(http.server.ThreadingHTTPServer):
            daemon_threads = True

            def handle_error(self, request: Any, client_address: Any) -> None:
                """A client that breaks off is part of the tests."""

        self._server = Server(("127.0.0.1", 0), Handler)
        if tls:
            self._server.socket = tls.wrap_socket(self._server.socket, server_side=True)
        self.port: int = self._server.server_address[1]
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 0.02}
        )
        self._thread.start()

    def close(self) -> None:
        self._closed = True
        for reply in self.replies.values():
            reply.go.set()
        if self._thread.is_alive():
            self._server.shutdown()
            self._thread.join()
            self._server.server_close()

    def url(self, path: str) -> str:
        return f"http://127.0.0.1:{self.port}{path}"

    def entry(self, prefix: str = "/debian", scheme: str = "http") -> AllowedArchive:
        return AllowedArchive(scheme, "127.0.0.1", self.port, prefix)

    def put(self, path: str, body: bytes, **more: Any) -> Reply:
        self.replies[path] = Reply(body, **more)
        return self.replies[path]

    def count(self, path: str) -> int:
        return sum(1 for _, asked, _ in self.asked if asked == path)

    def answer(self, request: http.server.BaseHTTPRequestHandler) -> None:
        if self._closed:  # on a connection that was kept open
            request.close_connection = True
            return
        fields = {name.lower(): value for name, value in request.headers.items()}
        self.asked.append((request.command, request.path, fields))
        reply = self.replies.get(request.path, Reply(status=404))
        etag, date = reply.fields.get("ETag"), reply.fields.get("Last-Modified")
        same = (etag and fields.get("if-none-match") == etag) or (
            not etag and date and fields.get("if-modified-since") == date
        )
        body = b"" if same else reply.body
        request.send_response_only(304 if same else reply.status)
        for name, value in reply.fields.items():
            request.send_header(name, value)
        if reply.chunked:
            request.send_header("Transfer-Encoding", "chunked")
        elif not same:
            request.send_header("Content-Length", str(len(body)))
        request.end_headers()
        if request.command == "HEAD":
            return
        for start in range(0, len(body), 65_536):
            block = body[start : start + 65_536]
            if reply.hold_after is not None and start >= reply.hold_after:
                reply.go.wait(PATIENCE_S)
            if reply.cut_after is not None and start >= reply.cut_after:
                request.connection.shutdown(socket.SHUT_RDWR)
                return
            frame = b"%x\r\n%s\r\n" % (len(block), block) if reply.chunked else block
            request.wfile.write(frame)
        if reply.chunked:
            request.wfile.write(b"0\r\n\r\n")


# -- a client that sends exactly what it is told --------------------------------------


@dataclass(frozen=True)
class Got:
    """What came back until the connection was closed; `head` with its blank line."""

    head: bytes
    body: bytes

    @property
    def status(self) -> int:
        return int(self.head.split(b" ", 2)[1]) if self.head else 0

    @property
    def fields(self) -> dict[str, str]:
        lines = self.head.decode("ascii").split("\r\n")[1:]
        pairs = (line.partition(": ") for line in lines if line)
        return {name.lower(): value for name, _, value in pairs}


def send(port: int, raw: bytes) -> Got:
    """Send bytes, read to the end of the connection, split off the header."""
    with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as link:
        link.sendall(raw)
        return read_rest(link)


def read_rest(link: socket.socket) -> Got:
    got = b""
    with contextlib.suppress(ConnectionResetError):
        while block := link.recv(1 << 20):
            got += block
    head, blank, body = got.partition(b"\r\n\r\n")
    return Got(head + blank, body)


def ask(port: int, url: str, method: str = "GET", **fields: str) -> Got:
    """A proxy request in absolute form on a connection of its own."""
    return send(port, request_bytes(url, method, **fields))


def request_bytes(url: str, method: str = "GET", **fields: str) -> bytes:
    named = {"Host": "archive.test", "Connection": "close"}
    named |= {name.replace("_", "-"): value for name, value in fields.items()}
    lines = [f"{method} {url} HTTP/1.1", *(f"{name}: {value}" for name, value in named.items())]
    return "\r\n".join([*lines, "", ""]).encode("latin-1")


def content(size: int) -> bytes:
    """Bytes that differ everywhere, the same each time."""
    blocks = range(0, size, 32)
    return b"".join(hashlib.sha256(b"%d" % one).digest() for one in blocks)[:size]


# -- checks for any gateway -----------------------------------------------------------


def check_a_file_arrives_whole_and_is_metered(gateway: Gateway, archive: Archive) -> None:
    """The body is the archive's, and the counters are its size."""
    deb, packages = content(300_001), content(70_007)
    archive.put(DEB, deb)
    archive.put(INDEX, packages)
    assert ask(gateway.port, archive.url(DEB)).body == deb
    assert ask(gateway.port, archive.url(INDEX)).body == packages
    reading = gateway.reading()
    assert (reading.packages, reading.indexes) == (len(deb), len(packages))
    assert reading.outside == len(deb) + len(packages)
    assert (reading.requests, reading.refused) == (2, 0)
    rows = {row.url: row for row in gateway.meters()}
    row = rows[archive.url(DEB)]
    assert (row.requests, row.served_bytes, row.outside_bytes) == (1, len(deb), len(deb))


def check_headers_are_counted_to_the_byte(gateway: Gateway, archive: Archive) -> None:
    """`headers` is what came before each body on the wire: answers of all kinds."""
    archive.put(DEB, content(1_000), fields={"ETag": '"1"', "Last-Modified": DATE})
    port, url = gateway.port, archive.url(DEB)
    seen = [
        ask(port, url),
        ask(port, url, "HEAD"),
        ask(port, url, Range="bytes=10-"),
        ask(port, url, If_None_Match='"1"'),
        ask(port, archive.url("/debian/none")),
        ask(port, "http://evil.test/"),
        send(port, b"NONSENSE\r\n\r\n"),
        send(port, f"GET {url} HTTP/1.0\r\n\r\n".encode()),
    ]
    assert [one.status for one in seen] == [200, 200, 206, 304, 404, 403, 400, 200]
    assert gateway.reading().headers == sum(len(one.head) for one in seen)


def check_what_is_off_the_list_never_leaves(gateway: Gateway, archive: Archive) -> None:
    """Refused requests reach no archive, say why in one line, and are counted."""
    archive.put("/etc/passwd", b"secret")
    requests = {
        "GET http://evil.test/ HTTP/1.1": request_bytes("http://evil.test/"),
        "path": request_bytes(archive.url("/etc/passwd")),
        "method": request_bytes(archive.url(DEB), "DELETE"),
        "connect": request_bytes(f"127.0.0.1:{archive.port}", "CONNECT"),
    }
    for raw in requests.values():
        got = send(gateway.port, raw)
        assert got.status == 403
        assert got.fields["content-type"].startswith("text/plain")
        assert got.body.count(b"\n") == 1 and got.body.endswith(b"\n")
    assert archive.asked == []
    assert gateway.reading().refused == len(requests)
    refused = [row for row in gateway.meters() if row.refused]
    assert any("http://evil.test/" in row.url for row in refused)
    assert sum(row.refused for row in refused) == len(requests)


def check_a_missing_file_is_missing_each_time(gateway: Gateway, archive: Archive) -> None:
    """404 passes through and is never remembered."""
    assert ask(gateway.port, archive.url(DEB)).status == 404
    archive.put(DEB, b"here now")
    assert ask(gateway.port, archive.url(DEB)).body == b"here now"


def check_partial_and_conditional_requests_are_answered(gateway: Gateway, archive: Archive) -> None:
    """206, 304, 412 and 416 as RFC 9110 has them; served bytes count, sizes do not."""
    body = content(100_000)
    archive.put(DEB, body, fields={"Last-Modified": DATE})
    port, url = gateway.port, archive.url(DEB)
    part = ask(port, url, Range="bytes=99000-", If_Range=DATE)
    assert (part.status, part.body) == (206, body[99_000:])
    assert part.fields["content-range"] == "bytes 99000-99999/100000"
    assert gateway.reading().packages == 1_000
    assert ask(port, url, If_Modified_Since=DATE).status == 304
    assert ask(port, url, If_Unmodified_Since="Sun, 06 Nov 1994 08:49:36 GMT").status == 412
    beyond = ask(port, url, Range="bytes=100000-")
    assert (beyond.status, beyond.fields["content-range"]) == (416, "bytes */100000")
    assert gateway.reading().packages == 1_000


def check_head_sends_no_body(gateway: Gateway, archive: Archive) -> None:
    """HEAD gives the length and no body, before and after the file is known."""
    archive.put(DEB, content(5_000))
    first = ask(gateway.port, archive.url(DEB), "HEAD")
    ask(gateway.port, archive.url(DEB))
    second = ask(gateway.port, archive.url(DEB), "HEAD")
    for got in (first, second):
        assert (got.status, got.body, got.fields["content-length"]) == (200, b"", "5000")
    assert gateway.reading().packages == 5_000


CHECKS: tuple[Callable[[Gateway, Archive], None], ...] = (
    check_a_file_arrives_whole_and_is_metered,
    check_headers_are_counted_to_the_byte,
    check_what_is_off_the_list_never_leaves,
    check_a_missing_file_is_missing_each_time,
    check_partial_and_conditional_requests_are_answered,
    check_head_sends_no_body,
)


# -- the real gateway -----------------------------------------------------------------


class SetClock:
    """A wall clock a test moves; the monotonic one is the machine's."""

    def __init__(self) -> None:
        self.at = datetime(2026, 3, 1, tzinfo=UTC)

    def now(self) -> datetime:
        return self.at

    def monotonic(self) -> float:
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        self.at += timedelta(seconds=seconds)


@pytest.fixture(autouse=True)
def no_proxies(monkeypatch: pytest.MonkeyPatch) -> None:
    """Loopback is not reached through the lab host's own proxy."""
    for name in ("http_proxy", "https_proxy", "all_proxy"):
        monkeypatch.delenv(name, raising=False)
        monkeypatch.delenv(name.upper(), raising=False)


@pytest.fixture
def archive() -> Iterator[Archive]:
    one = Archive()
    yield one
    one.close()


@pytest.fixture
def clock() -> SetClock:
    return SetClock()


@pytest.fixture
def gateway(tmp_path: Path, archive: Archive, clock: SetClock) -> Iterator[ArchiveGateway]:
    with ArchiveGateway(tmp_path / "archive", [archive.entry()], clock=clock) as one:
        yield one


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_the_real_gateway_keeps_the_contract(
    check: Callable[[Gateway, Archive], None], gateway: ArchiveGateway, archive: Archive
) -> None:
    """Each check of the contract holds for ArchiveGateway."""
    check(gateway, archive)


def hostile_requests(good: str, port: int) -> dict[str, tuple[bytes, set[int]]]:
    """Requests that try to get past the list, and the statuses that are fine. For all
    of them the archive must not have been asked for anything off the list."""
    inside = b"GET http://127.0.0.1:%d/etc/passwd HTTP/1.1\r\nHost: x\r\n\r\n" % port
    start = f"GET {good} HTTP/1.1\r\nHost: x\r\n".encode()
    return {
        # RFC 9112 section 6.1: both framings at once may be an attempt to smuggle.
        "length and chunked": (
            start + b"Content-Length: 4\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n" + inside,
            {400},
        ),
        "two lengths": (
            start + b"Content-Length: 0\r\nContent-Length: 50\r\n\r\n" + inside,
            {400},
        ),
        "signed length": (start + b"Content-Length: +4\r\n\r\nabcd", {400}),
        "odd transfer coding": (start + b"Transfer-Encoding: xchunked\r\n\r\n" + inside, {400}),
        "space before colon": (start + b"Content-Length : 50\r\n\r\n" + inside, {400}),
        "folded field": (start + b"X: a\r\n b\r\n\r\n", {200, 400}),
        "bare CR in a field": (start + b"X: a\rHost: evil.test\r\n\r\n", {400}),
        "body on GET": (start + b"Content-Length: 4\r\n\r\nabcd", {403}),
        # RFC 9112 section 3.2: 400 for no Host field or more than one.
        "two hosts": (start + b"Host: evil.test\r\n\r\n", {400}),
        "no host": (f"GET {good} HTTP/1.1\r\n\r\n".encode(), {400}),
        "connect": (b"CONNECT 127.0.0.1:%d HTTP/1.1\r\nHost: x\r\n\r\n" % port + inside, {403}),
        "upgrade": (
            b"GET http://evil.test/ HTTP/1.1\r\nHost: x\r\nConnection: upgrade\r\n"
            b"Upgrade: h2c\r\n\r\n",
            {403},
        ),
        "HTTP/2 preface": (b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", {400, 403, 505}),
        "TLS hello": (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n", {400}),
        "endless line": (b"GET http://127.0.0.1/" + b"a" * 70_000 + b" HTTP/1.1\r\n\r\n", {400}),
        "injected field": (
            b"GET http://127.0.0.1:%d/debian/a%%0d%%0aX-Evil:1 HTTP/1.1\r\nHost: x\r\n\r\n" % port,
            {403},
        ),
    }


HOSTILE = tuple(hostile_requests("", 0))


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_request_gets_nothing(
    name: str, gateway: ArchiveGateway, archive: Archive
) -> None:
    """Smuggled, malformed and disguised requests: one answer, no second one, no request
    off the list, counted as refused, no injected field, and the gateway still serves."""
    archive.put(DEB, b"good")
    archive.put("/etc/passwd", b"secret")
    raw, statuses = hostile_requests(archive.url(DEB), archive.port)[name]
    got = send(gateway.port, raw)
    assert got.status in statuses, got
    assert b"secret" not in got.body
    assert not re.search(rb"HTTP/1\.\d \d{3}", got.body), "a second answer"
    assert "x-evil" not in got.fields
    assert archive.count("/etc/passwd") == 0
    if got.status != 200:
        assert archive.asked == []
        assert gateway.reading().refused == 1
    assert ask(gateway.port, archive.url(DEB)).body == b"good"


@pytest.mark.parametrize(
    "path",
    [
        "/debian/../etc/passwd",
        "/debian/../../etc/passwd",
        "/debian/%2e%2e/etc/passwd",
        "/debian/%252e%252e/etc/passwd",
        "/debian/..%2fetc/passwd",
        "/debian//../etc/passwd",
        "/debianetc/passwd",
    ],
)
def test_no_path_leads_out_of_the_prefix(
    path: str, gateway: ArchiveGateway, archive: Archive
) -> None:
    """Plain, encoded and twice encoded dot segments end at the gateway."""
    assert ask(gateway.port, archive.url(path)).status == 403
    assert archive.asked == []


@pytest.mark.parametrize(
    "authority",
    ["[::1]:{}", "[::ffff:127.0.0.1]:{}", "localhost:{}", "0x7f.1:{}", "x@127.0.0.1:{}"],
)
def test_another_name_of_a_listed_host_is_another_host(
    authority: str, gateway: ArchiveGateway, archive: Archive
) -> None:
    """The list is of names, not of what they lead to."""
    url = f"http://{authority.format(archive.port)}{DEB}"
    assert ask(gateway.port, url).status == 403
    assert archive.asked == []


def test_the_absolute_form_wins_over_host(gateway: ArchiveGateway, archive: Archive) -> None:
    """RFC 9112 section 3.2.2, both ways round."""
    archive.put(DEB, b"good")
    assert ask(gateway.port, archive.url(DEB), Host="evil.test").body == b"good"
    assert archive.asked[0][2]["host"] == f"127.0.0.1:{archive.port}"
    listed = f"127.0.0.1:{archive.port}"
    assert ask(gateway.port, "http://evil.test" + DEB, Host=listed).status == 403


def test_a_bare_path_is_served_for_a_listed_host_only(
    gateway: ArchiveGateway, archive: Archive
) -> None:
    """A client that takes the gateway for the archive itself gets what is on the list."""
    archive.put(DEB, b"good")
    assert ask(gateway.port, DEB, Host=f"127.0.0.1:{archive.port}").body == b"good"
    assert ask(gateway.port, DEB, Host=f"127.0.0.1:{gateway.port}").status == 403


def test_nothing_of_the_client_goes_outside(gateway: ArchiveGateway, archive: Archive) -> None:
    """Credentials, cookies and the client's own fields stay in; no cookie comes back."""
    archive.put(DEB, b"good", fields={"Set-Cookie": "a=b", "X-Other": "c"})
    got = ask(gateway.port, archive.url(DEB), Authorization="Basic x", Cookie="k=v", X_Name="host")
    asked = archive.asked[0][2]
    assert not {"authorization", "cookie", "x-name"} & set(asked)
    assert not {"set-cookie", "x-other"} & set(got.fields)


def test_redirects_are_followed_on_the_list_only(gateway: ArchiveGateway, archive: Archive) -> None:
    """On the list: the file under the name asked for. Off it: 502, counted, not asked."""
    archive.put("/debian/a.deb", b"", status=302, fields={"Location": archive.url("/debian/b")})
    archive.put("/debian/b", b"moved")
    archive.put("/debian/c", b"", status=301, fields={"Location": "/etc/passwd"})
    archive.put("/etc/passwd", b"secret")
    assert ask(gateway.port, archive.url("/debian/a.deb")).body == b"moved"
    got = ask(gateway.port, archive.url("/debian/c"))
    assert (got.status, archive.count("/etc/passwd")) == (502, 0)
    assert gateway.reading().refused == 1
    assert {row.url for row in gateway.meters() if row.refused} == {archive.url("/debian/c")}
    assert any("redirects" in one for one in gateway.faults())


def test_a_circle_of_redirects_ends(gateway: ArchiveGateway, archive: Archive) -> None:
    """After five redirects the gateway gives up."""
    archive.put("/debian/a", b"", status=302, fields={"Location": "/debian/a"})
    assert ask(gateway.port, archive.url("/debian/a")).status == 502
    assert archive.count("/debian/a") == 6


def test_what_never_changes_is_fetched_once(
    tmp_path: Path, archive: Archive, clock: SetClock
) -> None:
    """Packages and by-hash files: once, also for the next process and a year later."""
    body = content(4_000)
    by_hash = "/debian/dists/x/main/by-hash/SHA256/" + hashlib.sha256(body).hexdigest()
    for path in (DEB, by_hash):
        archive.put(path, body)
    for _ in range(2):
        with ArchiveGateway(tmp_path, [archive.entry()], clock=clock) as gateway:
            for path in (DEB, by_hash):
                assert ask(gateway.port, archive.url(path)).body == body
            reading = gateway.reading()
        clock.sleep(365 * 86_400)
    assert (archive.count(DEB), archive.count(by_hash)) == (1, 1)
    assert (reading.outside, reading.cached) == (0, 8_000)
    assert (reading.packages, reading.indexes) == (4_000, 4_000)


def test_a_by_hash_file_that_is_not_what_it_says_is_not_kept(
    gateway: ArchiveGateway, archive: Archive
) -> None:
    """The client sees and rejects it itself; the next request asks again."""
    path = "/debian/dists/x/main/by-hash/SHA256/" + "ab" * 32
    archive.put(path, b"something else")
    for _ in range(2):
        assert ask(gateway.port, archive.url(path)).body == b"something else"
    assert archive.count(path) == 2
    assert any("not what the name promises" in one for one in gateway.faults())


@pytest.mark.parametrize("fields", [{"ETag": '"1"'}, {"Last-Modified": DATE}])
def test_an_index_with_a_validator_is_checked_each_time(
    fields: dict[str, str], gateway: ArchiveGateway, archive: Archive
) -> None:
    """Unchanged: asked, no body outside. Changed: the new one at once."""
    archive.put(INDEX, b"old", fields=fields)
    for _ in range(2):
        assert ask(gateway.port, archive.url(INDEX)).body == b"old"
    assert archive.count(INDEX) == 2
    assert (gateway.reading().outside, gateway.reading().cached) == (3, 3)
    changed = {name: value.replace("1", "2") for name, value in fields.items()}
    archive.put(INDEX, b"newer", fields=changed)
    assert ask(gateway.port, archive.url(INDEX)).body == b"newer"


def test_an_index_without_validator_is_used_for_its_age(
    gateway: ArchiveGateway, archive: Archive, clock: SetClock
) -> None:
    """Not asked for again within the hour, asked for again after; no-cache asks now."""
    archive.put(INDEX, b"old")
    for _ in range(3):
        assert ask(gateway.port, archive.url(INDEX), Cache_Control="max-age=0").body == b"old"
    assert archive.count(INDEX) == 1
    archive.put(INDEX, b"new")
    clock.sleep(3_599)
    assert ask(gateway.port, archive.url(INDEX)).body == b"old"
    clock.sleep(2)
    assert ask(gateway.port, archive.url(INDEX)).body == b"new"
    archive.put(INDEX, b"newest")
    assert ask(gateway.port, archive.url(INDEX), Cache_Control="no-cache").body == b"newest"


def test_a_changed_release_takes_its_indexes_with_it(
    gateway: ArchiveGateway, archive: Archive, clock: SetClock
) -> None:
    """No index younger than its age, but older than the release, is served."""
    archive.put(RELEASE, b"release 1")
    ask(gateway.port, archive.url(RELEASE))
    clock.sleep(1_800)
    archive.put(INDEX, b"packages 1")
    ask(gateway.port, archive.url(INDEX))
    clock.sleep(1_801)
    archive.put(RELEASE, b"release 2")
    archive.put(INDEX, b"packages 2")
    assert ask(gateway.port, archive.url(RELEASE)).body == b"release 2"
    assert ask(gateway.port, archive.url(INDEX)).body == b"packages 2"


@pytest.mark.parametrize("how", ["gone", "broken"])
def test_a_stale_index_is_served_and_noted_when_the_archive_is_down(
    how: str, gateway: ArchiveGateway, archive: Archive, clock: SetClock
) -> None:
    """Served with its age, and never silently. What is not known gets 503 or the
    archive's own status."""
    archive.put(INDEX, b"old")
    ask(gateway.port, archive.url(INDEX))
    clock.sleep(7_200)
    if how == "gone":
        archive.close()
    else:
        for path in (INDEX, DEB):
            archive.put(path, b"", status=500)
    got = ask(gateway.port, archive.url(INDEX))
    assert (got.body, got.fields["age"]) == (b"old", "7200")
    assert any("older copy" in one and INDEX in one for one in gateway.faults())
    unknown = ask(gateway.port, archive.url(DEB))
    assert unknown.status == (503 if how == "gone" else 500)
    assert any(DEB in one for one in gateway.faults())


def test_a_damaged_cache_is_mended(tmp_path: Path, archive: Archive) -> None:
    """A body changed on disk is found by its digest, fetched again, and noted."""
    body = content(9_000)
    archive.put(DEB, body)
    for _ in range(2):
        with ArchiveGateway(tmp_path, [archive.entry()]) as gateway:
            assert ask(gateway.port, archive.url(DEB)).body == body
            faults = gateway.faults()
        (kept,) = (one for one in (tmp_path / "bodies").rglob("*") if one.is_file())
        kept.write_bytes(b"X" * 9_000)
    assert archive.count(DEB) == 2
    assert any("damaged" in one for one in faults)


def test_a_file_is_passed_on_while_it_comes_in_and_fetched_once_for_two(
    gateway: ArchiveGateway, archive: Archive
) -> None:
    """The first bytes arrive before the archive has sent the last, also for a second
    client and for one that wants a later part; one request goes outside."""
    body = content(2_000_000)
    reply = archive.put(DEB, body, hold_after=1_000_000)
    wants = [request_bytes(archive.url(DEB))] * 2
    wants.append(request_bytes(archive.url(DEB), Range="bytes=900000-"))
    with contextlib.ExitStack() as stack:
        links = []
        for raw in wants:
            link = socket.create_connection(("127.0.0.1", gateway.port), timeout=PATIENCE_S)
            links.append(stack.enter_context(link))
            link.sendall(raw)
        early = [link.recv(4_096) for link in links]
        assert all(early)
        assert not reply.go.is_set()
        reply.go.set()
        rest = [read_to_end(link, start) for link, start in zip(links, early, strict=True)]
    assert [one.status for one in rest] == [200, 200, 206]
    assert [one.body for one in rest] == [body, body, body[900_000:]]
    assert archive.count(DEB) == 1
    reading = gateway.reading()
    assert (reading.outside, reading.packages) == (2_000_000, 5_100_000)
    assert reading.cached == 3_100_000


def read_to_end(link: socket.socket, start: bytes) -> Got:
    rest = read_rest(link)
    head, blank, body = (start + rest.head + rest.body).partition(b"\r\n\r\n")
    return Got(head + blank, body)


def test_a_file_of_unknown_length_is_served_and_kept(
    gateway: ArchiveGateway, archive: Archive
) -> None:
    """Chunked from the archive: chunked to the client, with a length the second time."""
    body = content(200_000)
    archive.put(DEB, body, chunked=True)
    first = ask(gateway.port, archive.url(DEB))
    assert first.fields["transfer-encoding"] == "chunked"
    assert unchunk(first.body) == body
    second = ask(gateway.port, archive.url(DEB))
    assert (second.fields["content-length"], second.body) == ("200000", body)
    assert archive.count(DEB) == 1


def unchunk(raw: bytes) -> bytes:
    body = b""
    while raw:
        size, _, raw = raw.partition(b"\r\n")
        count = int(size, 16)
        body, raw = body + raw[:count], raw[count + 2 :]
    return body


@pytest.mark.parametrize("chunked", [False, True])
def test_a_cut_off_file_looks_cut_off_and_is_not_kept(
    chunked: bool, gateway: ArchiveGateway, archive: Archive
) -> None:
    """The client cannot take it for whole; the next request gets the whole."""
    body = content(400_000)
    archive.put(DEB, body, chunked=chunked, cut_after=131_072)
    got = ask(gateway.port, archive.url(DEB))
    assert got.status == 200
    assert len(got.body) < len(body)
    assert not got.body.endswith(b"0\r\n\r\n")
    assert any("broke off" in one for one in gateway.faults())
    archive.put(DEB, body)
    assert ask(gateway.port, archive.url(DEB)).body == body


def test_a_client_that_goes_away_does_not_stop_the_fetch(
    gateway: ArchiveGateway, archive: Archive
) -> None:
    """Its next attempt finds the file; bytes it never took are not counted as served."""
    body = content(3_000_000)
    reply = archive.put(DEB, body, hold_after=65_536)
    with socket.create_connection(("127.0.0.1", gateway.port), timeout=PATIENCE_S) as link:
        link.sendall(request_bytes(archive.url(DEB)))
        assert link.recv(100)
    reply.go.set()
    assert ask(gateway.port, archive.url(DEB)).body == body
    assert archive.count(DEB) == 1
    assert gateway.reading().outside == len(body)
    assert gateway.reading().packages < 2 * len(body)


def test_two_gateways_can_share_a_folder(tmp_path: Path, archive: Archive) -> None:
    """Both fetch at once, both serve whole files, and one copy is left."""
    body = content(500_000)
    reply = archive.put(DEB, body, hold_after=65_536)
    got: list[Got] = []
    with (
        ArchiveGateway(tmp_path, [archive.entry()]) as one,
        ArchiveGateway(tmp_path, [archive.entry()]) as two,
    ):
        threads = [
            threading.Thread(target=lambda port=port: got.append(ask(port, archive.url(DEB))))
            for port in (one.port, two.port)
        ]
        for thread in threads:
            thread.start()
        deadline = time.monotonic() + PATIENCE_S
        while archive.count(DEB) < 2 and time.monotonic() < deadline:
            time.sleep(0.01)
        reply.go.set()
        for thread in threads:
            thread.join()
        assert [each.body for each in got] == [body, body]
        assert ask(one.port, archive.url(DEB)).body == body
    assert archive.count(DEB) == 2
    assert sum(each.is_file() for each in (tmp_path / "bodies").rglob("*")) == 1
    assert list((tmp_path / "partial").iterdir()) == []


def test_the_list_can_grow_while_the_gateway_runs(
    gateway: ArchiveGateway, archive: Archive
) -> None:
    """An entry added from another thread counts for the next request."""
    archive.put("/extra/a.deb", b"extra")
    assert ask(gateway.port, archive.url("/extra/a.deb")).status == 403
    gateway.allow([archive.entry("/extra")])
    assert ask(gateway.port, archive.url("/extra/a.deb")).body == b"extra"


def test_leaving_ends_open_transfers_and_leaves_nothing(tmp_path: Path, archive: Archive) -> None:
    """With a stalled archive, a client that does not read, one that waits for a header
    and one that says nothing, leaving takes seconds, not minutes."""
    archive.put(DEB, content(20_000_000))
    archive.put(INDEX, content(500_000), hold_after=65_536)
    archive.put(RELEASE, content(10), hold_after=0)
    links = []
    with ArchiveGateway(tmp_path, [archive.entry()]) as gateway:
        for path in (DEB, INDEX, RELEASE, ""):
            link = socket.create_connection(("127.0.0.1", gateway.port), timeout=PATIENCE_S)
            links.append(link)
            if path:
                link.sendall(request_bytes(archive.url(path)))
                deadline = time.monotonic() + PATIENCE_S
                while not archive.count(path) and time.monotonic() < deadline:
                    time.sleep(0.01)
        port = gateway.port
        began = time.monotonic()
    assert time.monotonic() - began < 5
    for link in links:
        link.close()
    assert list((tmp_path / "partial").iterdir()) == []
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=1)
    assert not [one for one in threading.enumerate() if one.name == "forerun-gateway"]
    assert gateway.reading().requests == 3


def test_a_taken_port_and_a_bad_folder_are_named(tmp_path: Path, archive: Archive) -> None:
    """LabUnfit and NoRoom, each with the place and a hint."""
    with ArchiveGateway(tmp_path / "a", [archive.entry()]) as gateway:
        with (
            pytest.raises(LabUnfit) as taken,
            ArchiveGateway(tmp_path / "b", [], port=gateway.port),
        ):
            pass
        assert str(gateway.port) in taken.value.where and taken.value.hint
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(NoRoom) as folder, ArchiveGateway(tmp_path / "file", []):
        pass
    assert folder.value.hint


def test_a_rate_is_kept_over_all_clients(tmp_path: Path, archive: Archive) -> None:
    """Two transfers of 100 kB at 2 Mbit/s take 0.8 s together, on the real clock."""
    body = content(100_000)
    archive.put(DEB, body)
    with ArchiveGateway(tmp_path, [archive.entry()], rate_limit_bits=2_000_000) as gateway:
        got: list[Got] = []
        threads = [
            threading.Thread(target=lambda: got.append(ask(gateway.port, archive.url(DEB))))
            for _ in range(2)
        ]
        began = time.monotonic()
        for one in threads:
            one.start()
        for one in threads:
            one.join()
        took = time.monotonic() - began
    assert [one.body for one in got] == [body, body]
    assert took >= 8 * 200_000 / 2_000_000 - 0.11


# -- https ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A key and self-signed certificate for 127.0.0.1 in one PEM file."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "archive.test")])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))]), critical=False
        )
        .sign(key, hashes.SHA256())
    )
    pem = serialization.Encoding.PEM
    text = key.private_bytes(
        pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    ) + made.public_bytes(pem)
    path = tmp_path_factory.mktemp("tls") / "archive.pem"
    path.write_bytes(text)
    return path


@pytest.fixture
def tls_archive(certificate: Path) -> Iterator[Archive]:
    tls = SSLContext(PROTOCOL_TLS_SERVER)
    tls.load_cert_chain(certificate)
    one = Archive(tls)
    yield one
    one.close()


def test_an_https_archive_is_asked_by_https(
    tmp_path: Path, tls_archive: Archive, certificate: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The client says http://, the gateway https; trust comes from `ca_file` or from
    SSL_CERT_FILE, and without trust nothing is served."""
    tls_archive.put(DEB, b"over tls")
    allowed = [tls_archive.entry(scheme="https")]
    url = tls_archive.url(DEB)
    with ArchiveGateway(tmp_path / "a", allowed) as gateway:
        assert ask(gateway.port, url).status == 503
        assert any("certificate" in one for one in gateway.faults())
    with ArchiveGateway(tmp_path / "b", allowed, ca_file=str(certificate)) as gateway:
        assert ask(gateway.port, url).body == b"over tls"
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate))
    with ArchiveGateway(tmp_path / "c", allowed) as gateway:
        assert ask(gateway.port, url).body == b"over tls"


# -- check_archive --------------------------------------------------------------------


def test_an_archive_with_its_release_files_passes(archive: Archive) -> None:
    """InRelease or, failing that, Release; dists and flat archives."""
    archive.put("/debian/dists/x/InRelease", b"-----BEGIN PGP SIGNED MESSAGE-----\n")
    archive.put("/debian/dists/y/updates/Release", b"Origin: Example\n")
    archive.put("/debian/flat/InRelease", b"-----BEGIN PGP SIGNED MESSAGE-----\n")
    check_archive(archive.entry(), timeout_s=5, suites=["x", "y/updates", "flat/"])
    assert archive.count("/debian/dists/x/Release") == 0


def test_what_is_wrong_with_an_archive_is_named(archive: Archive) -> None:
    """A missing suite, a login page, a redirect elsewhere, silence, nobody there: each
    raises ArchiveUnreachable with the address and a hint."""
    archive.put("/debian/dists/page/InRelease", b"<!doctype html><title>\x1bLog in</title>")
    archive.put(
        "/debian/dists/away/InRelease", b"", status=302, fields={"Location": "http://e.test/"}
    )
    archive.put("/debian/dists/slow/InRelease", b"Origin: x\n" * 9_999, hold_after=0)
    archive.put("/debian/dists/sick/InRelease", b"", status=500)
    found = {}
    for suite in ("none", "page", "away", "slow", "sick", "../../etc"):
        with pytest.raises(ArchiveUnreachable) as problem:
            check_archive(archive.entry(), timeout_s=0.5, suites=[suite])
        found[suite] = problem.value
        assert problem.value.where and problem.value.hint
        assert str(problem.value).replace("\n", "").isprintable()
    assert "404" in found["none"].found
    assert "doctype" in found["page"].found
    assert "e.test" in found["away"].what
    assert "in time" in found["slow"].what
    assert "500" in found["sick"].found
    archive.close()
    with pytest.raises(ArchiveUnreachable) as problem:
        check_archive(archive.entry(), timeout_s=2, suites=["x"])
    assert "cannot be reached" in problem.value.what


# -- apt itself -----------------------------------------------------------------------


class Apt:
    """apt-get with a configuration, state and cache of its own, through a gateway."""

    def __init__(self, folder: Path, gateway_port: int, source: str) -> None:
        self.folder = folder
        for one in ("state/lists/partial", "cache/archives/partial", "etc/apt.conf.d", "log"):
            (folder / one).mkdir(parents=True)
        (folder / "status").touch()
        (folder / "etc/sources.list").write_text(source)
        self._options = {
            "Dir::Etc": f"{folder}/etc",
            "Dir::Etc::sourcelist": f"{folder}/etc/sources.list",
            "Dir::Etc::sourceparts": "/dev/null",
            "Dir::Etc::parts": f"{folder}/etc/apt.conf.d",
            "Dir::State": f"{folder}/state",
            "Dir::State::status": f"{folder}/status",
            "Dir::Cache": f"{folder}/cache",
            "Dir::Log": f"{folder}/log",
            "APT::Architecture": "amd64",
            "APT::Architectures": "amd64",
            "APT::Sandbox::User": "root",
            "Acquire::http::Proxy": f"http://127.0.0.1:{gateway_port}",
            "Acquire::Languages": "none",
            "Acquire::Retries": "0",
        }
        self._env = {"APT_CONFIG": "/dev/null", "no_proxy": "", "NO_PROXY": ""}

    def run(self, *words: str) -> str:
        options = [f"--option={name}={value}" for name, value in self._options.items()]
        done = LocalCommand().run(
            ["apt-get", *options, *words], timeout_s=50, env=self._env, cwd=self.folder
        )
        return done.text()

    def forget_lists(self) -> None:
        """As on a fresh clone: nothing fetched yet."""
        for one in (self.folder / "state/lists").iterdir():
            if one.is_file():
                one.unlink()


def build_archive(archive: Archive, folder: Path, fields: dict[str, str]) -> dict[str, int]:
    """A tiny dists archive of one package; sizes in bytes by name."""
    (folder / "tree/DEBIAN").mkdir(parents=True)
    stanza = (
        "Package: tool\nVersion: 1:1.0+b1\nArchitecture: all\n"
        "Maintainer: Nobody <nobody@archive.test>\nDescription: a test\n"
    )
    (folder / "tree/DEBIAN/control").write_text(stanza)
    (folder / "tree/payload").write_bytes(content(50_000))
    LocalCommand().run(["dpkg-deb", "--build", "tree", "tool.deb"], timeout_s=30, cwd=folder)
    deb = (folder / "tool.deb").read_bytes()
    pool = "pool/main/t/tool/tool_1.0+b1_all.deb"
    packages = (
        f"{stanza}Filename: {pool}\nSize: {len(deb)}\nSHA256: {hashlib.sha256(deb).hexdigest()}\n"
    ).encode()
    release = (
        "Origin: Example\nSuite: x\nCodename: x\nArchitectures: amd64 all\nComponents: main\n"
        "Date: Sun, 01 Mar 2026 00:00:00 UTC\nSHA256:\n"
        f" {hashlib.sha256(packages).hexdigest()} {len(packages)} main/binary-amd64/Packages\n"
    ).encode()
    archive.put("/debian/dists/x/Release", release, fields=dict(fields))
    archive.put("/debian/dists/x/main/binary-amd64/Packages", packages, fields=dict(fields))
    # apt asks for "+" as %2b, and the gateway passes it on encoded.
    archive.put(f"/debian/{pool}".replace("+", "%2B"), deb, fields=dict(fields))
    return {"deb": len(deb), "indexes": len(release) + len(packages)}


@pytest.mark.skipif(
    not (LocalCommand().find("apt-get") and LocalCommand().find("dpkg-deb")),
    reason="apt-get and dpkg-deb are needed as clients; this host has no apt",
)
@pytest.mark.parametrize(
    "fields", [{}, {"ETag": '"1"'}, {"Last-Modified": DATE}], ids=["bare", "etag", "date"]
)
def test_apt_updates_and_downloads_through_the_gateway(
    fields: dict[str, str], tmp_path: Path, gateway: ArchiveGateway, archive: Archive
) -> None:
    """apt itself is content, the counters are the files' sizes, and a second clone's
    update and download cost nothing outside."""
    sizes = build_archive(archive, tmp_path / "build", fields)
    source = f"deb [trusted=yes] {archive.url('/debian')} x main\n"
    first = Apt(tmp_path / "first", gateway.port, source)
    first.run("update")
    reading = gateway.reading()
    assert (reading.indexes, reading.packages) == (sizes["indexes"], 0)
    assert reading.outside == sizes["indexes"]
    first.run("update")
    assert gateway.reading().outside == sizes["indexes"]
    first.run("download", "tool")
    reading = gateway.reading()
    assert (reading.packages, reading.outside) == (sizes["deb"], sizes["indexes"] + sizes["deb"])

    second = Apt(tmp_path / "second", gateway.port, source)
    second.run("update")
    second.run("download", "tool")
    after = gateway.reading()
    assert after.outside == reading.outside
    assert after.packages == 2 * sizes["deb"]
    assert after.cached == after.packages + after.indexes - after.outside
    assert (after.refused, gateway.faults()) == (0, ())
    downloaded = [next(one.folder.glob("tool_*.deb")).read_bytes() for one in (first, second)]
    assert downloaded == [(tmp_path / "build/tool.deb").read_bytes()] * 2


@pytest.mark.skipif(
    not (LocalCommand().find("apt-get") and LocalCommand().find("dpkg-deb")),
    reason="apt-get and dpkg-deb are needed as clients; this host has no apt",
)
def test_apt_resumes_a_partial_file_through_the_gateway(
    tmp_path: Path, gateway: ArchiveGateway, archive: Archive
) -> None:
    """With half a package in partial/, apt asks for the rest and the whole is right."""
    sizes = build_archive(archive, tmp_path / "build", {"Last-Modified": DATE})
    source = f"deb [trusted=yes] {archive.url('/debian')} x main\n"
    apt = Apt(tmp_path / "apt", gateway.port, source)
    apt.run("update")
    deb = (tmp_path / "build/tool.deb").read_bytes()
    half = apt.folder / "cache/archives/partial/tool_1%3a1.0+b1_all.deb"
    half.write_bytes(deb[: sizes["deb"] // 2])
    moment = datetime(1994, 11, 6, 8, 49, 37, tzinfo=UTC).timestamp()
    os.utime(half, (moment, moment))
    apt.run("install", "--download-only", "--yes", "tool")
    assert gateway.reading().packages == sizes["deb"] - sizes["deb"] // 2
    whole = apt.folder / "cache/archives/tool_1%3a1.0+b1_all.deb"
    assert whole.read_bytes() == deb
