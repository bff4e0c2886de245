"""The tries that prove a clone's seal, run by a real shell on loopback: each kind of try
must see what is open, or it proves nothing."""

from __future__ import annotations

import socket
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from forerun.ports.labhost import find_free_port
from forerun.stages.seal import WayOut, write_tries

pytestmark = pytest.mark.tools


def run_tries(ways: tuple[WayOut, ...], control_port: int) -> dict[str, str]:
    done = subprocess.run(
        ["sh", "-c", write_tries(ways, control_port=control_port)],
        capture_output=True,
        text=True,
        check=True,
    )
    return dict(line.rpartition(" ")[::2] for line in done.stdout.splitlines())


@contextmanager
def name_service(*, answers: bool) -> Iterator[tuple[int, list[bytes]]]:
    """A UDP service on loopback; what it was asked. It answers as RFC 1035, 4.1.1 has it:
    the same id, the response bit set."""
    asked: list[bytes] = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as link:
        link.bind(("127.0.0.1", 0))
        link.settimeout(10)

        def serve() -> None:
            query, client = link.recvfrom(512)
            asked.append(query)
            if answers:
                link.sendto(query[:2] + b"\x81\x83" + query[4:], client)

        thread = threading.Thread(target=serve)
        thread.start()
        yield link.getsockname()[1], asked
        thread.join()


def test_what_is_open_is_seen() -> None:
    """A TCP service that accepts and a name service that answers are both found open."""
    with (
        socket.create_server(("127.0.0.1", 0)) as server,
        name_service(answers=True) as (names, asked),
    ):
        port = server.getsockname()[1]
        ways = (WayOut("a", "127.0.0.1", port), WayOut("b", "127.0.0.1", names, "udp"))
        assert run_tries(ways, port) == {"control": "open", "way 0": "open", "way 1": "open"}
    (query,) = asked
    assert query[2:] == (
        b"\x01\x00"  # a standard query, recursion desired
        b"\x00\x01\x00\x00\x00\x00\x00\x00"  # one question, nothing else
        b"\x04test\x00\x00\x01\x00\x01"  # test. A IN
    )


def test_what_is_closed_is_seen() -> None:
    """A port without a service, and a name service that is asked and says nothing."""
    closed = find_free_port()
    with name_service(answers=False) as (names, asked):
        ways = (WayOut("a", "127.0.0.1", closed), WayOut("b", "127.0.0.1", names, "udp"))
        told = run_tries(ways, closed)
    assert told == {"control": "closed", "way 0": "closed", "way 1": "closed"}
    assert len(asked) == 1
