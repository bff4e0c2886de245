"""From stored records to what a forecast is made from. Pure: the one place that knows where
in the records each input lies."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from forerun.distro.debian_data import DATA_KEEPERS
from forerun.errors import NotComparable
from forerun.model.counters import Part, PartTime, StepParts
from forerun.model.observation import Outcome, RebootSplit, RunRecord, StepEnd, StepRecord
from forerun.model.profile import Action, Site
from forerun.model.speed import SpeedReading
from forerun.model.survey import CleanSurvey
from forerun.model.system import Boot, DataStore, SystemFacts
from forerun.stages.forecast_inputs import (
    VIRTUAL_FIRMWARE,
    ForecastInputs,
    LaidOut,
    OutageInput,
    Priors,
    RunInput,
    Span,
    StepInput,
    Stretch,
    Watched,
    WayBack,
)

_FIRMWARE_WORDS = ("firmware", "loader")
_KERNEL_WORDS = ("kernel", "initrd")
_LEAST_FIRMWARE_S = 1.0
# Rows of the fidelity statement that touch how long an upgrade takes; processor, storage
# and line are inputs of their own.
_TIMING_GAPS = (
    "missing disks, ids and labels",
    "layered root",
    "third-party and local packages",
    "steps that grow with data",
    "kernel drivers and modules",
    "name service, directory, shares and proxy",
    "load and caches",
    "users' data and permissions",
)
_BUSY = 0.10
# As long as the firmware of a large machine may take (`forecast_inputs.py`).
_LONGEST_RESTART_S = 900.0
# Less than this is objected to, and does not forbid a figure. Ours.
_MUCH_BYTES = 1_000_000_000
_NO_SITE = Site()


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """A stored run, its steps' time by what it was spent on (`parts`, by step), and what
    speed was read on its clone."""

    record: RunRecord
    parts: tuple[StepParts, ...]
    speeds: tuple[SpeedReading, ...] = ()


@dataclass(frozen=True, slots=True)
class Production:
    """What is known of production: the run's survey, None where there is none, the speeds
    read on it, and the site file's window and services."""

    survey: CleanSurvey | None = None
    speeds: tuple[SpeedReading, ...] = ()
    site: Site = _NO_SITE


def gather_inputs(
    rehearsed: Sequence[Rehearsed], production: Production, *, failed: int = 0
) -> ForecastInputs:
    """The inputs of completed, comparable runs, the one asked for last. A newest run that
    did not complete is refused: its window has no end."""
    newest = rehearsed[-1].record
    refused = ""
    if newest.outcome is not Outcome.COMPLETED:
        refused = (
            f"The rehearsal {newest.id} {newest.outcome.value}"
            f"{f' ({newest.why})' if newest.why else ''}: a window cut short tells no length. "
            "Mend what stopped it and rehearse again."
        )
    facts = production.survey.system if production.survey else SystemFacts()
    # Every hypervisor of today sets this flag of cpuid for its guests.
    virtual = "hypervisor" in facts.processor.flags
    return ForecastInputs(
        runs=tuple(_take_run(one) for one in rehearsed),
        emulated=newest.lab.accelerator == "emulation",
        production=production.speeds,
        firmware_s=tuple(_list_firmware(facts.boots, _find_restart(newest))),
        watched=tuple(Watched(one.name, one.tolerable_s) for one in production.site.services),
        window_s=production.site.window_s,
        priors=replace(Priors(), firmware=VIRTUAL_FIRMWARE) if virtual else Priors(),
        failed=failed,
        refused=refused,
        cpus=production.survey.machine.cpus if production.survey else 0,
        unscaled=_find_unscaled(production.survey),
        objections=(*_find_objections(newest), *_find_data(production.survey)),
    )


def _find_data(survey: CleanSurvey | None) -> Iterator[str]:
    """Packages whose upgrade works through their data: the clone has none of it."""
    if survey is None:
        yield "The run's survey is gone: production's own boots and packages are not known here."
        return
    installed = _list_installed(survey)
    found = [
        name for keeper in DATA_KEEPERS if keeper.path for name in keeper.list_packages(installed)
    ]
    if found:
        yield (
            f"{', '.join(found)}: production's data{_say_sizes(survey.system.data)} is not on the "
            "clone, so what the upgrade does with it is not in these times. Rehearse with as much, "
            "or say --if data=STEP:4x."
        )


def _list_installed(survey: CleanSurvey) -> tuple[str, ...]:
    return tuple(one.name for one in survey.packages if one.state.startswith(("i", "h")))


def _say_sizes(stores: Sequence[DataStore]) -> str:
    told = ", ".join(f"{one.size_bytes / 1e9:.1f} GB in {one.path}" for one in stores)
    return f" ({told})" if told else ""


