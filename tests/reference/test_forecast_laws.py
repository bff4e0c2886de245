"""The laws a forecast draws from, against figures published elsewhere.

Each check names its source. "From memory" marks a figure that was not seen in a source.
Simulated figures are compared within what so many draws can be off by.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from tests.practice.night import NO_SPREAD, make_night, make_reading, make_step, with_runs

from forerun.model.speed import SpeedReading, Work
from forerun.stages.forecast import foresee
from forerun.stages.forecast_inputs import Priors
from forerun.stages.forecast_laws import (
    Level,
    Sample,
    ThreePoint,
    chance_beyond_worst,
    draw_occasion,
    draw_pert,
    draw_predictive,
    draw_stream,
    log_sd_of,
    odds_of,
    pool_occasions,
    summarise,
    summarise_logs,
    upper_when_none,
    wilson_interval,
)
from forerun.stages.what_if import apply_wishes

STRD = Path(__file__).parents[1] / "data" / "strd-univariate.json"
MANY = 2_000_000


def limit(count: int, level: float) -> float:
    """The factor of the standard deviation that a share `level` of the draws lies below."""
    return float(np.quantile(draw_predictive(draw_stream(5, f"n{count}"), count, MANY), level))


# NIST Statistical Reference Datasets, univariate summary statistics: certified values.
CERTIFIED = {
    "mavro": (2.00185600000000, 0.000429123454003053),
    "michelson": (299.852400000000, 0.0790105478190518),
    "lew": (-177.435000000000, 277.332168044316),
    "lottery": (518.958715596330, 291.699727470969),
}


@pytest.mark.parametrize("name", CERTIFIED)
def test_mean_and_deviation_of_the_reference_data(name: str) -> None:
    """NIST StRD: Mavro, Michelso, Lew and Lottery to 12 digits and more."""
    mean, sd = CERTIFIED[name]
    found = summarise(json.loads(STRD.read_text())[name])
    assert found.mean == pytest.approx(mean, rel=1e-13)
    assert found.sd == pytest.approx(sd, rel=1e-12)


@pytest.mark.parametrize(
    ("values", "mean", "sd", "tolerance"),
    [
        ([10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0, 1e-13),
        ([1.2, *[1.1, 1.3] * 500], 1.2, 0.1, 1e-13),
        ([1000000.2, *[1000000.1, 1000000.3] * 500], 1000000.2, 0.1, 1e-8),
        ([10000000.2, *[10000000.1, 10000000.3] * 500], 10000000.2, 0.1, 1e-7),
    ],
    ids=["NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4"],
)
def test_mean_and_deviation_where_digits_cancel(
    values: list[float], mean: float, sd: float, tolerance: float
) -> None:
    """NIST StRD, NumAcc1 to NumAcc4: as near as binary fractions of the data allow."""
    found = summarise(values)
    assert found.mean == pytest.approx(mean, rel=1e-13)
    assert found.sd == pytest.approx(sd, rel=tolerance)


def test_a_published_prediction_interval() -> None:
    """Montgomery & Runger, Applied Statistics and Probability for Engineers, example 8-8:
    n = 22, mean 13.71, s = 3.55: 95 % of next values lie in 6.16 to 21.26."""
    sample = Sample(22, 13.71, 3.55)
    low, high = (sample.mean + sample.sd * limit(22, level) for level in (0.025, 0.975))
    assert (low, high) == pytest.approx((6.16, 21.26), abs=0.03)


def test_another_published_prediction_interval() -> None:
    """The same book, exercise 8-73: n = 16, mean 60139.7, s = 3645.94: 52131.08 to 68148.31
    with t rounded in print; a draw's quantile is within 40 of it."""
    low, high = (60139.7 + 3645.94 * limit(16, level) for level in (0.025, 0.975))
    assert (low, high) == pytest.approx((52131.08, 68148.31), abs=40)


# Two-sided 95 % prediction factors; n = 4 to 60 as recomputed for the rows of Hahn (1970) in
# "Statistics for Environmental Engineers", table 21.1; n = 3 by the same formula.
HAHN = {3: 4.9683, 4: 3.5581, 5: 3.0414, 6: 2.7765, 10: 2.3726, 20: 2.1447, 60: 2.0176}


