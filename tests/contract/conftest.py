"""Fixtures of the gateway's tests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from forerun.ports.gateway import ArchiveGateway

from .loopback_archive import (
    Archive,
    SetClock,
)


@pytest.fixture
def no_proxies(monkeypatch: pytest.MonkeyPatch) -> None:
    """Loopback is not reached through the lab host's own proxy."""
    for name in ("http_proxy", "https_proxy", "all_proxy"):
        monkeypatch.delenv(name, raising=False)
        monkeypatch.delenv(name.upper(), raising=False)


@pytest.fixture
def archive(no_proxies: None) -> Iterator[Archive]:
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
