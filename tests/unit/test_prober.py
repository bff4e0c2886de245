"""Looks at services from outside, against small servers on loopback (tools tier)."""

from __future__ import annotations

import http.server
import itertools
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from forerun.model.profile import ServiceProbe
from forerun.ports.clock import SystemClock
from forerun.ports.labhost import find_free_port
from forerun.ports.prober import PERIOD_S, Prober, look_at

pytestmark = pytest.mark.tools

BANNER = ServiceProbe("ssh", 22, "banner", "SSH-2.0-", slow_after_s=0.6)
WEB = ServiceProbe("web", 80, "http", "ready", path="/health", slow_after_s=0.6)
TCP = ServiceProbe("db", 5432, "tcp", slow_after_s=0.6)


@contextmanager
def serve(answer: Callable[[socket.socket], None]) -> Iterator[int]:
    """A server that hands each connection to `answer` on a thread of its own."""
    stop = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.1)

        def accept() -> None:
            while not stop.is_set():
                try:
                    link, _ = server.accept()
                except TimeoutError:
                    continue
                threading.Thread(target=hold, args=(link,), daemon=True).start()

        def hold(link: socket.socket) -> None:
            with link:
                answer(link)

        thread = threading.Thread(target=accept, daemon=True)
        thread.start()
        try:
            yield server.getsockname()[1]
        finally:
            stop.set()
            thread.join()


def say(text: bytes) -> Callable[[socket.socket], None]:
    return lambda link: link.sendall(text)


def keep_silent(link: socket.socket) -> None:
    time.sleep(1.5)


def hang_up(link: socket.socket) -> None:
    """Close at once, as QEMU's user network does when the guest refuses the port."""


def reset(link: socket.socket) -> None:
    """Close with RST: SO_LINGER with a time of 0 (socket(7))."""
    link.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))


def answer_http(status: str, body: str) -> Callable[[socket.socket], None]:
    def answer(link: socket.socket) -> None:
        link.recv(4096)
        link.sendall(f"HTTP/1.1 {status}\r\nContent-Length: {len(body)}\r\n\r\n{body}".encode())

    return answer


def answer_other(link: socket.socket) -> None:
    """Another protocol: it reads the request and speaks something else."""
    link.recv(4096)
    link.sendall(b"* OK ready, but this is no web server\r\n")


@pytest.mark.parametrize(
    ("probe", "answer", "state", "cause"),
    [
        (BANNER, say(b"SSH-2.0-OpenSSH_9.2p1 Debian\r\n"), "up", ""),
        (BANNER, say(b"220 mail.example ESMTP\r\n"), "down", "wrong answer"),
        (BANNER, hang_up, "down", "reset"),
        (BANNER, reset, "down", "reset"),
        (BANNER, keep_silent, "down", "timeout"),
        (WEB, answer_http("200 OK", "ready\n"), "up", ""),
        (WEB, answer_http("302 Found", "ready"), "up", ""),
        (WEB, answer_http("200 OK", "starting"), "down", "wrong answer"),
        (WEB, answer_http("404 Not Found", "ready"), "down", "wrong answer"),
        (WEB, answer_http("503 Service Unavailable", "ready"), "down", "wrong answer"),
        (WEB, answer_other, "down", "wrong answer"),
        (WEB, hang_up, "down", "reset"),
        (WEB, keep_silent, "down", "timeout"),
        (TCP, keep_silent, "up", ""),
        (TCP, say(b"hello"), "up", ""),
        (TCP, hang_up, "down", "reset"),
        (TCP, reset, "down", "reset"),
    ],
)
def test_a_look(
    probe: ServiceProbe, answer: Callable[[socket.socket], None], state: str, cause: str
) -> None:
    """Each way a service can answer or fail has its state and its cause."""
    with serve(answer) as port:
        look = look_at(probe, port, SystemClock())
    assert (look.state, look.cause) == (state, cause)
    assert look.took_s < 3 * probe.slow_after_s


def test_a_closed_port_is_refused() -> None:
    """Nobody listens: down, refused, at once."""
    look = look_at(WEB, find_free_port(), SystemClock())
    assert (look.state, look.cause) == ("down", "refused")


def test_a_slow_answer_is_told_from_none() -> None:
    """An answer in small pieces that takes longer than the limit is slow, not up."""

    def drip(link: socket.socket) -> None:
        for letter in b"SSH-2.0-x":
            link.sendall(bytes([letter]))
            time.sleep(0.1)
        link.sendall(b"\r\n")

    with serve(drip) as port:
        look = look_at(BANNER, port, SystemClock())
    assert (look.state, look.cause) == ("slow", "slow")


def test_the_request_is_one_that_a_standard_server_understands() -> None:
    """Python's own HTTP server answers it and sees the path and a Host field."""
    seen: list[tuple[str, str]] = []

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            seen.append((self.path, self.headers["Host"]))
            self.send_response(200)
            self.end_headers()
            self.wfile.write(b"ready")

        def log_message(self, *_: object) -> None:
            pass

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        look = look_at(WEB, server.server_address[1], SystemClock())
        server.shutdown()
    assert look.state == "up"
    assert seen == [("/health", "localhost")]


def test_samples_tell_an_outage_that_was_planned() -> None:
    """A server that is up, away for 1.5 s, and up again shows as just that, once a second,
    and readiness counts looks after the instant given only."""
    port = find_free_port()
    clock = SystemClock()
    origin = clock.monotonic()
    probe = ServiceProbe("ssh", 22, "banner", "SSH-2.0-", slow_after_s=5.0)

    def run_server(until_s: float, listening: threading.Event) -> None:
        with socket.create_server(("127.0.0.1", port)) as server:
            listening.set()
            server.settimeout(0.05)
            while clock.monotonic() - origin < until_s:
                try:
                    link, _ = server.accept()
                except TimeoutError:
                    continue
                with link:
                    link.sendall(b"SSH-2.0-x\r\n")

    def start_server(until_s: float) -> threading.Thread:
        listening = threading.Event()
        thread = threading.Thread(target=run_server, args=(until_s, listening))
        thread.start()
        # A look before the server listens would be a first outage that nobody planned.
        assert listening.wait(10)
        return thread

    first = start_server(1.5)
    with Prober(((probe, port),), clock=clock, origin_s=origin) as prober:
        first.join()
        time.sleep(1.5)
        assert prober.find_silent(clock.monotonic() - origin - 0.9) == (probe,)
        back = clock.monotonic() - origin
        start_server(back + 1.6).join()
        assert prober.find_silent(back) == ()
        assert prober.find_silent(back + 60) == (probe,)
    samples = prober.samples()
    states = [(sample.state, sample.cause) for sample in samples]
    kinds = [state for n, state in enumerate(states) if n == 0 or state != states[n - 1]]
    assert kinds == [("up", ""), ("down", "refused"), ("up", "")]
    gaps = [b.at_s - a.at_s for a, b in itertools.pairwise(samples)]
    assert all(abs(gap - PERIOD_S) < 0.3 for gap in gaps)
