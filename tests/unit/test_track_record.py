"""How forecasts held: hits, places, and what spreads are multiplied by."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.practice.night import make_night, make_step

from forerun.model.estimate import TOLD_LEVELS, Actual, Prediction, Quantiles, Told
from forerun.stages.forecast import foresee
from forerun.stages.forecast_inputs import Priors
from forerun.stages.track_record import (
    find_place,
    find_standard_error,
    keep_track,
    list_told,
    pick_leading,
    score,
)

Z = {0.1: -1.2815515655446004, 0.9: 1.2815515655446004, 0.5: 0.0, 0.8: 0.841621, 0.95: 1.644854}


def tell(run: str = "run-1", sd: float = 0.2, name: str = "window") -> Prediction:
    """A lognormal law of median 1000 s, told with its exact quantiles."""
    curve = tuple(1000 * math.exp(sd * NormalDist().inv_cdf(level)) for level in TOLD_LEVELS)
    takes = Quantiles(*(1000 * math.exp(sd * Z[level]) for level in (0.5, 0.8, 0.95)))
    return Prediction(run, "2026-01-31T22:00:00Z", (Told(name, takes, curve),), "0")


def come(seconds: float, name: str = "window") -> Actual:
    return Actual("run-1", "2026-02-01T08:00:00Z", ((name, seconds),), ())


def nights(*errors: float, sd: float = 0.2) -> list[tuple[Prediction, Actual]]:
    """Nights off by so many of the told law's deviations."""
    return [(tell(sd=sd), come(1000 * math.exp(sd * z))) for z in errors]


def test_a_night_inside_and_one_outside() -> None:
    """The middle 80 % of a lognormal law of deviation 0.2 is 774 to 1292 s; places and
    errors are the law's own."""
    [inside] = score(tell(), come(1000.0))
    assert inside.inside
    assert inside.place == pytest.approx(0.5)
    assert (inside.low, inside.high) == pytest.approx((773.9, 1292.1), abs=0.5)
    [outside] = score(tell(), come(1500.0))
    assert not outside.inside
    assert outside.log_error == pytest.approx(math.log(1.5))
    assert find_standard_error(outside) == pytest.approx(math.log(1.5) / 0.2)
    assert outside.place > 0.97
    assert score(tell(), come(5.0, "step other")) == ()


def test_beyond_all_draws_is_place_0_or_1() -> None:
    """No place outside 0 to 1."""
    [told] = tell().figures
    assert find_place(told.curve, 1.0) == 0.0
    assert find_place(told.curve, 1e9) == 1.0


def test_no_night_leaves_spreads_as_they_are() -> None:
    """Nothing learned from nothing."""
    past = keep_track([])
    assert (past.of, past.widened) == (0, 1.0)


def test_nights_that_miss_widen_and_hits_do_not() -> None:
    """The rule: sqrt((4 + sum z^2) / (4 + n)), at least 1 while under 80 % hit."""
    missed = keep_track(nights(3.0, -3.0))
    assert (missed.hits, missed.of) == (0, 2)
    assert missed.widened == pytest.approx(math.sqrt((4 + 18) / 6))
    good = keep_track(nights(0.1, -0.2, 0.3))
    assert (good.hits, good.widened) == (3, 1.0)
    assert missed.bias == pytest.approx(0.0, abs=1e-9)
    assert abs(missed.worst) == pytest.approx(0.6)


def test_narrowing_needs_ten_nights_and_eight_in_ten_hits() -> None:
    """Nine good nights change nothing, ten do, never below 0.7; with two misses of nine in
    ten it stays at 1 or above."""
    assert keep_track(nights(*[0.1] * 9)).widened == 1.0
    assert 0.7 <= keep_track(nights(*[0.1] * 10)).widened < 1.0
    assert keep_track(nights(*[0.1] * 60)).widened == 0.7
    assert keep_track(nights(*[0.1] * 7, *[1.3] * 3)).widened >= 1.0


@given(st.lists(st.floats(-50, 50), max_size=12))
def test_never_narrower_while_too_few_hit(errors: list[float]) -> None:
    """Below 80 % hits the factor is 1 or more, and never above 10."""
    past = keep_track(nights(*errors))
    if past.of and past.hits / past.of < 0.8:
        assert past.widened >= 1.0
    assert past.widened <= 10.0
    assert all(0 <= place <= 1 for place in past.places)


def test_honest_forecasts_are_left_alone_and_bold_ones_are_not() -> None:
    """Two hundred nights drawn from the told law: about 80 % hit and a factor near 1. Told
    with half of the spread: the factor finds the other half."""
    rng = np.random.default_rng(3)
    errors = rng.normal(0, 1, 200)
    honest = keep_track(nights(*map(float, errors)))
    assert honest.hits / honest.of == pytest.approx(0.8, abs=0.08)
    assert honest.widened == pytest.approx(1.0, abs=0.12)
    bold = keep_track(nights(*map(float, 2 * errors)))
    assert bold.widened == pytest.approx(2.0, abs=0.25)


def test_a_night_counts_once_by_its_window() -> None:
    """Of several figures the window stands for the night, else the longest."""
    figures = tell().figures + tell(name="step full").figures + tell(name="step x").figures
    told = Prediction("run-1", "2026-01-31T22:00:00Z", figures, "0")
    whole = Actual("run-1", "n", (("step x", 800.0), ("step full", 900.0), ("window", 1000.0)), ())
    leading = pick_leading(score(told, whole))
    assert leading is not None
    assert leading.name == "window"
    parts = Actual("run-1", "n", whole.figures[:2], ())
    leading = pick_leading(score(told, parts))
    assert leading is not None
    assert leading.name == "step full"
    assert pick_leading(()) is None


def test_what_is_told_has_every_figure_with_its_law() -> None:
    """Window, outage, services, steps, and steps without their download."""
    step = make_step("upgrade", 0.0, download=10.0, download_bytes=1e7, unpack=50.0)
    inputs = make_night(step, outages=[("web", 20.0, 30.0)], priors=Priors())
    drawn = foresee(inputs, draws=4000).draws
    assert drawn is not None
    told = {one.name: one for one in list_told(drawn)}
    assert list(told) == ["window", "outage", "service web", "step upgrade", "work upgrade"]
    for one in told.values():
        assert list(one.curve) == sorted(one.curve)
        assert one.takes.p50 == pytest.approx(one.curve[TOLD_LEVELS.index(0.5)])
    assert told["work upgrade"].takes.p50 < told["step upgrade"].takes.p50