@pytest.mark.parametrize("count", HAHN)
def test_prediction_factors(count: int) -> None:
    """Hahn's factors; what few runs are widened by."""
    assert limit(count, 0.975) == pytest.approx(HAHN[count], rel=0.01)


# Student t upper points as printed (table citing the NIST e-Handbook).
STUDENT = {
    (2, 0.90): 3.078,
    (3, 0.95): 2.920,
    (4, 0.95): 2.353,
    (6, 0.95): 2.015,
    (10, 0.975): 2.262,
}


@pytest.mark.parametrize(("count", "level"), STUDENT)
def test_few_runs_have_students_tails(count: int, level: float) -> None:
    """One-sided points of student's t with n - 1 degrees of freedom."""
    printed = STUDENT[count, level] * math.sqrt(1 + 1 / count)
    assert limit(count, level) == pytest.approx(printed, rel=0.01)


def test_a_stated_deviation_is_normal() -> None:
    """z points of the normal law: 0.80 0.841621, 0.95 1.644854, 0.99 2.326348; and with one
    value only, the stated deviation counts for it and for the next: the root of two more."""
    draws = draw_predictive(draw_stream(1, "z"), 0, MANY)
    found = np.quantile(draws, (0.80, 0.95, 0.99))
    assert found == pytest.approx([0.841621, 1.644854, 2.326348], abs=0.006)
    one = draw_predictive(draw_stream(1, "z"), 1, MANY)
    assert one == pytest.approx(draws * math.sqrt(2))


def test_what_is_known_of_a_spread_counts_as_so_many_values() -> None:
    """Two values with what counts as four more: five degrees of freedom, whose point of 0.95
    is 2.015 as printed; four parts of the stated variance and one of the seen. With nothing
    known it is the plain prediction of two values."""
    two = [Level(-0.8 / math.sqrt(2), 0.0), Level(0.8 / math.sqrt(2), 0.0)]
    draws = draw_occasion(draw_stream(5, "n2"), pool_occasions(two, 0.1, 4), MANY)
    printed = 2.015 * math.sqrt((4 * 0.1**2 + 0.8**2) / 5) * math.sqrt(1 + 1 / 2)
    assert float(np.quantile(draws, 0.95)) == pytest.approx(printed, rel=0.01)
    plain = draw_occasion(draw_stream(5, "n2"), pool_occasions(two, 0.1, 0), 1000)
    assert plain == pytest.approx(draw_predictive(draw_stream(5, "n2"), 2, 1000) * 0.8)


@pytest.mark.parametrize("count", [1, 2, 5])
def test_a_pooled_spread_covers_the_next_value(count: int) -> None:
    """4000 made-up machines whose variance is scaled inverse chi-squared: the next value lies
    below the told 95 % point in 0.937 to 0.962 of them, binomial chance's band for a true
    95 % in 999 of 1000 tries."""
    rng, inside = np.random.default_rng(count), 0
    for number in range(4000):
        sd = math.sqrt(4 * 0.2**2 / rng.chisquare(4))
        values = rng.normal(3.0, sd, count + 1)
        seen = pool_occasions([Level(float(one), 0.0) for one in values[:count]], 0.2, 4)
        told = draw_occasion(draw_stream(number, "x"), seen, 1000)
        inside += float(values[-1]) <= seen.mean + float(np.quantile(told, 0.95))
    assert 0.937 <= inside / 4000 <= 0.962


