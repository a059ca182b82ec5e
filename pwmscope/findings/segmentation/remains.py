"""What remains of a sweep and only seems to stand still."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.segmentation.ranges import measure_ranges
from pwmscope.findings.segmentation.width_noise import WidthNoise

LINE_FIT: Final = 1.5
"""A line fits if the widths scatter about it by no more than so many noise deviations."""
SLOPE_LIMIT: Final = 3.0
"""A sweep is steeper than a slow drift by at least so many deviations of its slope."""
_BATCH: Final = 2048

Whole = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


def left_in_sweeps(
    begin: Whole,
    end: Whole,
    before: tuple[Whole, Whole],
    whole: tuple[Whole, Whole],
    shorter: int,
) -> Flags:
    """Say which stretches are too short to be told from the sweeps on either side.

    Examples
    --------
    >>> whole = (np.array([0]), np.array([900]))
    >>> left_in_sweeps(np.array([0, 200, 600]), np.array([100, 230, 900]), whole, whole, 50)
    array([False,  True, False])
    """
    first, last = _chains(begin, end)
    left = end[last] - begin[first] < shorter
    if left.any():
        left &= ~np.isin(begin[first], whole[0]) & ~np.isin(end[last], whole[1])
        left &= ~(np.isin(begin[first], before[0]) & np.isin(end[first], before[1]))
    flags: Flags = np.repeat(left, last - first + 1)
    return flags


def in_passing(
    width_us: npt.NDArray[np.float64],
    begin: Whole,
    end: Whole,
    noise: WidthNoise,
    *,
    around: int,
    sweep_us: float,
) -> Flags:
    """Say which short stretches only seem to stand still in the midst of a sweep.

    A line fits the pulses around such a stretch: they scatter about it by no more
    than `LINE_FIT` noise deviations. It is steeper than ``sweep_us`` by
    `SLOPE_LIMIT` deviations of its slope, and the stretch's own line leans the
    same way, more than half as steeply.
    """
    first, last = _chains(begin, end)
    opens, closes = begin[first], end[last]
    middle = (opens + closes) // 2
    passing = np.zeros(first.size, dtype=bool)
    for shorter, reach in ((0, around), (around, 2 * around), (2 * around, 4 * around)):
        lever = np.arange(-reach, reach) + 0.5
        limit_us = sweep_us + SLOPE_LIMIT * noise.lasting_us(reach) / math.sqrt(lever @ lever)
        short = (closes - opens >= shorter) & (closes - opens < reach)
        at = np.flatnonzero(short & (middle >= reach) & (middle + reach <= width_us.size))
        own = measure_ranges(width_us, opens[at], closes[at])
        for low in range(0, at.size, _BATCH):
            some = slice(low, low + _BATCH)
            pulses_us = width_us[middle[at[some], None] + np.arange(-reach, reach)]
            pulses_us -= pulses_us.mean(axis=1, keepdims=True)
            wide_us = pulses_us @ lever / (lever @ lever)
            about_us = np.std(pulses_us - wide_us[:, None] * lever, axis=1)
            own_us = own.rise_us[some] / own.count[some] * np.sign(wide_us)
            passing[at[some]] = (
                (np.abs(wide_us) > limit_us)
                & (about_us <= LINE_FIT * noise.spread_us)
                & (own_us > 0.5 * np.abs(wide_us))
            )
    flags: Flags = np.repeat(passing, last - first + 1)
    return flags


def _chains(begin: Whole, end: Whole) -> tuple[Whole, Whole]:
    """First and last of each run of stretches that touch."""
    apart = begin[1:] != end[:-1]
    first = np.flatnonzero(np.append(True, apart)[: begin.size])
    return first, np.append(first[1:], begin.size)[: first.size] - 1
