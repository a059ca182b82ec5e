"""Parts of a long record: some that stand for the whole, or all of them one by one."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, TypeVar

import numpy as np
import numpy.typing as npt

SLICE: Final = 2**18
"""Values worked on at a time where a whole record's worth of fresh memory would cost more."""
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
    [(0, 262144), (262144, 262149)]
    """
    for begin in range(0, size, SLICE):
        yield slice(begin, min(begin + SLICE, size))
