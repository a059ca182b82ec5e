"""How readings of an interval that ought to repeat scatter."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

MAX_SAMPLE: Final = 1 << 16
"""The shape of the scatter is taken from no more readings than these, evenly spread."""
_BLOCK: Final = 1 << 16
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Sample:
    """Some readings of each group, as columns.

    Parameters
    ----------
    away_us : ndarray of float64, shape (n,)
        How far each is from the reading that stands for its group.
    group : ndarray of int64, shape (n,)
        Which group it is of, ascending.
    """

    away_us: FloatArray
    group: IntArray


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
    sample : Sample, optional
        Some of the readings, which show whether they crowd at few values.
    doubt_us2 : float
        Standard uncertainty of the pooled variance for other reasons than sampling, such
        as which pulses were held.
    shift_us2 : float
        What is to be added to the pooled variance where it shows jitter.
    """

    mean_us: FloatArray
    std_us: FloatArray
    count: IntArray
    reading_us: FloatArray | None = None
    sample: Sample | None = None
    doubt_us2: float = 0.0
    shift_us2: float = 0.0

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
        sample = self.sample
        if sample is not None:
            own = held[sample.group]
            sample = Sample(sample.away_us[own], (np.cumsum(held) - 1)[sample.group[own]])
        return replace(
            self,
            mean_us=self.mean_us[held],
            std_us=self.std_us[held],
            count=self.count[held],
            reading_us=None if self.reading_us is None else self.reading_us[held],
            sample=sample,
        )


def scatter_of(readings_us: FloatArray, count: IntArray | None = None) -> Scatter:
    """Gather the scatter of readings.

    Parameters
    ----------
    readings_us : ndarray of float64, shape (n,)
        Readings in order of time, group after group.
    count : ndarray of int64, shape (groups,), optional
        Readings in each group, at least 1, n in all; one group if not given.

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
        block_us = readings_us[start : start + _BLOCK]
        first = int(np.searchsorted(begin, start, side="right")) - 1
        groups = slice(first, int(np.searchsorted(begin, start + _BLOCK)))
        borders = np.maximum(begin[groups] - start, 0)
        held = np.diff(borders, append=block_us.size)
        away_us = block_us - np.repeat(first_us[groups], held)
        sums[groups] += np.add.reduceat(away_us, borders)
        squares[groups] += np.add.reduceat(away_us * away_us, borders)
    offset_us = sums / count
    squares -= count * offset_us**2
    return Scatter(
        first_us + offset_us,
        np.sqrt(np.maximum(squares, 0.0) / np.maximum(count - 1, 1)),
        count,
        first_us,
        _sample(readings_us, first_us, begin),
    )


def _sample(readings_us: FloatArray, first_us: FloatArray, begin: IntArray) -> Sample:
    step = -(-readings_us.size // MAX_SAMPLE)
    place = np.arange(0, readings_us.size, step)
    group = np.searchsorted(begin, place, side="right") - 1
    return Sample(readings_us[place] - first_us[group], group.astype(np.int64))
