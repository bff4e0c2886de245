"""Meters around a step, and outages from raw looks."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest

from forerun.model.counters import StepCounters
from forerun.model.observation import ProbeSample, StepEnd, StepRecord
from forerun.ports.gateway import GatewayReading
from forerun.ports.hypervisor import BlockCounts
from forerun.ports.labhost import LoadMark
from forerun.stages.guest_counters import GuestMark
from forerun.stages.measure import (
    DISK_PERIOD_S,
    DiskWatch,
    StepMark,
    count_download,
    count_step,
    find_disk_targets,
    find_outages,
)
from forerun.stages.package_log import PackageWork
from forerun.testing import FakeClock, FakeGuest

LOAD = LoadMark(0.0, 0, 0, (0, 0, 0), 0.0)


def look(at_s: float, state: str = "up", cause: str = "", service: str = "web") -> ProbeSample:
    return ProbeSample(service, at_s, state, cause)


def looks(states: str, service: str = "web") -> list[ProbeSample]:
    """One look a second: `u` up, `d` down, `s` slow, `?` unknown."""
    names = {"u": "up", "d": "down", "s": "slow", "?": "unknown"}
    return [
        look(float(n), names[c], "refused" if c == "d" else "", service)
        for n, c in enumerate(states)
    ]


def step(name: str, start: float, wall: float) -> StepRecord:
    return StepRecord(name, name, "window", "commands", start, wall, 0, 0, StepEnd.DONE, 0, "")


@pytest.mark.parametrize(
    ("states", "wanted"),
    [
        ("uuuuuu", []),
        ("uuddduuuu", [(1, 5, True)]),
        ("uuddd", [(1, 4, False)]),
        ("uudduuduuu", [(1, 7, True)]),  # two good looks are not yet the end
        ("uudduu", [(1, 5, False)]),
        ("uuduuuduuu", [(1, 3, True), (5, 7, True)]),
        ("ddduuu", []),  # never good before: no outage
        ("dddd", []),
        ("????uuu", []),
        ("uu?uu", []),  # an unknown look is no bad one
        ("uusssuuu", [(1, 5, True)]),  # too slow counts as not answering
        ("uud?uuu", [(1, 4, True)]),
        ("ddduuudduuu", [(5, 8, True)]),
        ("", []),
    ],
)
def test_an_outage_runs_from_the_last_good_look_to_the_first_of_three(
    states: str, wanted: list[tuple[float, float, bool]]
) -> None:
    """The rule of `find_outages`, look by look, one a second."""
    found = find_outages(looks(states), [])
    assert [(o.start_s, o.end_s, o.ended) for o in found] == wanted


def test_outages_never_overlap_and_never_begin_before_a_good_look() -> None:
    """Over every pattern of nine looks: ordered, apart, from a good look, over a bad one,
    and an ended one ends at a good look that two more follow."""
    for pattern in itertools.product("ud", repeat=9):
        check_pattern("".join(pattern))


def check_pattern(states: str) -> None:
    found = find_outages(looks(states), [])
    for earlier, later in itertools.pairwise(found):
        assert earlier.ended
        assert earlier.end_s <= later.start_s
    for outage in found:
        start, end = int(outage.start_s), int(outage.end_s)
        assert states[start : start + 2] == "ud"
        assert "uuu" not in states[start + 1 : end + 2]
        if outage.ended:
            assert states[end : end + 3] == "uuu"
    assert bool(found) == ("ud" in states)


def test_services_have_their_own_outages() -> None:
    """Each service is judged by its own looks; the result is in order of time."""
    samples = sorted(
        [*looks("uuuudduuu", "web"), *looks("uudddduuu", "mail")], key=lambda s: s.at_s
    )
    found = find_outages(samples, [])
    assert [(o.service, o.start_s, o.end_s) for o in found] == [("mail", 1, 6), ("web", 3, 6)]


def test_an_outage_names_its_cause_and_the_step_in_which_it_began() -> None:
    """The step is the one that ran at the first bad look; none is ""."""
    steps = [step("first", 0.0, 1.5), step("second", 1.6, 10.0)]
    (outage,) = find_outages(looks("uuddduuu"), steps)
    assert (outage.cause, outage.step) == ("refused", "second")
    (outage,) = find_outages(looks("uuddduuu"), steps[:1])
    assert outage.step == ""


# -- counters


def mark(reading: GatewayReading, wire: int = 0, packets: int = 0) -> StepMark:
    return StepMark(0.0, GuestMark(), 0.0, LOAD, reading, wire, packets)


def test_a_download_is_what_the_counters_grew_by() -> None:
    """Every counter is a difference; planned and fetched are passed through."""
    before = mark(GatewayReading(10, 1000, 200, 900, 300, 50, 1), 5000, 40)
    after = mark(GatewayReading(14, 9000, 260, 4900, 4300, 90, 1), 15000, 140)
    count = count_download(before, after, planned=8100, fetched=8000)
    assert count is not None
    assert (count.planned_bytes, count.fetched_bytes, count.requests) == (8100, 8000, 4)
    assert (count.gateway_bytes, count.index_bytes, count.header_bytes) == (8000, 60, 40)
    assert (count.outside_bytes, count.cached_bytes) == (4000, 4000)
    assert (count.wire_bytes, count.wire_packets) == (10000, 100)


def test_a_step_that_asked_for_nothing_has_no_download() -> None:
    """No request, no count: not a count of zeros."""
    reading = GatewayReading(10, 1000, 200, 900, 300, 50, 1)
    assert count_download(mark(reading, 1), mark(reading, 9), planned=0, fetched=0) is None


def test_a_wire_counter_that_began_anew_is_unknown() -> None:
    """An interface counts from its boot: a smaller figure afterwards is -1, not negative."""
    count = count_download(
        mark(GatewayReading(), 5000, 40), mark(GatewayReading(requests=1), 10, 1),
        planned=-1, fetched=-1,
    )  # fmt: skip
    assert count is not None
    assert (count.wire_bytes, count.wire_packets) == (-1, -1)


def test_a_steps_counters_are_differences() -> None:
    """Clone, disks and gateway by what they grew; packages and people as they are told; what
    is not known on one side is not known."""
    old = replace(
        mark(GatewayReading(fetching_s=2.0)),
        guest=GuestMark("a", 2, 5.0, 1.0, 90.0, 3.0, 0.0, 700, 0.5, 0.2, 0.1, -1.0),
        blocks=BlockCounts(1000, 2000, 30, 0.1, 0.2, -1.0),
    )
    new = replace(
        mark(GatewayReading(fetching_s=5.5)),
        guest=GuestMark("a", 2, 9.0, 3.0, 95.0, 4.0, 0.5, 1700, 1.5, 0.7, 0.4, 1.0),
        blocks=BlockCounts(1500, 9000, 130, 0.3, 0.8, 1.0),
    )
    work = PackageWork(3.0, 4.0, 1.0, 100, 300)
    counted = count_step(old, new, work, people_s=1.234)
    assert counted == StepCounters(
        cpus=2, user_s=4.0, system_s=2.0, idle_s=5.0, iowait_s=1.0, steal_s=0.5, processes=1000,
        io_some_s=0.5, io_full_s=0.3, cpu_some_s=1.0, memory_full_s=-1.0, read_bytes=500,
        written_bytes=7000, flushes=100, flush_s=-1.0, read_s=0.2, write_s=0.6, fetching_s=3.5,
        packed_bytes=100, unpacked_bytes=300, unpacking_s=3.0, configuring_s=4.0, triggers_s=1.0,
        people_s=1.23, since_boot=False,
    )  # fmt: skip


def test_a_boot_within_a_step_starts_the_clones_counters_anew() -> None:
    """What the new boot counted is all there is; the hypervisor counts on. A clone that does
    not answer afterwards leaves nothing known."""
    old = replace(
        mark(GatewayReading()),
        guest=GuestMark("a", 1, 500.0, 100.0, 9000.0, 3.0, 0.0, 7000),
        blocks=BlockCounts(flushes=30),
    )
    new = replace(
        mark(GatewayReading()),
        guest=GuestMark("b", 1, 9.0, 3.0, 12.0, 1.0, 0.0, 600),
        blocks=BlockCounts(flushes=50),
    )
    counted = count_step(old, new, PackageWork(), people_s=0.0)
    assert (counted.since_boot, counted.user_s, counted.processes) == (True, 9.0, 600)
    assert (counted.flushes, counted.unpacking_s) == (20, -1.0)
    away = count_step(old, replace(new, guest=GuestMark()), PackageWork(), people_s=0.0)
    assert (away.since_boot, away.user_s, away.processes, away.flushes) == (False, -1.0, -1, 20)


# -- disks

MOUNTS = """\
sysfs /sys sysfs rw,nosuid 0 0
udev /dev devtmpfs rw 0 0
tmpfs /run tmpfs rw 0 0
/dev/vda1 / ext4 rw,relatime 0 0
tmpfs /tmp tmpfs rw 0 0
/dev/vdb /srv/my\\040data ext4 rw 0 0
/dev/vda1 /var/bind ext4 rw 0 0
/dev/vdc1 /boot/efi vfat rw 0 0
odd
"""


def test_disks_and_memory_backed_tmp_are_watched() -> None:
    """proc(5), /proc/mounts: a device counts once, at its first mount; `\\040` is a blank;
    /tmp in memory (new in Debian 13) can fill up too."""
    assert find_disk_targets(MOUNTS) == ("/", "/tmp", "/srv/my data", "/boot/efi")


def test_samples_keep_their_distance() -> None:
    """Asked every second, it looks every five; times count from the run's start."""
    clock = FakeClock()
    clock.sleep(100)
    guest = FakeGuest(clock, files={"/proc/mounts": b"/dev/vda1 / ext4 rw 0 0\n"})
    watch = DiskWatch(guest, clock, origin_s=90.0)
    for _ in range(16):
        watch.sample()
        clock.sleep(1.0)
    assert [s.at_s for s in watch.samples] == [10.0 + n * DISK_PERIOD_S for n in range(4)]
    assert {(s.target, s.used_bytes, s.size_bytes) for s in watch.samples} == {
        ("/", guest.disk.used_bytes, guest.disk.size_bytes)
    }


def test_a_clone_that_is_away_costs_samples_and_nothing_else() -> None:
    """A reboot leaves a hole in the samples, not an error."""
    clock = FakeClock()
    guest = FakeGuest(clock, files={"/proc/mounts": b"/dev/vda1 / ext4 rw 0 0\n"})
    watch = DiskWatch(guest, clock, origin_s=0.0)
    guest.lost = True
    watch.sample()
    guest.lost = False
    clock.sleep(DISK_PERIOD_S)
    watch.sample()
    assert [s.at_s for s in watch.samples] == [5.0]
