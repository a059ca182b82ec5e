"""Readings in sample intervals, and the jitter that they allow."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import chdtri, gammaincc

from pwmscope.findings.timing.sampling_law import excess_of, reading_law
from pwmscope.findings.timing.scatter import Scatter

TAIL: Final = 0.025
"""Chance that the truth lies beyond either end of a 95 % interval."""
FEWEST_OUTSIDE: Final = 10
SHARE_OUTSIDE: Final = 0.01
"""Jitter is resolved when at least this many readings, and this share of them, lie outside
the two neighbouring readings that an interval without jitter can give."""
_PARTS: Final = 512
Reals = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SampledReadings:
    """Readings in sample intervals, groups of nearly one part of an interval put together.

    Parameters
    ----------
    part : ndarray of float64, shape (parts,)
        How far above a whole number of sample intervals the mean is.
    weight : ndarray of float64, shape (parts,)
        Share of all readings; sum 1.
    size : ndarray of float64, shape (parts,)
        Readings in a group, on the average.
    total : int
        Readings in all.
    outside : float
        Readings outside the two neighbours of their group's mean, each weighted by
        ``(x - k)(x - k - 1) / 2``: one off counts 1, two off 3.
    rms : float
        Scatter of the readings, pooled.
    mean_repeats, variance_repeats : float
        As `Scatter` has them.
    scatter : Scatter
        What the readings were.
    """

    part: Reals
    weight: Reals
    size: Reals
    total: int
    outside: float
    rms: float
    mean_repeats: float
    variance_repeats: float
    scatter: Scatter

    @classmethod
    def of(cls, scatter: Scatter, sample_interval_us: float) -> SampledReadings:
        """Take readings, at least two a group."""
        origin_us = 0.0 if scatter.reading_us is None else scatter.reading_us
        part = ((scatter.mean_us - origin_us) / sample_interval_us) % 1.0
        count = scatter.count.astype(np.float64)
        squares = (count - 1) * (scatter.std_us / sample_interval_us) ** 2
        outside = float(np.sum(squares - count * part * (1 - part))) / 2
        place = np.minimum((part * _PARTS).astype(np.int64), _PARTS - 1)
        groups = np.bincount(place)
        held = groups > 0
        readings = np.bincount(place, count)[held]
        return cls(
            np.bincount(place, count * part)[held] / readings,
            readings / readings.sum(),
            readings / groups[held],
            int(scatter.count.sum()),
            max(outside, 0.0),
            scatter.rms_us / sample_interval_us,
            scatter.mean_repeats,
            scatter.variance_repeats,
            scatter,
        )

    @property
    def show_jitter(self) -> bool:
        """Whether enough readings lie outside the two neighbours."""
        return self.outside >= max(FEWEST_OUTSIDE, SHARE_OUTSIDE * self.total)

    def expected(self, sigma: float) -> tuple[float, float]:
        """Return mean and variance of ``outside`` for a jitter in sample intervals."""
        law = reading_law(self.part, sigma)
        # A group's mean has a variance of its own, which blurs the part; the law is taken
        # for as much less jitter.
        own = law.variance * self.mean_repeats / self.size
        sharper = excess_of(self.part, np.sqrt(np.maximum(sigma**2 - own, 0.0)))
        variance = float(self.weight @ law.variance)
        usual = float(self.weight @ law.fourth) / variance**2 - 3.0
        spread = law.spread + self.scatter.heavier(usual) * variance**2
        free = self.weight * (1.0 - 1.0 / self.size)
        return (
            self.total * float(self.weight @ sharper) / 2,
            self.total * self.variance_repeats * float(free @ spread) / 4,
        )

    def above(self, sigma: float) -> float:
        """Chance of at least the count found, for a jitter in sample intervals."""
        mean, variance = self.expected(sigma)
        if mean <= 0.0 or variance <= 0.0:
            return 0.0
        return float(gammaincc(mean**2 / variance, self.outside * mean / variance))

    def bound(self) -> float:
        """Largest deviation of jitter of any shape, in sample intervals.

        The mean of a reading's possible errors is zero, so the jitter's variance is at
        most the readings': ``p (1 - p)`` for a share p in the less frequent of the two
        neighbours, and 2 for each outside. Both shares are taken at their 97.5 %
        upper bound (Poisson, from the chi-square distribution).
        """
        fewer = float(self.weight @ np.minimum(self.part, 1 - self.part))
        share = min(_most(fewer * self.total) / self.total, 0.5)
        return math.sqrt(share * (1 - share) + 2 * _most(self.outside) / self.total)

    def largest(self) -> float:
        """Largest deviation of Gaussian jitter, in sample intervals."""
        most = _most(self.outside)
        return _root(lambda sigma: self.expected(sigma)[0] - most, 0.3)

    def estimate(self) -> tuple[float, float, float]:
        """Jitter for which the count found is the one to expect, and its 95 % interval."""
        near = math.sqrt(max(self.rms**2 - 1 / 6, 0.01))
        jitter = _root(lambda sigma: self.expected(sigma)[0] - self.outside, near)
        # Where a Gaussian count's ends would be; the search starts there.
        reach = min(math.sqrt(self.expected(jitter)[1]) / self.outside, 1.0)
        low = _root(lambda sigma: self.above(sigma) - TAIL, jitter * math.exp(-reach))
        high = _root(lambda sigma: self.above(sigma) - (1.0 - TAIL), jitter * math.exp(reach))
        return jitter, low, high


def _most(count: float) -> float:
    """Upper 97.5 % bound of the expectation of a count."""
    return float(chdtri(2.0 * (count + 1.0), TAIL)) / 2.0


def _root(rising: Callable[[float], float], near: float) -> float:
    """Find where a function of the jitter that rises from below 0 crosses it."""

    def of_logarithm(logarithm: float) -> float:
        return rising(math.exp(logarithm))

    low = high = math.log(near)
    step = 0.05
    if of_logarithm(low) < 0.0:
        while of_logarithm(high) < 0.0:
            low, high, step = high, high + step, 2.0 * step
    else:
        while of_logarithm(low) >= 0.0:
            low, high, step = low - step, low, 2.0 * step
    return math.exp(brentq(of_logarithm, low, high, xtol=1e-4))
