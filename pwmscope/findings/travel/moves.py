"""What lies between dwells, where it turns round, and the middles of dwells away from it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.segmentation import Dwells, Record
from pwmscope.model import BoolArray, FloatArray, IntArray, inside, sampling_floor_us
from pwmscope.pulses import UNMEASURED

_MIX: Final = np.uint32(2_654_435_761)
"""An odd number near 2^32 over the golden ratio: multiplied by it, neighbouring places
come out in no order, which settles ties."""


def turning_points(width_us: FloatArray, least_us: float) -> IntArray:
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


def _least_of_three(size_us: FloatArray) -> BoolArray:
    """Say which sizes are less than both neighbours; of equal ones, one is drawn."""
    draw = np.arange(size_us.size, dtype=np.uint32) * _MIX
    before = (size_us[:-1] < size_us[1:]) | ((size_us[:-1] == size_us[1:]) & (draw[:-1] < draw[1:]))
    least = np.ones(size_us.size, dtype=bool)
    least[:-1] &= before
    least[1:] &= ~before
    return least


SAME_AS_DWELL: Final = 4.0
"""A pulse this many noise deviations from a dwell's level, or nearer, may stand at it."""
MIN_THROW: Final = 0.05
"""A change of width by this part of the span, or more, was made by moving the stick."""


@dataclass(frozen=True, slots=True)
class Moves:
    """The moves of one channel, as columns, in order of time."""

    row: IntArray  # shape (n,): Rows of the pulse table, one move's after the other's
    width_us: FloatArray  # shape (n,): Their widths in microseconds
    # shape (m,): The half-open range in `row` of each move
    begin: IntArray
    end: IntArray
    # shape (m,): The dwell that each one leaves and the one that it reaches; -1 where it begins or
    # ends otherwise: by turning round, in a signal loss, or at an end of the recording
    before: IntArray
    after: IntArray
    # shape (k,): Rows of the turning points, dwells counted, both ends of the movement included
    turn_row: IntArray
    turn_us: FloatArray  # shape (k,): Their widths
    least_us: float  # Smallest movement between two turning points

    def __len__(self) -> int:
        return int(self.begin.size)

    @property
    def owner(self) -> IntArray:
        """The move that each row belongs to; shape (n,)."""
        return np.repeat(np.arange(len(self)), self.end - self.begin)


def find_moves(record: Record) -> Moves:
    """Find a channel's moves: what lies between dwells, cut where the movement turns round."""
    table, dwells = record.table, record.dwells
    least_us = max(MIN_THROW * table.convention.span_us, 12.0 * dwells.noise_us)
    gap, row = _between_dwells(record)
    width_us = table.width_us[row]
    # In the order of time each dwell is one point of the movement, at its level.
    of_dwell = np.searchsorted(row, dwells.first) + np.arange(len(dwells))
    is_dwell = np.zeros(row.size + len(dwells), dtype=bool)
    is_dwell[of_dwell] = True
    path_us = np.empty(is_dwell.size)
    path_us[is_dwell], path_us[~is_dwell] = dwells.level_us, width_us
    path_row = np.empty(is_dwell.size, np.int64)
    path_row[is_dwell], path_row[~is_dwell] = dwells.first, row
    # A pulse beside a dwell, at its level, is no turning point of its own.
    kept = np.flatnonzero(is_dwell | ~_beside(path_us, is_dwell, dwells))
    turn = kept[turning_points(path_us[kept], least_us)]
    turned = np.zeros(is_dwell.size, dtype=bool)
    turned[turn[1:-1]] = True
    begin, end, before, after = _pieces(record, row, gap, turned[~is_dwell])
    return Moves(
        row, width_us, begin, end, before, after, path_row[turn], path_us[turn], least_us
    )  # fmt: skip


