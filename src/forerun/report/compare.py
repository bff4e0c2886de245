"""Two runs side by side: what moved, and whether it is more than noise. Pure.

The rule: of a figure in seconds or bytes, the runs comparable with the older one (it among
them, the newer one not) give a two-sided 95 % prediction interval for one more run, mean plus
and minus t(n-1) s sqrt(1 + 1/n). Outside of it, the newer run differs by more than noise. With
one run there is no interval, and nothing can be told. (Prediction interval for one future
observation: W. Q. Meeker, G. J. Hahn, L. A. Escobar, "Statistical Intervals", from memory.)
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from scipy.special import stdtrit

from forerun.model.observation import Outcome, RunRecord
from forerun.report.changes import find_peaks, pair_checks
from forerun.report.figures import known_bytes
from forerun.report.outage import account_outages
from forerun.report.plain import one_line
from forerun.report.reboot import account_reboots
from forerun.report.sections import FoundLine, Report
from forerun.report.timing import measure_procedure, measure_window

LEVEL = 0.95
_PROMPT_LONGEST = 90


class Judged(Enum):
    """What can be said of a difference."""

    MORE = "more than noise"
    WITHIN = "within noise"
    ONE_EACH = "one run each: nothing can be told from noise"
    OTHER = "other circumstances: not comparable"
    NO_FIGURE = "not measured in both"
    COUNTED = "counted"


@dataclass(frozen=True, slots=True)
class Moved:
    """One figure of both runs; `unit` is "s", "bytes" or "count". `low` and `high` bound what
    one more run like the older ones would show, None where that cannot be told; `runs` is how
    many they rest on."""

    key: str
    name: str
    unit: str
    old: float | None
    new: float | None
    judged: Judged
    low: float | None = None
    high: float | None = None
    runs: int = 1

    @property
    def difference(self) -> float | None:
        """New less old."""
        return None if self.old is None or self.new is None else self.new - self.old


@dataclass(frozen=True, slots=True)
class Change:
    """Something that `kind` "appeared", is "gone" or "changed" (or a drift's weight)."""

    kind: str
    what: str
    before: str
    after: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class ChangeGroup:
    """Changes of one subject; `same` is how many did not change, None where not counted."""

    title: str
    changes: tuple[Change, ...]
    same: int | None = None


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two runs or two surveys (`kind`), the older first. `circumstances` are (what, old, new)
    of those that differ; `notes` what cannot be told."""

    kind: str
    host: str
    old: str
    new: str
    circumstances: tuple[tuple[str, str, str], ...]
    figures: tuple[Moved, ...]
    groups: tuple[ChangeGroup, ...]
    notes: tuple[str, ...] = ()


_Measure = Callable[[RunRecord], float | None]


def compare_runs(old: Report, new: Report, references: Sequence[RunRecord] = ()) -> Comparison:
    """What moved from the older run to the newer. `references` are further runs comparable
    with the older one, for the spread; the two themselves may be among them."""
    circumstances = tuple(_list_circumstances(old.record, new.record))
    ids = {old.record.id, new.record.id}
    others = [run for run in references if run.id not in ids]
    figures = tuple(
        _move(measure, old.record, new.record, others, comparable=not _is_other(circumstances))
        for measure in _list_measures(old.record, new.record)
    )
    return Comparison(
        kind="runs",
        host=new.record.host,
        old=old.record.id,
        new=new.record.id,
        circumstances=circumstances,
        figures=figures,
        groups=tuple(_list_groups(old, new)),
        notes=tuple(_list_notes(old.record, new.record)),
    )


# --- circumstances

_WEIGHTY = ("Server", "Profile's SHA-256", "Accelerator", "CPUs of the clone")


def _list_circumstances(old: RunRecord, new: RunRecord) -> Iterator[tuple[str, str, str]]:
    pairs = (
        ("Server", old.host, new.host),
        ("Profile's SHA-256", old.profile_digest, new.profile_digest),
        ("Accelerator", old.lab.accelerator, new.lab.accelerator),
        ("CPUs of the clone", str(old.clone_cpus), str(new.clone_cpus)),
        ("Site file's SHA-256", old.site_digest, new.site_digest),
        ("Survey", old.survey_id, new.survey_id),
        ("Memory of the clone, bytes", str(old.clone_memory_bytes), str(new.clone_memory_bytes)),
        ("Rate limit, bit/s", str(old.rate_limit_bits), str(new.rate_limit_bits)),
        ("Outcome", old.outcome.value, new.outcome.value),
        ("Version of forerun", old.forerun_version, new.forerun_version),
    )
    return (pair for pair in pairs if pair[1] != pair[2])


def _is_other(circumstances: Sequence[tuple[str, str, str]]) -> bool:
    return any(what in _WEIGHTY for what, _, _ in circumstances)


def _list_notes(old: RunRecord, new: RunRecord) -> Iterator[str]:
    for run in (old, new):
        if run.outcome is not Outcome.COMPLETED:
            yield f"{run.id} did not complete: its later figures are missing or cut short."


# --- figures


@dataclass(frozen=True, slots=True)
class _Kind:
    key: str
    name: str
    unit: str
    of: _Measure


def _list_measures(old: RunRecord, new: RunRecord) -> Iterator[_Kind]:
    yield _Kind("window", "Maintenance window", "s", measure_window)
    yield _Kind("procedure", "All steps together", "s", measure_procedure)
    names = dict.fromkeys((s.name, s.title) for run in (new, old) for s in run.steps)
    for name in dict.fromkeys(name for name, _ in names):
        title = next(title for other, title in names if other == name)
        yield _Kind(f"step {name}", f"Step: {title or name}", "s", _measure_step(name))
    services = dict.fromkeys(o.service for r in (old, new) for o in account_outages(r))
    for service in services:
        yield _Kind(f"outage {service}", f"Outage: {service}", "s", _measure_outage(service))
    yield _Kind("reboot", "Reboot until ready", "s", _measure_reboot)
    yield _Kind("download", "Packages fetched", "bytes", _measure_download)
    for target in dict.fromkeys(p.target for run in (old, new) for p in find_peaks(run)):
        yield _Kind(f"disk {target}", f"Disk peak: {target}", "bytes", _measure_peak(target))
    for kind in ("upgraded", "installed", "removed", "kept-back"):
        yield _Kind(f"packages {kind}", f"Packages {kind}", "count", _count_packages(kind))
    yield _Kind("prompts", "Prompts met", "count", lambda run: float(len(run.prompts)))


def _measure_step(name: str) -> _Measure:
    def measure(run: RunRecord) -> float | None:
        done = [s.wall_s for s in run.steps if s.name == name and s.end.value == "done"]
        return done[0] if done else None

    return measure


def _measure_outage(service: str) -> _Measure:
    def measure(run: RunRecord) -> float | None:
        rows = [row for row in account_outages(run) if row.service == service and row.ended]
        return rows[0].total_s if rows else None

    return measure


def _measure_reboot(run: RunRecord) -> float | None:
    return next((one.to_ready_s for one in account_reboots(run) if one.main), None)


def _measure_download(run: RunRecord) -> float | None:
    counts = [known_bytes(s.download.fetched_bytes) for s in run.steps if s.download is not None]
    found = [count for count in counts if count is not None]
    return float(sum(found)) if found else None


def _measure_peak(target: str) -> _Measure:
    def measure(run: RunRecord) -> float | None:
        found = [float(p.peak_used) for p in find_peaks(run) if p.target == target]
        return found[0] if found else None

    return measure


def _count_packages(kind: str) -> _Measure:
    return lambda run: float(sum(change.kind == kind for change in run.packages))


def _move(
    measure: _Kind, old: RunRecord, new: RunRecord, others: Sequence[RunRecord], *, comparable: bool
) -> Moved:
    was, now = measure.of(old), measure.of(new)
    bare = Moved(measure.key, measure.name, measure.unit, was, now, Judged.NO_FIGURE)
    if was is None or now is None:
        return bare
    if measure.unit == "count":
        return _with(bare, Judged.COUNTED)
    if not comparable:
        return _with(bare, Judged.OTHER)
    known = [was, *(v for v in map(measure.of, others) if v is not None)]
    bounds = predict_next(known)
    if bounds is None:
        return _with(bare, Judged.ONE_EACH)
    low, high = bounds
    judged = Judged.WITHIN if low <= now <= high else Judged.MORE
    return Moved(bare.key, bare.name, bare.unit, was, now, judged, low, high, len(known))


def _with(moved: Moved, judged: Judged) -> Moved:
    return Moved(moved.key, moved.name, moved.unit, moved.old, moved.new, judged)


def predict_next(values: Sequence[float], level: float = LEVEL) -> tuple[float, float] | None:
    """The two-sided prediction interval for one more value like these; None for fewer than
    two. It does not go below nothing."""
    if len(values) < 2:
        return None
    mean, deviation = statistics.fmean(values), statistics.stdev(values)
    count = len(values)
    half = float(stdtrit(count - 1, (1 + level) / 2)) * deviation * math.sqrt(1 + 1 / count)
    return max(mean - half, 0.0), mean + half


# --- what appeared, went, changed


def _list_groups(old: Report, new: Report) -> Iterator[ChangeGroup]:
    yield _group(
        "Packages",
        {c.name: f"{c.kind} {c.new}".strip() for c in old.record.packages},
        {c.name: f"{c.kind} {c.new}".strip() for c in new.record.packages},
    )
    yield _group("Findings", _name_findings(old.found), _name_findings(new.found))
    yield _group(
        "Checks",
        {c.title: f"{c.before}, then {c.after}" for c in pair_checks(old.record)},
        {c.title: f"{c.before}, then {c.after}" for c in pair_checks(new.record)},
    )
    yield _group("Prompts", _name_prompts(old.record), _name_prompts(new.record))
    yield _group(
        "Fidelity",
        {gap.subject: gap.state for gap in old.record.fidelity},
        {gap.subject: gap.state for gap in new.record.fidelity},
    )


def _name_findings(found: Iterable[FoundLine]) -> dict[str, str]:
    return {
        f"{line.title} ({line.subject})" if line.subject else line.title: (
            f"{line.severity}, {'settled' if line.settled else 'open'}"
        )
        for line in found
    }


def _name_prompts(run: RunRecord) -> dict[str, str]:
    return {
        one_line(p.text, longest=_PROMPT_LONGEST): (
            f"{'declared' if p.declared else 'undeclared'}, answered by {p.answered_by}"
        )
        for p in run.prompts
    }


def _group(title: str, before: Mapping[str, str], after: Mapping[str, str]) -> ChangeGroup:
    changes = []
    for what in sorted({*before, *after}):
        was, now = before.get(what), after.get(what)
        if was != now:
            kind = "appeared" if was is None else "gone" if now is None else "changed"
            changes.append(Change(kind, what, was or "", now or ""))
    same = sum(after.get(what) == was for what, was in before.items())
    return ChangeGroup(title, tuple(changes), same)