@pytest.mark.parametrize(
    ("guess", "mean", "variance", "quantiles"),
    [
        (ThreePoint(5, 8, 17), 9.0, 4.571429, {0.05: 5.9172847, 0.5: 8.7657221, 0.95: 12.8888998}),
        (ThreePoint(10, 15, 30), 16.6667, 12.698413, {0.9: 21.6778075, 0.95: 23.1481664}),
    ],
)
def test_beta_pert(
    guess: ThreePoint, mean: float, variance: float, quantiles: dict[float, float]
) -> None:
    """The mean of Taylor's worked PERT example (5, 8, 17) is 9; the variance of the Beta-PERT
    law is (mean - a)(b - mean)/7 = 4.5714 and not the classical ((b - a)/6)^2 = 4."""
    draws = draw_pert(draw_stream(3, "pert"), guess, MANY)
    assert float(np.mean(draws)) == pytest.approx(mean, abs=0.01)
    assert float(np.var(draws)) == pytest.approx(variance, rel=0.01)
    for level, value in quantiles.items():
        assert float(np.quantile(draws, level)) == pytest.approx(value, rel=0.005)


def test_a_path_of_judged_activities() -> None:
    """Taylor, Introduction to Management Science, the worked network: the critical path
    1-3-5-7 has mean 24, variance 5 by the classical formula; by the drawn law the mean is the
    same and the variance the sum of (mean - a)(b - mean)/7."""
    path = [ThreePoint(5, 8, 17), ThreePoint(3, 5, 7), ThreePoint(4, 6, 8), ThreePoint(3, 4, 5)]
    total = sum(draw_pert(draw_stream(4, f"{n}"), one, MANY) for n, one in enumerate(path))
    assert float(np.mean(total)) == pytest.approx(24.0, abs=0.01)
    assert sum(((one.most - one.least) / 6) ** 2 for one in path) == pytest.approx(5.0)
    wanted = 4 * 8 / 7 + 2 * 2 / 7 + 2 * 2 / 7 + 1 * 1 / 7
    assert float(np.var(total)) == pytest.approx(wanted, rel=0.01)


def test_lognormal_identities() -> None:
    """A step of median 30 whose logarithm deviates by 0.25: mean 30.952302, 95 % quantile
    45.259418, coefficient of variation 0.2539576 (identities of the lognormal law)."""
    draws = 30 * np.exp(0.25 * draw_predictive(draw_stream(2, "log"), 0, MANY))
    assert float(np.mean(draws)) == pytest.approx(30.952302, rel=0.002)
    assert float(np.quantile(draws, 0.95)) == pytest.approx(45.259418, rel=0.003)
    assert float(np.std(draws) / np.mean(draws)) == pytest.approx(0.2539576, rel=0.005)


@pytest.mark.parametrize(
    ("seen", "of", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
        (0, 10, 0.0, 0.2775),
        (10, 10, 0.7225, 1.0),
    ],
)
def test_wilsons_interval(seen: int, of: int, low: float, high: float) -> None:
    """Newcombe (1998), Statistics in Medicine 17:857-872, table I, method 3; and scipy's."""
    found = wilson_interval(seen, of)
    assert found == pytest.approx((low, high), abs=5e-5)
    theirs = stats.binomtest(seen, of).proportion_ci(method="wilson")
    assert found == pytest.approx((theirs.low, theirs.high), abs=1e-12)


@pytest.mark.parametrize(
    ("of", "upper"), [(3, 0.6316), (5, 0.4507), (10, 0.2589), (29, 0.0981), (59, 0.0495)]
)
def test_none_seen(of: int, upper: float) -> None:
    """Exact 95 % upper bound on a chance that none of n runs met: 1 - 0.05^(1/n); 59 runs
    are Wilks' number for 95/95."""
    assert upper_when_none(of) == pytest.approx(upper, abs=5e-5)
    assert odds_of(0, of) < upper


def test_the_next_run_against_the_worst_so_far() -> None:
    """Without a law: 1/(n+1); 3 runs 25 %, 9 runs 10 %, 19 runs 5 %."""
    assert [chance_beyond_worst(n) for n in (3, 9, 19)] == [0.25, 0.1, 0.05]


# JCGM 101:2008, 9.2: an additive model. The engine adds steps that do not share an input.


