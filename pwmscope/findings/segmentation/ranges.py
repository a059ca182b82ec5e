"""Statistics of many ranges of widths at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

_PART: Final = 32_768
_BATCH: Final = 131_072


@dataclass(frozen=True, slots=True)
class RangeStatistics:
    """What each of several ranges of widths is like, as columns of shape (k,)."""

    count: npt.NDArray[np.int64]  # Widths in it
    # Mean, sample standard deviation (0 for a single width), and largest minus smallest
    level_us: npt.NDArray[np.float64]
    std_us: npt.NDArray[np.float64]
    range_us: npt.NDArray[np.float64]
    rise_us: npt.NDArray[np.float64]  # How far the least-squares line rises from end to end


def measure_ranges(
    width_us: npt.NDArray[np.float64], begin: npt.NDArray[np.int64], end: npt.NDArray[np.int64]
) -> RangeStatistics:
    """Measure ranges of widths, a part that fits in cache at a time.

    Each part's sums are of residuals about its own mean; parts are joined by
    the pairwise update (Chan, Golub and LeVeque, "Algorithms for computing the
    sample variance", The American Statistician 37, 1983, equation 2.1; from memory).

    Examples
    --------
    >>> import numpy as np
    >>> width_us = np.array([1500.0, 1502.0, 1504.0, 1700.0, 1700.0])
    >>> found = measure_ranges(width_us, np.array([0, 3]), np.array([3, 5]))
    >>> found.level_us.tolist(), found.std_us.tolist(), found.rise_us.tolist()
    ([1502.0, 1700.0], [2.0, 0.0], [6.0, 0.0])
    """
    if not begin.size:
        none = np.zeros(0)
        return RangeStatistics(np.zeros(0, np.int64), none, none, none, none)
    parts = -((begin - end) // _PART)
    owner = np.repeat(np.arange(begin.size), parts)
    nth = np.arange(owner.size) - np.repeat(np.cumsum(parts) - parts, parts)
    first = begin[owner] + nth * _PART
    last = np.minimum(first + _PART, end[owner])
    joints = np.flatnonzero(np.diff(first // _BATCH, prepend=-1))
    sums = np.concatenate(
        [
            _of_parts(width_us, first[low:high], last[low:high])
            for low, high in zip(joints, np.append(joints[1:], first.size), strict=True)
        ],
        axis=1,
    )
    return _joined(sums, owner, first, last, begin)


def _of_parts(
    width_us: npt.NDArray[np.float64], first: npt.NDArray[np.int64], last: npt.NDArray[np.int64]
) -> npt.NDArray[np.float64]:
    """Mean, squares, products with the lever, smallest and largest of each part."""
    pulses_us = width_us[first[0] : last[-1]]
    bounds = np.stack([first, last], axis=1).ravel() - first[0]
    length = np.diff(bounds)
    bounds = bounds[:-1]
    full = length > 0  # Where two parts touch, there is no gap between them.
    is_part = np.arange(bounds.size) % 2 == 0
    bounds, length, is_part = bounds[full], length[full], is_part[full]
    mean_us = np.add.reduceat(pulses_us, bounds) / length
    about_us = pulses_us - np.repeat(mean_us, length)
    mean_us += np.add.reduceat(about_us, bounds) / length
    lever = np.arange(pulses_us.size) - np.repeat(bounds + 0.5 * (length - 1), length)
    return np.stack(
        [
            mean_us,
            np.add.reduceat(about_us**2, bounds),
            np.add.reduceat(lever * about_us, bounds),
            np.minimum.reduceat(pulses_us, bounds),
            np.maximum.reduceat(pulses_us, bounds),
        ]
    )[:, is_part]


def _joined(
    sums: npt.NDArray[np.float64],
    owner: npt.NDArray[np.int64],
    first: npt.NDArray[np.int64],
    last: npt.NDArray[np.int64],
    begin: npt.NDArray[np.int64],
) -> RangeStatistics:
    mean_us, squares, products, low_us, high_us = sums
    starts = np.searchsorted(first, begin)
    length = last - first
    count = np.add.reduceat(length, starts)
    origin_us = mean_us[starts]
    off_us = mean_us - origin_us[owner]
    shift_us = np.add.reduceat(length * off_us, starts) / count
    off_us -= shift_us[owner]
    middle = 0.5 * (first + last)
    middle -= (begin + 0.5 * count)[owner]
    squares = np.add.reduceat(squares + length * off_us**2, starts)
    products = np.add.reduceat(products + length * off_us * middle, starts)
    levers = count * (count.astype(np.float64) ** 2 - 1.0) / 12.0
    return RangeStatistics(
        count,
        origin_us + shift_us,
        np.sqrt(squares / np.maximum(count - 1, 1)),
        np.maximum.reduceat(high_us, starts) - np.minimum.reduceat(low_us, starts),
        products / np.maximum(levers, 0.5) * count,
    )


def halved(
    width_us: npt.NDArray[np.float64],
    begin: npt.NDArray[np.int64],
    end: npt.NDArray[np.int64],
    block: int,
    most_us: float,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Halve ranges until the means of their blocks range over no more than so much.

    Examples
    --------
    >>> width_us = np.linspace(1500.0, 1515.0, 80)
    >>> begin, end = halved(width_us, np.array([0]), np.array([80]), 20, 10.0)
    >>> begin.tolist(), end.tolist()
    ([0, 40], [40, 80])
    """
    blocks = (end - begin) // block
    if not blocks.any():
        return begin, end
    owner = np.repeat(np.arange(begin.size), blocks)
    nth = np.arange(owner.size) - np.repeat(np.cumsum(blocks) - blocks, blocks)
    place = begin[owner] + nth * block
    mean_us = np.empty(place.size)
    for low in range(0, place.size, _BATCH // block):
        some = place[low : low + _BATCH // block]
        pairs = np.stack([some, some + block], axis=1).ravel() - some[0]
        mean_us[low : low + some.size] = (
            np.add.reduceat(width_us[some[0] : some[-1] + block], pairs[:-1])[::2] / block
        )
    starts = np.flatnonzero(np.diff(owner, prepend=-1))
    while True:
        size = np.diff(starts, append=place.size)
        range_us = np.maximum.reduceat(mean_us, starts) - np.minimum.reduceat(mean_us, starts)
        wide = (range_us > most_us) & (size > 1)
        if not wide.any():
            break
        starts = np.sort(np.concatenate([starts, (starts + size // 2)[wide]]))
    border = np.setdiff1d(place[starts], begin)
    return np.sort(np.concatenate([begin, border])), np.sort(np.concatenate([end, border]))
