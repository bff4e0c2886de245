"""Outage of each watched service, as seen from outside the clone."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from statistics import median

from forerun.model.observation import Outage, ProbeSample, RunRecord
from forerun.report.figures import count_of, say_seconds
from forerun.report.sections import ServiceOutage


def account_outages(record: RunRecord) -> tuple[ServiceOutage, ...]:
    """One row for each service that was watched, the longest outage first."""
    names = dict.fromkeys([s.service for s in record.probes] + [o.service for o in record.outages])
    rows = [
        _account_service(
            name,
            [o for o in record.outages if o.service == name],
            [s for s in record.probes if s.service == name],
        )
        for name in names
    ]
    return tuple(sorted(rows, key=lambda row: (row.ended, -row.total_s, row.service)))


def _account_service(
    name: str, spans: Sequence[Outage], looks: Sequence[ProbeSample]
) -> ServiceOutage:
    lengths = [max(span.end_s - span.start_s, 0.0) for span in spans]
    return ServiceOutage(
        service=name,
        count=len(spans),
        total_s=sum(lengths),
        longest_s=max(lengths, default=0.0),
        resolution_s=max((s.resolution_s for s in spans), default=usual_distance(looks)),
        ended=all(span.ended for span in spans),
        causes=tuple(dict.fromkeys(span.cause for span in spans if span.cause)),
        spans=tuple(sorted(spans, key=lambda span: span.start_s)),
        looks=len(looks),
        unknown_looks=sum(look.state == "unknown" for look in looks),
    )


def usual_distance(looks: Sequence[ProbeSample]) -> float | None:
    """The median time between two looks in seconds; None with fewer than two."""
    times = sorted(look.at_s for look in looks)
    gaps = [after - before for before, after in pairwise(times)]
    return round(median(gaps), 1) if gaps else None


def say_outage(row: ServiceOutage) -> str:
    """One service's outage in words, the gravest first, with its resolution."""
    if not row.count:
        return f"none seen{_say_unknown(row)}"
    resolution = f" ±{row.resolution_s:g} s" if row.resolution_s else ""
    least = "" if row.ended else "at least "
    gone = "" if row.ended else "never came back; "
    return (
        f"{gone}{count_of(row.count, 'outage')}, {least}{say_seconds(row.total_s)} in all, longest "
        f"{say_seconds(row.longest_s)}{resolution}{_say_unknown(row)}"
    )


def _say_unknown(row: ServiceOutage) -> str:
    if not row.unknown_looks:
        return ""
    return f"; {row.unknown_looks} of {row.looks} looks told nothing"
