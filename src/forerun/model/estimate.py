"""The forecast for production. Seconds throughout; chances and shares are 0..1.

A forecast is derived from records, by a seeded draw: the same records, seed and wishes give
the same figures. Only what was told people beforehand (`Prediction`) is kept, to be compared
with what came.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

ESTIMATE_SCHEMA = "forerun.estimate/1"
PREDICTION_SCHEMA = "forerun.prediction/1"
ACTUAL_SCHEMA = "forerun.actual/1"

# What may be asked: the words of a what-if, each with an example.
WISH_FORMS = (
    "download-first",
    "link=20Mbit/s",
    "cpu=2x",
    "disk=0.5x",
    "skip=STEP",
    "firmware=2min,4min,10min",
    "reaction=20s",
    "other-work=0.2",
    "data=STEP:4x",
)


class Basis(Enum):
    """What an input rests on."""

    MEASURED = "measured"
    HISTORY = "production's own history"
    DECLARED = "declared"
    ASSUMED = "assumed"


@dataclass(frozen=True, slots=True)
class Quantiles:
    """Half, four in five, nineteen in twenty nights take no longer than this, and one in
    five no longer than `p20` (-1 where it was not told)."""

    p50: float
    p80: float
    p95: float
    p20: float = -1.0


@dataclass(frozen=True, slots=True)
class Assumption:
    """One input of the forecast: `value` in `unit`, with the bounds that hold four in five of
    its draws. `source` says where it is from, `objection` what speaks against it."""

    name: str
    value: float
    low: float
    high: float
    unit: str
    basis: Basis
    source: str
    objection: str = ""


@dataclass(frozen=True, slots=True)
class Contributor:
    """An input by what it does to the spread of the total: `share` of its variance (0..1),
    `sign` +1 when more of it makes the night longer, -1 when shorter, and `seconds` between
    the total at the input's low and high."""

    name: str
    share: float
    sign: int
    seconds: float


@dataclass(frozen=True, slots=True)
class StepForecast:
    """One step's duration, and how much of its middle is which part ((part, seconds))."""

    step: str
    title: str
    stage: str
    takes: Quantiles
    parts: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class ServiceForecast:
    """One service's outage: in all, and its longest single one. `within` is the chance to
    stay inside `tolerable_s` (None: none was agreed). `returns` is False where it never came
    back in a rehearsal: then the figures are what passes until somebody mends it, not an
    outage's end."""

    service: str
    total: Quantiles
    longest: Quantiles
    tolerable_s: float
    within: float | None
    returns: bool = True


@dataclass(frozen=True, slots=True)
class Histogram:
    """How the draws of the total lie: `counts` between consecutive `edges_s`."""

    edges_s: tuple[float, ...]
    counts: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class BackOutForecast:
    """A way back, forecast: `from_step` is the hold point it leads to."""

    way: str
    title: str
    from_step: str
    takes: Quantiles


@dataclass(frozen=True, slots=True)
class Hazard:
    """Something that may happen on the night beside the clean course. It was `seen` in `of`
    runs; `chance` are the odds from that ((seen + 1) / (of + 2)), `upper` what they are not
    above in nineteen of twenty cases. `window` is how long the window is when it happens and
    is mended as it was in a rehearsal, `fits` the chance to fit then; both None where no
    recovery was measured. `of` is 0 for a fault that was let happen on purpose: nothing is
    known of its odds, and `chance` and `upper` are -1."""

    name: str
    title: str
    seen: int
    of: int
    chance: float
    upper: float
    window: Quantiles | None = None
    fits: float | None = None


@dataclass(frozen=True, slots=True)
class TrackRecord:
    """How earlier forecasts held: `hits` of `of` nights lay inside the middle 80 % of what
    was told. `bias` is the mean of ln(actual / middle), above 0 where nights took longer;
    `worst` the largest such miss either way; `widened` what spreads are multiplied by
    because of it. `places` are where in the told law each night came out (0..1; even from 0
    to 1 for honest forecasts)."""

    hits: int
    of: int
    bias: float
    worst: float
    widened: float
    places: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Wish:
    """A what-if: `change` in words a person can read ("the link at 20 Mbit/s")."""

    key: str
    value: str
    change: str


@dataclass(frozen=True, slots=True)
class Forecast:
    """What would happen in production.

    `window` is the length of the stage of that name, `outage` the union of all watched
    services' outages. `fits` is the chance that the window's work is done within `window_s`;
    `fits_with_back_out` that there is still time to go back when it is not (both None
    without a window, the second also without a way back that was timed). Both are of the
    clean course; `hazards` tell the others. `past` is how earlier forecasts held. `refused`
    says why there is no forecast; then there are no figures.
    """

    runs: tuple[str, ...]
    draws: int
    seed: int
    refused: str = ""
    wishes: tuple[Wish, ...] = ()
    window: Quantiles | None = None
    outage: Quantiles | None = None
    steps: tuple[StepForecast, ...] = ()
    services: tuple[ServiceForecast, ...] = ()
    back_outs: tuple[BackOutForecast, ...] = ()
    window_s: float = 0.0
    fits: float | None = None
    fits_with_back_out: float | None = None
    contributors: tuple[Contributor, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    objections: tuple[str, ...] = ()
    histogram: Histogram | None = None
    hazards: tuple[Hazard, ...] = ()
    past: TrackRecord | None = None
    schema: str = ESTIMATE_SCHEMA


# The shares of draws whose upper bounds a kept forecast has: fine enough to say later where
# in it a night came out.
TOLD_LEVELS = (0.01, 0.025, *(round(0.05 * step, 2) for step in range(1, 20)), 0.975, 0.99)


@dataclass(frozen=True, slots=True)
class Told:
    """One figure of a forecast as it was told. `curve` has its quantiles at `TOLD_LEVELS`:
    three of them would not say whether a night lay inside the middle 80 %."""

    name: str
    takes: Quantiles
    curve: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Prediction:
    """What was forecast for a run, kept as it was told, by name: "window", "outage",
    "step NAME", "service NAME", and "work NAME", a step without its download: package
    managers note when they began to unpack, not when they began to fetch."""

    run: str
    made_at: str
    figures: tuple[Told, ...]
    forerun_version: str
    schema: str = PREDICTION_SCHEMA


@dataclass(frozen=True, slots=True)
class Actual:
    """What the real night took, by the same names, and where each figure is from."""

    run: str
    entered_at: str
    figures: tuple[tuple[str, float], ...]
    sources: tuple[str, ...]
    note: str = ""
    schema: str = ACTUAL_SCHEMA


@dataclass(frozen=True, slots=True)
class Score:
    """One figure of a forecast against what came: what was told, its middle 80 % (`low` to
    `high`), whether the night lay inside, its `place` in the told law (0..1) and
    ln(actual / middle)."""

    name: str
    takes: Quantiles
    low: float
    high: float
    actual: float
    inside: bool
    place: float
    log_error: float