def _beside(path_us: FloatArray, is_dwell: BoolArray, dwells: Dwells) -> BoolArray:
    """Say which points of the path are at the level of the dwell before or after them."""
    at = np.cumsum(is_dwell)
    level_us = np.concatenate([[np.inf], dwells.level_us, [np.inf]])
    near_us = SAME_AS_DWELL * dwells.noise_us
    beside: BoolArray = np.abs(path_us - level_us[at]) <= near_us
    beside |= np.abs(path_us - level_us[at + 1]) <= near_us
    return beside


def _between_dwells(record: Record) -> tuple[IntArray, IntArray]:
    """List the usable rows outside dwells: the dwell that each comes before, and the row."""
    table, dwells = record.table, record.dwells
    opens = np.concatenate([[0], dwells.last + 1])
    count = np.concatenate([dwells.first, [len(table)]]) - opens
    gap = np.repeat(np.arange(count.size), count)
    row = np.arange(gap.size) + np.repeat(opens - (np.cumsum(count) - count), count)
    usable = (table.flags[row] & np.uint8(UNMEASURED)) == 0
    if record.losses:
        usable &= ~inside(record.losses, table.rise_s[row])
    if dwells.stray.size and row.size:
        at = np.minimum(np.searchsorted(row, dwells.stray), row.size - 1)
        usable[at[row[at] == dwells.stray]] = False
    return gap[usable], row[usable]


def _pieces(
    record: Record, row: IntArray, gap: IntArray, turned: BoolArray
) -> tuple[IntArray, ...]:
    """Cut the rows at dwells, at signal losses and after turning points."""
    if not row.size:
        nothing = np.zeros(0, np.int64)
        return nothing, nothing, nothing, nothing
    dwells, rise_s = record.dwells, record.table.rise_s
    lost_s = np.array([span.start_s for span in record.losses])
    block = np.searchsorted(lost_s, rise_s[row], side="right")
    cut = (np.diff(gap) > 0) | (np.diff(block) > 0) | turned[:-1]
    begin = np.concatenate([[0], np.flatnonzero(cut) + 1])
    end = np.concatenate([begin[1:], [row.size]])
    first, last = gap[begin], gap[end - 1]
    new = np.concatenate([[True], first[1:] != first[:-1]])
    done = np.concatenate([last[:-1] != last[1:], [True]])
    # A dwell on the other side of a loss is not where the move came from or went to.
    leaves = np.append(np.searchsorted(lost_s, dwells.end_s, side="right"), -1)[first - 1]
    reaches = np.append(np.searchsorted(lost_s, dwells.start_s, side="right"), -1)[last]
    before = np.where(new & (leaves == block[begin]), first - 1, -1)
    after = np.where(done & (reaches == block[end - 1]), last, -1)
    return begin, end, before, after


ENDS: Final = 4
"""Frames at each end of a sweep, or more of a slow one, by which it is told whether the hand set
off at full pace."""
SHARP: Final = 0.75
UNLIKE: Final = 9.0
"""A dwell with more than so many times the usual variance holds more than noise."""


@dataclass(frozen=True, slots=True)
class Middles:
    """The middle halves of some dwells."""

    level_us: FloatArray  # shape (n,): Mean width of each, in microseconds
    # Sample standard deviation about those means, pooled over all but the dwells that scatter far
    # more than most; the dwells' own noise where there is nothing to take it from
    std_us: float
    jitter_us: float  # The same without the sampling floor, taken out in quadrature; not below 0


def middles(record: Record, chosen: IntArray, most: int) -> Middles:
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


def spaced(count: int, most: int) -> IntArray:
    """Choose at most ``most`` of ``count`` things, evenly.

    Examples
    --------
    >>> spaced(3, 10), spaced(9, 3)
    (array([0, 1, 2]), array([0, 4, 8]))
    """
    if count <= most:
        return np.arange(count)
    return np.unique(np.linspace(0, count - 1, most).astype(np.int64))


def is_sharp(along_us: FloatArray, noise_us: float) -> bool:
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


def scatter_us(record: Record, chosen: IntArray, most: int) -> FloatArray:
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
