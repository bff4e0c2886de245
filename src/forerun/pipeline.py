"""The order of the stages, written once.

A command opens a `Bench` (the ports, wired), asks it for one thing and closes it.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from forerun.errors import ForerunError
from forerun.events import Fan, Notice, PhaseFinished, PhaseStarted, Sink
from forerun.model.observation import (
    RunRecord,
)
from forerun.model.plausible import mend_record
from forerun.model.profile import Procedure
from forerun.model.survey import CleanSurvey
from forerun.pipeline_bench import Bench
from forerun.pipeline_leaks import check_files, list_kept_hosts
from forerun.pipeline_request import RehearsalRequest, drop_cut_short, write_request
from forerun.pipeline_run import RehearsalRun
from forerun.ports.records import dump_record
from forerun.ports.ssh import SshTarget, connect
from forerun.ports.store import PROCEDURE_NAME, REQUEST_NAME, Store, reporting_room, write_durably
from forerun.profiles import find_known_changes
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
    survey_id = bench.store.draw_id("survey", clock.now(), bench.store.surveys)
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
    find_known_changes(request.profile)  # its mistakes are told now, not after hours of work
    run = RehearsalRun(request, bench, sink)
    store = bench.store
    with store.new_folder(store.runs, run.id, run=f"record-{run.id}") as aside:
        asked = write_request(request, run.id, run.started_at, store)
        write_durably(aside / REQUEST_NAME, dump_record(asked))
        procedure = Procedure(request.profile, request.site)
        write_durably(aside / PROCEDURE_NAME, dump_record(procedure))
        failure = _attempt(run, aside, run_sink(aside))
        if failure is not None and run.template is None and not run.observed.steps:
            raise failure  # nothing was rehearsed: no record
        record = mend_record(run.record(failure), unknown=-1)
        write_durably(aside / "record.json", dump_record(record))
        undrawn = _draw(draw, record, aside)
        if request.originals is not None:
            check_files(request.make_scanner(request.originals), aside)
    drop_cut_short(store, request.again_from)
    problem = failure or undrawn
    if problem is not None:
        sink.emit(Notice(bench.clock.monotonic() - run.origin_s, "note", f"record kept: {run.id}"))
        raise problem
    return Rehearsed(record, store.runs / run.id, run.reach_hint, run.outside_bytes)


def _draw(draw: DrawReports, record: RunRecord, folder: Path) -> Exception | None:
    """Draw the reports, all or none: the record is worth more, and they can be drawn again."""
    before = set(folder.iterdir())
    try:
        with reporting_room(folder):
            draw(record, folder)
    except Exception as problem:  # told once the record is in its place
        for half in set(folder.iterdir()) - before:
            half.unlink()
        return problem
    return None


def _attempt(run: RehearsalRun, folder: Path, own_sink: Sink) -> BaseException | None:
    """Rehearse; returns what cut it short."""
    run.sink = Fan(run.sink, own_sink)
    try:
        with reporting_room(folder):
            run.run(folder)
    except BaseException as problem:
        return problem
    finally:
        own_sink.close()
    return None


def find_survey(store: Store, run: RunRecord) -> CleanSurvey | None:
    """The survey a run was made from; None where it is gone or damaged."""
    with contextlib.suppress(ForerunError):  # its time is over, or it was altered
        return store.load_survey(run.survey_id)
    return None


def find_server(store: Store, run: RunRecord) -> str:
    """One server is named by another stand-in in each survey; its mark is the same."""
    survey = find_survey(store, run)
    return survey.origin if survey and survey.origin else run.host


def find_comparable(store: Store, record: RunRecord) -> tuple[RunRecord, ...]:
    """Earlier runs of the same server, profile, site, lab and clone size. Earlier is what has
    an earlier id: the wall clock may have been set back between two runs."""
    found: list[RunRecord] = []
    server = find_server(store, record)
    for run_id in store.find_runs():
        if run_id >= record.id:
            break
        with contextlib.suppress(ForerunError):  # a damaged old record compares with nothing
            other = store.load_run(run_id)
            alike = _circumstances(other) == _circumstances(record)
            if alike and find_server(store, other) == server:
                found.append(other)
    return tuple(found)


def _circumstances(record: RunRecord) -> tuple[object, ...]:
    return (
        record.profile_digest,
        record.site_digest,
        record.lab.accelerator,
        record.clone_cpus,
        record.clone_memory_bytes,
        record.rate_limit_bits,
    )
