"""How readings of an interval that ought to repeat scatter."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

MOST_LAGS: Final = 20
"""Frames over which readings are taken to influence one another, given 20 times as many."""
MOST_DRAWN: Final = 1 << 20
"""Autocorrelation and kurtosis, which only adjust an interval's length, are taken from no
more readings than these, the first."""
_BLOCK: Final = 1 << 16
Reals = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Scatter:
    """Scatter of readings, in groups of one mean each (the dwells, or all periods as one).

    Parameters
    ----------
    mean_us, std_us : ndarray of float64, shape (groups,)
        Mean and sample standard deviation of each group's readings.
    count : ndarray of int64, shape (groups,)
        Readings in each; a group of fewer than two says nothing.
    reading_us : ndarray of float64, shape (groups,), optional
        Any one reading of each group. It tells where the mean lies between two
        whole sample intervals, even where the interval between samples is known
        to few digits. Without it readings are taken as whole multiples of the
        sample interval as it stands.
    autocorrelation : ndarray of float64, shape (lags,), optional
        Of the readings about their group's mean, lags 1, 2, ...: sum of lagged
        products over sum of squares, each over all groups.
    excess_kurtosis : float
        Of the readings about their group's mean; 0 for a Gaussian.
    """

    mean_us: Reals
    std_us: Reals
    count: npt.NDArray[np.int64]
    reading_us: Reals | None = None
    autocorrelation: Reals | None = None
    excess_kurtosis: float = 0.0

    @property
    def freedom(self) -> int:
        """Degrees of freedom of the pooled variance."""
        return int(np.sum(self.count - 1))

    @property
    def rms_us(self) -> float:
        """Standard deviation pooled over the groups."""
        squares = float(np.sum((self.count - 1) * self.std_us**2))
        return math.sqrt(squares / self.freedom)

    @property
    def usable(self) -> Scatter:
        """The groups of at least two readings."""
        held = self.count > 1
        if held.all():
            return self
        return replace(
            self,
            mean_us=self.mean_us[held],
            std_us=self.std_us[held],
            count=self.count[held],
            reading_us=None if self.reading_us is None else self.reading_us[held],
        )

    @property
    def variance_repeats(self) -> float:
        """By how much autocorrelation raises the variance of a variance.

        ``1 + 2 sum r_k^2`` for Gaussian readings (Bartlett 1946, from memory). Of the squares
        those count that exceed ``4/n``, two standard errors, less ``1/n``, what chance alone
        gives them.
        """
        if self.autocorrelation is None:
            return 1.0
        squares, by_chance = self.autocorrelation**2, 1.0 / float(np.sum(self.count))
        return 1.0 + 2.0 * float(np.sum(squares[squares > 4.0 * by_chance] - by_chance))

    @property
    def mean_repeats(self) -> float:
        """By how much autocorrelation raises the variance of a group's mean.

        ``m = 1 + 2 sum r_k``, freed of the bias that the group's own mean brings to
        the estimates, ``E[r_k'] = (1 - k/n) (r_k - m/n) / (1 - m/n)``. Lags of an
        eighth of the group's size and more are left out: freeing them multiplies their
        own scatter.
        """
        if self.autocorrelation is None:
            return 1.0
        size = float(np.mean(self.count))
        lag = np.arange(1, self.autocorrelation.size + 1)
        lag = lag[lag < size / 8]
        total = float(np.sum(self.autocorrelation[: lag.size] / (1.0 - lag / size)))
        repeats = (1.0 + 2.0 * total) / max(1.0 + 2.0 * (total - lag.size) / size, 0.1)
        return min(max(repeats, 0.0), size / 2)

    def heavier(self, usual: float) -> float:
        """Return the excess kurtosis above the usual, 0 unless it is plain.

        Plain is what exceeds twice the standard error of a Gaussian's, sqrt(24/n).
        """
        more = self.excess_kurtosis - usual
        by_chance = math.sqrt(24.0 / float(np.sum(self.count)))
        return more if more > 2.0 * by_chance else 0.0


def scatter_of(
    readings_us: Reals, count: npt.NDArray[np.int64] | None = None, *, lags: int | None = None
) -> Scatter:
    """Gather the scatter of readings.

    Parameters
    ----------
    readings_us : ndarray of float64, shape (n,)
        Readings in order of time, group after group.
    count : ndarray of int64, shape (groups,), optional
        Readings in each group, at least 1, n in all; one group if not given.
    lags : int, optional
        Number of lags of the autocorrelation; a twentieth of the number of readings, 20 at
        most, if not given.

    Returns
    -------
    Scatter

    Raises
    ------
    ValueError
        If the counts do not add up to the readings.

    Examples
    --------
    >>> found = scatter_of(np.array([1500.0, 1501, 1500, 1501, 1200, 1200]), np.array([4, 2]))
    >>> found.mean_us.tolist(), found.std_us.round(3).tolist()
    ([1500.5, 1200.0], [0.577, 0.0])
    """
    if count is None:
        count = np.array([readings_us.size], np.int64)
    if int(count.sum()) != readings_us.size:
        raise ValueError(f"{count.sum()} readings were counted, {readings_us.size} given")
    if not readings_us.size:
        return Scatter(np.zeros(0), np.zeros(0), np.zeros(0, np.int64))
    begin = np.cumsum(count) - count
    # From a reading of its own group each value is small, and keeps all its digits.
    first_us = readings_us[begin]
    sums, squares = np.zeros(count.size), np.zeros(count.size)
    for start in range(0, readings_us.size, _BLOCK):
        away_us, groups, borders = _block(readings_us, first_us, begin, start, start + _BLOCK)
        sums[groups] += np.add.reduceat(away_us, borders)
        squares[groups] += np.add.reduceat(away_us * away_us, borders)
    offset_us = sums / count
    squares -= count * offset_us**2
    mean_us = first_us + offset_us
    lags = min(MOST_LAGS, readings_us.size // 20) if lags is None else lags
    residual_us, _, borders = _block(readings_us, mean_us, begin, 0, MOST_DRAWN)
    autocorrelation, excess_kurtosis = _shape(residual_us, borders, lags)
    return Scatter(
        mean_us,
        np.sqrt(np.maximum(squares, 0.0) / np.maximum(count - 1, 1)),
        count,
        first_us,
        autocorrelation,
        excess_kurtosis,
    )


def _block(
    readings_us: Reals, origin_us: Reals, begin: npt.NDArray[np.int64], start: int, stop: int
) -> tuple[Reals, slice, npt.NDArray[np.int64]]:
    """Part of the readings, from their groups' origins; its groups; where each begins in it."""
    block_us = readings_us[start:stop]
    first = int(np.searchsorted(begin, start, side="right")) - 1
    groups = slice(first, int(np.searchsorted(begin, stop)))
    borders = np.maximum(begin[groups] - start, 0)
    held = np.diff(borders, append=block_us.size)
    return block_us - np.repeat(origin_us[groups], held), groups, borders


def _shape(residual_us: Reals, borders: npt.NDArray[np.int64], lags: int) -> tuple[Reals, float]:
    """Autocorrelation and excess kurtosis of deviations from their groups' means."""
    squares = residual_us**2
    total = float(np.sum(squares))
    if total == 0.0:
        return np.zeros(lags), 0.0
    # Zeros between the groups leave no products of two groups' deviations.
    spaced_us = np.zeros(residual_us.size + (borders.size - 1) * lags)
    held = np.diff(borders, append=residual_us.size)
    shift = np.repeat(np.arange(borders.size) * lags, held)
    spaced_us[np.arange(residual_us.size) + shift] = residual_us
    products = [float(np.dot(spaced_us[:-lag], spaced_us[lag:])) for lag in range(1, lags + 1)]
    fourth = float(np.dot(squares, squares))
    return np.array(products) / total, residual_us.size * fourth / total**2 - 3.0