def test_an_additive_model_of_normal_inputs() -> None:
    """JCGM 101, table 2: four N(0, 1) add up to u = 2.0 and 95 % within +-3.92."""
    total = sum(draw_predictive(draw_stream(6, f"x{n}"), 0, 1_000_000) for n in range(4))
    assert float(np.std(total)) == pytest.approx(2.0, abs=0.005)
    assert np.quantile(total, (0.025, 0.975)) == pytest.approx([-3.92, 3.92], abs=0.02)


@pytest.mark.parametrize(("wide", "sd", "reach"), [(1.0, 2.0, 3.879407), (10.0, 10.15, 17.0)])
def test_an_additive_model_of_rectangular_inputs(wide: float, sd: float, reach: float) -> None:
    """JCGM 101, table 3: four rectangular inputs of deviation 1 give +-3.88 (exact 3.879407);
    table 4 (from memory), one of them ten times as wide: +-17.0, not the 19.9 of a normal."""
    root = math.sqrt(3)
    total = sum(
        draw_stream(7, f"r{n}").uniform(-root, root, 1_000_000) * (wide if n == 3 else 1.0)
        for n in range(4)
    )
    assert float(np.std(total)) == pytest.approx(sd, abs=0.02)
    found = np.quantile(total, (0.025, 0.975))
    assert found == pytest.approx([-reach, reach], abs=0.06)


def test_a_skewed_result_is_not_told_as_plus_or_minus() -> None:
    """NPL DEM-ES-011, table 9.2: Y = ln X, X uniform on 0.1 to 1.1: mean -0.665, deviation
    0.606, and the shortest 95 % interval is -1.895 to 0.095 (exact ln 0.15 to ln 1.1): draws
    keep the skew that mean +- 1.96 deviations loses."""
    draws = np.log(draw_stream(8, "npl").uniform(0.1, 1.1, 1_000_000))
    assert float(np.mean(draws)) == pytest.approx(-0.665, abs=0.003)
    assert float(np.std(draws)) == pytest.approx(0.606, abs=0.003)
    ordered = np.sort(draws)
    inside = round(0.95 * len(ordered))
    at = int(np.argmin(ordered[inside:] - ordered[:-inside]))
    assert ordered[[at, at + inside]] == pytest.approx([-1.897120, 0.095310], abs=0.02)
    assert float(np.mean(draws) + 1.96 * np.std(draws)) > 0.095 + 0.4


@pytest.mark.parametrize(
    ("size_bytes", "rate", "seconds"),
    [
        (1_000_000_000, "100Mbit/s", 80.0),
        (1 << 30, "100Mbit/s", 85.899),
        (700 << 20, "20Mbit/s", 293.601),
        (300_000_000_000, "125MB/s", 2400.0),
        (1_048_576, "1MiB/s", 1.0),
    ],
)
def test_download_times(size_bytes: int, rate: str, seconds: float) -> None:
    """IEC 80000-13 prefixes: 1 GB at 100 Mbit/s takes 80 s, 1 GiB 85.899 s, 700 MiB at
    20 Mbit/s 293.601 s, through the engine's own what-if."""
    step = make_step("fetch", 0.0, download=10.0, download_bytes=float(size_bytes))
    inputs, _ = apply_wishes(make_night(step), [f"link={rate}"])
    window = foresee(inputs, draws=100).told.window
    assert window is not None
    assert window.p50 == pytest.approx(seconds, rel=1e-5)


def test_the_intervals_cover_what_they_say() -> None:
    """2000 made-up servers of five lognormal nights each: the next night lies below the told
    95 % quantile in 0.934 to 0.966 of them, the band that binomial chance leaves a true 95 %
    in 999 of 1000 tries."""
    rng = np.random.default_rng(20260131)
    inside = 0
    night = make_night(
        make_step("work", 0.0, compute=100.0),
        clone=make_reading([1.0], [Work.COMPUTE]),
        production=make_reading([1.0], [Work.COMPUTE]),
    )
    for number in range(2000):
        nights = np.exp(rng.normal(0.0, 0.2, 6))
        inputs = with_runs(night, *map(float, nights[:5]))
        told = foresee(inputs, seed=number, draws=2000).told
        assert told.window is not None
        inside += float(nights[5]) * 100.0 <= told.window.p95
    assert 0.934 <= inside / 2000 <= 0.966


