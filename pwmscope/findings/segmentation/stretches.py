"""Which stretches of widths stand still for a moment, the noise beside it, and stray widths."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.model import FROM_MAD, BoolArray, FloatArray, IntArray, median_of, sampling_floor_us

RANGE_LIMIT: Final = 8.0
"""A window whose range exceeds this many noise deviations is not standing still:
a Gaussian window of 20 does so some three times in a million (each of 190 differences
has deviation sqrt(2) s, and 8 s is 5.7 of those)."""
LEAST: Final = 5e-5
"""Least noise assumed, as a part of the convention's span."""
CALM: Final = 0.015
"""Widths that range over no more than this part of the span may be noise alone."""
_GROWTH_DOUBT: Final = 2.5
"""Relative deviation of the growth found, times the root of the number of pulses it is found
from (Monte Carlo); it is taken to be smaller by one deviation."""
_RUN: Final = 32
_MAX: Final = 8
_MAX_RUNS: Final = 4096
_MIN_RUNS: Final = 8


@dataclass(frozen=True, slots=True)
class WidthNoise:
    """The noise of single widths and of the means of many."""

    spread_us: float  # Standard deviation of a single width about its level
    # Standard deviation of the mean of 8 widths, times `sqrt(8)`: the spread where neighbours have
    # nothing to do with each other, more where they do
    of_eight_us: float
    # Factor by which that figure grows as the widths averaged are doubled; 1 for noise without
    # memory
    growth: float
    interval_us: float  # Sample interval; 0 where it is not known

    @property
    def range_limit_us(self) -> float:
        """Most that widths of one level range over, in a window, in microseconds."""
        return RANGE_LIMIT * self.spread_us + self.interval_us

    def lasting_us(self, pulses: int) -> float:
        """Return the deviation of a mean of so many widths, times their number's root.

        The square is the long-run variance; between neighbours that are alike the
        means scatter more than ``spread_us / sqrt(pulses)``. Above 8 widths the
        growth is taken to go on twice more, then to be spent, which covers
        first-order autocorrelation up to 0.9 (Monte Carlo).

        >>> WidthNoise(0.5, 0.6, 1.2, 0.0).lasting_us(64)
        0.864
        """
        doublings = min(max(math.log2(max(pulses, 1) / _MAX), 0.0), 2.0)
        return max(self.spread_us, self.of_eight_us * float(self.growth**doublings))


