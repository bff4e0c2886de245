"""A step's time by what it was spent on: the identities, and each rule on a worked case."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forerun.model.counters import Part, PartTime, StepCounters, StepParts
from forerun.model.observation import DownloadCount, RebootSplit, StepEnd, StepRecord
from forerun.model.speed import Speed, SpeedReading, Work
from forerun.stages.decompose import decompose_step, find_split

READING = SpeedReading(
    "2026-01-31T22:00:00Z",
    (
        Speed(Work.SPAWN, "process", (0.03, 0.02, 0.045)),
        Speed(Work.COMPUTE, "round", (0.01,)),
        Speed(Work.UNPACK, "MB", (0.01,), "zstd"),
        Speed(Work.UNPACK, "MB", (0.2, 0.1, 0.4), "xz"),
    ),
    8.0,
)


def make_step(
    wall_s: float, counters: StepCounters | None, *, action: str = "commands"
) -> StepRecord:
    return StepRecord(
        "go", "Go", "window", action, 100.0, wall_s, 0, 0, StepEnd.DONE, 0, "",
        download=DownloadCount(gateway_bytes=9_000_000, index_bytes=1_000_000),
        counters=counters,
    )  # fmt: skip


def split(parts: StepParts) -> dict[Part, float]:
    """Seconds by part; one that stands twice is added up, one that only tells an amount is
    left out."""
    found: dict[Part, float] = {}
    for one in parts.parts:
        found[one.part] = found.get(one.part, 0.0) + one.seconds
    return {part: round(seconds, 6) for part, seconds in found.items() if seconds > 0}


def find(parts: StepParts, part: Part) -> PartTime:
    return next(one for one in parts.parts if one.part is part)


# One processor for 100 s: 60 busy, 15 waiting for storage, 25 idle.
ONE = StepCounters(
    cpus=1, user_s=40.0, system_s=20.0, idle_s=25.0, iowait_s=15.0, steal_s=0.0, processes=500,
    io_some_s=16.0, io_full_s=15.0, cpu_some_s=5.0, memory_full_s=0.0, read_bytes=1_000_000,
    written_bytes=5_000_000, flushes=300, flush_s=8.0, read_s=0.5, write_s=1.5, fetching_s=30.0,
    packed_bytes=30_000_000, unpacked_bytes=100_000_000, people_s=5.0,
)  # fmt: skip


def test_one_processor() -> None:
    """100 s by hand: 5 of people, 15 of storage (8 of flushes to 2 of moving bytes), 60 busy
    (100 MB at the median 0.2 s, 500 programs at 0.03 s, the rest), and 20 idle, in all of
    which something was being fetched."""
    parts = decompose_step(make_step(100.0, ONE), (READING,))
    assert split(parts) == {
        Part.PEOPLE: 5.0, Part.SYNC: 12.0, Part.WRITE: 3.0, Part.UNPACK: 20.0, Part.SPAWN: 15.0,
        Part.COMPUTE: 25.0, Part.DOWNLOAD: 20.0,
    }  # fmt: skip
    assert (find(parts, Part.SYNC).amount, find(parts, Part.SYNC).unit) == (
        300,
        "synchronous writes",
    )
    assert (find(parts, Part.WRITE).amount, find(parts, Part.WRITE).unit) == (6_000_000, "bytes")
    assert (find(parts, Part.UNPACK).amount, find(parts, Part.SPAWN).amount) == (100_000_000, 500)
    assert find(parts, Part.DOWNLOAD).amount == 10_000_000
    assert "10.00 s more ran beside" in find(parts, Part.DOWNLOAD).how


def test_sleep_is_a_fixed_wait() -> None:
    """Idle, nobody fetching, nobody asked."""
    quiet = dataclasses.replace(ONE, fetching_s=0.0, people_s=0.0)
    assert split(decompose_step(make_step(100.0, quiet), (READING,)))[Part.FIXED] == 25.0


def test_two_processors_one_after_another() -> None:
    """A chain of programs on two processors: one is busy, the other idle, all along. 60 busy
    seconds of 100 leave 40 of waiting, not 70: the busy sum is taken as one after another."""
    two = StepCounters(
        cpus=2, user_s=60.0, system_s=0.0, idle_s=140.0, iowait_s=0.0, steal_s=0.0, processes=0,
        io_full_s=0.0, flushes=0, flush_s=0.0, read_s=0.0, write_s=0.0, fetching_s=0.0,
    )  # fmt: skip
    parts = decompose_step(make_step(100.0, two), (READING,))
    assert split(parts) == {Part.COMPUTE: 60.0, Part.FIXED: 40.0}
    assert "side by side would have taken 30.00 s" in find(parts, Part.COMPUTE).how


def test_two_processors_side_by_side() -> None:
    """150 busy seconds in 100 of the wall: 50 of them must have run beside the rest, which is
    told; nothing is left for waits that were not measured."""
    two = StepCounters(
        cpus=2, user_s=150.0, system_s=0.0, idle_s=40.0, iowait_s=10.0, steal_s=0.0, processes=0,
        io_full_s=5.0, flushes=9, flush_s=3.0, read_s=0.0, write_s=0.0, fetching_s=20.0,
    )  # fmt: skip
    parts = decompose_step(make_step(100.0, two), (READING,))
    assert split(parts) == {Part.SYNC: 5.0, Part.COMPUTE: 95.0}
    assert "55.00 s of it ran beside" in find(parts, Part.COMPUTE).how
    assert (find(parts, Part.DOWNLOAD).seconds, find(parts, Part.DOWNLOAD).amount) == (
        0,
        10_000_000,
    )


def test_programs_and_unpacking_are_capped_by_the_processors() -> None:
    """What the clone's speed makes of the counts can be more than the time there was: no more
    is given than that, and the cut is told."""
    much = dataclasses.replace(ONE, processes=100_000)
    parts = decompose_step(make_step(100.0, much), (READING,))
    assert split(parts)[Part.UNPACK] + split(parts)[Part.SPAWN] == 60.0
    assert Part.COMPUTE not in split(parts)
    assert "more ran beside" in find(parts, Part.SPAWN).how


def test_without_a_reading_it_is_all_computing() -> None:
    """The counts are still told, and why they have no seconds."""
    parts = decompose_step(make_step(100.0, ONE), ())
    assert split(parts)[Part.COMPUTE] == 60.0
    assert find(parts, Part.SPAWN).seconds == 0
    assert find(parts, Part.SPAWN).amount == 500
    assert "not timed" in find(parts, Part.UNPACK).how


def test_without_pressure_the_flushes_count_while_nothing_was_busy() -> None:
    """A kernel without PSI: 8 s of flushes, of which no more than the idle time can be."""
    blind = dataclasses.replace(ONE, io_full_s=-1.0)
    found = split(decompose_step(make_step(100.0, blind), (READING,)))
    assert found[Part.SYNC] + found[Part.WRITE] == 8.0
    tight = dataclasses.replace(blind, user_s=75.0, idle_s=5.0, iowait_s=0.0)
    parts = decompose_step(make_step(100.0, tight), (READING,))
    assert (find(parts, Part.SYNC).seconds, find(parts, Part.SYNC).amount) == (0.0, 300)


def test_what_the_clone_did_not_see_is_not_explained() -> None:
    """It stood still for 10 s, and 3 s were taken from it: neither is a wait of the upgrade."""
    stolen = dataclasses.replace(ONE, idle_s=22.0, steal_s=3.0, fetching_s=0.0, people_s=0.0)
    found = split(decompose_step(make_step(110.0, stolen), (READING,)))
    assert found[Part.UNEXPLAINED] == 13.0
    assert found[Part.FIXED] == 22.0


def test_what_was_not_counted_is_not_explained() -> None:
    """No counters at all (a run of an earlier version), no processors, no gateway: the rest is
    said to be unexplained, and no part is guessed."""
    assert split(decompose_step(make_step(50.0, None), (READING,))) == {Part.UNEXPLAINED: 50.0}
    assert split(decompose_step(make_step(50.0, StepCounters()), (READING,))) == {
        Part.UNEXPLAINED: 50.0
    }
    unknown = dataclasses.replace(ONE, fetching_s=-1.0)
    found = split(decompose_step(make_step(100.0, unknown), (READING,)))
    assert found[Part.UNEXPLAINED] == 20.0
    assert Part.FIXED not in found and Part.DOWNLOAD not in found


SPLIT = RebootSplit(
    requested_s=100.5, down_s=9.0, loader_s=4.0, kernel_s=8.0, userspace_s=24.0, settle_s=5.0,
    ssh_s=35.0, ready_s=50.0, total_s=50.0,
)  # fmt: skip
BOOTED = StepCounters(
    cpus=1, user_s=15.0, system_s=10.0, idle_s=8.0, iowait_s=4.0, steal_s=0.0, processes=300,
    io_full_s=4.0, flushes=50, flush_s=2.0, read_s=2.0, write_s=0.0, fetching_s=0.0,
    unpacked_bytes=0, since_boot=True,
)  # fmt: skip


def test_a_restart() -> None:
    """51 s: 4 of firmware and loader, 9.5 until the old system was gone, and 37.5 of the new
    one, of which its own counters tell 25 busy, 4 of storage, 8 idle, and half a second
    before its clock ran."""
    parts = decompose_step(make_step(51.0, BOOTED, action="reboot"), (READING,), SPLIT)
    assert split(parts) == {
        Part.FIRMWARE: 4.0, Part.UNEXPLAINED: 10.0, Part.SYNC: 2.0, Part.WRITE: 2.0,
        Part.SPAWN: 9.0, Part.COMPUTE: 16.0, Part.FIXED: 8.0,
    }  # fmt: skip
    assert sum(one.seconds for one in parts.parts) == pytest.approx(51.0, abs=1e-9)


def test_a_restart_that_was_not_seen_to_its_end() -> None:
    """No cut, or counters of nobody knows which boot: not explained."""
    step = make_step(51.0, BOOTED, action="reboot")
    assert split(decompose_step(step, (READING,), None)) == {Part.UNEXPLAINED: 51.0}
    torn = make_step(51.0, dataclasses.replace(BOOTED, since_boot=False), action="reboot")
    found = split(decompose_step(torn, (READING,), SPLIT))
    assert found == {Part.FIRMWARE: 4.0, Part.UNEXPLAINED: 47.0}


def test_a_restarts_cut_is_found_by_its_time() -> None:
    """The one that was asked for within the step; none of another step."""
    step = make_step(51.0, BOOTED, action="reboot")
    other = dataclasses.replace(SPLIT, requested_s=900.0)
    assert find_split(step, (other, SPLIT)) is SPLIT
    assert find_split(step, (other,)) is None
    assert find_split(make_step(51.0, BOOTED), (SPLIT,)) is None


# -- identities

SECONDS = st.sampled_from([-1.0, 0.0]) | st.floats(0, 1e5)
COUNTS = st.sampled_from([-1, 0]) | st.integers(0, 1 << 40)


def _draw(kind: object) -> st.SearchStrategy[object]:
    return {"int": COUNTS, "float": SECONDS, "bool": st.booleans()}[str(kind)]


COUNTERS = st.builds(
    StepCounters,
    **{
        one.name: st.integers(1, 16) if one.name == "cpus" else _draw(one.type)
        for one in dataclasses.fields(StepCounters)
    },
)
SPLITS = st.none() | st.builds(
    RebootSplit,
    **{one.name: SECONDS for one in dataclasses.fields(RebootSplit) if str(one.type) == "float"},
)
EMPTY = SpeedReading("", (), 0.0)
READINGS = st.sampled_from([(), (READING,), (EMPTY,), (EMPTY, READING)])


@given(st.floats(0, 1e5), st.none() | COUNTERS, READINGS, SPLITS, st.booleans())
def test_the_parts_are_the_whole(
    wall_s: float,
    counters: StepCounters | None,
    readings: tuple[SpeedReading, ...],
    cut: RebootSplit | None,
    reboot: bool,
) -> None:
    """Whatever was counted: none is negative, and they add up to the step within 1e-9."""
    step = make_step(wall_s, counters, action="reboot" if reboot else "commands")
    parts = decompose_step(step, readings, cut)
    assert all(one.seconds >= 0 for one in parts.parts)
    assert all(one.amount == -1 or one.amount >= 0 for one in parts.parts)
    assert all(one.how for one in parts.parts)
    assert sum(one.seconds for one in parts.parts) == pytest.approx(wall_s, abs=1e-9, rel=1e-13)
    assert parts.wall_s == wall_s


MORE = {
    "people_s": {Part.PEOPLE},
    "io_full_s": {Part.SYNC, Part.WRITE},
    "user_s": {Part.UNPACK, Part.SPAWN, Part.COMPUTE},
    "system_s": {Part.UNPACK, Part.SPAWN, Part.COMPUTE},
    "processes": {Part.SPAWN},
    "unpacked_bytes": {Part.UNPACK},
    "fetching_s": {Part.DOWNLOAD},
}


@given(
    st.floats(0, 1e5), COUNTERS, st.sampled_from(sorted(MORE)), st.floats(0, 1e4), st.integers(0)
)
def test_more_of_it_is_never_less_time(
    wall_s: float, counters: StepCounters, name: str, more_s: float, more: int
) -> None:
    """More waiting, more busy seconds, more programs, all else equal: its own parts do not
    shrink."""
    before = getattr(counters, name)
    if before < 0:
        return
    grown = before + (more % (1 << 40) if isinstance(before, int) else more_s)
    changed = dataclasses.replace(counters, **{name: grown})
    seconds = [
        sum(
            one.seconds
            for one in decompose_step(make_step(wall_s, given_counters), (READING,)).parts
            if one.part in MORE[name]
        )
        for given_counters in (counters, changed)
    ]
    assert seconds[1] >= seconds[0] - 1e-9
