"""The order of the stages, written once.

A command opens a `Bench` (the ports, wired), asks it for one thing and closes it.
"""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from forerun.errors import ForerunError
from forerun.events import Fan, Notice, PhaseFinished, PhaseStarted, Sink
from forerun.model.observation import (
    RunRecord,
)
from forerun.model.survey import CleanSurvey
from forerun.pipeline_bench import Bench
from forerun.pipeline_run import RehearsalRequest, RehearsalRun
from forerun.ports.ssh import SshTarget, connect
from forerun.ports.store import PART, Store, dump_record, make_id, write_durably
from forerun.stages.design import list_allowed
from forerun.stages.leakscan import check_no_leak
from forerun.stages.sanitise_vault import Vault
from forerun.stages.survey import open_production, take_survey

RunSink = Callable[[Path], Sink]
DrawReports = Callable[[RunRecord, Path], None]


def survey_production(target: SshTarget, bench: Bench, sink: Sink) -> CleanSurvey:
    """Read production, sanitise in memory, store the result, prove that it leaks nothing."""
    clock = bench.clock
    began = clock.monotonic()
    sink.emit(PhaseStarted(0.0, "survey", f"{target.user}@{target.host}"))
    vault = Vault()
    survey_id = make_id("survey", clock.now())
    link = connect(target)
    try:
        production, distro = open_production(link, clock=clock)
        with bench.store.new_folder(bench.store.surveys, survey_id) as folder:
            with (folder / "copy.tar").open("wb") as out:
                (folder / "copy.tar").chmod(0o600)
                survey = take_survey(
                    production,
                    distro=distro,
                    clock=clock,
                    host=target.host,
                    survey_id=survey_id,
                    copy_to=out,
                    vault=vault,
                    sink=sink,
                )
            write_durably(folder / "survey.json", dump_record(survey))
            kept_hosts = [archive.host for archive in list_allowed(survey.sources)]
            searched = check_no_leak(vault, [folder], allowed=kept_hosts)
    finally:
        link.close()
    took = clock.monotonic() - began
    sink.emit(
        PhaseFinished(
            took,
            "survey",
            took,
            f"{len(survey.packages)} packages, {len(survey.entries)} files, "
            f"{len(survey.replacements)} replacements, {searched} patterns searched, no leak",
        )
    )
    return survey


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """A finished rehearsal: its record, its folder, how a kept clone is reached, and the
    bytes that were fetched from outside this lab host for it."""

    record: RunRecord
    folder: Path
    reach_hint: str
    outside_bytes: int


def rehearse(
    request: RehearsalRequest, bench: Bench, sink: Sink, *, run_sink: RunSink, draw: DrawReports
) -> Rehearsed:
    """Run a rehearsal and store its record, also when it was cut short.

    `run_sink` opens the sink that writes into the run's folder; `draw` writes the
    reports there. Raises what stopped the run, after the record is stored.
    """
    run = RehearsalRun(request, bench, sink)
    ledger = bench.store.ledger
    aside = bench.store.runs / f"{run.id}{PART}"
    entry = ledger.note(f"record-{run.id}", "folder", str(aside))
    aside.mkdir(mode=0o700)
    own_sink = run_sink(aside)
    run.sink = Fan(sink, own_sink)
    failure: BaseException | None = None
    try:
        run.run(aside)
    except BaseException as problem:
        failure = problem
    finally:
        own_sink.close()
    if failure is not None and run.template is None and not run.observed.steps:
        shutil.rmtree(aside, ignore_errors=True)  # nothing was rehearsed: no record
        ledger.strike(entry)
        raise failure
    record = run.record(failure)
    write_durably(aside / "record.json", dump_record(record))
    draw(record, aside)
    final = bench.store.runs / run.id
    bench.store.publish(aside, final)
    ledger.strike(entry)
    if failure is not None:
        sink.emit(Notice(bench.clock.monotonic() - run.origin_s, "note", f"record kept: {run.id}"))
        raise failure
    return Rehearsed(record, final, run.reach_hint, run.outside_bytes)


def find_comparable(store: Store, record: RunRecord) -> tuple[RunRecord, ...]:
    """Earlier runs of the same host, profile, site, lab and clone size."""
    found: list[RunRecord] = []
    for run_id in store.find_runs():
        if run_id == record.id:
            continue
        with contextlib.suppress(ForerunError):  # a damaged old record compares with nothing
            other = store.load_run(run_id)
            if _circumstances(other) == _circumstances(record):
                found.append(other)
    return tuple(run for run in found if run.started_at < record.started_at)


def _circumstances(record: RunRecord) -> tuple[object, ...]:
    return (
        record.host,
        record.profile_digest,
        record.site_digest,
        record.lab.accelerator,
        record.clone_cpus,
        record.clone_memory_bytes,
        record.rate_limit_bits,
    )
