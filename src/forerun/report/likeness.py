"""The score of a clone's likeness to production, and its rule.

Nothing of it is stored: it is derived from the agreements in the record, so that another
rule could be applied to an old run.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from forerun.model.likeness import Agreement, Difference
from forerun.model.observation import RunRecord
from forerun.report.figures import NOT_MEASURED, count_of
from forerun.report.markdown import escape, table
from forerun.report.sections import LikenessAccount, SubjectLikeness

SCORE_RULE = (
    "A subject's share is its alike things over all its things on either side. The score is the "
    "plain mean of the shares of all subjects compared, each counting the same. An explained "
    "difference is counted apart and never as alike. A subject that was not compared has no share "
    "and no part in the score."
)
SHOWN = 12


def account_likeness(run: RunRecord) -> LikenessAccount | None:
    """The score with its subjects, or None for a run that compared nothing at all."""
    if not run.agreements:
        return None
    subjects = tuple(_account_subject(agreement) for agreement in run.agreements)
    shares = [subject.share for subject in subjects if subject.share is not None]
    return LikenessAccount(
        score=sum(shares) / len(shares) if shares else None,
        rule=SCORE_RULE,
        compared=len(shares),
        subjects=subjects,
    )


def _account_subject(agreement: Agreement) -> SubjectLikeness:
    explained = sum(difference.explained for difference in agreement.differences)
    share = agreement.alike / agreement.total if agreement.total > 0 else None
    return SubjectLikeness(
        subject=agreement.subject,
        rule=agreement.rule,
        alike=agreement.alike,
        total=agreement.total,
        share=share,
        explained=explained,
        unexplained=len(agreement.differences) - explained,
        # What may hide something comes first.
        differences=tuple(sorted(agreement.differences, key=lambda d: (d.explained, d.name))),
    )


def say_likeness(share: float | None) -> str:
    """87.3 %, rounded down, so that only a whole agreement reads 100 %."""
    if share is None:
        return NOT_MEASURED
    return "100 %" if share == 1 else f"{math.floor(share * 1000) / 10:.1f} %"


def say_score(account: LikenessAccount) -> str:
    """The score in a sentence."""
    left_out = [s.subject for s in account.subjects if s.share is None]
    rest = f" Not compared: {', '.join(left_out)}." if left_out else ""
    if account.score is None:
        return f"No subject could be compared: there is no score.{rest}"
    open_count = sum(s.unexplained for s in account.subjects)
    explained = sum(s.explained for s in account.subjects)
    return (
        f"Likeness of the clone to production: {say_likeness(account.score)} over "
        f"{count_of(account.compared, 'subject')}; {count_of(open_count, 'difference')} that may "
        f"hide something, {explained} explained.{rest}"
    )


def say_difference(difference: Difference) -> str:
    """One difference in a line."""
    word = "Explained" if difference.explained else "May hide"
    return (
        f"{difference.name}: production {difference.production}, clone {difference.clone}. "
        f"{word}: {difference.hides or 'not said'}"
    )


def write_likeness(account: LikenessAccount | None) -> Iterator[str]:
    """The Markdown of a likeness account: score, rule, a table, the differences."""
    if account is None:
        yield "How like production the clone was, was not compared."
        return
    yield f"{escape(say_score(account))}"
    yield ""
    yield escape(account.rule)
    yield ""
    yield from table(
        ("Subject", "Alike", "Of", "Share", "May hide", "Explained", "What counts"),
        (
            (
                s.subject,
                str(s.alike),
                str(s.total),
                say_likeness(s.share),
                str(s.unexplained),
                str(s.explained),
                s.rule,
            )
            for s in account.subjects
        ),
    )
    for subject in account.subjects:
        if subject.differences:
            yield ""
            yield f"{escape(subject.subject)}:"
            yield ""
            yield from (f"- {escape(say_difference(d))}" for d in subject.differences[:SHOWN])
            if len(subject.differences) > SHOWN:
                yield f"- and {len(subject.differences) - SHOWN} more in the JSON report"


def build_likeness(account: LikenessAccount | None) -> dict[str, Any] | None:
    """The likeness account as plain data; all differences."""
    if account is None:
        return None
    return {
        "score_share": account.score,
        "rule": account.rule,
        "compared": account.compared,
        "subjects": [
            {
                "subject": s.subject,
                "rule": s.rule,
                "alike": s.alike,
                "total": s.total,
                "alike_share": s.share,
                "explained": s.explained,
                "unexplained": s.unexplained,
                "differences": [
                    {
                        "name": d.name,
                        "production": d.production,
                        "clone": d.clone,
                        "hides": "" if d.explained else d.hides,
                        "explanation": d.hides if d.explained else "",
                        "explained": d.explained,
                    }
                    for d in s.differences
                ],
            }
            for s in account.subjects
        ],
    }
