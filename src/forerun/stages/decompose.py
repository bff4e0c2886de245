"""What a step's time was spent on, from what was counted while it ran. Pure.

Rules, in this order; each takes no more than what the ones before left of the step, so that
the parts add up to its wall time exactly and none is negative. What a cap cut off ran beside
something else, or was counted by another clock; the part's `how` says so, in seconds.

1. People: what somebody was waited for.
2. Storage: the seconds in which every task that was not idle waited for it, so that no
   processor did anything ("full" of pressure/io, Documentation/accounting/psi.rst: "actual
   CPU cycles are going to waste"). Without it the flushes' time, as far as no processor was
   busy. It is cut by the hypervisor's request times: flushes wait for storage, reading and
   writing move bytes.
3. Processors: their busy seconds. On one, busy time and waiting never overlap. On several,
   seconds of all are added up in proc(5), and may exceed the wall: the programs of a procedure
   start one after another, so they are taken as one after another for as long as there is
   time left; only the surplus must have run side by side. (The least it can be is the sum by
   the number of processors; `how` tells it.)
   Of it, decompression is what was unpacked by the clone's own seconds for a megabyte;
   starting programs is what was started by its own seconds for one; the rest is computing.
4. Not explained: what the clone's clock did not see (it was stopped, or not booted yet) and
   what the lab host took from it ("steal").
5. Download: the gateway's seconds, as far as nothing else was going on. What overlaps with
   processors goes by the processors' speed, not by the link's.
6. Fixed waits: the rest of the idle time, when nobody was fetching and nobody was asked.
   Where storage or gateway were not counted, idle time may have been theirs: not explained.

A restart: firmware and loader stand still for the clone; its going down took its counters
with it and is not explained; the start is divided by the rules above.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from forerun.model.counters import Part, PartTime, StepCounters, StepParts
from forerun.model.observation import RebootSplit, RunRecord, StepRecord
from forerun.model.profile import Action
from forerun.model.speed import SpeedReading, Work
from forerun.stages.speed_levels import find_unit

_PREFERRED = ("xz", "zstd")  # as Debian packs its packages
_TOLD_S = 0.005  # less is the clocks' own coarseness


class _Rest:
    """What is left of a step's seconds; parts are taken off it."""

    def __init__(self, wall_s: float) -> None:
        self.left_s = max(0.0, wall_s)
        self.parts: list[PartTime] = []

    def take(
        self,
        part: Part,
        seconds: float,
        how: str,
        *,
        amount: float = -1.0,
        unit: str = "",
        most_s: float = math.inf,
    ) -> float:
        """Take a part, as far as there is time for it; what was cut off is told."""
        wanted = max(0.0, seconds)
        got = min(wanted, self.left_s, max(0.0, most_s))
        if wanted - got > _TOLD_S:
            how = f"{how}; {wanted - got:.2f} s more ran beside other parts"
        self.left_s -= got
        if got > 0 or amount > 0:
            self.parts.append(PartTime(part, got, amount, unit if amount >= 0 else "", how))
        return got


def decompose_run(run: RunRecord) -> tuple[StepParts, ...]:
    """The parts of every step of a run, by the clone's speed on all occasions that timed it.
    Of a run that counted nothing all is not explained."""
    return tuple(
        decompose_step(step, run.speeds, find_split(step, run.reboots)) for step in run.steps
    )


def find_split(step: StepRecord, reboots: Sequence[RebootSplit]) -> RebootSplit | None:
    """The cut of the restart that this step was; None for another step, or one whose restart
    was not seen to its end."""
    if step.action != Action.REBOOT.value:
        return None
    end = step.started_s + step.wall_s
    return next((one for one in reboots if step.started_s <= one.requested_s <= end), None)


def decompose_step(
    step: StepRecord, readings: Sequence[SpeedReading], split: RebootSplit | None = None
) -> StepParts:
    """One step's parts, by its own counters and the clone's speeds; `split` of its restart."""
    rest = _Rest(step.wall_s)
    wall_s = rest.left_s
    counters = step.counters
    if counters is None:
        rest.take(Part.UNEXPLAINED, wall_s, "nothing was counted in this step")
        return StepParts(step.name, wall_s, tuple(rest.parts))
    people_s = rest.take(Part.PEOPLE, counters.people_s, "somebody was waited for")
    if step.action == Action.REBOOT.value:
        _take_restart(rest, step, split)
        if not counters.since_boot:
            counters = _forget_clone(counters)
    span_s = rest.left_s + people_s
    _take_storage(rest, counters)
    _take_processors(rest, counters, readings)
    _take_unseen(rest, counters, span_s)
    _take_idle(rest, step, counters)
    return StepParts(step.name, wall_s, tuple(rest.parts))


def _forget_clone(counters: StepCounters) -> StepCounters:
    """Without the counters of the clone itself: they are of two boots, or of none."""
    return replace(
        counters, user_s=-1.0, system_s=-1.0, idle_s=-1.0, iowait_s=-1.0, steal_s=-1.0,
        processes=-1, io_some_s=-1.0, io_full_s=-1.0, cpu_some_s=-1.0, memory_full_s=-1.0,
    )  # fmt: skip


