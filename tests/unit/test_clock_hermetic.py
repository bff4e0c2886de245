"""The doors of the hermetic tests are really shut, and the clock is the system's."""

from __future__ import annotations

import socket
import subprocess
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone

import libvirt
import pytest

from forerun.ports.clock import SystemClock, format_instant


@pytest.mark.parametrize(
    "deed",
    [
        lambda: subprocess.run(["true"], check=False),
        lambda: socket.create_connection(("127.0.0.1", 9), timeout=0.1),
        lambda: socket.socket().bind(("127.0.0.1", 0)),
        lambda: socket.getaddrinfo("shelf01.example", 80),
        lambda: time.sleep(0.001),
        lambda: SystemClock().sleep(0.001),
        lambda: libvirt.open("test:///default"),
    ],
    ids=["program", "connect", "bind", "resolve", "sleep", "clock-sleep", "libvirt"],
)
def test_a_test_without_a_tier_cannot_reach_out(deed: Callable[[], object]) -> None:
    """A program, a socket, a sleep or libvirt fails a hermetic test, even past `except`."""
    with pytest.raises(pytest.fail.Exception, match="hermetic"):
        try:
            deed()
        except Exception as problem:  # the failure must not be caught like an error
            raise AssertionError("an ordinary handler swallowed it") from problem


def test_the_clock_is_utc_and_never_goes_back() -> None:
    """`now` carries UTC; `monotonic` does not decrease."""
    clock = SystemClock()
    assert clock.now().utcoffset() == timedelta(0)
    readings = [clock.monotonic() for _ in range(1000)]
    assert readings == sorted(readings)


def test_an_instant_is_written_as_rfc_3339() -> None:
    """RFC 3339, 5.8 gives 1996-12-19T16:39:57-08:00 as the same instant as
    1996-12-20T00:39:57Z; fractions are dropped."""
    moment = datetime(1996, 12, 19, 16, 39, 57, 999_999, tzinfo=timezone(timedelta(hours=-8)))
    assert format_instant(moment) == "1996-12-20T00:39:57Z"
    assert datetime.fromisoformat(format_instant(moment)) == datetime(
        1996, 12, 20, 0, 39, 57, tzinfo=UTC
    )
