"""The order of the stages, written once.

A command opens a `Bench` (the ports, wired), asks it for one thing and closes it.
"""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from forerun.errors import ForerunError, LeakFound
from forerun.events import Fan, Notice, PhaseFinished, PhaseStarted, Sink
from forerun.model.observation import (
    RunRecord,
)
from forerun.model.plausible import mend_record
from forerun.model.survey import CleanSurvey
from forerun.pipeline_bench import Bench
from forerun.pipeline_leaks import check_files, list_kept_hosts, make_scanner
from forerun.pipeline_run import RehearsalRun
from forerun.pipeline_walk import RehearsalRequest
from forerun.ports.ssh import SshTarget, connect
from forerun.ports.store import PART, Store, dump_record, make_id, write_durably
from forerun.stages.custody import KEEP_DAYS, set_end
from forerun.stages.drift import Drift, compare_surveys, find_salt, is_stale
from forerun.stages.keep_map import MAP_NAME, read_owners, seal_map
from forerun.stages.leakscan import check_no_leak
from forerun.stages.sanitise_vault import Vault
from forerun.stages.survey import open_production, take_survey

RunSink = Callable[[Path], Sink]
DrawReports = Callable[[RunRecord, Path], None]


@dataclass(frozen=True, slots=True)
class SurveyRequest:
    """What to read and how. `vault` is filled with the originals, for those who look for
    them afterwards; `owner_certificate` (PEM) asks for the map of what stood for what,
    sealed for the owner; `calibrate` has the server do a fixed amount of work. The copy may
    be kept for `keep_days`."""

    target: SshTarget
    vault: Vault
    calibrate: bool = False
    owner_certificate: bytes = b""
    keep_days: int = KEEP_DAYS


def survey_production(request: SurveyRequest, bench: Bench, sink: Sink) -> CleanSurvey:
    """Read production, sanitise in memory, store the result, prove that it leaks nothing."""
    clock, target, vault = bench.clock, request.target, request.vault
    began = clock.monotonic()
    keep_until = set_end(clock.now(), request.keep_days)
    if request.owner_certificate:
        read_owners(request.owner_certificate)  # a bad one is told before anything is read
    sink.emit(PhaseStarted(0.0, "survey", f"{target.user}@{target.host}"))
    survey_id = make_id("survey", clock.now())
    origin = bench.store.mark_origin(f"{target.host}:{target.port}")
    earlier = bench.store.find_last_survey(origin)
    link = connect(target)
    try:
        production, distro = open_production(link, clock=clock, calibrate=request.calibrate)
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
                    calibrate=request.calibrate,
                    origin=origin,
                    salt=find_salt(earlier) if earlier else b"",
                )
            survey = mend_record(replace(survey, keep_until=keep_until), unknown=0)
            write_durably(folder / "survey.json", dump_record(survey))
            searched = check_no_leak(vault, [folder], allowed=list_kept_hosts(survey))
            if request.owner_certificate:
                sealed = seal_map(vault, request.owner_certificate)
                write_durably(folder / MAP_NAME, sealed)
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


def find_drift(store: Store, survey: CleanSurvey) -> Drift | None:
    """What changed on that server since the survey before this one; None for the first."""
    earlier = store.find_last_survey(survey.origin, before=survey.id)
    return compare_surveys(earlier, survey) if earlier else None


def find_stale_runs(store: Store, survey: CleanSurvey) -> tuple[tuple[RunRecord, Drift], ...]:
    """The rehearsals of that server which no longer hold, newest first, each with what
    changed since the survey it was made from."""
    stale: list[tuple[RunRecord, Drift]] = []
    for run_id in reversed(store.find_runs()):
        with contextlib.suppress(ForerunError):  # a damaged record or a removed survey
            run = store.load_run(run_id)
            old = store.load_survey(run.survey_id)
            if run.survey_id != survey.id and old.origin == survey.origin:
                drift = compare_surveys(old, survey)
                if is_stale(drift):
                    stale.append((run, drift))
    return tuple(stale)


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
    record = mend_record(run.record(failure), unknown=-1)
    write_durably(aside / "record.json", dump_record(record))
    draw(record, aside)
    try:
        if request.originals is not None:
            check_files(make_scanner(request.originals, request.survey, request.site), aside)
    except LeakFound:
        shutil.rmtree(aside, ignore_errors=True)
        ledger.strike(entry)
        raise
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
