"""Findings and the decision: what is read for them, and the two pure stages behind it."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from dataclasses import replace

from forerun.errors import NotFound
from forerun.model.finding import Decision
from forerun.model.known_change import FindingSet
from forerun.model.observation import Outcome, RunRecord
from forerun.model.profile import Profile, Site
from forerun.model.survey import CleanSurvey
from forerun.ports.store import Store
from forerun.profiles import find_known_changes
from forerun.stages import decision, findings
from forerun.stages.copy_tar import read_files
from forerun.stages.custody import find_copy
from forerun.stages.drift import Drift

__all__ = ["decide", "find_findings", "list_hidden"]


def find_findings(
    store: Store,
    survey: CleanSurvey,
    profile: Profile,
    *,
    site: Site | None = None,
    run: RunRecord | None = None,
) -> FindingSet:
    """The findings on a surveyed server, with a rehearsal's record where there is one. A
    copy that is gone by now leaves the questions about its files open. Raises InvalidFile
    for known changes with mistakes, RecordDamaged for a damaged copy."""
    known = find_known_changes(profile)
    files = None
    with contextlib.suppress(NotFound):
        asked = findings.list_asked_files(survey, known)
        files = read_files(find_copy(store, survey.id), asked)
    cared = site.by_hand if site else ()
    return findings.find_findings(findings.Matter(survey, files, known, profile, run, cared))


def decide(
    found: FindingSet,
    run: RunRecord | None,
    *,
    earlier: Iterable[RunRecord] = (),
    drift: Drift | None = None,
    chance_to_fit: float | None = None,
    agreed_chance: float = decision.AGREED_CHANCE,
    essential: Iterable[str] | None = None,
) -> Decision:
    """The advice for one server. `earlier` are comparable runs; `drift` is what changed on
    production since the survey the run was made from."""
    outlook = decision.Outlook(
        found.findings,
        found.not_known,
        run,
        chance_to_fit=chance_to_fit,
        agreed_chance=agreed_chance,
        hidden=list_hidden(run) if run else (),
        drifted=_list_drifted(drift) if drift else (),
        completed_runs=sum(one.outcome is Outcome.COMPLETED for one in earlier)
        + (run is not None and run.outcome is Outcome.COMPLETED),
    )
    if essential is not None:
        outlook = replace(outlook, essential=frozenset(essential))
    return decision.decide(outlook)


def list_hidden(run: RunRecord) -> tuple[str, ...]:
    """Differences between clone and production that may hide something, each once."""
    rows = (
        f"{agreement.subject}, {row.name}: {row.hides}"
        for agreement in run.agreements
        for row in agreement.differences
        if row.hides and not row.explained
    )
    return tuple(dict.fromkeys(rows))


def _list_drifted(drift: Drift) -> tuple[str, ...]:
    return tuple(
        f"{row.subject} {row.name}: {row.before or 'nothing'} to {row.after or 'nothing'}"
        for row in drift.list_reasons()
    )
