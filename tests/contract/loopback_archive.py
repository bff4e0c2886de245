"""A package archive on loopback whose every answer a test decides, and a client for it."""

from __future__ import annotations

import contextlib
import hashlib
import http.server
import socket
import threading
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from ssl import SSLContext
from typing import Any

from forerun.model.blueprint import AllowedArchive

PATIENCE_S = 15.0
DATE = "Sun, 06 Nov 1994 08:49:37 GMT"
DEB = "/debian/pool/main/t/tool/tool_1.0_all.deb"
INDEX = "/debian/dists/x/main/binary-all/Packages"
RELEASE = "/debian/dists/x/InRelease"


@dataclass
class Reply:
    """What the archive answers for a path. `unframed`: neither length nor chunks, the
    end of the connection is the end of the body; `hold_after`: bytes sent before it waits
    for `go`; `cut_after`: bytes sent before it breaks off."""

    body: bytes = b""
    status: int = 200
    fields: dict[str, str] = field(default_factory=dict)
    chunked: bool = False
    unframed: bool = False
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
        """Answer one request; called by the server."""
        if self._closed:  # on a connection that was kept open
            request.close_connection = True
            return
        fields = {name.lower(): value for name, value in request.headers.items()}
        self.asked.append((request.command, request.path, fields))
        reply = self.replies.get(request.path, Reply(status=404))
        same = _is_same(reply, fields)
        body = b"" if same else reply.body
        request.send_response_only(304 if same else reply.status)
        for name, value in reply.fields.items():
            request.send_header(name, value)
        if reply.chunked:
            request.send_header("Transfer-Encoding", "chunked")
        elif reply.unframed:
            request.send_header("Connection", "close")
        elif not same:
            request.send_header("Content-Length", str(len(body)))
        request.end_headers()
        if request.command != "HEAD":
            _send_body(request, reply, body)


def _is_same(reply: Reply, fields: dict[str, str]) -> bool:
    """Whether the client's validator is that of the reply."""
    etag, date = reply.fields.get("ETag"), reply.fields.get("Last-Modified")
    if etag:
        return fields.get("if-none-match") == etag
    return date is not None and fields.get("if-modified-since") == date


def _send_body(request: http.server.BaseHTTPRequestHandler, reply: Reply, body: bytes) -> None:
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


def read_to_end(link: socket.socket, start: bytes) -> Got:
    rest = read_rest(link)
    head, blank, body = (start + rest.head + rest.body).partition(b"\r\n\r\n")
    return Got(head + blank, body)


def unchunk(raw: bytes) -> bytes:
    body = b""
    while raw:
        size, _, raw = raw.partition(b"\r\n")
        count = int(size, 16)
        body, raw = body + raw[:count], raw[count + 2 :]
    return body


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
