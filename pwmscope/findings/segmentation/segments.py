"""Which widths are stray, and which stretches of the others stand still for a moment."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.segmentation.ranges import measure_ranges
from pwmscope.findings.segmentation.width_noise import WidthNoise

SHIFT_LIMIT: Final = 4.0
"""Nor does a window stand still whose halves differ by more than this many deviations of
their difference."""
HIDDEN: Final = 3.0
"""A single width that is off its level by so many noise deviations is seen to be."""
STOP_DOUBT: Final = 0.5
_FARTHER: Final = 4.0
_RUN: Final = 3
MAX_UNSETTLED: Final = 0.4
"""Part of a dwell that is cut off at either end, at most."""
_INWARDS: Final = 64
_OUTWARDS: Final = 40
_BATCH: Final = 2048


def stray_widths(
    width_us: npt.NDArray[np.float64], noise: WidthNoise, block: int, *, far_us: float
) -> npt.NDArray[np.int64]:
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


def _most_of_three(value: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return the largest of each value and its two neighbours."""
    most = value.copy()
    np.maximum(most[1:], value[:-1], out=most[1:])
    np.maximum(most[:-1], value[1:], out=most[:-1])
    return most


def standing_stretches(
    width_us: npt.NDArray[np.float64],
    seams: npt.NDArray[np.int64],
    noise: WidthNoise,
    window: int,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
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
    width_us: npt.NDArray[np.float64],
    begin: npt.NDArray[np.int64],
    end: npt.NDArray[np.int64],
    noise: WidthNoise,
    window: int,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
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
    width_us: npt.NDArray[np.float64],
    begin: npt.NDArray[np.int64],
    end: npt.NDArray[np.int64],
    noise: WidthNoise,
    seams: npt.NDArray[np.int64],
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
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
        lasting_us = np.min([off_us[:, at : at - _RUN or None] for at in range(_RUN + 1)], axis=0)
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


def _first_beyond(off_us: npt.NDArray[np.float64], limit_us: float) -> npt.NDArray[np.int64]:
    """First column of each row beyond a limit; the number of columns where none is."""
    beyond = off_us > limit_us
    first: npt.NDArray[np.int64] = np.where(
        beyond.any(axis=1), beyond.argmax(axis=1), off_us.shape[1]
    )
    return first


def _block_ranges(
    width_us: npt.NDArray[np.float64], block: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    first = np.arange(0, width_us.size, block)
    return np.minimum.reduceat(width_us, first), np.maximum.reduceat(width_us, first)


def _batches(blocks: npt.NDArray[np.int64]) -> Iterator[npt.NDArray[np.int64]]:
    return (blocks[at : at + _BATCH] for at in range(0, blocks.size, _BATCH))


def _closer(
    width_us: npt.NDArray[np.float64],
    blocks: npt.NDArray[np.int64],
    noise: WidthNoise,
    window: int,
) -> npt.NDArray[np.bool_]:
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
    whole: npt.NDArray[np.bool_] = still.T
    return whole


def _extremes(
    extreme: np.ufunc, pulses: npt.NDArray[np.float64], window: int
) -> npt.NDArray[np.float64]:
    """Extreme of each window from its parts in its first and second block."""
    up_to_end = _running(extreme, pulses[window - 1 :: -1])[::-1]
    from_begin = _running(extreme, pulses[window : 2 * window - 1])
    both: npt.NDArray[np.float64] = up_to_end.copy()
    extreme(up_to_end[1:], from_begin, out=both[1:])
    return both


def _running(operation: np.ufunc, rows: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Accumulate row by row, several times faster than `numpy.ufunc.accumulate` does."""
    running = rows.copy()
    for before, row in itertools.pairwise(running):
        operation(before, row, out=row)
    return running


def _median_of_five(
    a: npt.NDArray[np.float64],
    b: npt.NDArray[np.float64],
    c: npt.NDArray[np.float64],
    d: npt.NDArray[np.float64],
    e: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    low = np.maximum(np.minimum(a, b), np.minimum(d, e))
    high = np.minimum(np.maximum(a, b), np.maximum(d, e))
    median: npt.NDArray[np.float64] = np.maximum(
        np.minimum(low, high), np.minimum(np.maximum(low, high), c)
    )
    return median
