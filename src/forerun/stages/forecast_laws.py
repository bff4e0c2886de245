"""The laws of chance that a forecast rests on. Pure; every formula names its source.

A forecast is about one more night, so it uses prediction limits and neither confidence
limits of a mean nor tolerance limits of a fleet (NIST/SEMATECH e-Handbook 7.2.6.3 tells
them apart). Durations are positive and skewed: their logarithms are what is averaged.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

Z80 = 1.2815515655446004  # four in five of a normal law's draws lie within this of its middle
# What a deviation of logarithms is held to: a student's t of one degree of freedom has no
# end, and exp() of it overflows. A factor of a thousand either way is beyond any quantile told.
MOST_LOG = math.log(1000.0)


@dataclass(frozen=True, slots=True)
class Sample:
    """`count` observations by mean and standard deviation (n - 1; 0.0 for one)."""

    count: int
    mean: float
    sd: float


def summarise(values: Sequence[float]) -> Sample:
    """Mean and standard deviation, in two passes about the exact sum's mean: NIST's StRD
    sets are what a one-pass formula fails at. Raises ValueError on no values."""
    if not values:
        raise ValueError("nothing to summarise")
    count = len(values)
    mean = math.fsum(values) / count
    if count == 1:
        return Sample(1, mean, 0.0)
    # The mean's own rounding is taken back out (Chan, Golub & LeVeque 1983, "corrected
    # two-pass"; from memory).
    deviations = [value - mean for value in values]
    square = math.fsum(d * d for d in deviations) - math.fsum(deviations) ** 2 / count
    return Sample(count, mean, math.sqrt(max(0.0, square) / (count - 1)))


def summarise_logs(values: Sequence[float]) -> Sample:
    """As `summarise`, of the natural logarithms. Raises ValueError on values that have none."""
    if any(value <= 0 for value in values):
        raise ValueError("a logarithm needs a value above zero")
    return summarise([math.log(value) for value in values])


def draw_stream(seed: int, name: str) -> np.random.Generator:
    """A PCG64 stream of one input's own: an input's draws stay the same whatever other
    inputs there are, so that a what-if differs by what was changed and by nothing else."""
    return np.random.Generator(np.random.PCG64([seed, zlib.crc32(name.encode("utf-8"))]))


def draw_predictive(rng: np.random.Generator, count: int, draws: int) -> Floats:
    """How far one more value lies from the mean of `count` earlier ones, in units of their
    standard deviation: student's t of n - 1 degrees of freedom times sqrt(1 + 1/n)
    (Montgomery & Runger, Applied Statistics and Probability for Engineers, eq. 8-29).

    With `count` 0 the deviation is not estimated but stated: a standard normal. One value
    alone has no deviation of its own; what is stated for it counts twice, for the value
    itself and for the next."""
    if count <= 1:
        return rng.standard_normal(draws) * math.sqrt(1.0 + count)
    return rng.standard_t(count - 1, draws) * math.sqrt(1 + 1 / count)


@dataclass(frozen=True, slots=True)
class Level:
    """What one occasion showed: a mean of logarithms, and the standard deviation of that mean
    as the repetitions tell it."""

    mean: float
    error: float


@dataclass(frozen=True, slots=True)
class Occasions:
    """`count` occasions (0: none, all is stated) by their mean, and by the standard deviation
    of the next occasion's level, estimated with `freedom` degrees of freedom (0: stated)."""

    count: int
    mean: float
    sd: float
    freedom: int


def average_levels(levels: Sequence[Level]) -> Level:
    """The mean of several that were timed one after another on one occasion."""
    mean = math.fsum(one.mean for one in levels) / len(levels)
    return Level(mean, math.sqrt(math.fsum(one.error**2 for one in levels)) / len(levels))


