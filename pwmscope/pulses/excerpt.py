"""Parts of a long record: some that stand for the whole, or all of them one by one."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, TypeVar

import numpy as np
import numpy.typing as npt

SLICE: Final = 2**15
"""Values worked on at a time where a whole record's worth of fresh memory would cost more."""
_FEW: Final = 1000
Scalar = TypeVar("Scalar", bound=np.generic)


def excerpt(
    values: npt.NDArray[Scalar], parts: int = 64, length: int = 1024
) -> npt.NDArray[Scalar]:
    """Take parts of a record, evenly spread.

    Parameters
    ----------
    values : ndarray, shape (n,)
        The record.
    parts, length : int
        Parts to take, and values in each.

    Returns
    -------
    ndarray, shape (parts, length)
        The whole record as one part, shape (1, n), where it is no longer than that.

    Examples
    --------
    >>> excerpt(np.arange(100.0), parts=2, length=3)
    array([[ 0.,  1.,  2.],
           [97., 98., 99.]])
    """
    if values.size <= parts * length:
        return values[None, :]
    begin = np.linspace(0, values.size - length, parts).astype(np.int64)
    return np.stack([values[first : first + length] for first in begin])


def without(values: npt.NDArray[Scalar], places: npt.NDArray[np.int64]) -> npt.NDArray[Scalar]:
    """Leave out a few places of a record, piece by piece in one copy.

    Parameters
    ----------
    values : ndarray, shape (n,)
        The record.
    places : ndarray of int64, shape (k,)
        Places to leave out, ascending; many are better left to `numpy.delete`, which this does.

    Returns
    -------
    ndarray, shape (n - k,)

    Examples
    --------
    >>> without(np.array([5.0, 6.0, 7.0, 8.0]), np.array([1, 2]))
    array([5., 8.])
    """
    if places.size > _FEW:
        return np.delete(values, places)
    begins = np.concatenate([[0], places + 1])
    ends = np.concatenate([places, [values.size]])
    return np.concatenate([values[a:b] for a, b in zip(begins, ends, strict=True)])


def slices(size: int) -> Iterator[slice]:
    """Cut a record into slices of `SLICE` values.

    Parameters
    ----------
    size : int
        Values in the record.

    Yields
    ------
    slice
        One after the other.

    Examples
    --------
    >>> [(part.start, part.stop) for part in slices(SLICE + 5)]
    [(0, 32768), (32768, 32773)]
    """
    for begin in range(0, size, SLICE):
        yield slice(begin, min(begin + SLICE, size))
