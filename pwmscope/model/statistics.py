"""Median, mean, standard deviation and autocorrelation that keep their digits at large offsets."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

FROM_MAD: Final = 1.4826
"""Standard deviation of a Gaussian over its median absolute deviation."""
_MANY: Final = 1_000_000


def median_of(values: npt.NDArray[np.float64]) -> float:
    """Return the median of one value or more; NaN where one of them is.

    Examples
    --------
    >>> median_of(np.array([3.0, 1.0, 2.0, 10.0]))
    2.5
    """
    if values.size >= _MANY:
        # Polars takes a third of numpy's time; for few values its import would cost more.
        import polars as pl  # noqa: PLC0415

        median = pl.Series(values).median()
        assert isinstance(median, float)
        return median
    # As the library does it, without what takes three times as long for a few hundred values.
    middle = values.size // 2
    parted = np.partition(values, (middle - 1, middle, -1) if middle else 0)
    if np.isnan(parted[-1]):
        return float("nan")
    return float(parted[middle] if values.size % 2 else 0.5 * (parted[middle - 1] + parted[middle]))


@dataclass(frozen=True, slots=True)
class Summary:
    """What a set of values is like; a figure the set cannot give is None.

    Parameters
    ----------
    count : int
        Number of values.
    median, mean, min, max : float or None
        In the values' own unit; None for an empty set.
    std : float or None
        Sample standard deviation (divisor n - 1); None below two values.
    """

    count: int
    median: float | None
    mean: float | None
    min: float | None
    max: float | None
    std: float | None


def product(first: npt.NDArray[np.float64], second: npt.NDArray[np.float64]) -> float:
    """Scalar product of two columns on one thread.

    ``first @ second`` wakes a thread on every core, which costs more than it saves
    for columns of this length, the more so on a busy machine.

    Examples
    --------
    >>> product(np.array([1.0, 2.0]), np.array([3.0, 4.0]))
    11.0
    """
    return float(np.einsum("i,i->", first, second))


def mean_of(values: npt.NDArray[np.float64]) -> float:
    """Arithmetic mean, corrected once by the mean of its own residuals.

    Examples
    --------
    >>> mean_of(np.array([10000000.1, 10000000.2, 10000000.3]))
    10000000.2
    """
    mean = float(np.add.reduce(values)) / values.size
    return mean + float(np.add.reduce(values - mean)) / values.size


def std_of(values: npt.NDArray[np.float64]) -> float:
    """Sample standard deviation by the corrected two-pass formula.

    The sum of the residuals, zero in exact arithmetic, corrects the sum of
    their squares for the rounding of the mean (Chan, Golub and LeVeque, "Algorithms for
    computing the sample variance", The American Statistician 37, 1983,
    equation 1.7; cited from memory).
    """
    residuals = values - mean_of(values)
    rest = float(np.add.reduce(residuals))
    squares = float(np.add.reduce(residuals * residuals)) - rest**2 / values.size
    return math.sqrt(max(squares, 0.0) / (values.size - 1))


def lag_one(values: npt.NDArray[np.float64]) -> float | None:
    """Autocorrelation of neighbouring values.

    The sum of the products of neighbouring deviations over the sum of the squares of
    all, deviations being from the mean of all values (the definition of the NIST
    Statistical Reference Datasets).

    Examples
    --------
    >>> lag_one(np.array([10000001.0, 10000003.0, 10000002.0]))
    -0.5
    """
    if values.size < 2:
        return None
    # From the first value on, differences of values near each other are exact.
    residuals = values - values[0]
    residuals -= mean_of(residuals)
    squares = float(np.dot(residuals, residuals))
    return float(np.dot(residuals[:-1], residuals[1:])) / squares if squares > 0.0 else None


def summarise(values: npt.NDArray[np.float64]) -> Summary:
    """Summarise values.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        Finite values in any unit.

    Returns
    -------
    Summary
        In the same unit.

    Examples
    --------
    >>> summarise(np.array([1499.0, 1500.0, 1501.0]))
    Summary(count=3, median=1500.0, mean=1500.0, min=1499.0, max=1501.0, std=1.0)
    """
    if not values.size:
        return Summary(0, None, None, None, None, None)
    return Summary(
        int(values.size),
        median_of(values),
        mean_of(values),
        float(values.min()),
        float(values.max()),
        std_of(values) if values.size > 1 else None,
    )
