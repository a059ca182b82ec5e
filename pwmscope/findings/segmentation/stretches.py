"""Which stretches of widths stand still for a moment, the noise beside it, and stray widths."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.model import FROM_MAD, FloatArray, IntArray, median_of, sampling_floor_us

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
    """Measure ranges of widths.

    >>> import numpy as np
    >>> width_us = np.array([1500.0, 1502.0, 1504.0, 1700.0, 1700.0])
    >>> found = measure_ranges(width_us, np.array([0, 3]), np.array([3, 5]))
    >>> found.level_us.tolist(), found.std_us.tolist(), found.rise_us.tolist()
    ([1502.0, 1700.0], [2.0, 0.0], [6.0, 0.0])
    """
    if not begin.size:
        none = np.zeros(0)
        return RangeStatistics(np.zeros(0, np.int64), none, none, none, none)
    count = end - begin
    first = np.cumsum(count) - count
    place = np.arange(int(count.sum()))
    pulses_us = width_us[place + np.repeat(begin - first, count)]
    level_us = np.add.reduceat(pulses_us, first) / count
    about_us = pulses_us - np.repeat(level_us, count)
    level_us += np.add.reduceat(about_us, first) / count
    lever = place - np.repeat(first + 0.5 * (count - 1), count)
    levers = count * (count.astype(np.float64) ** 2 - 1.0) / 12.0
    return RangeStatistics(
        count,
        level_us,
        np.sqrt(np.add.reduceat(about_us**2, first) / np.maximum(count - 1, 1)),
        np.maximum.reduceat(pulses_us, first) - np.minimum.reduceat(pulses_us, first),
        np.add.reduceat(lever * about_us, first) / np.maximum(levers, 0.5) * count,
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
    mean_us = width_us[place[:, None] + np.arange(block)].mean(axis=1)
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
_AT_ONCE: Final = 2048


def stray_widths(width_us: FloatArray, noise: WidthNoise, *, far_us: float) -> IntArray:
    """Find widths that jump away for one or two pulses and back.

    A width is stray if it leaves the median of the five around it by more than
    the noise's range, and either by more than ``far_us`` or while three of the
    five agree within that range. At the turn of a fast movement they do not.
    """
    limit_us = noise.range_limit_us
    padded_us = np.pad(width_us, 2, "edge")
    around = [padded_us[step : step + width_us.size] for step in range(5)]
    off_us = np.abs(width_us - _median_of_five(*around))
    at = np.flatnonzero(off_us > limit_us)
    five = np.sort([column[at] for column in around], axis=0)
    agree = np.min(five[2:] - five[:-2], axis=0) <= limit_us
    stray: IntArray = at[agree | (off_us[at] > far_us)]
    return stray


def extremes(choose: np.ufunc, values: FloatArray, window: int) -> FloatArray:
    """Choose the extreme value of each window; windows of twice the length from two.

    >>> extremes(np.maximum, np.array([3.0, 1.0, 2.0, 0.0]), 3).tolist()
    [3.0, 2.0]
    """
    chosen, length = values, 1
    while 2 * length <= window:
        chosen = choose(chosen[:-length], chosen[length:])
        length *= 2
    rest = window - length
    return choose(chosen[: chosen.size - rest], chosen[rest:]) if rest else chosen


def still_stretches(
    width_us: FloatArray, seams: IntArray, noise: WidthNoise, window: int
) -> tuple[IntArray, IntArray]:
    """Find the half-open ranges of pulses that windows which stand still cover.

    A window stands still if its range is within the noise's and the means of its
    halves differ by at most `SHIFT_LIMIT` deviations of that difference, and a
    sample interval. Windows that overlap make one stretch.
    """
    range_us = extremes(np.maximum, width_us, window) - extremes(np.minimum, width_us, window)
    half, windows = window // 2, range_us.size
    total_us = np.cumsum(np.append(0.0, width_us - width_us[0]))
    first_us = total_us[half : half + windows] - total_us[:windows]
    second_us = total_us[window:] - total_us[window - half : window - half + windows]
    shift_us = SHIFT_LIMIT * noise.lasting_us(half) * math.sqrt(2.0 / half) + noise.interval_us
    flat = range_us <= noise.range_limit_us
    flat &= np.abs(second_us - first_us) <= half * shift_us
    for seam in seams:
        flat[max(seam - window + 1, 0) : seam] = False
    change = np.flatnonzero(np.diff(flat, prepend=False, append=False))
    begin, end = change[0::2], change[1::2] + window - 1
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
        pulses_us = width_us[outer + inwards * np.arange(2 * half)[:, None]]
        level_us = pulses_us[half:].mean(axis=0)
        shift_us = np.cumsum(pulses_us[:half] - level_us, axis=0) / tail[:, None]
        excess = (np.abs(shift_us) - noise.interval_us) / doubt_us[:, None]
        cut.append(np.where(excess.max(axis=0) > 1.0, excess.argmax(axis=0) + 1, 0))
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
    for first in range(0, inside.size, _AT_ONCE):
        some = np.arange(first, min(first + _AT_ONCE, inside.size))
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


def _median_of_five(
    a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray, e: FloatArray
) -> FloatArray:
    low = np.maximum(np.minimum(a, b), np.minimum(d, e))
    high = np.minimum(np.maximum(a, b), np.maximum(d, e))
    return np.maximum(np.minimum(low, high), np.minimum(np.maximum(low, high), c))
