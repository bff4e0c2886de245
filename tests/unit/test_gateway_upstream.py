"""What the gateway knows of the way out, without going there."""

from __future__ import annotations

import ssl

import aiohttp
import pytest

from forerun.errors import ArchiveUnreachable, ForerunError
from forerun.ports.gateway_upstream import find_proxy, map_problem


@pytest.fixture
def no_proxies(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    for name in ("http_proxy", "https_proxy", "no_proxy", "all_proxy"):
        monkeypatch.delenv(name, raising=False)
        monkeypatch.delenv(name.upper(), raising=False)
    return monkeypatch


def test_the_environment_s_proxies_are_used(no_proxies: pytest.MonkeyPatch) -> None:
    """http_proxy and https_proxy by the archive's scheme; no_proxy exempts hosts."""
    assert find_proxy("http://archive.test/debian/a") is None
    no_proxies.setenv("http_proxy", "http://plain.example:3128")
    no_proxies.setenv("https_proxy", "http://secure.example:3128")
    no_proxies.setenv("no_proxy", "near.test,127.0.0.1")
    assert find_proxy("http://archive.test/debian/a") == "http://plain.example:3128"
    assert find_proxy("https://archive.test/debian/a") == "http://secure.example:3128"
    assert find_proxy("http://near.test/debian/a") is None
    assert find_proxy("http://127.0.0.1:8080/debian/a") is None


@pytest.mark.parametrize("host", ["127.0.0.1:8080", "127.9.9.9", "[::1]:80", "localhost:81"])
def test_the_own_loopback_is_never_asked_by_way_of_a_proxy(
    no_proxies: pytest.MonkeyPatch, host: str
) -> None:
    """A proxy's loopback is the proxy's own (RFC 1122, 3.2.1.3; RFC 6761, 6.3)."""
    no_proxies.setenv("http_proxy", "http://plain.example:3128")
    assert find_proxy(f"http://{host}/debian/a") is None
    assert find_proxy("http://127.0.0.1.example/debian/a") == "http://plain.example:3128"


@pytest.mark.parametrize(
    ("problem", "word"),
    [
        (TimeoutError(), "in time"),
        (aiohttp.ServerTimeoutError("x"), "in time"),
        (ssl.SSLCertVerificationError("self-signed"), "certificate"),
        (aiohttp.ClientPayloadError("cut"), "broke off"),
        (aiohttp.ServerDisconnectedError(), "cannot be reached"),
        (ConnectionRefusedError(111, "refused"), "cannot be reached"),
        (ValueError("bad address"), "cannot be reached"),
    ],
)
def test_the_client_library_s_errors_become_ours(problem: Exception, word: str) -> None:
    """Each class of failure says what failed, on what, and what to do next."""
    found = map_problem(problem, "http://archive.test/debian/a")
    assert isinstance(found, ArchiveUnreachable)
    assert isinstance(found, ForerunError)
    assert word in found.what
    assert found.where == "http://archive.test/debian/a"
    assert found.hint


def test_what_a_server_said_cannot_reach_a_terminal() -> None:
    """Control characters are taken out of the text of a foreign error."""
    found = map_problem(aiohttp.ClientPayloadError("\x1b[2J\r\nhello"), "http://a.test/")
    assert found.found.isprintable()
    assert "hello" in found.found
