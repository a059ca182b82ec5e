"""What the width is in dwells, away from the moves at their ends, and how moves set off."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.segmentation import Record
from pwmscope.model import sampling_floor_us
from pwmscope.pulses import UNMEASURED

ENDS: Final = 4
"""Frames at each end of a sweep, or more of a slow one, by which it is told whether the hand set
off at full pace."""
SHARP: Final = 0.75
UNLIKE: Final = 9.0
"""A dwell with more than so many times the usual variance holds more than noise."""


@dataclass(frozen=True, slots=True)
class Middles:
    """The middle halves of some dwells."""

    level_us: npt.NDArray[np.float64]  # shape (n,): Mean width of each, in microseconds
    # Sample standard deviation about those means, pooled over all but the dwells that scatter far
    # more than most; the dwells' own noise where there is nothing to take it from
    std_us: float
    jitter_us: float  # The same without the sampling floor, taken out in quadrature; not below 0


def middles(record: Record, chosen: npt.NDArray[np.int64], most: int) -> Middles:
    """Measure the middle halves of dwells.

    A dwell's ends may hold the first and last steps of a slow sweep, which would shift its
    mean towards where the stick came from.
    """
    dwells, table = record.dwells, record.table
    first, last = dwells.first[chosen], dwells.last[chosen]
    length = np.clip((last - first) // 2 + 1, 1, most)
    begin = (first + last - length) // 2 + 1
    owner = np.repeat(np.arange(length.size), length)
    row = np.arange(owner.size) + np.repeat(begin - (np.cumsum(length) - length), length)
    good = (table.flags[row] & np.uint8(UNMEASURED)) == 0
    owner, row = owner[good], row[good]
    off_us = table.width_us[row] - dwells.level_us[chosen[owner]]
    count = np.bincount(owner, minlength=chosen.size)
    mean_us = np.bincount(owner, off_us, chosen.size) / np.maximum(count, 1)
    variance_us2 = dwells.noise_us**2
    if np.any(count > 1):
        squares = np.bincount(owner, (off_us - mean_us[owner]) ** 2, chosen.size)[count > 1]
        freedom = count[count > 1] - 1
        usual = float(np.median(squares / freedom)) + (table.sample_interval_us or 0.0) ** 2 / 4.0
        calm = squares / freedom <= UNLIKE * usual
        variance_us2 = float(squares[calm].sum() / freedom[calm].sum())
    floor_us = sampling_floor_us(table.sample_interval_us) or 0.0
    return Middles(
        dwells.level_us[chosen] + mean_us,
        math.sqrt(variance_us2),
        math.sqrt(max(variance_us2 - floor_us**2, 0.0)),
    )


def spaced(count: int, most: int) -> npt.NDArray[np.int64]:
    """Choose at most ``most`` of ``count`` things, evenly.

    Examples
    --------
    >>> spaced(3, 10), spaced(9, 3)
    (array([0, 1, 2]), array([0, 4, 8]))
    """
    if count <= most:
        return np.arange(count)
    return np.unique(np.linspace(0, count - 1, most).astype(np.int64))


def is_sharp(along_us: npt.NDArray[np.float64], noise_us: float) -> bool:
    """Say whether a sweep goes as fast in its first and last frames as in its middle, or faster.

    Hands that set off and stop softly (bell-shaped pace) do not; their pace bends the
    width over time as a curve of the channel's does.
    """
    near_us = 4.0 * noise_us
    middle = slice(along_us.size * 2 // 5, along_us.size * 3 // 5)
    pace_us = (along_us[middle.stop] - along_us[middle.start]) / (middle.stop - middle.start)
    if pace_us <= 0.0:
        return False
    ends = max(ENDS, math.ceil(4.0 * near_us / pace_us))
    for run_us in (along_us - along_us[0], along_us[-1] - along_us[::-1]):
        off = np.flatnonzero(run_us > near_us)
        if not off.size or off[0] + ends > along_us.size:
            return False
        first = max(int(off[0]) - 1, 0)
        went_us = float(run_us[min(first + ends, run_us.size - 1)] - run_us[first])
        if went_us < SHARP * (ends - 0.5) * pace_us - near_us / 2.0:
            return False
    return True


def scatter_us(record: Record, chosen: npt.NDArray[np.int64], most: int) -> npt.NDArray[np.float64]:
    """Return how single widths lie about their dwell's mean, of some dwells; shape (n,)."""
    dwells, table = record.dwells, record.table
    parts = [np.zeros(0)]
    # A dwell that drifts scatters more than those that hold jitter alone.
    calm_us = 1.3 * float(np.min(dwells.std_us[chosen], initial=np.inf)) + dwells.noise_us / 4.0
    for at in chosen[dwells.std_us[chosen] <= calm_us]:
        width_us = table.width_us[
            dwells.first[at] : min(dwells.last[at] + 1, dwells.first[at] + most)
        ]
        off_us = width_us - dwells.level_us[at]
        parts.append(off_us[np.abs(off_us) <= 8.0 * dwells.noise_us])
    return np.concatenate(parts)
