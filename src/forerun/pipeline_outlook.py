"""What a report says beyond its run: forecast, the night by the clock, findings, decision.

All of it is derived anew from what is on record each time a report is drawn; what was told
of the forecast the first time is kept, to be compared with the night.
"""

from __future__ import annotations

import contextlib
import os
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from forerun.errors import ForerunError
from forerun.model.known_change import FindingSet
from forerun.model.observation import RunRecord
from forerun.model.profile import Procedure, Site
from forerun.model.survey import CleanSurvey
from forerun.model.window import WindowPlan
from forerun.pipeline import find_comparable, find_survey
from forerun.pipeline_estimate import find_speeds, foresee_runs, keep_told
from forerun.pipeline_findings import decide, find_findings
from forerun.ports.store import Store
from forerun.report.plain import strip_controls
from forerun.report.sections import Outlook, Transcript
from forerun.stages.decompose import decompose_run
from forerun.stages.drift import Drift, compare_surveys
from forerun.stages.forecast import Foreseen
from forerun.stages.window_plan import plan_window

TRANSCRIPT_NAME = "terminal.log"
_TRANSCRIPT_BYTES = 1 << 16
_TRANSCRIPT_LINES = 120


@dataclass(frozen=True, slots=True)
class Horizon:
    """For which night: `begins` puts the steps on the clock (with a zone or an offset; None
    leaves it open), `window_s` 0 takes the site file's length."""

    begins: datetime | None = None
    window_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Look:
    """An outlook, and the forecast's draws behind it."""

    outlook: Outlook
    foreseen: Foreseen

    def keep(self, store: Store, record: RunRecord, now: datetime) -> None:
        """Keep what is told of a published run, where nothing was before."""
        keep_told(store, record, self.foreseen, now)


def look_out(
    store: Store,
    record: RunRecord,
    procedure: Procedure | None,
    folder: Path,
    horizon: Horizon | None = None,
) -> Look:
    """Everything known of that run's night. `procedure` is what was run, where it is known;
    `folder` is the run's, finished or not. What can no longer be had (a survey whose time is
    over) is missing from it, and the report says so."""
    horizon = horizon or Horizon()
    survey = find_survey(store, record)
    site = procedure.site if procedure else Site()
    earlier = find_comparable(store, record)
    foreseen = foresee_runs(store, record, earlier, site, window_s=horizon.window_s)
    found = _find(store, survey, procedure, record)
    decision = None
    if found is not None:
        drift = _find_drift(store, survey) if survey else None
        decision = decide(
            found, record, earlier=earlier, drift=drift, chance_to_fit=foreseen.told.fits
        )
    outlook = Outlook(
        forecast=foreseen.told,
        plan=_plan(foreseen, procedure, horizon),
        findings=found.findings if found else None,
        overlooked=_list_overlooked(found),
        decision=decision,
        parts=decompose_run(record),
        production_speeds=find_speeds(store, survey),
        clone_speeds=record.speeds,
        transcript=read_transcript(folder),
    )
    return Look(outlook, foreseen)


def _list_overlooked(found: FindingSet | None) -> tuple[tuple[str, str], ...]:
    if found is None:
        return ()
    return tuple((one.title, "; ".join(one.why)) for one in found.not_known)


def _find(
    store: Store, survey: CleanSurvey | None, procedure: Procedure | None, record: RunRecord
) -> FindingSet | None:
    if survey is None or procedure is None:
        return None
    return find_findings(store, survey, procedure.profile, site=procedure.site, run=record)


def _find_drift(store: Store, survey: CleanSurvey) -> Drift | None:
    """What changed since, as far as a newer survey of the same server tells."""
    with contextlib.suppress(ForerunError):
        newest = store.find_last_survey(survey.origin) if survey.origin else None
        if newest is not None and newest.id > survey.id:
            return compare_surveys(survey, newest)
    return None


def _plan(foreseen: Foreseen, procedure: Procedure | None, horizon: Horizon) -> WindowPlan | None:
    if horizon.begins is None or foreseen.draws is None:
        return None
    profile = procedure.profile if procedure else None
    return plan_window(foreseen.told, foreseen.draws, profile, horizon.begins)


def read_transcript(folder: Path) -> Transcript | None:
    """The end of the run's terminal log; None where there is none."""
    path = folder / TRANSCRIPT_NAME
    if not path.is_file() or path.is_symlink():
        return None
    with path.open("rb") as stream:
        size = stream.seek(0, os.SEEK_END)
        stream.seek(max(size - _TRANSCRIPT_BYTES, 0))
        text = stream.read(_TRANSCRIPT_BYTES).decode("utf-8", "replace")
    lines = [line.rstrip() for line in strip_controls(text).split("\n")]
    kept = [line for line in lines if line][-_TRANSCRIPT_LINES:]
    if not kept:
        return None
    cut = size > _TRANSCRIPT_BYTES or len(kept) == _TRANSCRIPT_LINES
    return Transcript(TRANSCRIPT_NAME, tuple(kept), cut)
