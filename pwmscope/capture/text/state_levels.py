"""The two state levels of a voltage, by the histogram method of IEEE Std 181."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

HYSTERESIS: Final = 0.1
"""Width of the band around the threshold that noise may wander in, as a part of the amplitude."""
_MOST_BINS: Final = 256
_LEAST_AMPLITUDE: Final = 0.4


@dataclass(frozen=True, slots=True)
class StateLevels:
    """What a voltage column's amplitude histogram shows.

    Parameters
    ----------
    low, high : float
        The two state levels.
    least, most : float
        The lowest and highest sample.
    """

    low: float
    high: float
    least: float
    most: float

    @property
    def are_two(self) -> bool:
        """Whether the levels lie apart as those of a digital signal do.

        The halves of a single heap of noise have their modes side by side, near
        its middle; two levels take up most of the range, overshoot included.
        """
        span = self.most - self.least
        return span > 0 and self.high - self.low >= _LEAST_AMPLITUDE * span

    @property
    def middle(self) -> float:
        """The mid reference level: halfway between the state levels."""
        return (self.low + self.high) / 2

    @property
    def band(self) -> float:
        """Width of the hysteresis band."""
        return HYSTERESIS * (self.high - self.low)


class AmplitudeHistogram:
    """An amplitude histogram that widens its bins as the range grows, in bounded memory.

    A bin's width is a power of two and its borders are whole multiples of it, so
    that two bins join into one exactly; at most 256 bins are in use.

    Examples
    --------
    >>> histogram = AmplitudeHistogram()
    >>> histogram.add(np.array([0.1, 0.1, 0.1, 1.7, 3.2, 3.2]))
    >>> levels = histogram.state_levels()
    >>> round(levels.low, 9), round(levels.high, 9)
    (0.1, 3.2)
    """

    def __init__(self) -> None:
        self._exponent = -1074
        self._first_bin = 0
        self._counts = np.zeros(0, np.int64)
        self._sums = np.zeros(0)
        self._least, self._most = math.inf, -math.inf

    @property
    def is_empty(self) -> bool:
        """Whether nothing was counted yet."""
        return not self._counts.size

    def add(self, volts: npt.NDArray[np.float64]) -> None:
        """Count samples.

        Parameters
        ----------
        volts : ndarray of float64, shape (n,)
            Finite samples.
        """
        if not volts.size:
            return
        self._least = min(self._least, float(volts.min()))
        self._most = max(self._most, float(volts.max()))
        exponent = max(self._exponent, self._fitting_exponent())
        first = math.floor(math.ldexp(self._least, -exponent))
        last = math.floor(math.ldexp(self._most, -exponent))
        counts, sums = np.zeros(last - first + 1, np.int64), np.zeros(last - first + 1)
        if self._counts.size:
            shift = min(62, exponent - self._exponent)
            old = ((np.arange(self._counts.size) + self._first_bin) >> shift) - first
            np.add.at(counts, old, self._counts)
            np.add.at(sums, old, self._sums)
        bins = np.floor(np.ldexp(volts, -exponent)).astype(np.int64) - first
        counts += np.bincount(bins, minlength=counts.size)
        sums += np.bincount(bins, weights=volts, minlength=counts.size)
        self._exponent, self._first_bin = exponent, first
        self._counts, self._sums = counts, sums

    def _fitting_exponent(self) -> int:
        """Find the smallest bin, as a power of two, of which 256 reach from least to most."""
        largest = max(abs(self._least), abs(self._most))
        # Bin numbers stay below 2**40.
        exponent = math.frexp(largest)[1] - 40
        while (
            math.floor(math.ldexp(self._most, -exponent))
            - math.floor(math.ldexp(self._least, -exponent))
            >= _MOST_BINS
        ):
            exponent += 1
        return exponent

    def state_levels(self) -> StateLevels:
        """Find the mode of each half of the histogram.

        The range is halved; the state level of a half is the mean of the samples
        in its fullest bin (IEEE Std 181, the histogram method's modes).

        Returns
        -------
        StateLevels
            Equal levels where all samples are alike.

        Raises
        ------
        ValueError
            If nothing was counted.
        """
        if not self._counts.size:
            raise ValueError("the histogram is empty")
        # The bins below the middle of the range; a bin on the middle belongs to the upper half.
        middle = math.floor(math.ldexp((self._least + self._most) / 2, -self._exponent))
        split = max(1, middle - self._first_bin)
        low = int(self._counts[:split].argmax())
        high = split + int(self._counts[split:].argmax()) if self._counts.size > split else low
        means = self._sums[[low, high]] / self._counts[[low, high]]
        return StateLevels(float(means[0]), float(means[1]), self._least, self._most)