def pool_occasions(
    levels: Sequence[Level], stated_sd: float, worth: int, least_sd: float = 0.0
) -> Occasions:
    """Several occasions as one. Repetitions of one occasion are alike, so that the spread of
    the occasions' means is what counts (NIST/SEMATECH e-Handbook 2.4.4, level-2
    standard deviation; section from memory). Few occasions tell little of it: `stated_sd` is
    pooled with it, and the repetitions' own noise, together worth `worth` degrees of freedom,
    as for a normal law with a scaled inverse chi-squared prior (Gelman et al., Bayesian Data
    Analysis, 3rd ed., 3.2 and 3.3; from memory). Two occasions alone have one degree, whose t
    reaches a hundred times their spread."""
    sample = summarise([one.mean for one in levels])
    freedom = worth + sample.count - 1
    if freedom < 1:
        return Occasions(sample.count, sample.mean, least_sd, 0)
    noise = math.fsum(one.error**2 for one in levels) / len(levels)
    squares = worth * (stated_sd**2 + noise) + (sample.count - 1) * sample.sd**2
    return Occasions(
        sample.count, sample.mean, max(math.sqrt(squares / freedom), least_sd), freedom
    )


def draw_occasion(rng: np.random.Generator, of: Occasions, draws: int) -> Floats:
    """How far the next occasion's level lies from the mean of those (`draw_predictive`)."""
    drawn = rng.standard_t(of.freedom, draws) if of.freedom else rng.standard_normal(draws)
    deviation: Floats = drawn * of.sd * (math.sqrt(1 + 1 / of.count) if of.count else 1.0)
    return deviation


def log_sd_of(times: float) -> float:
    """The standard deviation of logarithms for "four in five lie within times or divided by
    `times` of the middle"."""
    return math.log(times) / Z80


@dataclass(frozen=True, slots=True)
class ThreePoint:
    """A judged value: at least, most likely, at most. Drawn from the Beta-PERT law, whose mean
    is (a + 4 m + b) / 6 as in textbooks, but whose variance is (mean - a) (b - mean) / 7 and
    not their ((b - a) / 6) squared."""

    least: float
    likely: float
    most: float

    def __post_init__(self) -> None:
        if not 0 <= self.least <= self.likely <= self.most:
            raise ValueError("three values of a guess go from the smallest to the largest")

    def shapes(self) -> tuple[float, float]:
        """alpha and beta of the Beta-PERT law; (1, 1) for a guess without width."""
        width = self.most - self.least
        if width <= 0:
            return 1.0, 1.0
        alpha = 1 + 4 * (self.likely - self.least) / width
        return alpha, 1 + 4 * (self.most - self.likely) / width


def draw_pert(rng: np.random.Generator, guess: ThreePoint, draws: int) -> Floats:
    """Draws of the Beta-PERT law on that guess."""
    alpha, beta = guess.shapes()
    return guess.least + (guess.most - guess.least) * rng.beta(alpha, beta, draws)


def wilson_interval(seen: int, of: int, *, level: float = 0.95) -> tuple[float, float]:
    """Wilson's score interval of a share (Newcombe 1998, Stat. Med. 17:857, method 3)."""
    if not 0 <= seen <= of or of == 0:
        raise ValueError("a share needs 0 <= seen <= of, and of above 0")
    z = NormalDist().inv_cdf((1 + level) / 2)
    share = seen / of
    middle = (share + z * z / (2 * of)) / (1 + z * z / of)
    reach = z / (1 + z * z / of) * math.sqrt(share * (1 - share) / of + (z / (2 * of)) ** 2)
    return max(0.0, middle - reach), min(1.0, middle + reach)


def odds_of(seen: int, of: int) -> float:
    """The chance of what was seen `seen` times in `of` runs: (k + 1) / (n + 2), Laplace's
    rule of succession; never 0 or 1, since few runs prove neither."""
    return (seen + 1) / (of + 2)


def upper_when_none(of: int, *, level: float = 0.95) -> float:
    """The largest chance that still lets `of` runs pass without it in one of twenty cases:
    1 - 0.05^(1/n), the exact form of "3 / n"."""
    return 1.0 if of < 1 else float(1 - (1 - level) ** (1 / of))


def chance_beyond_worst(runs: int) -> float:
    """Without any law assumed: the chance that the next run is longer than all before."""
    return 1 / (runs + 1)
