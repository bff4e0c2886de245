"""Outages carried over: where each lay in the steps, and how long that is in production.

An outage is cut where the stretches of the steps begin and end. Each piece grows as its own
stretch does: what lies in a restart's firmware takes production's firmware's time, what lies
in unpacking takes unpacking's. The map from the run's time to production's is monotone, so
outages that overlap stay so, and their union is cut in the same way.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forerun.stages.forecast_inputs import OutageInput, RunInput, Span, StepInput, Stretch
from forerun.stages.forecast_laws import Floats

_LEAST_S = 1e-9


@dataclass(frozen=True, slots=True)
class Cover:
    """What spans cover: shares (0..1) of stretches by (step, kind), and seconds between
    steps, which are taken as they are."""

    shares: tuple[tuple[str, Stretch, float], ...]
    between_s: float

    def length(self, lengths: Mapping[str, Mapping[Stretch, Floats]], like: Floats) -> Floats:
        """Seconds for every draw."""
        whole = np.full_like(like, self.between_s)
        for step, kind, share in self.shares:
            stretch = lengths.get(step, {}).get(kind)
            if stretch is not None:
                whole += share * stretch
        return whole


def merge_spans(spans: Iterable[Span]) -> tuple[Span, ...]:
    """Their union, in order."""
    merged: list[Span] = []
    for span in sorted(spans, key=lambda one: one.start_s):
        if merged and span.start_s <= merged[-1].end_s:
            merged[-1] = Span(merged[-1].start_s, max(merged[-1].end_s, span.end_s))
        else:
            merged.append(span)
    return tuple(merged)


def _overlap(spans: Sequence[Span], other: Span) -> float:
    return sum(
        max(0.0, min(one.end_s, other.end_s) - max(one.start_s, other.start_s)) for one in spans
    )


def _length(spans: Sequence[Span]) -> float:
    return sum(span.end_s - span.start_s for span in spans)


def cover(run: RunInput, spans: Sequence[Span]) -> Cover:
    """What these (disjoint) spans cover of the run's steps and of the time between."""
    shares: list[tuple[str, Stretch, float]] = []
    inside = 0.0
    for step in run.steps:
        own = _overlap(spans, step.span)
        inside += own
        if own > 0:
            shares += [(step.name, kind, share) for kind, share in _share(step, spans, own)]
    return Cover(tuple(shares), max(0.0, _length(spans) - inside))


def _share(step: StepInput, spans: Sequence[Span], own: float) -> Iterable[tuple[Stretch, float]]:
    length = step.span.end_s - step.span.start_s
    placed: dict[Stretch, list[Span]] = {}
    for part in step.laid_out:
        placed.setdefault(part.kind, []).append(_clip(part.span, step.span))
    covered, known = 0.0, 0.0
    for kind in (Stretch.DOWNLOAD, Stretch.FIRMWARE, Stretch.PEOPLE):
        whole = _length(placed.get(kind, []))
        if whole > _LEAST_S:
            inside = sum(_overlap(spans, one) for one in placed[kind])
            covered, known = covered + inside, known + whole
            yield kind, inside / whole
        elif length > _LEAST_S:
            # Its place in the step is not known: as likely here as there.
            yield kind, own / length
    work = length - known
    if work > _LEAST_S:
        yield Stretch.WORK, min(1.0, max(0.0, (own - covered) / work))


def _clip(span: Span, within: Span) -> Span:
    start = min(max(span.start_s, within.start_s), within.end_s)
    return Span(start, min(max(span.end_s, start), within.end_s))


@dataclass(frozen=True, slots=True)
class Away:
    """A service's outage for every draw: in all, its longest single one, and whether it came
    back by itself in that course of the night."""

    total: Floats
    longest: Floats
    returned: npt.NDArray[np.bool_]

    @property
    def returns(self) -> bool:
        """Whether it came back in every run."""
        return bool(self.returned.all())


def total_outage(
    runs: Sequence[RunInput],
    which: Floats,
    lengths: Mapping[str, Mapping[Stretch, Floats]],
    service: str,
) -> Away:
    """One service's, or all services' union for "". With several runs each draw follows the
    course of one of them (`which` numbers it): that outages lie differently from one night
    to the next is part of the spread."""
    total = np.zeros_like(which)
    longest = np.zeros_like(which)
    returned = np.ones(len(which), dtype=np.bool_)
    for number, run in enumerate(runs):
        own = [one for one in run.outages if service in ("", one.service)]
        chosen = which == number
        if not all(one.ended for one in own):
            returned &= ~chosen
        for span in merge_spans(one.span for one in own):
            seconds = cover(run, (span,)).length(lengths, which)
            total += np.where(chosen, seconds, 0.0)
            longest = np.where(chosen, np.maximum(longest, seconds), longest)
    return Away(total, longest, returned)


def list_services(runs: Sequence[RunInput]) -> tuple[str, ...]:
    """Every service with an outage in one of the runs."""
    found: list[OutageInput] = [outage for run in runs for outage in run.outages]
    return tuple(dict.fromkeys(outage.service for outage in found))
