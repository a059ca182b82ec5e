"""Which stretches of a series of widths stand still."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

FEWEST_PULSES: Final = 6
SPREAD_LIMIT: Final = 8.0
"""A window whose range exceeds this many noise deviations is not standing still:
a Gaussian window of 20 does so some three times in a million (each of 190 differences
has deviation sqrt(2) s, and 8 s is 5.7 of those)."""
SHIFT_LIMIT: Final = 4.0
"""Nor is one whose halves differ by more than this many deviations of their difference."""


def segment(
    rise_s: npt.NDArray[np.float64],
    width_us: npt.NDArray[np.float64],
    block: npt.NDArray[np.int64],
    *,
    window: int,
    noise_us: float,
    interval_us: float,
    sweep_us_per_s: float,
    drift_limit_us: float,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Find the half-open ranges that stand still, by windows that double in length.

    What looks still through a short window but drifts as a whole is looked at
    again through one of twice the length, which sees half the slope.
    """
    shortest = max(FEWEST_PULSES, round(0.9 * window))
    found = [(np.zeros(0, np.int64), np.zeros(0, np.int64))]
    while True:
        shift_us = SHIFT_LIMIT * 2.0 * noise_us / math.sqrt(window)
        shift_us += 0.5 * interval_us
        still = _standing(width_us, window, noise_us, shift_us, interval_us)
        still &= (block[: still.size] == block[window - 1 :]) & (block[: still.size] >= 0)
        begin, end = _joined(*_runs(still, window), width_us, block, shift_us)
        long = end - begin >= shortest
        begin, end = begin[long], end[long]
        owner, member = members(begin, end)
        drift_us = np.abs(_drift_us(begin, end, owner, width_us[member]))
        lasts_s = rise_s[end - 1] - rise_s[begin]
        slow = (drift_us <= sweep_us_per_s * lasts_s) & (drift_us <= drift_limit_us)
        flat = (drift_us <= 1.5 * shift_us) | slow
        found.append((begin[flat], end[flat]))
        begin, end = begin[~flat], end[~flat]
        window *= 2
        if not np.any(end - begin >= window):
            break
        owner, member = members(begin, end)
        block = np.full(width_us.size, -1)
        block[member] = owner
    begins = np.concatenate([part[0] for part in found])
    ends = np.concatenate([part[1] for part in found])
    order = np.argsort(begins)
    return begins[order], ends[order]


def _standing(
    width_us: npt.NDArray[np.float64],
    window: int,
    noise_us: float,
    shift_us: float,
    interval_us: float,
) -> npt.NDArray[np.bool_]:
    """Say for each window, by its first pulse, whether it stands still."""
    centre = window // 2
    kept = slice(centre, width_us.size - (window - 1 - centre))
    spread_us = (
        ndimage.maximum_filter1d(width_us, window)[kept]
        - ndimage.minimum_filter1d(width_us, window)[kept]
    )
    half = window // 2
    total = np.concatenate([np.zeros(1), np.cumsum(width_us - width_us[0])])
    first = (total[half : half + spread_us.size] - total[: spread_us.size]) / half
    ends = total[window : window + spread_us.size]
    second = (ends - total[window - half : window - half + spread_us.size]) / half
    still: npt.NDArray[np.bool_] = (spread_us <= SPREAD_LIMIT * noise_us + interval_us) & (
        np.abs(second - first) <= shift_us
    )
    return still


def _runs(
    still: npt.NDArray[np.bool_], window: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Turn runs of standing windows into half-open ranges of pulses that do not overlap."""
    padded = np.concatenate([[False], still, [False]]).astype(np.int8)
    change = np.diff(padded)
    begin = np.flatnonzero(change == 1)
    end = np.flatnonzero(change == -1) + window - 1
    overlaps = begin[1:] < end[:-1]
    border = (begin[1:] + end[:-1]) // 2
    begin[1:] = np.where(overlaps, border, begin[1:])
    end[:-1] = np.where(overlaps, border, end[:-1])
    return begin, end


def _joined(
    begin: npt.NDArray[np.int64],
    end: npt.NDArray[np.int64],
    width_us: npt.NDArray[np.float64],
    block: npt.NDArray[np.int64],
    shift_us: float,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Join neighbours that touch, stand at one level and lie in one block."""
    if begin.size < 2:
        return begin, end
    total = np.concatenate([np.zeros(1), np.cumsum(width_us - width_us[0])])
    level_us = (total[end] - total[begin]) / np.maximum(end - begin, 1)
    same = (
        (begin[1:] == end[:-1])
        & (np.abs(np.diff(level_us)) <= shift_us)
        & (block[begin[1:]] == block[end[:-1] - 1])
    )
    starts = np.concatenate([[True], ~same])
    ends = np.concatenate([~same, [True]])
    return begin[starts], end[ends]


def members(
    begin: npt.NDArray[np.int64], end: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """List every pulse of every range: the range it belongs to, and its own place."""
    count = end - begin
    owner = np.repeat(np.arange(begin.size), count)
    place = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
    return owner, place + begin[owner]


def about_mean(
    owner: npt.NDArray[np.int64], values_us: npt.NDArray[np.float64], ranges: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.int64]]:
    """Return residuals about each range's mean, the means, and the counts."""
    count = np.bincount(owner, minlength=ranges)
    origin_us = values_us[0] if values_us.size else 0.0
    level_us = origin_us + np.bincount(owner, values_us - origin_us, ranges) / count
    return values_us - level_us[owner], level_us, count


def _drift_us(
    begin: npt.NDArray[np.int64],
    end: npt.NDArray[np.int64],
    owner: npt.NDArray[np.int64],
    values_us: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    """Rise of the least-squares line over each range."""
    residual_us, _, count = about_mean(owner, values_us, begin.size)
    place = np.arange(values_us.size) - np.repeat(np.cumsum(count) - count, count)
    lever = place - (count[owner] - 1) / 2
    slope = np.bincount(owner, lever * residual_us, begin.size) / np.bincount(
        owner, lever**2, begin.size
    )
    return slope * (end - begin)
