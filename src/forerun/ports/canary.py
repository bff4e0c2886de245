"""A service on the lab host's loopback that notes who reaches it.

It stands for whatever else listens there while a clone's seal is tried: it certainly
listens, by TCP and by UDP on the same port, and it knows what reached it whatever the
clone believes. Part of it may be asked through the archive gateway, so that the gateway
can be shown to work, and be tempted, without a host outside.

Paths of a request, NONCE being drawn for each canary:

    /open-NONCE/...          on the gateway's list while it is lent: answers 404
    /open-NONCE/moved/WAY    on it, too: redirects to the shut part
    /open-NONCE/twice/WAY    on it, too: redirects to moved/WAY
    /shut-NONCE/WAY          on no list: whoever gets here has got out by that way
"""

from __future__ import annotations

import contextlib
import re
import secrets
import socketserver
import threading
from types import TracebackType
from typing import Protocol, Self

from forerun.errors import LabUnfit
from forerun.model.blueprint import AllowedArchive

_LISTEN = "127.0.0.1"
_MOST_BYTES = 65_536
_PATIENCE_S = 5.0
# What may still come behind a request, on the same connection: smuggled ones.
_LINGER_S = 0.3
_TRIES = 20


class Canary(Protocol):
    """What is needed of a canary to try ways out."""

    @property
    def port(self) -> int:
        """Its loopback port, by TCP and by UDP."""
        ...

    @property
    def nonce(self) -> str:
        """The part of its paths that nobody else knows."""
        ...

    @property
    def word(self) -> str:
        """What its shut part answers; it stands in no request."""
        ...

    def entry(self) -> AllowedArchive:
        """The open part, for a gateway's allow-list."""
        ...

    def reached(self) -> frozenset[int]:
        """The ways by which its shut part was reached."""
        ...

    def was_asked(self) -> bool:
        """Whether a request for its open part has come."""
        ...


class LoopbackCanary:
    """The real canary; it listens from `with` to the end of the block, on 127.0.0.1 only.

    Entering raises LabUnfit when no port can be had."""

    def __init__(self) -> None:
        self.nonce = secrets.token_hex(8)
        self.word = secrets.token_hex(8)
        self._shut = re.compile(rf"shut-{self.nonce}/(\d{{1,4}})".encode("ascii"))
        self._open = re.compile(
            rf"/open-{self.nonce}/(?:(moved|twice)/(\d{{1,4}}))?".encode("ascii")
        )
        self._reached: set[int] = set()
        self._asked = False
        self._port = 0
        self._servers: tuple[socketserver.BaseServer, ...] = ()
        self._threads: list[threading.Thread] = []

    @property
    def port(self) -> int:
        """Its loopback port."""
        return self._port

    def entry(self) -> AllowedArchive:
        """The open part, for a gateway's allow-list."""
        return AllowedArchive("http", _LISTEN, self.port, f"/open-{self.nonce}")

    def reached(self) -> frozenset[int]:
        """The ways by which its shut part was reached."""
        return frozenset(self._reached)

    def was_asked(self) -> bool:
        """Whether a request for its open part has come."""
        return self._asked

    def __enter__(self) -> Self:
        self._servers = self._listen()
        for server in self._servers:
            thread = threading.Thread(
                target=server.serve_forever,
                kwargs={"poll_interval": 0.1},
                name="forerun-canary",
                daemon=True,
            )
            thread.start()
            self._threads.append(thread)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for server in self._servers:
            server.shutdown()
            server.server_close()
        for thread in self._threads:
            thread.join(_PATIENCE_S)

    def _listen(self) -> tuple[socketserver.BaseServer, ...]:
        last: OSError | None = None
        for _ in range(_TRIES):  # until one port is free for both
            try:
                tcp = _TcpServer((_LISTEN, 0), _make_stream_handler(self))
            except OSError as problem:
                last = problem
                continue
            try:
                udp = _UdpServer(tcp.server_address, _make_datagram_handler(self))
            except OSError as problem:
                last = problem
                tcp.server_close()
                continue
            self._port = tcp.socket.getsockname()[1]
            return tcp, udp
        raise LabUnfit(
            "No loopback port could be had to try the clone's seal with.",
            where=_LISTEN,
            found=str(last),
            hint="End what holds the ports, then run the rehearsal again.",
        )

    def note(self, received: bytes) -> None:
        """Note every way that is named in what came."""
        self._reached.update(int(way) for way in self._shut.findall(received))
        self._asked = self._asked or self._open.search(received) is not None

    def answer(self, request: bytes) -> bytes:
        """What a request gets, as HTTP/1.1."""
        line = request.partition(b"\r\n")[0]
        opened = self._open.search(line)
        if self._shut.search(line):
            return _say("200 OK", f"{self.word}\n")
        if opened and opened[1]:
            way = opened[2].decode("ascii")
            path = f"/shut-{self.nonce}/{way}"
            if opened[1] == b"twice":
                path = f"/open-{self.nonce}/moved/{way}"
            return _say("302 Found", "", f"Location: http://{_LISTEN}:{self.port}{path}\r\n")
        return _say("404 Not Found", "")


class _TcpServer(socketserver.ThreadingTCPServer):
    daemon_threads = True
    block_on_close = False
    request_queue_size = 64


class _UdpServer(socketserver.UDPServer):
    pass


def _say(status: str, body: str, fields: str = "") -> bytes:
    head = f"HTTP/1.1 {status}\r\n{fields}Content-Length: {len(body)}\r\nConnection: close\r\n\r\n"
    return (head + body).encode("ascii")


def _make_stream_handler(canary: LoopbackCanary) -> type[socketserver.BaseRequestHandler]:
    class Handler(socketserver.BaseRequestHandler):
        def handle(self) -> None:
            received = b""
            with contextlib.suppress(OSError):
                self.request.settimeout(_PATIENCE_S)
                while b"\r\n\r\n" not in received and len(received) < _MOST_BYTES:
                    block = self.request.recv(_MOST_BYTES)
                    if not block:
                        break
                    received += block
                    canary.note(received)
                self.request.sendall(canary.answer(received))
                self.request.settimeout(_LINGER_S)
                while len(received) < _MOST_BYTES and (block := self.request.recv(_MOST_BYTES)):
                    received += block
                    canary.note(received)

    return Handler


def _make_datagram_handler(canary: LoopbackCanary) -> type[socketserver.BaseRequestHandler]:
    class Handler(socketserver.BaseRequestHandler):
        def handle(self) -> None:
            received, link = self.request
            canary.note(received)
            with contextlib.suppress(OSError):
                link.sendto(f"{canary.word}\n".encode("ascii"), self.client_address)

    return Handler
