"""What a survey and a rehearsal say about one server: findings, each once. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from forerun.distro.registry import DISTROS
from forerun.model.finding import BY_HAND, Cared, Finding, Severity, Witness
from forerun.model.known_change import (
    AllOf,
    AnyOf,
    FileHas,
    FindingSet,
    InterfaceIs,
    KnownChange,
    KnownChanges,
    Not,
    NotKnown,
    Test,
)
from forerun.model.observation import RunRecord, StepEnd
from forerun.model.profile import Profile
from forerun.model.survey import CleanSurvey
from forerun.stages.findings_facts import (
    Answer,
    Clue,
    Facts,
    Holds,
    join_all,
    join_any,
    matches_any,
    turn,
)
from forerun.stages.findings_run import RUN_ASKS
from forerun.stages.findings_scene import Scene
from forerun.stages.findings_seen import tell_seen
from forerun.stages.findings_tests import SURVEY_ASKS

ORDER = tuple(Severity)
_ASKS = {**SURVEY_ASKS, **RUN_ASKS}


@dataclass(frozen=True, slots=True)
class Matter:
    """What findings are made of. `files` are those of the sanitised copy that
    `list_asked_files` names, None where the copy is gone; `run` is None before the first
    rehearsal."""

    survey: CleanSurvey
    files: Mapping[str, bytes] | None
    known: KnownChanges
    profile: Profile
    run: RunRecord | None = None
    cared: Sequence[Cared] = field(default=())


def list_asked_files(survey: CleanSurvey, known: KnownChanges) -> tuple[str, ...]:
    """The files of the copy that some test looks into."""
    globs: set[str] = set()
    for change in known.changes:
        for test in (change.survey, change.rehearsal):
            globs |= _list_globs(test) if test is not None else set()
    return tuple(e.path for e in survey.entries if e.kind == "file" and matches_any(globs, e.path))


def _list_globs(test: Test) -> set[str]:
    if isinstance(test, AllOf | AnyOf):
        return set().union(*(_list_globs(one) for one in test.tests))
    if isinstance(test, Not):
        return _list_globs(test.test)
    if isinstance(test, FileHas):
        return set(test.paths) if test.line_like else set()
    return set(test.used_in) if isinstance(test, InterfaceIs) else set()


def ask(test: Test, facts: Facts) -> Answer:
    """The answer to a test."""
    if isinstance(test, AllOf):
        return join_all([ask(one, facts) for one in test.tests])
    if isinstance(test, AnyOf):
        return join_any([ask(one, facts) for one in test.tests])
    if isinstance(test, Not):
        return turn(ask(test.test, facts))
    return _ASKS[type(test)](test, facts)


def find_findings(matter: Matter) -> FindingSet:
    """All findings, the gravest first, and the known changes of which nobody can say
    whether they concern this server."""
    facts = _gather(matter)
    found: list[Finding] = []
    unknown: list[NotKnown] = []
    marks: set[str] = set()
    for change in matter.known.changes:
        surveyed, rehearsed = _ask_both(change, facts)
        if Holds.YES in (surveyed.holds, rehearsed.holds):
            found.append(_tell(change, surveyed, rehearsed, matter))
            marks |= {clue.mark for clue in rehearsed.clues if clue.mark}
        elif Holds.NOT_KNOWN in (surveyed.holds, rehearsed.holds):
            why = tuple(dict.fromkeys((*surveyed.why, *rehearsed.why)))
            unknown.append(NotKnown(change.name, change.severity, change.title, why, change.advice))
    if matter.run is not None:
        scene = Scene(matter.survey, matter.run, marks, matter.known.renamed_units)
        found += tell_seen(scene)
    merged = [_care(one, matter.cared) for one in merge_findings(found)]
    asked = [_answer(one, matter.cared) for one in unknown]
    return FindingSet(order_findings(merged), _order(asked))


def _gather(matter: Matter) -> Facts:
    survey = matter.survey
    distro = DISTROS[survey.release.family]
    files = None
    if matter.files is not None:
        files = {path: text.decode("utf-8", "replace") for path, text in matter.files.items()}
    return Facts(
        survey,
        files,
        distro.compare_versions,
        distro.scope().roots,
        matter.run,
        {row.path: row.reason for row in survey.not_readable},
    )


def _ask_both(change: KnownChange, facts: Facts) -> tuple[Answer, Answer]:
    """The survey's answer and the rehearsal's; without a run there is nothing to ask it, and
    that alone makes no change one that is not known: the survey was asked."""
    nothing = Answer(Holds.NO)
    surveyed = ask(change.survey, facts) if change.survey is not None else nothing
    if change.rehearsal is None or (facts.run is None and change.survey is not None):
        return surveyed, nothing
    return surveyed, ask(change.rehearsal, facts)


def _tell(change: KnownChange, surveyed: Answer, rehearsed: Answer, matter: Matter) -> Finding:
    seen = (surveyed.holds is Holds.YES, rehearsed.holds is Holds.YES)
    witness = {
        (True, True): Witness.BOTH,
        (True, False): Witness.SURVEY,
        (False, True): Witness.REHEARSAL,
    }[seen]
    clues: Iterable[Clue] = (*surveyed.clues, *rehearsed.clues)
    lines = tuple(dict.fromkeys(clue.line for clue in clues))
    return Finding(
        change.name,
        change.severity,
        change.title,
        change.about,
        lines,
        f"{change.changes} {change.advice}",
        change.source,
        witness,
        _settle(change, matter, met=rehearsed.holds is Holds.YES),
    )


def _settle(change: KnownChange, matter: Matter, *, met: bool) -> str:
    """The step that takes care of it. What the rehearsal met all the same is not taken care
    of, nor is what a step should have done that did not end well."""
    step = next((s for s in matter.profile.steps if s.name == change.settled_by), None)
    if step is None or met:
        return ""
    said = f"step {step.name}: {step.title}"
    if matter.run is None:
        return f"{said} (not rehearsed yet)"
    ends = [record.end for record in matter.run.steps if record.name == step.name]
    return said if ends and ends[-1] is StepEnd.DONE else ""


def _care(finding: Finding, cared: Sequence[Cared]) -> Finding:
    for one in cared:
        if one.name == finding.name and one.subject in ("", finding.subject):
            settled = finding.settled or f"{BY_HAND}{one.does} ({one.by})"
            return replace(finding, settled=settled)
    return finding


def _answer(unknown: NotKnown, cared: Sequence[Cared]) -> NotKnown:
    for one in cared:
        if one.name == unknown.name:
            return replace(unknown, answered=f"{one.does} ({one.by})")
    return unknown


def merge_findings(found: Iterable[Finding]) -> tuple[Finding, ...]:
    """The same name and subject once: evidence joined, the graver severity, and both
    witnesses. It is settled only where each of them is."""
    merged: dict[tuple[str, str], Finding] = {}
    for one in found:
        key = (one.name, one.subject)
        if key not in merged:
            merged[key] = one
            continue
        first = merged[key]
        graver = min(first, one, key=lambda f: ORDER.index(f.severity))
        merged[key] = replace(
            graver,
            evidence=tuple(dict.fromkeys((*first.evidence, *one.evidence))),
            witness=first.witness if first.witness is one.witness else Witness.BOTH,
            settled=first.settled if first.settled and one.settled else "",
        )
    return tuple(merged.values())


def order_findings(found: Iterable[Finding]) -> tuple[Finding, ...]:
    """The gravest first; what nothing takes care of before what is settled."""
    return tuple(
        sorted(
            found,
            key=lambda f: (ORDER.index(f.severity), bool(f.settled), f.name, f.subject),
        )
    )


def _order(unknown: Iterable[NotKnown]) -> tuple[NotKnown, ...]:
    return tuple(sorted(unknown, key=lambda one: (ORDER.index(one.severity), one.name)))
