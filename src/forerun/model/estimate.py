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


class Basis(Enum):
    """What an input rests on."""

    MEASURED = "measured"
    HISTORY = "production's own history"
    DECLARED = "declared"
    ASSUMED = "assumed"


@dataclass(frozen=True, slots=True)
class Quantiles:
    """Half, four in five, nineteen in twenty nights take no longer than this."""

    p50: float
    p80: float
    p95: float


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
    without a window). `refused` says why there is no forecast; then there are no figures.
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
    schema: str = ESTIMATE_SCHEMA


@dataclass(frozen=True, slots=True)
class Prediction:
    """What was forecast for a run, kept as it was told: (figure, quantiles) by name
    ("window", "outage", "step NAME", "service NAME")."""

    run: str
    made_at: str
    figures: tuple[tuple[str, Quantiles], ...]
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
