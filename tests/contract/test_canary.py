"""The service that notes who gets out of a clone: it hears everything, and only on loopback."""

from __future__ import annotations

import socket
import time

import pytest

from forerun.errors import LabUnfit
from forerun.ports import canary as module
from forerun.ports.canary import LoopbackCanary
from forerun.testing import check_canary
from tests.sockets import list_listening

from .loopback_archive import request_bytes, send

pytestmark = [pytest.mark.tools, pytest.mark.timeout(60)]


def wait_until_reached(canary: LoopbackCanary, wanted: set[int]) -> None:
    limit = time.monotonic() + 5
    while canary.reached() != wanted and time.monotonic() < limit:
        time.sleep(0.02)
    assert canary.reached() == wanted


def test_it_keeps_the_contract() -> None:
    """Each has paths, a word and a port of its own."""
    with LoopbackCanary() as one, LoopbackCanary() as other:
        check_canary(one)
        check_canary(other)
        assert len({one.nonce, one.word, other.nonce, other.word}) == 4
        assert one.port != other.port


def test_it_listens_on_loopback_only_and_only_inside_the_block() -> None:
    """By TCP and UDP, 127.0.0.1 alone, as the kernel has it (proc(5), net/tcp and net/udp)."""
    with LoopbackCanary() as canary:
        found = list_listening()
        assert {one for one in found if one[2] == canary.port} == {
            ("tcp", "127.0.0.1", canary.port), ("udp", "127.0.0.1", canary.port),
        }  # fmt: skip
    assert not {one for one in list_listening() if one[2] == canary.port}
    with pytest.raises(OSError):
        socket.create_connection(("127.0.0.1", canary.port), timeout=2)


@pytest.mark.parametrize("method", ["GET", "POST", "BREW"])
def test_whoever_gets_to_its_shut_part_is_noted(method: str) -> None:
    """Whatever the method; the answer is the word that no request holds."""
    with LoopbackCanary() as canary:
        got = send(canary.port, request_bytes(f"/shut-{canary.nonce}/17", method))
        assert (got.status, got.body.decode().strip()) == (200, canary.word)
        wait_until_reached(canary, {17})
        assert not canary.was_asked()


def test_what_comes_behind_a_request_is_noted_too() -> None:
    """A second request on the same connection, as one that was smuggled through a proxy."""
    with LoopbackCanary() as canary:
        first = request_bytes(f"/open-{canary.nonce}/here")
        got = send(canary.port, first + request_bytes(f"/shut-{canary.nonce}/4"))
        assert got.status == 404
        wait_until_reached(canary, {4})
        assert canary.was_asked()


def test_a_datagram_is_noted_and_answered() -> None:
    """The same word comes back."""
    with LoopbackCanary() as canary, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as link:
        link.settimeout(5)
        link.sendto(f"/shut-{canary.nonce}/9".encode(), ("127.0.0.1", canary.port))
        assert link.recv(100).decode().strip() == canary.word
        assert canary.reached() == {9}


def test_its_open_part_redirects_into_the_shut_one() -> None:
    """At once or over a second step; the open part itself has nothing."""
    with LoopbackCanary() as canary:
        base = f"http://127.0.0.1:{canary.port}"
        seen = {}
        for path in ("here", "moved/3", "twice/3"):
            got = send(canary.port, request_bytes(f"/open-{canary.nonce}/{path}"))
            seen[path] = (got.status, got.fields.get("location"))
        assert seen == {
            "here": (404, None),
            "moved/3": (302, f"{base}/shut-{canary.nonce}/3"),
            "twice/3": (302, f"{base}/open-{canary.nonce}/moved/3"),
        }
        assert canary.reached() == frozenset()


@pytest.mark.parametrize("raw", [b"", b"\r\n\r\n", b"\x16\x03\x01\xff\r\n\r\n", b"x" * 70_000])
def test_strangers_of_the_lab_host_are_not_mistaken(raw: bytes) -> None:
    """Somebody's port scan names no path of this canary."""
    with LoopbackCanary() as canary:
        with socket.create_connection(("127.0.0.1", canary.port), timeout=5) as link:
            link.sendall(raw)
            link.shutdown(socket.SHUT_WR)
            link.settimeout(5)
            try:
                while link.recv(65_536):
                    pass
            except ConnectionResetError:
                pass
        send(canary.port, request_bytes(f"/shut-{'0' * 16}/1"))
        assert (canary.reached(), canary.was_asked()) == (frozenset(), False)
        send(canary.port, request_bytes(f"/shut-{canary.nonce}/1"))
        wait_until_reached(canary, {1})


def test_without_a_port_there_is_a_clear_error(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every port that is free for TCP is taken for UDP: said, and nothing listens on."""

    class Taken(module._UdpServer):
        def server_bind(self) -> None:
            raise OSError(98, "Address already in use")

    monkeypatch.setattr(module, "_UdpServer", Taken)
    before = list_listening()
    with pytest.raises(LabUnfit) as caught, LoopbackCanary():
        pass
    assert "in use" in caught.value.found
    assert list_listening() <= before
