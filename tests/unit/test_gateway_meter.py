"""The gateway's counters and its rate."""

from __future__ import annotations

import threading
from collections.abc import Coroutine
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forerun.ports import gateway_meter
from forerun.ports.gateway_meter import (
    OTHER_ADDRESSES,
    GatewayReading,
    Pacer,
    Tally,
    TokenBucket,
    UrlMeter,
    measure_header,
)
from forerun.testing import FakeClock


class StillClock:
    """A clock that moves only when told."""

    def __init__(self) -> None:
        self.at = 50.0

    def now(self) -> datetime:
        return datetime.fromtimestamp(self.at, UTC)

    def monotonic(self) -> float:
        return self.at

    def sleep(self, seconds: float) -> None:
        self.at += seconds

    async def pause(self, seconds: float) -> None:
        self.at += seconds


def run(work: Coroutine[object, None, None]) -> None:
    """Run a coroutine that never really waits, without an event loop."""
    with pytest.raises(StopIteration):
        work.send(None)


@given(
    limit=st.integers(8_000, 10_000_000_000),
    blocks=st.lists(st.integers(1, 262_144), min_size=1, max_size=60),
)
def test_n_bytes_take_eight_n_over_the_limit(limit: int, blocks: list[int]) -> None:
    """From a fresh bucket the time is 8N/limit: not less, and not more either."""
    clock = StillClock()
    pacer = Pacer(limit, clock, clock.pause)
    for block in blocks:
        run(pacer.pay(block))
    ideal = 8 * sum(blocks) / limit
    assert clock.at - 50.0 == pytest.approx(ideal, rel=1e-6, abs=1e-6)


def test_several_clients_share_one_rate() -> None:
    """Two transfers at a time take as long as their sum does."""
    bucket = TokenBucket(8_000, 0.0)
    waits = [bucket.take(500, 0.0) for _ in range(4)]
    assert waits == [0.5, 1.0, 1.5, 2.0]


def test_idle_time_is_not_saved_up() -> None:
    """After an hour without traffic, at most a tenth of a second's worth is free."""
    bucket = TokenBucket(80_000_000, 0.0)
    assert bucket.take(10_000_000, 3600.0) == pytest.approx(0.9)


def test_late_timers_do_not_cost_rate() -> None:
    """A timer that fires 10 ms late each time still gives the full rate in the end."""
    clock = StillClock()

    async def late(seconds: float) -> None:
        clock.at += seconds + 0.010

    pacer = Pacer(8_000_000, clock, late)
    for _ in range(100):
        run(pacer.pay(pacer.chunk))
    assert clock.at - 50.0 == pytest.approx(pacer.chunk * 100 / 1e6, rel=0.01)


def test_without_a_limit_nobody_waits() -> None:
    """Limit 0: no pause, and large blocks."""
    clock = StillClock()
    pacer = Pacer(0, clock, clock.pause)
    run(pacer.pay(10**12))
    assert clock.at == 50.0
    assert pacer.chunk >= 1_000_000


def test_a_header_is_measured_as_it_is_sent() -> None:
    """Against the bytes written out by hand."""
    wire = b"HTTP/1.1 404 Not Found\r\nServer: forerun\r\nContent-Length: 3\r\n\r\n"
    fields = {"Server": "forerun", "Content-Length": "3"}
    assert measure_header((1, 1), 404, "Not Found", fields) == len(wire)


def test_the_counters_add_up() -> None:
    """Packages, indexes, cached and outside each count what their name says."""
    tally = Tally()
    for _ in range(4):
        tally.note_request()
    tally.note_asked("http://a.test/p.deb")
    tally.note_outside("http://a.test/p.deb", 100)
    tally.note_served("http://a.test/p.deb", 100, index=False, cached=False)
    tally.note_asked("http://a.test/p.deb")
    tally.note_served("http://a.test/p.deb", 100, index=False, cached=True)
    tally.note_asked("http://a.test/Release")
    tally.note_served("http://a.test/Release", 7, index=True, cached=True)
    tally.note_served("http://a.test/Release", -2, index=True, cached=True)
    tally.note_refused("CONNECT evil.test:443")
    tally.note_headers(40)
    assert tally.reading() == GatewayReading(
        requests=4, packages=200, indexes=5, outside=100, cached=105, headers=40, refused=1
    )
    assert tally.meters() == (
        UrlMeter("http://a.test/p.deb", 2, 200, 100),
        UrlMeter("http://a.test/Release", 1, 5, 0),
        UrlMeter("CONNECT evil.test:443", 1, 0, 0, refused=1),
    )


def test_seconds_of_fetching_are_of_the_wall_clock() -> None:
    """Two answers at once count once, a pause between two not at all, and one that is still
    under way up to now."""
    clock = FakeClock()
    tally = Tally(clock)
    with tally.answering():
        clock.sleep(2)
        with tally.answering():
            clock.sleep(3)
        clock.sleep(1)
    assert tally.reading().fetching_s == 6
    clock.sleep(10)
    with pytest.raises(ConnectionError), tally.answering():
        clock.sleep(4)
        assert tally.reading().fetching_s == 10
        raise ConnectionError
    clock.sleep(10)
    assert tally.reading().fetching_s == 10


def test_a_refused_redirect_is_one_request() -> None:
    """A request that was counted when it was asked is not counted again when refused."""
    tally = Tally()
    tally.note_asked("http://a.test/x")
    tally.note_refused("http://a.test/x", asked=True)
    assert tally.meters() == (UrlMeter("http://a.test/x", 1, 0, 0, refused=1),)


def test_a_guest_cannot_fill_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the bound, rows and faults are shared or dropped; the sums stay right."""
    monkeypatch.setattr(gateway_meter, "MOST_ROWS", 3)
    monkeypatch.setattr(gateway_meter, "MOST_FAULTS", 2)
    tally = Tally()
    for number in range(10):
        tally.note_refused(f"GET http://evil{number}.test/")
        tally.note_fault(f"fault {number}")
    rows = {row.url: row.refused for row in tally.meters()}
    assert len(rows) == 4
    assert rows[OTHER_ADDRESSES] == 7
    assert tally.reading().refused == 10
    assert tally.faults() == ("fault 0", "fault 1")


def test_a_repeated_fault_is_one_line() -> None:
    """An archive that is down is reported once, with a count."""
    tally = Tally()
    tally.note_fault("a")
    tally.note_fault("b")
    tally.note_fault("a")
    assert tally.faults() == ("a (2 times)", "b")


def test_counters_can_be_written_and_read_from_several_threads() -> None:
    """No count is lost when four threads write."""
    tally = Tally()

    def write() -> None:
        for _ in range(2_000):
            tally.note_served("u", 3, index=False, cached=True)
            tally.reading()

    threads = [threading.Thread(target=write) for _ in range(4)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert tally.reading().packages == tally.reading().cached == 4 * 2_000 * 3
