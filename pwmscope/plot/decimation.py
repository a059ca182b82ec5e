"""Fewer points to draw, with every extreme kept."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def keep_extremes(
    time_s: npt.NDArray[np.float64],
    value: npt.NDArray[np.float64],
    columns: int,
) -> npt.NDArray[np.int64]:
    """Choose the points that show what all points would show.

    The time span is cut into equal columns, one for each pixel; each column
    keeps the first of its smallest and the first of its largest values, so an
    outlier of a single pulse is drawn whatever the number of pulses.

    Examples
    --------
    >>> time_s = np.arange(10.0)
    >>> keep_extremes(time_s, np.array([5.0, 5, 5, 9, 5, 5, 5, 5, 1, 5]), 2)
    array([0, 3, 5, 8])
    """
    if time_s.size <= 2 * columns:
        return np.arange(time_s.size)
    column = _columns(time_s, columns)
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    counts = np.diff(starts, append=time_s.size)
    least = np.repeat(np.minimum.reduceat(value, starts), counts)
    most = np.repeat(np.maximum.reduceat(value, starts), counts)
    return np.union1d(_firsts(value == least, column), _firsts(value == most, column))


def _columns(time_s: npt.NDArray[np.float64], columns: int) -> npt.NDArray[np.int64]:
    since_s = time_s - time_s[0]
    if not since_s[-1] > 0:
        return np.zeros(time_s.size, np.int64)
    place = np.floor(since_s / since_s[-1] * columns).astype(np.int64)
    inside: npt.NDArray[np.int64] = np.minimum(place, columns - 1)
    return inside


def _firsts(wanted: npt.NDArray[np.bool_], column: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Rows of the first wanted point of every column."""
    rows = np.flatnonzero(wanted)
    firsts: npt.NDArray[np.int64] = rows[np.diff(column[rows], prepend=-1) > 0]
    return firsts
