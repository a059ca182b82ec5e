"""The least and the greatest width of every stretch of time, from fine to coarse."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

MEASURED: Final = 128
"""Bit of a bucket's marks: a measured pulse begins in it. The others are `Flag`'s."""
FACTOR: Final = 8
"""Buckets of one level that make one of the next."""
_FEW: Final = 300
"""A level of so few buckets is the coarsest."""
_TIDY: Final = (1.0, 2.0, 2.5, 5.0)


@dataclass(frozen=True, slots=True)
class Level:
    """Buckets of equal length, side by side from the recording's start.

    Parameters
    ----------
    bucket_s : float
        Length of each.
    low, high : ndarray of int64, shape (n,)
        Least and greatest width of the measured pulses that begin in it; where there
        are none, those of the bucket before.
    marks : ndarray of uint8, shape (n,)
        The flags of all pulses that begin in it, and `MEASURED`.
    """

    bucket_s: float
    low: npt.NDArray[np.int64]
    high: npt.NDArray[np.int64]
    marks: npt.NDArray[np.uint8]


def tidy_bucket_s(duration_s: float, most: int, least_s: float) -> float:
    """Choose a bucket's length.

    Parameters
    ----------
    duration_s : float
        What the buckets have to cover.
    most : int
        Buckets there may be.
    least_s : float
        No bucket is shorter.

    Returns
    -------
    float
        1, 2, 2.5 or 5 times a power of ten.

    Examples
    --------
    >>> tidy_bucket_s(3600.0, 16384, 0.16), tidy_bucket_s(10.0, 16384, 0.16)
    (0.25, 0.2)
    """
    wanted_s = max(duration_s / most, least_s)
    power = int(np.floor(np.log10(wanted_s)))
    sizes = [float(f"{tidy}e{power + more}") for more in (0, 1) for tidy in _TIDY]
    return next(size for size in sizes if size >= wanted_s)


def build_pyramid(
    since_s: npt.NDArray[np.float64],
    width: npt.NDArray[np.int64],
    marks: npt.NDArray[np.uint8],
    bucket_s: float,
    duration_s: float,
) -> tuple[Level, ...]:
    """Sum pulses up in buckets, and those in longer ones.

    Parameters
    ----------
    since_s : ndarray of float64, shape (n,)
        Leading edges in seconds since the recording's start, in order.
    width : ndarray of int64, shape (n,)
        Widths in any unit; of no meaning where `MEASURED` is not set.
    marks : ndarray of uint8, shape (n,)
        Each pulse's flags, and `MEASURED`.
    bucket_s : float
        Length of the finest buckets.
    duration_s : float
        Length of the recording.

    Returns
    -------
    tuple of Level
        From fine to coarse; no width lies outside its bucket's at any level.

    Examples
    --------
    >>> fine, = build_pyramid(np.array([0.0, 0.1, 2.5]), np.array([5, 9, 1]),
    ...                       np.full(3, MEASURED, np.uint8), 1.0, 3.0)
    >>> fine.low, fine.high, fine.marks
    (array([5, 5, 1]), array([9, 9, 1]), array([128,   0, 128], dtype=uint8))
    """
    count = max(1, int(np.ceil(duration_s / bucket_s)))
    place = np.minimum((since_s / bucket_s).astype(np.int64), count - 1)
    seen = np.zeros(count, np.uint8)
    starts = np.flatnonzero(np.diff(place, prepend=-1))
    if starts.size:
        seen[place[starts]] = np.bitwise_or.reduceat(marks, starts)
    rows = np.flatnonzero(marks & MEASURED)
    low, high = np.zeros(count, np.int64), np.zeros(count, np.int64)
    if rows.size:
        starts = np.flatnonzero(np.diff(place[rows], prepend=-1))
        where = place[rows][starts]
        low[where] = np.minimum.reduceat(width[rows], starts)
        high[where] = np.maximum.reduceat(width[rows], starts)
    levels = [_filled(bucket_s, low, high, seen)]
    while levels[-1].marks.size > _FEW:
        levels.append(_coarser(levels[-1]))
    return tuple(levels)


def _coarser(fine: Level) -> Level:
    """Join the buckets of a level; an empty one takes no part."""
    count = -(-fine.marks.size // FACTOR)
    empty = (fine.marks & MEASURED) == 0
    most = np.iinfo(np.int64).max
    low = _joined(np.where(empty, most, fine.low), count, most).min(axis=1)
    high = _joined(np.where(empty, -most, fine.high), count, -most).max(axis=1)
    marks: npt.NDArray[np.uint8] = np.bitwise_or.reduce(_joined(fine.marks, count, 0), axis=1)
    return _filled(fine.bucket_s * FACTOR, low, high, marks.astype(np.uint8))


def _joined(values: npt.NDArray[np.integer], count: int, rest: int) -> npt.NDArray[np.integer]:
    whole = np.full(count * FACTOR, rest, values.dtype)
    whole[: values.size] = values
    return whole.reshape(count, FACTOR)


def _filled(
    bucket_s: float,
    low: npt.NDArray[np.integer],
    high: npt.NDArray[np.integer],
    marks: npt.NDArray[np.uint8],
) -> Level:
    """Give empty buckets the numbers before them, which pack to almost nothing."""
    has = (marks & MEASURED) != 0
    if not has.any():
        nothing = np.zeros(marks.size, np.int64)
        return Level(bucket_s, nothing, nothing, marks)
    source = np.maximum.accumulate(np.where(has, np.arange(has.size), int(has.argmax())))
    return Level(bucket_s, low[source].astype(np.int64), high[source].astype(np.int64), marks)
