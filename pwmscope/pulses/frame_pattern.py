"""Frame periods that repeat, and which of them each frame follows."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

_REACH_DEVIATIONS: Final = 8.0
_REACH_SHARE: Final = 0.01
REACH_MOST: Final = 0.25
"""A period farther from its pattern's than this part of it is odd whatever the scatter."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """Frame periods that repeat in this order.

    Parameters
    ----------
    periods_us : tuple of float
        One for steady frames, two to eight for several periods by turns.

    Examples
    --------
    >>> Pattern((9000.0, 13000.0)).count(np.array([22000.0, 31100.0]), np.array([0, 0]))
    (array([2, 3]), array([  0., 100.]))
    """

    periods_us: tuple[float, ...]

    def __len__(self) -> int:
        return len(self.periods_us)

    @property
    def mean_us(self) -> float:
        """Mean frame period in microseconds."""
        return sum(self.periods_us) / len(self.periods_us)

    @property
    def starts_us(self) -> npt.NDArray[np.float64]:
        """Leading edges of one turn, from the first; microseconds, shape (len(self),)."""
        return np.concatenate([[0.0], np.cumsum(self.periods_us)[:-1]])

    def count(
        self, elapsed_us: npt.NDArray[np.float64], place: npt.NDArray[np.int64]
    ) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
        """Count the frames that begin within a time, to the nearest.

        Parameters
        ----------
        elapsed_us : ndarray of float64, shape (n,)
            Time since a leading edge, in microseconds, at least 0.
        place : ndarray of int64, shape (n,)
            Place in the pattern of the period that this edge begins.

        Returns
        -------
        frames : ndarray of int64, shape (n,)
            Leading edges after the first one.
        late_us : ndarray of float64, shape (n,)
            What remains: how far behind the last of them the time ends.
        """
        turns = self._turns_us()
        cycle_us = turns[0, -1]
        cycles = np.floor(elapsed_us / cycle_us)
        rest_us = (elapsed_us - cycles * cycle_us)[:, None] - turns[place]
        nearest = np.abs(rest_us).argmin(axis=1)
        late_us = np.take_along_axis(rest_us, nearest[:, None], axis=1)[:, 0]
        return cycles.astype(np.int64) * len(self) + nearest, late_us

    def count_anywhere(self, elapsed_us: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
        """Count the frames that begin within a time, at the place where they fit best."""
        at = [self.count(elapsed_us, np.full(elapsed_us.size, k)) for k in range(len(self))]
        best = np.abs([late_us for _, late_us in at]).argmin(axis=0)
        frames: npt.NDArray[np.int64] = np.array([count for count, _ in at])[
            best, np.arange(elapsed_us.size)
        ]
        return frames

    def elapsed_us(
        self, frames: npt.NDArray[np.int64], place: npt.NDArray[np.int64]
    ) -> npt.NDArray[np.float64]:
        """Return how long a number of frames takes from a place in the pattern on."""
        turns = self._turns_us()
        cycles, rest = np.divmod(frames, len(self))
        took_us: npt.NDArray[np.float64] = cycles * turns[0, -1] + turns[place, rest]
        return took_us

    def reversed(self) -> Pattern:
        """Return the pattern as it runs backwards in time."""
        return Pattern(self.periods_us[::-1])

    def _turns_us(self) -> npt.NDArray[np.float64]:
        """Leading edges from each place on, one turn and the next; shape (len, len + 1)."""
        turns = np.zeros((len(self), len(self) + 1))
        for place in range(len(self)):
            turned = self.periods_us[place:] + self.periods_us[:place]
            turns[place, 1:] = np.cumsum(turned)
        return turns


@dataclass(frozen=True, slots=True)
class Recognition:
    """Which pattern each period follows.

    Parameters
    ----------
    usual_us : float
        The median period where one period repeats throughout; else the mean period
        of the most frequent pattern.
    patterns : tuple of Pattern
        In the order in which they first appear.
    which : ndarray of int8, shape (n_periods,)
        The pattern of each period; that of its neighbours where it fits none.
    place : ndarray of int8, shape (n_periods,)
        Its place in the pattern; of no meaning for an odd one.
    odd : ndarray of int64, shape (n_odd,)
        Periods that fit no pattern, in order.
    reach_us : float
        How far a period may lie from its pattern's.
    """

    usual_us: float
    patterns: tuple[Pattern, ...]
    which: npt.NDArray[np.int8]
    place: npt.NDArray[np.int8]
    odd: npt.NDArray[np.int64]
    reach_us: float


def reach_us(scatter_us: float, usual_us: float, interval_us: float) -> float:
    """Return how far a period may lie from its pattern's without being odd.

    Parameters
    ----------
    scatter_us, usual_us : float
        Standard deviation of the periods about their pattern, and their mean.
    interval_us : float
        Interval between samples; 0 where it is not known.

    Returns
    -------
    float
        Eight deviations of the scatter or of the sampling, or one percent of the
        mean period where that is more, but at most a quarter of it.

    Examples
    --------
    >>> reach_us(1.0, 20_000.0, 1.0)
    200.0
    """
    deviation_us = max(scatter_us, interval_us / 6**0.5)
    wanted_us = max(_REACH_DEVIATIONS * deviation_us, _REACH_SHARE * usual_us)
    return min(wanted_us, REACH_MOST * usual_us)


def describe(patterns: tuple[Pattern, ...]) -> str:
    """Say patterns in milliseconds, in the order in which they appear.

    Examples
    --------
    >>> describe((Pattern((20000.0,)), Pattern((7000.0, 7000.0, 22000.0))))
    '20 ms, then 7 (twice) and 22 ms by turns'
    """
    return ", then ".join(_turn(pattern) for pattern in patterns)


def _turn(pattern: Pattern) -> str:
    said = []
    for period_us, group in itertools.groupby(pattern.periods_us):
        times = sum(1 for _ in group)
        often = {1: "", 2: " (twice)"}.get(times, f" ({times} times)")
        said.append(f"{say_ms(period_us)}{often}")
    if len(said) == 1:
        return f"{said[0]} ms"
    return f"{', '.join(said[:-1])} and {said[-1]} ms by turns"


def say_ms(period_us: float) -> str:
    """Write a period in milliseconds, to the microsecond.

    Examples
    --------
    >>> say_ms(20_000.2), say_ms(2_750.0)
    ('20', '2.75')
    """
    return f"{period_us / 1e3:.3f}".rstrip("0").rstrip(".")


def multiples(pattern: Pattern) -> tuple[tuple[float, float], ...]:
    """List each two unlike periods of a pattern of which one is a whole multiple of the other.

    Examples
    --------
    >>> multiples(Pattern((7000.0, 14001.0)))
    ((7000.0, 14001.0),)
    """
    periods_us = sorted(set(pattern.periods_us))
    return tuple(
        (short, long)
        for short, long in itertools.combinations(periods_us, 2)
        if round(long / short) >= 2
        and abs(long - round(long / short) * short) <= _REACH_SHARE * short
    )