def _find_unscaled(survey: CleanSurvey | None) -> str:
    """Why much data makes a figure of this rehearsal worthless; "" where there is none, or a
    little, which is only objected to."""
    if survey is None:
        return ""
    large = [one for one in survey.system.data if one.size_bytes >= _MUCH_BYTES]
    found = [
        (name, one)
        for keeper in DATA_KEEPERS
        for one in large
        if keeper.converts and one.path == keeper.path
        for name in keeper.list_packages(_list_installed(survey))
    ]
    if not found:
        return ""
    packages = ", ".join(dict.fromkeys(name for name, _ in found))
    stores = tuple(dict.fromkeys(one for _, one in found))
    return (
        f"{packages} may go through all of its data{_say_sizes(stores)} when its version changes, "
        "and the clone had none of it: from nothing no time can be scaled. Rehearse with as much, "
        "or say how many times longer the step takes: --if data=STEP:4x, or 1x if it does not "
        "touch them."
    )


def _list_firmware(boots: Sequence[Boot], on_clone: RebootSplit | None) -> Iterator[float]:
    """What firmware and loader took: as the service manager tells it or, where it does not
    (a BIOS tells it nothing), of what lay between a journal's last entry and the next one's
    first. That is also the old system's last moments and the new one's start up to its
    journal, which stand in other parts of a restart: as on the clone, where all is measured,
    by both kernels' own times. A longer gap was no restart."""
    told = False
    for boot in boots:
        seconds = [value for name, value in boot.seconds if name in _FIRMWARE_WORDS]
        if seconds:
            told = True
            yield sum(seconds)
    if told:
        return
    kernel_s = sum(
        value for boot in boots[-1:] for name, value in boot.seconds if name in _KERNEL_WORDS
    )
    beside_s = kernel_s
    if on_clone is not None and on_clone.journal_gap_s > 0 and on_clone.kernel_s > 0 < kernel_s:
        rest_s = on_clone.journal_gap_s - on_clone.loader_s - on_clone.kernel_s
        beside_s += max(0.0, rest_s) * kernel_s / on_clone.kernel_s
    for before, after in pairwise(boots):
        gap_s = after.measure_gap(before)
        if 0 < gap_s <= _LONGEST_RESTART_S:
            # Both instants are whole seconds.
            yield max(_LEAST_FIRMWARE_S, gap_s - beside_s)


def _find_restart(run: RunRecord) -> RebootSplit | None:
    return run.reboots[-1] if run.reboots else None


def _take_run(rehearsed: Rehearsed) -> RunInput:
    record = rehearsed.record
    parts = {one.step: one.parts for one in rehearsed.parts}
    return RunInput(
        record.id,
        tuple(_take_steps(record, parts)),
        tuple(
            OutageInput(one.service, Span(one.start_s, max(one.start_s, one.end_s)), one.ended)
            for one in record.outages
        ),
        tuple(
            WayBack(one.way, one.title, one.from_step, one.parts)
            for one in record.back_outs
            if not one.why and one.parts
        ),
        record.faults,
        rehearsed.speeds,
        record.clone_cpus,
    )


def _take_steps(record: RunRecord, parts: dict[str, tuple[PartTime, ...]]) -> Iterator[StepInput]:
    ended: float | None = None
    for step in record.steps:
        if step.end is StepEnd.SKIPPED:
            continue
        own = tuple(_complete(parts.get(step.name, ()), step))
        pause_s = 0.0 if ended is None else max(0.0, step.started_s - ended)
        ended = step.started_s + step.wall_s
        prompts = [
            one for one in record.prompts if one.step == step.name and one.answered_by != "nobody"
        ]
        yield StepInput(
            name=step.name,
            title=step.title,
            stage=step.stage,
            span=Span(step.started_s, ended),
            parts=own,
            laid_out=tuple(_lay_out(record, step, own)),
            pause_s=pause_s,
            prompts=len(prompts),
            reads=max(0, step.counters.reads) if step.counters else 0,
            flushes=max(0, step.counters.flushes) if step.counters else 0,
            handling_s=_find_handling(step, own),
            restart=step.action == Action.REBOOT.value,
            crowded=_find_crowded(step),
        )


def _find_crowded(step: StepRecord) -> float:
    """Of the processors' busy time the share in which a task that could have run waited for one
    ("some" of pressure/cpu, Documentation/accounting/psi.rst): with more processors it may run
    then. 0 where that was not counted."""
    counters = step.counters
    if counters is None or min(counters.user_s, counters.system_s, counters.cpu_some_s) < 0:
        return 0.0
    busy_s = counters.user_s + counters.system_s
    return min(1.0, counters.cpu_some_s / busy_s) if busy_s > 0 else 0.0


def _find_handling(step: StepRecord, parts: Sequence[PartTime]) -> float:
    """Seconds of the step's computing that ran while it fetched: what the gateway's clock
    says, less what nothing else was done in."""
    fetching_s = step.counters.fetching_s if step.counters else -1.0
    alone = sum(part.seconds for part in parts if part.part is Part.DOWNLOAD)
    computing = sum(part.seconds for part in parts if part.part is Part.COMPUTE)
    return max(0.0, min(fetching_s - alone, computing))