def find_noise(width_us: FloatArray, interval_us: float | None, span_us: float) -> WidthNoise:
    """Find the noise of widths whose level steps and sweeps now and then.

    Second differences leave a steady sweep at zero; the robust deviation is the
    median absolute value times 1.4826, a Gaussian's, over ``sqrt(6)``. That is
    the noise between neighbours. Runs of 32 widths that range over no more than
    8 such deviations, or 15 us of 1000, tell about longer times: their scatter
    about their own lines, and the second differences of their means of 4 and 8
    widths (a Hadamard deviation, IEEE Std 1139, from memory). At most 4096 runs, evenly
    spaced, are looked at.
    """
    least_us = max(sampling_floor_us(interval_us) or 0.0, LEAST * span_us)
    runs = min(max(2 * (width_us.size // _RUN) - 1, 0), _MAX_RUNS)
    first = np.linspace(0, max(width_us.size - _RUN, 0), runs).astype(np.int64)
    sample = width_us[first[:, None] + np.arange(_RUN)]
    near_us = max(_hadamard_us(sample if runs == _MAX_RUNS else width_us[None, :], 1), least_us)
    calm_us = max(RANGE_LIMIT * near_us, CALM * span_us) + (interval_us or 0.0)
    calm = sample[np.ptp(sample, axis=1) <= calm_us] if runs else sample
    if len(calm) < _MIN_RUNS:
        return WidthNoise(near_us, near_us, 1.0, interval_us or 0.0)
    lever = np.arange(_RUN) - (_RUN - 1) / 2
    level = calm - calm.mean(axis=1, keepdims=True)
    line = (level @ lever / (lever @ lever))[:, None] * lever
    about_us = np.sqrt(np.sum((level - line) ** 2, axis=1) / (_RUN - 2))
    spread_us = max(median_of(about_us.ravel()), near_us)
    four_us, eight_us = (max(_hadamard_us(calm, n), least_us) for n in (4, _MAX))
    pulses = len(calm) / runs * min(width_us.size, runs * _RUN)
    growth = eight_us / four_us / (1.0 + _GROWTH_DOUBT / math.sqrt(pulses))
    return WidthNoise(spread_us, eight_us, max(1.0, growth), interval_us or 0.0)


def _hadamard_us(runs_us: FloatArray, pulses: int) -> float:
    """Robust deviation of means of so many widths from second differences, times the root."""
    kept = runs_us.shape[1] - 3 * pulses + 1
    if kept < 1:
        return 0.0
    total = np.cumsum(np.pad(runs_us - runs_us[:, :1], ((0, 0), (1, 0))), axis=1)
    one, two, three, four = (total[:, n * pulses : n * pulses + kept] for n in range(4))
    bends = np.abs(four - one + 3.0 * (two - three))
    return FROM_MAD * median_of(bends.ravel()) / math.sqrt(6.0 * pulses)


_PART: Final = 32_768
_BATCHED: Final = 131_072


@dataclass(frozen=True, slots=True)
class RangeStatistics:
    """What each of several ranges of widths is like, as columns of shape (k,)."""

    count: IntArray  # Widths in it
    # Mean, sample standard deviation (0 for a single width), and largest minus smallest
    level_us: FloatArray
    std_us: FloatArray
    range_us: FloatArray
    rise_us: FloatArray  # How far the least-squares line rises from end to end


def measure_ranges(width_us: FloatArray, begin: IntArray, end: IntArray) -> RangeStatistics:
    """Measure ranges of widths, a part that fits in cache at a time.

    Each part's sums are of residuals about its own mean; parts are joined by
    the pairwise update (Chan, Golub and LeVeque, "Algorithms for computing the
    sample variance", The American Statistician 37, 1983, equation 2.1; from memory).

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
    joints = np.flatnonzero(np.diff(first // _BATCHED, prepend=-1))
    sums = np.concatenate(
        [
            _of_parts(width_us, first[low:high], last[low:high])
            for low, high in zip(joints, np.append(joints[1:], first.size), strict=True)
        ],
        axis=1,
    )
    return _joined(sums, owner, first, last, begin)


def _of_parts(width_us: FloatArray, first: IntArray, last: IntArray) -> FloatArray:
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
    sums: FloatArray, owner: IntArray, first: IntArray, last: IntArray, begin: IntArray
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
    width_us: FloatArray, begin: IntArray, end: IntArray, block: int, most_us: float
) -> tuple[IntArray, IntArray]:
    """Halve ranges until the means of their blocks range over no more than so much.

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
    for low in range(0, place.size, _BATCHED // block):
        some = place[low : low + _BATCHED // block]
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


SHIFT_LIMIT: Final = 4.0
"""Nor does a window stand still whose halves differ by more than this many deviations of
their difference."""
HIDDEN: Final = 3.0
"""A single width that is off its level by so many noise deviations is seen to be."""
STOP_DOUBT: Final = 0.5
_FARTHER: Final = 4.0
_STRAY_RUN: Final = 3
MAX_UNSETTLED: Final = 0.4
"""Part of a dwell that is cut off at either end, at most."""
_INWARDS: Final = 64
_OUTWARDS: Final = 40
_BLOCKS: Final = 2048


def stray_widths(width_us: FloatArray, noise: WidthNoise, block: int, *, far_us: float) -> IntArray:
    """Find widths that jump away for one or two pulses and back.

    A width is stray if it leaves the median of the five around it by more than
    the noise's range, and either by more than ``far_us`` or while three of the
    five agree within that range. At the turn of a fast movement they do not.
    Only blocks that range over more than the noise are looked at.
    """
    limit_us = noise.range_limit_us
    low, high = _block_ranges(width_us, block)
    around_us = _most_of_three(high) + _most_of_three(-low)
    found = [np.zeros(0, np.int64)]
    for blocks in _batches(np.flatnonzero(around_us > limit_us)):
        place = (blocks * block + np.arange(block)[:, None]).ravel()
        place = place[place < width_us.size]
        around = [width_us.take(place + step, mode="clip") for step in range(-2, 3)]
        off_us = np.abs(around[2] - _median_of_five(*around))
        at = np.flatnonzero(off_us > limit_us)
        five = np.sort([column[at] for column in around], axis=0)
        agree = np.min(five[2:] - five[:-2], axis=0) <= limit_us
        found.append(np.sort(place[at[agree | (off_us[at] > far_us)]]))
    return np.concatenate(found)


def _most_of_three(value: FloatArray) -> FloatArray:
    """Return the largest of each value and its two neighbours."""
    most = value.copy()
    np.maximum(most[1:], value[:-1], out=most[1:])
    np.maximum(most[:-1], value[1:], out=most[:-1])
    return most


def still_stretches(
    width_us: FloatArray, seams: IntArray, noise: WidthNoise, window: int
) -> tuple[IntArray, IntArray]:
    """Find the half-open ranges of pulses that windows which stand still cover.

    A window stands still if its range is within the noise's and the means of its
    halves differ by at most `SHIFT_LIMIT` deviations of that difference, and a
    sample interval. Windows that overlap make one stretch. Blocks of one
    window's length, whose range with the next block's is within the noise's and
    whose means agree with it, need no closer look; in the others, the extremes
    of all windows come from those of the two blocks that each lies in, up to and
    from its ends (van Herk 1992; Gil and Werman 1993; from memory).
    """
    windows = width_us.size - window + 1
    low, high = _block_ranges(width_us, window)
    whole = width_us.size // window
    mean_us = np.add.reduceat(width_us, np.arange(whole) * window)[: whole - 1] / window
    together_us = np.maximum(high[1:], high[:-1]) - np.minimum(low[1:], low[:-1])
    closer = np.ones(low.size, dtype=bool)
    shift_us = SHIFT_LIMIT * noise.lasting_us(window) * math.sqrt(2.0 / window) + noise.interval_us
    closer[: max(whole - 2, 0)] = (together_us[: max(whole - 2, 0)] > noise.range_limit_us) | (
        np.abs(np.diff(mean_us)) > shift_us
    )
    still = np.ones(low.size * window, dtype=bool).reshape(low.size, window)
    for blocks in _batches(np.flatnonzero(closer)):
        still[blocks] = _closer(width_us, blocks, noise, window)
    flat = still.ravel()[:windows]
    for seam in seams:
        flat[max(seam - window + 1, 0) : seam] = False
    change = np.flatnonzero(flat[1:] != flat[:-1]) + 1
    edges = np.concatenate([[0] if flat[0] else [], change, [windows] if flat[-1] else []])
    begin, end = edges[0::2].astype(np.int64), edges[1::2].astype(np.int64) + window - 1
    apart = begin[1:] >= end[:-1]
    return begin[np.append(True, apart)[: begin.size]], end[np.append(apart, True)[: end.size]]


def trimmed(
    width_us: FloatArray, begin: IntArray, end: IntArray, noise: WidthNoise, window: int
) -> tuple[IntArray, IntArray]:
    """Cut off the ends of stretches that already belong to what comes before or after.

    The mean of the outermost pulses, of one up to half a window of them, is held
    against that of the half window inwards. If any differ by more than `SHIFT_LIMIT`
    deviations and a sample interval, those whose difference is most significant
    are cut off (a cumulative sum from the end: Page 1954, from memory).
    """
    half = window // 2
    tail = np.arange(1, half + 1)
    doubt_us = SHIFT_LIMIT * noise.lasting_us(half) * np.sqrt(1.0 / tail + 1.0 / half)
    cut = []
    for outer, inwards in ((begin, 1), (end - 1, -1)):
        off = np.zeros(outer.size, np.int64)
        for some in _batches(np.arange(outer.size)):
            pulses_us = width_us[outer[some] + inwards * np.arange(2 * half)[:, None]]
            level_us = pulses_us[half:].mean(axis=0)
            shift_us = np.cumsum(pulses_us[:half] - level_us, axis=0) / tail[:, None]
            excess = (np.abs(shift_us) - noise.interval_us) / doubt_us[:, None]
            most = np.argmax(excess, axis=0)
            off[some] = np.where(excess.max(axis=0) > 1.0, most + 1, 0)
        cut.append(off)
    return begin + cut[0], end - cut[1]


def settled(
    width_us: FloatArray, begin: IntArray, end: IntArray, noise: WidthNoise, seams: IntArray
) -> tuple[IntArray, IntArray]:
    """Cut off the ends of dwells in which a hand was still coming to rest, or had set off.

    The last of a movement that slows down is hidden in the noise, so no test of single
    pulses finds it; the part that is not hidden tells where it ends. A pace that falls evenly
    to nothing makes a distance as the square of the time left. Outwards from the dwell's
    middle, the first pulse of four in a row that are off its level by more than `HIDDEN`
    noise deviations, and the first by four times as much, give the line of the square
    roots; where that comes to nothing, less `STOP_DOUBT` pulses, the dwell begins. A movement
    that stops more sharply has stopped by then too; of one of minimum jerk, which goes with
    the cube (Flash and Hogan 1985, from memory), a fourteenth of what was hidden is left.
    Nothing is cut off where the width jumps, nor where nothing moves, nor ever more than
    `MAX_UNSETTLED` of the dwell. Own algorithm.
    """
    if not begin.size:
        return begin, end
    middle = (begin + end) // 2
    quarter = np.maximum((end - begin) // 4, 1)
    level_us = measure_ranges(width_us, middle - quarter, middle + quarter).level_us
    hidden_us = HIDDEN * noise.spread_us
    most = (MAX_UNSETTLED * (end - begin)).astype(np.int64)
    touching = begin[1:][begin[1:] == end[:-1]]
    walls = np.unique(np.concatenate([[0], seams, touching, [width_us.size]]))
    wall = np.searchsorted(walls, middle, side="right")
    inside = np.concatenate([begin, end - 1])
    last = np.concatenate([walls[wall - 1], walls[wall] - 1])
    way = np.repeat([-1, 1], begin.size)
    room = np.concatenate([begin - walls[wall - 1], walls[wall] - end])
    cut = [np.zeros(0, np.int64)]
    for some in _batches(np.arange(inside.size)):
        own = some % begin.size
        step = np.arange(-_INWARDS, _OUTWARDS)
        # What lies farther inwards than the middle, or beyond a wall, is off by nothing.
        place = inside[some, None] + way[some, None] * step
        off_us = np.abs(width_us.take(place, mode="clip") - level_us[own, None])
        off_us[step[None, :] < -most[own, None]] = 0.0
        off_us[way[some, None] * (place - last[some, None]) > 0] = 0.0
        lasting_us = np.min(
            [off_us[:, at : at - _STRAY_RUN or None] for at in range(_STRAY_RUN + 1)], axis=0
        )
        seen = _first_beyond(lasting_us, hidden_us)
        moved = (seen < lasting_us.shape[1]) & (room[some] > 0)
        seen = np.minimum(seen, step.size - 4)
        far = np.clip(_first_beyond(lasting_us, _FARTHER * hidden_us), seen + 1, step.size - 1)
        beside = seen[:, None] + np.arange(4)
        near_us, far_us = (np.take_along_axis(off_us, at, axis=1) for at in (beside, far[:, None]))
        along_us = width_us.take(np.take_along_axis(place, beside, axis=1), mode="clip")
        limit_us = noise.range_limit_us
        moved &= (np.ptp(along_us, axis=1) > limit_us) | (near_us[:, 0] <= limit_us)
        root = np.sqrt(near_us[:, 0] / np.maximum(far_us[:, 0], near_us[:, 0] + 1e-9))
        stop = seen - (far - seen) * root / np.maximum(1.0 - root, 0.05) - _INWARDS
        inwards = -np.floor(np.maximum(stop - STOP_DOUBT, -1e6)).astype(np.int64)
        cut.append(np.where(moved, np.clip(inwards, 0, most[own]), 0))
    off = np.concatenate(cut)
    return begin + off[: begin.size], end - off[begin.size :]


def _first_beyond(off_us: FloatArray, limit_us: float) -> IntArray:
    """First column of each row beyond a limit; the number of columns where none is."""
    beyond = off_us > limit_us
    first: IntArray = np.where(beyond.any(axis=1), beyond.argmax(axis=1), off_us.shape[1])
    return first


def _block_ranges(width_us: FloatArray, block: int) -> tuple[FloatArray, FloatArray]:
    first = np.arange(0, width_us.size, block)
    return np.minimum.reduceat(width_us, first), np.maximum.reduceat(width_us, first)


def _batches(blocks: IntArray) -> Iterator[IntArray]:
    return (blocks[at : at + _BLOCKS] for at in range(0, blocks.size, _BLOCKS))


def _closer(width_us: FloatArray, blocks: IntArray, noise: WidthNoise, window: int) -> BoolArray:
    """Say for each window that begins in one of these blocks whether it stands still."""
    place = blocks * window + np.arange(2 * window)[:, None]
    pulses = width_us.take(place, mode="clip")
    spread_us = _extremes(np.maximum, pulses, window) - _extremes(np.minimum, pulses, window)
    total = _running(np.add, np.concatenate([np.zeros((1, blocks.size)), pulses - pulses[0]]))
    half = window // 2
    first = total[half : half + window] - total[:window]
    second = total[window : 2 * window] - total[window - half : 2 * window - half]
    shift_us = SHIFT_LIMIT * noise.lasting_us(half) * math.sqrt(2.0 / half) + noise.interval_us
    still = (spread_us <= noise.range_limit_us) & (np.abs(second - first) <= half * shift_us)
    whole: BoolArray = still.T
    return whole


def _extremes(extreme: np.ufunc, pulses: FloatArray, window: int) -> FloatArray:
    """Extreme of each window from its parts in its first and second block."""
    up_to_end = _running(extreme, pulses[window - 1 :: -1])[::-1]
    from_begin = _running(extreme, pulses[window : 2 * window - 1])
    both: FloatArray = up_to_end.copy()
    extreme(up_to_end[1:], from_begin, out=both[1:])
    return both


def _running(operation: np.ufunc, rows: FloatArray) -> FloatArray:
    """Accumulate row by row, several times faster than `numpy.ufunc.accumulate` does."""
    running = rows.copy()
    for before, row in itertools.pairwise(running):
        operation(before, row, out=row)
    return running


def _median_of_five(
    a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray, e: FloatArray
) -> FloatArray:
    low = np.maximum(np.minimum(a, b), np.minimum(d, e))
    high = np.minimum(np.maximum(a, b), np.maximum(d, e))
    median: FloatArray = np.maximum(np.minimum(low, high), np.minimum(np.maximum(low, high), c))
    return median
