"""From stored runs to a forecast, from a real night's logs to a score."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from forerun import __version__
from forerun.errors import ForerunError, NotFound, UsageError
from forerun.model.estimate import Actual, Prediction, Score, TrackRecord
from forerun.model.observation import Outcome, RunRecord
from forerun.model.profile import Site
from forerun.model.speed import SpeedReading
from forerun.model.survey import CleanSurvey
from forerun.pipeline import find_comparable, find_server, find_survey
from forerun.ports.beside import find_nights, load_beside, save_beside
from forerun.ports.store import Store
from forerun.profiles import load_site
from forerun.stages.actuals import Belongs, find_belonging, make_actual, sort_logs
from forerun.stages.decompose import decompose_run
from forerun.stages.forecast import DRAWS, SEED, Foreseen, foresee
from forerun.stages.forecast_gather import (
    Production,
    Rehearsed,
    check_comparable,
    find_differences,
    gather_inputs,
)
from forerun.stages.forecast_inputs import ForecastInputs
from forerun.stages.track_record import keep_track, list_told, score
from forerun.stages.what_if import apply_wishes

# Times as much memory as another survey saw is still the same machine's. Ours.
_SAME_MEMORY = 1.05


@dataclass(frozen=True, slots=True)
class EstimateRequest:
    """`runs` are ids or "last": one takes its comparable earlier runs along, several are
    put together as they are. `window_s` 0 leaves it to the site file."""

    runs: tuple[str, ...]
    wishes: tuple[str, ...] = ()
    window_s: float = 0.0
    site: Path | None = None
    seed: int = SEED
    draws: int = DRAWS


@dataclass(frozen=True, slots=True)
class Estimated:
    """A forecast with its draws. `first_told` when it was kept now, as what was told for
    the run; `told` is what was kept, now or earlier; `notes` are for the person asking."""

    record: RunRecord
    foreseen: Foreseen
    told: Prediction | None
    first_told: bool
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Entered:
    """A night that was entered: its figures, their scores where a forecast was told before,
    the transactions they are from, and the record of all nights with this one."""

    actual: Actual
    scores: tuple[Score, ...]
    past: TrackRecord
    belonging: tuple[Belongs, ...]
    notes: tuple[str, ...] = ()


def estimate(store: Store, request: EstimateRequest, now: datetime) -> Estimated:
    """The forecast of stored runs. The first one without any what-if is kept beside the run.

    Raises NotFound, RecordDamaged, UsageError, and NotComparable for runs of unlike things."""
    records, failed = _find_series(store, request.runs)
    newest = records[-1]
    notes: list[str] = []
    site = _find_site(store, newest, request.site, notes)
    foreseen = _foresee(store, records, failed, site, request)
    told, first = load_beside(store, Prediction, newest.id), False
    if not foreseen.told.wishes:
        told, first = keep_told(store, newest, foreseen, now)
    return Estimated(newest, foreseen, told, first, tuple(notes))


def foresee_runs(
    store: Store, newest: RunRecord, earlier: Sequence[RunRecord], site: Site, *, window_s: float
) -> Foreseen:
    """The forecast of a run, which need not be published yet, and of comparable earlier ones."""
    records, failed = _take_along(newest, earlier)
    request = EstimateRequest((newest.id,), window_s=window_s)
    return _foresee(store, records, failed, site, request)


def _take_along(newest: RunRecord, earlier: Sequence[RunRecord]) -> tuple[list[RunRecord], int]:
    alike = [run for run in earlier if not find_differences(newest, run)]
    good = [run for run in alike if run.outcome is Outcome.COMPLETED]
    return [*good, newest], len(alike) - len(good)


def _foresee(
    store: Store, records: Sequence[RunRecord], failed: int, site: Site, request: EstimateRequest
) -> Foreseen:
    inputs = _gather(store, records, failed, site)
    past = keep_track(find_nights(store, without=records[-1].id))
    own = request.window_s or inputs.window_s
    inputs = replace(inputs, window_s=own, widened=past.widened)
    inputs, wishes = apply_wishes(inputs, request.wishes)
    return foresee(
        inputs,
        wishes=wishes,
        past=past if past.of else None,
        seed=request.seed,
        draws=request.draws,
    )


def keep_told(
    store: Store, record: RunRecord, foreseen: Foreseen, now: datetime
) -> tuple[Prediction | None, bool]:
    """What was told first of a published run, and whether that was now."""
    told = load_beside(store, Prediction, record.id)
    if told is not None or foreseen.draws is None:
        return told, False
    stamp = now.strftime("%Y-%m-%dT%H:%M:%SZ")
    told = Prediction(record.id, stamp, tuple(list_told(foreseen.draws)), __version__)
    save_beside(store, told)
    return told, True


def _find_series(store: Store, names: Sequence[str]) -> tuple[list[RunRecord], int]:
    """The runs to forecast from, the one asked for last, and how many comparable ones did
    not complete: they count in the odds, so that only the good ones being kept deceives
    nobody."""
    if len(names) == 1:
        newest = store.load_run(names[0])
        return _take_along(newest, find_comparable(store, newest))
    records = sorted({run.id: run for run in map(store.load_run, names)}.values(), key=_by_id)
    check_comparable([(run, find_server(store, run)) for run in records])
    good = [run for run in records if run.outcome is Outcome.COMPLETED]
    if not good:
        return records[-1:], 0
    return good, len(records) - len(good)


def _by_id(run: RunRecord) -> str:
    return run.id


def _gather(store: Store, records: Sequence[RunRecord], failed: int, site: Site) -> ForecastInputs:
    survey = find_survey(store, records[-1])
    rehearsed = [Rehearsed(run, decompose_run(run), run.speeds) for run in records]
    speeds = find_speeds(store, survey)
    return gather_inputs(rehearsed, Production(survey, speeds, site), failed=failed)


def find_speeds(store: Store, survey: CleanSurvey | None) -> tuple[SpeedReading, ...]:
    """Production's speed on every occasion that timed it, newest first: by the run's own
    survey, and by all of the same server, before and after it, that found as many processors
    and as much memory. One timing tells a few seconds of a machine, several what it varies by."""
    if survey is None:
        return ()
    found = {survey.id: survey}
    for survey_id in store.find_surveys():
        with contextlib.suppress(ForerunError):
            other = store.load_survey(survey_id)
            if survey.origin and other.origin == survey.origin and _alike(other, survey):
                found[other.id] = other
    newest = sorted(found.values(), key=lambda one: one.taken_at, reverse=True)
    return tuple(one.system.speed for one in newest if one.system.speed is not None)


def _alike(one: CleanSurvey, other: CleanSurvey) -> bool:
    """What a kernel keeps of the memory for itself differs a little from one to the next."""
    ours, theirs = one.machine, other.machine
    memory = sorted((ours.memory_bytes, theirs.memory_bytes))
    return ours.cpus == theirs.cpus and memory[1] <= memory[0] * _SAME_MEMORY


def _find_site(store: Store, run: RunRecord, given: Path | None, notes: list[str]) -> Site:
    """The site file given, else the one that was kept with the run; without any there is no
    window and no tolerable outage."""
    if given is not None:
        return load_site(given)
    try:
        return store.load_procedure(run.id).site
    except NotFound as gone:
        notes.append(f"{gone} Without --site FILE no window is known.")
        return Site()


@dataclass(frozen=True, slots=True)
class Night:
    """What an operator brings: (name, text) of logs, when the window began and ended (both
    or neither), and a word."""

    logs: tuple[tuple[str, str], ...]
    began: datetime | None = None
    ended: datetime | None = None
    note: str = ""


def enter_actual(store: Store, run_id: str, night: Night, now: datetime) -> Entered:
    """Read a real night's logs, keep its figures beside the run, and score what was told.

    Raises NotFound, RecordDamaged, UsageError."""
    run = store.load_run(run_id)
    notes: list[str] = []
    belonging: tuple[Belongs, ...] = ()
    if night.logs:
        profile = store.load_procedure(run.id).profile
        belonging = find_belonging(run, profile, sort_logs(night.logs))
    actual = make_actual(
        run,
        belonging,
        [_name_source(name, text) for name, text in night.logs],
        entered_at=now.strftime("%Y-%m-%dT%H:%M:%SZ"),
        window_s=_measure_window(night),
        note=night.note,
    )
    save_beside(store, actual)
    told = load_beside(store, Prediction, run.id)
    if told is None:
        notes.append("No forecast was told for this run beforehand, so there is nothing to score.")
    scores = score(told, actual) if told else ()
    return Entered(actual, scores, keep_track(find_nights(store)), belonging, tuple(notes))


def _name_source(name: str, text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()[:16]
    return f"{Path(name).name} (SHA-256 of its text {digest})"


def _measure_window(night: Night) -> float:
    if night.began is None and night.ended is None:
        return -1.0
    if night.began is None or night.ended is None:
        raise UsageError(
            "A window has a begin and an end.",
            wanted="--window-began and --window-ended",
            found="one of them",
        )
    if (night.began.tzinfo is None) != (night.ended.tzinfo is None):
        raise UsageError("One of the two times has an offset, the other has none.")
    seconds = (night.ended - night.began).total_seconds()
    if seconds <= 0:
        raise UsageError("The window ended before it began.", found=f"{seconds:g} s")
    return seconds
