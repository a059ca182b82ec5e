"""The leading edges that keep a frame clock's time, numbered across gaps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np
import numpy.typing as npt

from pwmscope.model import FROM_MAD
from pwmscope.pulses import Flag, Frames, Pattern, PulseTable, closing_rows, excerpt

LINES_UP: Final = 8.0
"""A clock goes on across a gap if the edge after it comes within this many deviations."""
CLOCK_DOUBT: Final = 2e-6
"""Relative error allowed for the mean period while frames are numbered across a gap."""
Scalar = TypeVar("Scalar", bound=np.generic)
IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class NumberedEdges:
    """Leading edges with their frame numbers, as columns."""

    pattern: Pattern  # What the frames repeat; frame number modulo its length is the place in it
    time_us: FloatArray  # shape (n,): Instants in microseconds since the first
    number: IntArray  # shape (n,): Frame numbers, ascending
    # shape (n_stretches - 1,): Places at which the clock starts anew: it was shifted, or the gap
    # before is too long to count the frames in it
    borders: IntArray


def number_edges(table: PulseTable, frames: Frames, periods: IntArray) -> NumberedEdges | None:
    """Find and number the leading edges that the most frequent pattern's periods lie between.

    Between two edges that a period connects there is one frame. Across anything
    else (gaps, late and extra frames, signal loss, doubtful edges, another rate) the
    number is that of the pattern's periods that fit best, and the clock starts anew
    where they do not fit within eight deviations of a period.
    """
    used, pattern, index = _regular(frames, periods)
    if not used.size:
        return None
    starts = run_starts(table, frames, used)
    ends = np.append(starts[1:], used.size) - 1
    time_us = _instants_us(table, frames, used, ends)
    begins = starts + np.arange(starts.size)
    first_place = frames.place[used[starts]].astype(np.int64)
    next_place = (frames.place[used[ends]].astype(np.int64) + 1) % len(pattern)
    gap_us = time_us[begins[1:]] - time_us[begins[1:] - 1]
    deviation_us = _deviation_us(table, frames, used, index)
    jump, joins = _jumps(pattern, gap_us, next_place[:-1], first_place[1:], deviation_us)
    number = np.arange(first_place[0], first_place[0] + time_us.size)
    if jump.size:
        step = np.zeros(time_us.size, np.int64)
        step[begins[1:]] = jump - 1
        number += np.cumsum(step, out=step)
    return NumberedEdges(pattern, time_us, number, begins[1:][~joins])


def _instants_us(table: PulseTable, frames: Frames, used: IntArray, ends: IntArray) -> FloatArray:
    """List the edge that begins each period, and that which ends each run of them."""
    begin_s = table.rise_s[taken(frames.index, used)]
    end_s = table.rise_s[frames.index[used[ends]]] + frames.period_us[used[ends]] / 1e6
    time_us = np.empty(used.size + ends.size)
    if ends.size == 1:
        time_us[:-1], time_us[-1] = begin_s, end_s[0]
    else:
        ending = ends + np.arange(1, ends.size + 1)
        beginning = np.ones(time_us.size, bool)
        beginning[ending] = False
        time_us[beginning], time_us[ending] = begin_s, end_s
    time_us -= time_us[0]
    time_us *= 1e6
    return time_us


def _regular(frames: Frames, periods: IntArray) -> tuple[IntArray, Pattern, int]:
    """List the periods that follow the pattern which most of them follow."""
    if not frames.patterns:
        return periods[:0], Pattern((0.0,)), 0
    if periods.size == frames.period_us.size and not frames.odd.size and len(frames.patterns) == 1:
        return periods, frames.patterns[0], 0
    regular = np.zeros(frames.period_us.size, bool)
    regular[periods] = True
    regular[frames.odd] = False
    index = 0
    if len(frames.patterns) > 1:
        index = int(np.bincount(frames.pattern[regular], minlength=1).argmax())
        regular &= frames.pattern == index
    return np.flatnonzero(regular), frames.patterns[index], index


def taken(values: npt.NDArray[Scalar], places: IntArray) -> npt.NDArray[Scalar]:
    """Take values at ascending places, by a view where they follow one another.

    Examples
    --------
    >>> taken(np.array([4.0, 5.0, 6.0]), np.array([1, 2]))
    array([5., 6.])
    """
    first, last = int(places[0]), int(places[-1])
    if last - first == places.size - 1:
        return values[first : last + 1]
    return values[places]


def run_starts(table: PulseTable, frames: Frames, used: IntArray) -> IntArray:
    """Find the periods, among some, that do not begin where the one before ended."""
    # Only an edge in doubt leaves out periods without leaving out their places.
    doubtful = np.flatnonzero(table.has(Flag.NOTCHED))
    before = np.searchsorted(used, np.searchsorted(frames.index, doubtful) - 1)
    before = np.unique(before[before < used.size - 1])
    unlinked = closing_rows(table, frames, used[before]) != frames.index[used[before + 1]]
    if int(used[-1]) - int(used[0]) == used.size - 1:
        return np.concatenate([[0], before[unlinked] + 1])
    apart = np.concatenate([[True], np.diff(used) != 1])
    apart[before[unlinked] + 1] = True
    return np.flatnonzero(apart)


def _deviation_us(table: PulseTable, frames: Frames, used: IntArray, index: int) -> float:
    """Robust deviation of the periods about their pattern, at least that of sampling."""
    sample = excerpt(used).ravel()
    expected_us = np.array(frames.patterns[index].periods_us)[frames.place[sample]]
    away_us = np.abs(frames.period_us[sample] - expected_us)
    return max(FROM_MAD * float(np.median(away_us)), (table.sample_interval_us or 0.0) / 6**0.5)


def _jumps(
    pattern: Pattern,
    gap_us: FloatArray,
    from_place: IntArray,
    to_place: IntArray,
    deviation_us: float,
) -> tuple[IntArray, npt.NDArray[np.bool_]]:
    """Count the frames across each gap, and say whether the clock went on through it."""
    count, late_us = pattern.count(gap_us, from_place)
    misplaced = (to_place - from_place - count) % len(pattern)
    joins = (
        (np.abs(late_us) <= LINES_UP * deviation_us + CLOCK_DOUBT * gap_us)
        & (misplaced == 0)
        & (count > 0)
    )
    jump = count + misplaced
    return np.where(jump > 0, jump, len(pattern)), joins
