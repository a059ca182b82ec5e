"""Where a width that goes up and down turns round."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

_MIX: Final = np.uint32(2_654_435_761)
"""An odd number near 2^32 over the golden ratio: multiplied by it, neighbouring places
come out in no order, which settles ties."""


def turning_points(width_us: npt.NDArray[np.float64], least_us: float) -> npt.NDArray[np.int64]:
    """Find the extremes between which the width moves by at least ``least_us``.

    From all local extremes, pairs of neighbours closer than ``least_us`` are taken out, the
    closest first, until none is left: what remains are the extremes whose topological
    persistence is at least ``least_us`` (the hysteresis filter that precedes rainflow
    counting, ASTM E1049, does the same; from memory). Pairs that are the closest ones among
    their neighbours go at once, so that a handful of passes over ever fewer points does.

    Examples
    --------
    >>> turning_points(np.array([0.0, 3.0, 2.0, 60.0, 61.0, 10.0, 12.0]), 50.0)
    array([0, 4, 5])
    """
    if width_us.size < 2:
        return np.zeros(0, np.int64)
    at = np.concatenate([[0], np.flatnonzero(np.diff(width_us)) + 1])
    rises = np.diff(width_us[at]) > 0
    at = at[np.concatenate([[True], rises[1:] != rises[:-1], [True]])] if at.size > 1 else at
    while at.size > 2:
        size_us = np.abs(np.diff(width_us[at]))
        small = (size_us < least_us) & _least_of_three(size_us)
        if not small.any():
            return at
        kept = np.ones(at.size, dtype=bool)
        kept[1:-1] = ~(small[1:] | small[:-1])
        # An end has no pair: the point beside it takes its place.
        kept[[0, -1]] = ~small[[0, -1]]
        kept[1] |= small[0]
        kept[-2] |= small[-1]
        at = at[kept]
    moved = at.size > 1 and abs(width_us[at[1]] - width_us[at[0]]) >= least_us
    return at if moved else np.zeros(0, np.int64)


def _least_of_three(size_us: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """Say which sizes are less than both neighbours; of equal ones, one is drawn."""
    draw = np.arange(size_us.size, dtype=np.uint32) * _MIX
    before = (size_us[:-1] < size_us[1:]) | ((size_us[:-1] == size_us[1:]) & (draw[:-1] < draw[1:]))
    least = np.ones(size_us.size, dtype=bool)
    least[:-1] &= before
    least[1:] &= ~before
    return least
