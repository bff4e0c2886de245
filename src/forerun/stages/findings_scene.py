"""A finding that the rehearsal itself makes, and what it may be made of."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field

from forerun.model.finding import Finding, Severity, Witness
from forerun.model.observation import RunRecord
from forerun.model.survey import CleanSurvey
from forerun.stages.findings_facts import cut

MOST_LISTED = 30
ON_CLONE = "compared on the clone, before the upgrade and after it"


@dataclass(frozen=True, slots=True)
class Scene:
    """What may be told of: the survey, the run, what is explained, units' new names."""

    survey: CleanSurvey
    run: RunRecord
    marks: Collection[str] = ()
    renamed: Sequence[tuple[str, str]] = field(default=())


def make_seen(
    name: str,
    severity: Severity,
    title: str,
    subject: str,
    evidence: Iterable[str],
    *,
    advice: str,
    source: str = ON_CLONE,
) -> Finding:
    """A finding of the rehearsal; a difference keeps its lines, other evidence is one."""
    lines = tuple(cut(line) if "\n" not in line else line for line in evidence)
    return Finding(name, severity, title, subject, lines, advice, source, Witness.REHEARSAL)


def list_some(names: Sequence[str]) -> str:
    """Names for one line, cut."""
    more = len(names) - MOST_LISTED
    return ", ".join(names[:MOST_LISTED]) + (f" and {more} more" if more > 0 else "")
