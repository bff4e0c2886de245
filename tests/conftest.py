"""Which tests run, and what a test without a tier may not do.

Plain `pytest` runs the hermetic tests only and says which tiers it left out. A test
without a tier's marker fails as soon as it starts a program, touches a network socket,
opens libvirt or really sleeps.
"""

from __future__ import annotations

import socket
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import libvirt
import pytest
from hypothesis import settings

from forerun.ports.held import locked

# Properties are about results, never about time: a busy machine is no counter-example.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

TIERS = ("tools", "libvirt", "browser", "vm", "full")

# Audit events of the standard library (Python's "Audit events table").
_PROCESS_EVENTS = frozenset(
    {"subprocess.Popen", "os.system", "os.posix_spawn", "os.exec", "os.fork", "os.forkpty"}
)
_SOCKET_EVENTS = frozenset({"socket.connect", "socket.bind", "socket.sendto", "socket.getaddrinfo"})

_closed = False  # whether the doors are shut for the test that runs now


def _watch(event: str, arguments: tuple[Any, ...]) -> None:
    if not _closed:
        return
    if event in _PROCESS_EVENTS:
        pytest.fail(f"a hermetic test started a program: {event} {arguments[:2]!r}")
    if event in _SOCKET_EVENTS:
        pytest.fail(f"a hermetic test touched a socket: {event} {arguments[1:]!r}")


sys.addaudithook(_watch)


@pytest.fixture(autouse=True)
def hermetic(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Shut the doors for a test that belongs to no tier."""
    global _closed  # noqa: PLW0603 - an audit hook cannot be removed, only told
    if any(request.node.get_closest_marker(tier) for tier in TIERS):
        yield
        return

    def no_sleep(seconds: float) -> None:
        pytest.fail(f"a hermetic test really slept ({seconds} s)")

    def no_libvirt(*_: object) -> None:
        pytest.fail("a hermetic test opened libvirt")

    monkeypatch.setattr(time, "sleep", no_sleep)
    monkeypatch.setattr(libvirt, "open", no_libvirt)
    _closed = True
    try:
        yield
    finally:
        _closed = False


@pytest.fixture
def places_alone() -> Iterator[None]:
    """/var/tmp and /var/cache to itself, among the tests that take this: what one writes there
    (timed work does, and apt's own user) is not taken for what another left."""
    with locked(Path(tempfile.gettempdir()) / "forerun-tests-places.lock"):
        yield


def pytest_configure(config: pytest.Config) -> None:
    """Socket time-outs of other tests must not leak into a tier."""
    socket.setdefaulttimeout(None)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Without paths and without `-m`, only the hermetic tests are left."""
    named = config.args_source is pytest.Config.ArgsSource.ARGS
    if named or config.option.markexpr:
        return
    left_out = [item for item in items if any(item.get_closest_marker(t) for t in TIERS)]
    if not left_out:
        return
    counts = Counter(t for item in left_out for t in TIERS if item.get_closest_marker(t))
    config.stash[_LEFT_OUT] = ", ".join(
        f"{tier} ({counts[tier]})" for tier in TIERS if counts[tier]
    )
    config.hook.pytest_deselected(items=left_out)
    items[:] = [item for item in items if item not in left_out]


_LEFT_OUT = pytest.StashKey[str]()


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    """Say which tiers did not run, and how to run them."""
    if _LEFT_OUT in config.stash:
        terminalreporter.write_line(
            f"tiers not run: {config.stash[_LEFT_OUT]}; `pytest -m TIER` or tests/run runs them"
        )
