"""Findings as they are drawn: those of the rules, and what the rehearsal itself saw."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from forerun.model.finding import Finding, Severity, Witness
from forerun.model.observation import RunRecord, Seen
from forerun.report.changes import order_findings
from forerun.report.markdown import escape, table
from forerun.report.sections import FoundLine, Outlook, Report

_ORDER = tuple(severity.value for severity in Severity)

NOTHING_FOUND = "Nothing that no check or rule had foreseen."
NOT_LOOKED_FOR = (
    "The path's known changes were not looked for on this server: what follows is only what the "
    "rehearsal itself saw."
)
NOT_SETTLED = "nothing in the procedure settles it"


def account_findings(run: RunRecord, findings: tuple[Finding, ...] | None) -> tuple[FoundLine, ...]:
    """The findings, then what the rehearsal saw and no finding repeats (which may hold it for
    graver, knowing what it means); the gravest first."""
    told = [_draw(one) for one in findings or ()]
    known = {one.title for one in told}
    told += [_draw_seen(seen) for seen in order_findings(run) if seen.title not in known]
    return tuple(sorted(told, key=_gravity))


def _gravity(line: FoundLine) -> tuple[int, bool]:
    known = line.severity in _ORDER
    return (_ORDER.index(line.severity) if known else len(_ORDER), bool(line.settled))


def _draw(one: Finding) -> FoundLine:
    return FoundLine(
        name=one.name,
        severity=one.severity.value,
        title=one.title,
        subject=one.subject,
        evidence=one.evidence,
        advice=one.advice,
        source=one.source,
        witness=one.witness.value,
        settled=one.settled,
    )


def _draw_seen(seen: Seen) -> FoundLine:
    return FoundLine(
        name="",
        severity=seen.severity,
        title=seen.title,
        subject="",
        evidence=(seen.evidence,) if seen.evidence else (),
        advice=seen.advice,
        source=seen.source,
        witness=Witness.REHEARSAL.value,
        settled="",
    )


def document_found(line: FoundLine) -> dict[str, Any]:
    """A finding for the JSON report; `evidence` is the lines as one text."""
    return {
        "severity": line.severity,
        "title": line.title,
        "evidence": "\n".join(line.evidence),
        "advice": line.advice,
        "source": line.source,
        "name": line.name,
        "subject": line.subject,
        "evidence_lines": list(line.evidence),
        "witness": line.witness,
        "settled": line.settled,
    }


def document_overlooked(outlook: Outlook) -> dict[str, Any]:
    """Whether known changes were looked for, and which were not and why."""
    return {
        "looked_for": outlook.findings is not None,
        "not_looked_at": [{"name": name, "why": why} for name, why in outlook.overlooked],
    }


def mark_down_found(report: Report) -> Iterator[str]:
    """The section of the Markdown report."""
    yield "## Findings"
    yield ""
    if report.outlook.findings is None:
        yield NOT_LOOKED_FOR
        yield ""
    if not report.found:
        yield NOTHING_FOUND
    for line in report.found:
        about = f" ({escape(line.subject)})" if line.subject else ""
        yield f"- **{escape(line.severity)}**: {escape(line.title)}{about}"
        yield from (f"  - Evidence: {escape(text)}" for text in line.evidence)
        if line.advice:
            yield f"  - {escape(line.advice)}"
        if line.name:
            settled = f"Settled by {escape(line.settled)}" if line.settled else ""
            yield f"  - {settled or f'Open: {NOT_SETTLED}'}"
        source = f". Source: {escape(line.source)}" if line.source else ""
        yield f"  - Seen by: {escape(line.witness)}{source}"


def mark_down_overlooked(report: Report) -> Iterator[str]:
    """The known changes that nobody looked at."""
    yield "## Known changes not looked at"
    yield ""
    if report.outlook.findings is None:
        yield NOT_LOOKED_FOR
    elif not report.outlook.overlooked:
        yield "Every known change of the path was looked at."
    else:
        yield from table(("Known change", "Why not"), report.outlook.overlooked)
