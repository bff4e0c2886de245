"""What changed on the clone: packages, checks, prompts, disks."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from statistics import median

from forerun.model.finding import Severity
from forerun.model.observation import CheckResult, DiskSample, PromptMet, RunRecord, Seen
from forerun.report.figures import known
from forerun.report.sections import CheckPair, DiskPeak, PackageAccount, PackageTime

SEVERITIES = tuple(severity.value for severity in Severity)
GRAVE = SEVERITIES[:4]
_CHANGES = (
    "broke", "fails", "still fails", "not run after", "failed before", "mended", "passes",
    "skipped", "same", "passed before",
)  # fmt: skip


def account_packages(record: RunRecord, most: int = 10) -> PackageAccount:
    """Counts by kind, and the slowest packages."""
    names: dict[str, list[str]] = {}
    for change in record.packages:
        names.setdefault(change.kind, []).append(change.name)
    times = [
        PackageTime(
            name=c.name,
            kind=c.kind,
            old=c.old,
            new=c.new,
            unpack_s=known(c.unpack_s),
            configure_s=known(c.configure_s),
            seconds=max(c.unpack_s, 0.0) + max(c.configure_s, 0.0),
        )
        for c in record.packages
        if max(c.unpack_s, c.configure_s) >= 0
    ]
    slowest = tuple(sorted(times, key=lambda t: (-t.seconds, t.name))[:most])
    whole = sum(t.seconds for t in times)
    return PackageAccount(
        upgraded=len(names.get("upgraded", [])),
        installed=len(names.get("installed", [])),
        removed=len(names.get("removed", [])),
        kept_back=len(names.get("kept-back", [])),
        slowest=slowest,
        slowest_share=sum(t.seconds for t in slowest) / whole if whole > 0 else None,
        removed_names=tuple(sorted(names.get("removed", []))),
        kept_back_names=tuple(sorted(names.get("kept-back", []))),
    )


def pair_checks(record: RunRecord) -> tuple[CheckPair, ...]:
    """Each check before against after, the changed ones first. Where a check ran more
    than once at the same moment, the last run counts."""
    last: dict[tuple[str, str], CheckResult] = {(c.name, c.moment): c for c in record.checks}
    told = {c.name: c for c in record.checks}  # of a moment nobody knows, it is told as not run
    pairs = [
        _pair(one, last.get((name, "before")), last.get((name, "after")))
        for name, one in told.items()
    ]
    return tuple(
        sorted(pairs, key=lambda p: (_CHANGES.index(p.change), p.severity != "must", p.title))
    )


def _pair(one: CheckResult, before: CheckResult | None, after: CheckResult | None) -> CheckPair:
    told = after or before or one
    was = before.result if before else "not run"
    now = after.result if after else "not run"
    return CheckPair(
        name=told.name,
        title=told.title or told.name,
        severity=told.severity,
        before=was,
        after=now,
        change=_judge_change(was, now, again=told.again),
        reason=told.reason,
        output=told.output,
        advice=told.advice,
        cites=told.cites,
    )


def _judge_change(was: str, now: str, *, again: bool) -> str:
    if now == "fail":
        return {"pass": "broke", "fail": "still fails"}.get(was, "fails")
    if now == "pass":
        return {"fail": "mended", "pass": "same"}.get(was, "passes")
    if now == "not run" and again:
        return "not run after"
    if now == "not run":
        return {"pass": "passed before", "fail": "failed before"}.get(was, "skipped")
    return "skipped"


def order_prompts(record: RunRecord) -> tuple[PromptMet, ...]:
    """Undeclared prompts first, each kind in the order it was met."""
    return tuple(sorted(record.prompts, key=lambda p: (p.declared, p.at_s)))


def order_findings(record: RunRecord) -> tuple[Seen, ...]:
    """What the rehearsal saw, the gravest first."""

    def gravity(seen: Seen) -> int:
        known_one = seen.severity in SEVERITIES
        return SEVERITIES.index(seen.severity) if known_one else len(SEVERITIES)

    return tuple(sorted(record.seen, key=gravity))


def find_peaks(record: RunRecord) -> tuple[DiskPeak, ...]:
    """The peak use of each file system, the fullest first."""
    targets: dict[str, list[DiskSample]] = {}
    for sample in record.disk:
        targets.setdefault(sample.target, []).append(sample)
    peaks = [_find_peak(target, samples) for target, samples in targets.items()]
    return tuple(sorted(peaks, key=lambda p: -(p.peak_used / p.size if p.size else 0)))


def _find_peak(target: str, samples: Sequence[DiskSample]) -> DiskPeak:
    ordered = sorted(samples, key=lambda s: s.at_s)
    top = max(ordered, key=lambda s: s.used_bytes)
    gaps = [b.at_s - a.at_s for a, b in pairwise(ordered)]
    return DiskPeak(
        target=target,
        first_used=ordered[0].used_bytes,
        peak_used=top.used_bytes,
        peak_at_s=top.at_s,
        last_used=ordered[-1].used_bytes,
        size=top.size_bytes,
        every_s=round(median(gaps), 1) if gaps else None,
    )
