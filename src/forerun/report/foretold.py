"""What was foretold before the rehearsal, beside what it met."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from forerun.model.likeness import Foretold
from forerun.model.observation import RunRecord
from forerun.report.figures import count_of
from forerun.report.markdown import escape, table
from forerun.report.sections import ForetoldAccount, ForetoldLine

QUESTIONS = {"conffile": "dpkg", "ucf": "ucf", "debconf": "debconf", "other": "a program"}
LOSSES = {
    "moved": "renamed",
    "obsolete": "put aside or read no more",
    "versioned": "left in an old version's folder",
}
SOURCE = (
    "Foretold from the survey and the new packages by the rules of dpkg(1), ucf(1), "
    "debconf-devel(7) and dpkg-maintscript-helper(1)."
)


def account_foretold(run: RunRecord) -> ForetoldAccount:
    """The foretelling of a run; false where nothing was foretold or compared."""
    checks = {(check.kind, check.subject): check for check in run.foretelling}

    def line(told: Foretold) -> ForetoldLine:
        check = checks.get((told.kind, told.subject))
        return ForetoldLine(told, check.result if check else "", check.why if check else "")

    ordered = [line(told) for told in sorted(run.foretold, key=lambda told: not told.sure)]
    return ForetoldAccount(
        questions=tuple(row for row in ordered if row.told.kind not in LOSSES),
        losses=tuple(row for row in ordered if row.told.kind in LOSSES),
        unforeseen=tuple(c for c in run.foretelling if c.result == "not foretold"),
        not_looked_at=run.not_looked_at,
        compared=bool(run.foretelling),
    )


def say_foretelling(account: ForetoldAccount) -> str:
    """How good the foretelling was, in one sentence without a full stop."""
    sure = [row for row in account.questions if row.told.sure]
    perhaps = len(account.questions) - len(sure)
    told = count_of(len(sure), "question") + " foretold"
    told += f" and {perhaps} more thought possible" if perhaps else ""
    if not account.compared:
        return f"{told}, not compared with a run"
    met = sum(row.result == "met" for row in sure)
    met_too = sum(row.result == "met" for row in account.questions) - met
    too = f" and {met_too} of the possible ones" if perhaps else ""
    return f"{told}: {met} met{too}, {len(account.unforeseen)} met that were not foretold"


def document_foretold(account: ForetoldAccount) -> dict[str, Any]:
    """The account for the JSON report."""
    return {
        "compared": account.compared,
        "questions": [_document(row) for row in account.questions],
        "losses": [_document(row) for row in account.losses],
        "not_foretold": [
            {"kind": c.kind, "subject": c.subject, "package": c.package, "why": c.why}
            for c in account.unforeseen
        ],
        "not_looked_at": [{"package": n.package, "why": n.why} for n in account.not_looked_at],
    }


def _document(row: ForetoldLine) -> dict[str, Any]:
    return {
        "kind": row.told.kind,
        "subject": row.told.subject,
        "package": row.told.package,
        "why": row.told.why,
        "sure": row.told.sure,
        "result": row.result,
        "difference": row.difference,
    }


def mark_down_foretold(account: ForetoldAccount) -> Iterator[str]:
    """The section of the Markdown report."""
    yield "## Foretold questions and losses"
    yield ""
    if not account:
        yield "Nothing was foretold for this run."
        return
    yield f"{say_foretelling(account)}. {SOURCE}"
    if account.losses:
        yield ""
        yield "Edits that are lost without a question:"
        yield ""
        yield from table(
            ("File", "How", "Package", "Sure", "Why", "Seen"),
            (_cells(row, LOSSES.get(row.told.kind, "")) for row in account.losses),
        )
    if account.questions:
        yield ""
        yield from table(
            ("Question", "Asked by", "Package", "Sure", "Why", "Result"),
            (_cells(row, QUESTIONS.get(row.told.kind, "")) for row in account.questions),
        )
    for heading, items in list_rest(account):
        yield ""
        yield f"{heading}:"
        yield ""
        yield from (f"- {escape(item)}" for item in items)


def _cells(row: ForetoldLine, kind: str) -> tuple[str, ...]:
    result = f"{row.result}: {row.difference}" if row.difference else row.result
    told = row.told
    return (told.subject, kind, told.package, row.expected, told.why, result)


def list_rest(account: ForetoldAccount) -> Iterator[tuple[str, Sequence[str]]]:
    """(heading, items) of what was met without being foretold, and of what was not
    looked into; empty lists are left out."""
    if account.unforeseen:
        yield (
            "Met and not foretold",
            [
                f"{c.subject} ({QUESTIONS.get(c.kind, c.kind)}"
                f"{f', {c.package}' if c.package else ''}){f': {c.why}' if c.why else ''}"
                for c in account.unforeseen
            ],
        )
    if account.not_looked_at:
        yield "Not looked into", [f"{n.package}: {n.why}" for n in account.not_looked_at]