def _take_restart(rest: _Rest, step: StepRecord, split: RebootSplit | None) -> None:
    if split is None:
        rest.take(Part.UNEXPLAINED, rest.left_s, "the restart was not seen to its end")
        return
    rest.take(Part.FIRMWARE, split.loader_s, "from the end of the old system to the new kernel")
    down_s = max(0.0, split.down_s) + max(0.0, split.requested_s - step.started_s)
    rest.take(Part.UNEXPLAINED, down_s, "the old system went down, and its counters with it")


def _find_busy(counters: StepCounters) -> float:
    """Busy seconds of all processors; -1 where they are not known."""
    if counters.user_s < 0 or counters.system_s < 0:
        return -1.0
    return counters.user_s + counters.system_s


def _take_storage(rest: _Rest, counters: StepCounters) -> None:
    busy_s = _find_busy(counters)
    if counters.io_full_s >= 0:
        waited_s, how = counters.io_full_s, "all that was not idle waited (pressure/io, full)"
    elif counters.flush_s >= 0 and busy_s >= 0:
        waited_s = min(counters.flush_s, max(0.0, rest.left_s - busy_s))
        how = "the hypervisor's flushes while no processor was busy; no pressure was told"
    else:
        return
    flush_s = max(0.0, counters.flush_s)
    move_s = max(0.0, counters.read_s) + max(0.0, counters.write_s)
    share = move_s / (flush_s + move_s) if flush_s + move_s > 0 else 0.0
    moved = max(0, counters.read_bytes) + max(0, counters.written_bytes)
    rest.take(
        Part.SYNC,
        waited_s * (1 - share),
        how,
        amount=counters.flushes,
        unit="synchronous writes",
    )
    rest.take(
        Part.WRITE,
        waited_s * share,
        f"of {waited_s:.2f} s the share of reading and writing in the requests' time",
        amount=moved if share > 0 else -1,
        unit="bytes",
    )


def _take_processors(rest: _Rest, counters: StepCounters, readings: Sequence[SpeedReading]) -> None:
    busy_s = _find_busy(counters)
    if busy_s < 0:
        return
    left_s = budget_s = min(busy_s, rest.left_s)
    unpack_s, tool = find_unit(readings, Work.UNPACK, _PREFERRED)
    spawn_s, _ = find_unit(readings, Work.SPAWN)
    megabytes = max(0, counters.unpacked_bytes) / 1e6
    rows = (
        (Part.UNPACK, megabytes, unpack_s, counters.unpacked_bytes, "bytes", f"a MB by {tool}"),
        (
            Part.SPAWN,
            max(0, counters.processes),
            spawn_s,
            counters.processes,
            "processes",
            "a process",
        ),
    )
    for part, units, unit_s, amount, unit, what in rows:
        how = f"{unit_s:.6g} s for {what}" if unit_s >= 0 else "not timed on the clone: computing"
        left_s -= rest.take(
            part, units * max(0.0, unit_s), how, amount=amount, unit=unit, most_s=left_s
        )
    how = "the rest of the processors' time"
    if busy_s - budget_s > _TOLD_S:
        how += f"; {busy_s - budget_s:.2f} s of it ran beside other parts"
    if counters.cpus > 1:
        least = busy_s / counters.cpus
        how += f"; all {counters.cpus} side by side would have taken {least:.2f} s in all"
    rest.take(Part.COMPUTE, left_s, how)


def _take_unseen(rest: _Rest, counters: StepCounters, span_s: float) -> None:
    """What the clone's own clock has less than `span_s`, the step without its restart."""
    busy_s = _find_busy(counters)
    if busy_s < 0:
        rest.take(Part.UNEXPLAINED, rest.left_s, "the clone's processors were not counted")
        return
    waits = (counters.idle_s, counters.iowait_s, counters.steal_s)
    ticked_s = (busy_s + sum(max(0.0, one) for one in waits)) / max(1, counters.cpus)
    unseen_s = max(0.0, span_s - ticked_s)
    stolen_s = max(0.0, counters.steal_s)
    how = f"not seen by the clone {unseen_s:.2f} s, taken from it by the lab host {stolen_s:.2f} s"
    rest.take(Part.UNEXPLAINED, unseen_s + stolen_s, how)


def _take_idle(rest: _Rest, step: StepRecord, counters: StepCounters) -> None:
    if counters.fetching_s >= 0:
        served = step.download
        fetched = max(0, served.gateway_bytes) + max(0, served.index_bytes) if served else -1
        rest.take(
            Part.DOWNLOAD,
            counters.fetching_s,
            f"fetching took {counters.fetching_s:.2f} s; here while nothing else went on",
            amount=fetched,
            unit="bytes",
        )
        if counters.io_full_s >= 0 or counters.flush_s >= 0:
            rest.take(Part.FIXED, rest.left_s, "idle: nobody was fetching, nobody was asked")
    rest.take(Part.UNEXPLAINED, rest.left_s, "idle, and not counted whether storage or gateway")