def count_fetched(step: StepRecord) -> int:
    """Bytes that the step had to fetch, packages and indexes; -1 where it is not on record."""
    download = step.download
    if download is None:
        return -1
    found = (download.fetched_bytes, download.gateway_bytes, download.planned_bytes)
    packages = next((count for count in found if count >= 0), -1)
    return packages if packages < 0 else packages + max(0, download.index_bytes)


def _complete(parts: Sequence[PartTime], step: StepRecord) -> Iterator[PartTime]:
    """The parts with the amounts that production's own line and firmware are asked for,
    also where the lab's share of the step's time could not be told apart."""
    size = float(count_fetched(step))
    for part in parts:
        is_download = part.part is Part.DOWNLOAD and part.amount < 0
        yield replace(part, amount=size, unit="bytes") if is_download else part
    kinds = {part.part for part in parts}
    if size > 0 and Part.DOWNLOAD not in kinds:
        yield PartTime(Part.DOWNLOAD, 0.0, size, "bytes", "its time in the lab is in other parts")
    if step.action == Action.REBOOT.value and Part.FIRMWARE not in kinds:
        yield PartTime(Part.FIRMWARE, 0.0, how="its time in the lab is in other parts")


def _lay_out(record: RunRecord, step: StepRecord, parts: Sequence[PartTime]) -> Iterator[LaidOut]:
    fetching = sum(part.seconds for part in parts if part.part is Part.DOWNLOAD)
    fetching += _find_handling(step, parts)
    if fetching > 0:  # a package manager fetches all before it unpacks anything
        yield LaidOut(Stretch.DOWNLOAD, Span(step.started_s, step.started_s + fetching))
    for prompt in record.prompts:
        if prompt.step == step.name and prompt.waited_s > 0:
            yield LaidOut(Stretch.PEOPLE, Span(prompt.at_s, prompt.at_s + prompt.waited_s))
    for reboot in record.reboots:
        if _lies_in(reboot.requested_s, step) and reboot.down_s >= 0 and reboot.loader_s > 0:
            began = reboot.requested_s + reboot.down_s
            yield LaidOut(Stretch.FIRMWARE, Span(began, began + reboot.loader_s))


def _find_objections(record: RunRecord) -> Iterator[str]:
    overran = [s.title or s.name for s in record.steps if s.end is StepEnd.OVERRAN]
    if overran:
        yield f"Overran the time allowed: {', '.join(overran)}. The true length is not known."
    bad = [s.title or s.name for s in record.steps if s.end is StepEnd.FAILED]
    if bad:
        yield f"Ended badly and was gone on from: {', '.join(bad)}. It may take longer when mended."
    busy = [
        step.title or step.name
        for step in record.steps
        if step.load and max(step.load.steal, step.load.psi_cpu) > _BUSY
    ]
    if busy:
        yield (
            f"Busy lab host during {', '.join(busy)}: the time measured there is longer than on a "
            "quiet one."
        )
    gaps = [
        row for row in record.fidelity if row.state != "matched" and row.subject in _TIMING_GAPS
    ]
    for row in gaps:
        yield f"The clone differs in what takes time: {row.subject} ({row.state}). {row.note}"
    if not record.fidelity:
        yield "No fidelity statement was recorded: how far the clone matched is not known."


# What must be the same for two rehearsals to be one series.
_CIRCUMSTANCES = (
    ("profile", lambda run: run.profile_digest[:16]),
    ("site file", lambda run: run.site_digest[:16]),
    ("accelerator", lambda run: run.lab.accelerator),
    ("processors of the clone", lambda run: str(run.clone_cpus)),
    ("memory of the clone", lambda run: str(run.clone_memory_bytes)),
    ("release before", lambda run: run.release_before),
    ("release after", lambda run: run.release_after),
    ("limit of the line", lambda run: str(run.rate_limit_bits)),
)


def find_differences(first: RunRecord, other: RunRecord) -> tuple[tuple[str, str, str], ...]:
    """(circumstance, then, now) of everything that keeps two runs from being one series."""
    return tuple(
        (name, find(first) or "none", find(other) or "none")
        for name, find in _CIRCUMSTANCES
        if find(first) != find(other)
    )


def check_comparable(records: Sequence[tuple[RunRecord, str]]) -> None:
    """Each is (run, mark of its server). Raises NotComparable with everything that differs
    between the first and another: figures of unlike things have no common spread."""
    first, first_server = records[0]
    differs: list[tuple[str, str, str]] = []
    for other, server in records[1:]:
        if server != first_server:
            differs.append((f"server of {other.id}", first.host, other.host))
        differs += [
            (f"{name} of {other.id}", then, now)
            for name, then, now in find_differences(first, other)
        ]
    if differs:
        raise NotComparable(
            "These rehearsals cannot be put together for one forecast.",
            where=first.id,
            wanted="; ".join(f"{name} {then}" for name, then, _ in differs),
            found="; ".join(f"{name} {now}" for name, _, now in differs),
            hint="Forecast from each alone, or rehearse again in the same way.",
        )


def _lies_in(at_s: float, step: StepRecord) -> bool:
    return step.started_s <= at_s <= step.started_s + step.wall_s