def test_a_ratio_covers_the_next_reading() -> None:
    """2000 made-up machines, timed on three occasions as the clone was, and nothing assumed of
    their spread: production's own next reading over the clone's lies below the told 95 % quantile
    in 0.934 or more of them; the two spreads add, each with its own student's t, so it may be
    more."""
    rng = np.random.default_rng(7)
    inside = 0
    step = make_step("work", 0.0, compute=1.0)
    nothing = replace(NO_SPREAD, reading_worth=0)
    for number in range(2000):
        ours, theirs = np.exp(rng.normal(0, 0.1, 4)), np.exp(rng.normal(0.5, 0.1, 4))
        inputs = make_night(
            step,
            clone=_time_each(ours[:3]),
            production=_time_each(theirs[:3]),
            priors=nothing,
        )
        told = foresee(inputs, seed=number, draws=2000).told
        assert told.window is not None
        inside += float(theirs[3] / ours[3]) <= told.window.p95
    assert 0.934 <= inside / 2000 <= 0.985


def _time_each(seconds: Iterable[float]) -> list[SpeedReading]:
    return [make_reading([float(one)], [Work.COMPUTE]) for one in seconds]


def test_occasions_count_and_not_repetitions() -> None:
    """NIST/SEMATECH e-Handbook 2.4.4 (section from memory): with J repetitions on each of K
    days, the level-2 standard deviation is that of the K days' means (degrees of freedom K - 1),
    whatever the repetitions did."""
    rng = np.random.default_rng(11)
    days = rng.normal(0, 0.2, (4, 1)) + rng.normal(0, 0.03, (4, 5))
    levels = [
        Level(one.mean, one.sd / math.sqrt(one.count)) for one in map(summarise, days.tolist())
    ]
    found = pool_occasions(levels, 0.0, 0)
    assert (found.count, found.freedom) == (4, 3)
    assert found.mean == pytest.approx(float(days.mean()))
    assert found.sd == pytest.approx(float(np.std(days.mean(axis=1), ddof=1)))
    whole = float(np.sqrt(np.var(days, ddof=1) * (1 + 1 / days.size)))
    assert found.sd * math.sqrt(1 + 1 / 4) > whole  # as if all twenty were of one day


def test_the_next_occasion_is_covered_where_days_differ_more_than_assumed() -> None:
    """2000 made-up machines that vary by 20 % from one occasion to the next, while within one
    the repetitions agree to 3 %. Four occasions of five repetitions cover the next one in some
    nine of ten (told: nineteen of twenty; what is assumed of their spread, and pooled in, is far
    less); student's t on one occasion's five
    repetitions alone (NIST/SEMATECH e-Handbook 1.3.6.7.2: 2.132 for four degrees of freedom)
    covers it in less than seven of ten."""
    rng = np.random.default_rng(12)
    priors = Priors()
    inside = naive = 0
    for number in range(2000):
        levels = rng.normal(0, 0.2, 5)
        timed = [Level(float(one + rng.normal(0, 0.013)), 0.013) for one in levels[:4]]
        pooled = pool_occasions(timed, log_sd_of(priors.reading_times), priors.reading_worth)
        drawn = draw_occasion(draw_stream(number, "next"), pooled, 2000)
        inside += float(levels[4]) <= pooled.mean + float(np.quantile(drawn, 0.95))
        alone = rng.normal(timed[0].mean, 0.03, 5)
        naive += float(levels[4]) <= alone.mean() + 2.132 * math.sqrt(6 / 5) * alone.std(ddof=1)
    assert inside / 2000 >= 0.88
    assert naive / 2000 < 0.7


def test_a_factor_either_way_holds_four_in_five() -> None:
    """ "Within a factor of 1.5 either way, four times in five": z(0.90) is 1.281552."""
    assert log_sd_of(1.5) * 1.281552 == pytest.approx(math.log(1.5), rel=1e-6)
    assert summarise_logs([2.0, 8.0]).mean == pytest.approx(math.log(4.0))
