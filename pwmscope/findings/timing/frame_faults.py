"""Frames that did not come in time: dropped ones, late ones, extra ones."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.model.spans import Span, overlaps
from pwmscope.pulses import Frames, PulseTable
from pwmscope.pulses.frame_pattern import Pattern
from pwmscope.pulses.frames import closing_rows

CLOCK_DOUBT: Final = 5e-6
"""Relative error allowed for the mean period where frames are counted over a long time."""
Whole = npt.NDArray[np.int64]
Real = npt.NDArray[np.float64]


class After(IntEnum):
    """What the frames did after a late one."""

    RETURNED = 0
    STAYED = 1
    UNKNOWN = 2


@dataclass(frozen=True, slots=True)
class FrameFaults:
    """Frames that depart from their pattern, as columns, in order of time.

    Parameters
    ----------
    dropped_from, dropped_to : ndarray of int64, shape (n_gaps,)
        Rows in the pulse table of the pulses before and after each gap.
    dropped_count : ndarray of int64, shape (n_gaps,)
        Frames missing in it.
    late_row : ndarray of int64, shape (n_late,)
        Rows of the pulses whose leading edge departs from the frame clock.
    late_us : ndarray of float64, shape (n_late,)
        By how much it comes late; early ones are negative.
    late_after : ndarray of int64, shape (n_late,)
        `After`: whether the next frames returned to the clock as it was before.
    extra_row : ndarray of int64, shape (n_extra,)
        Rows of the pulses between two frames that do not move the clock.
    is_irregular : bool
        Whether most periods follow no pattern; only gaps are then told, by the
        usual period.
    """

    dropped_from: Whole
    dropped_to: Whole
    dropped_count: Whole
    late_row: Whole
    late_us: Real
    late_after: Whole
    extra_row: Whole
    is_irregular: bool

    @property
    def dropped(self) -> int:
        """Frames missing in all."""
        return int(self.dropped_count.sum())


def find_faults(table: PulseTable, frames: Frames, losses: tuple[Span, ...]) -> FrameFaults:
    """Tell dropped, late and extra frames apart. Own algorithm.

    Consecutive periods that depart from their pattern make one disturbance. It
    is held against the frame clock as it ran before (after, where there is
    nothing before): in its time S a number of frames k fits best. If S lies
    within the pattern's reach of k frames, the clock was not moved: pulses
    within the reach of a frame's instant are that frame, others are late or early
    where the frame before or after them is missing, else extra, and what is
    then missing was dropped. Otherwise the frame that ends the disturbance is
    late and the clock stays shifted; pulses inside beyond k - 1 are extra, fewer
    are dropped frames.

    Parameters
    ----------
    table : PulseTable
        One channel's pulses.
    frames : Frames
        Its frames.
    losses : tuple of Span
        Spans that count in nothing.

    Returns
    -------
    FrameFaults
    """
    odd = frames.odd
    begin_s = table.rise_s[frames.index[odd]]
    odd = odd[~overlaps(losses, begin_s, begin_s + frames.period_us[odd] / 1e6)]
    is_irregular = 2 * odd.size > frames.period_us.size
    if not odd.size or is_irregular:
        return _only_gaps(table, frames, odd, is_irregular=is_irregular)
    found = _disturbances(table, frames, losses, odd)
    anchored = (found.before | found.after) & ~found.changes
    loose = ~anchored[np.searchsorted(found.first, odd, side="right") - 1]
    parts = [_only_gaps(table, frames, odd[loose], is_irregular=False)]
    for k, pattern in enumerate(frames.patterns):
        own = found.select(anchored & (found.pattern == k))
        parts.extend(_told(table, frames, pattern, own))
    return _joined(parts)


@dataclass(frozen=True, slots=True)
class _Disturbances:
    """Runs of odd periods, as columns.

    `first`, `last` : first and last period of each. `from_row`, `to_row` : the pulses
    that begin and end it. `before`, `after` : whether a regular frame precedes,
    follows it. `pattern` : what the clock did before, or after.
    """

    first: Whole
    last: Whole
    from_row: Whole
    to_row: Whole
    before: npt.NDArray[np.bool_]
    after: npt.NDArray[np.bool_]
    pattern: Whole
    changes: npt.NDArray[np.bool_]

    def select(self, mask: npt.NDArray[np.bool_]) -> _Disturbances:
        return _Disturbances(*(getattr(self, name)[mask] for name in self.__slots__))


def _disturbances(
    table: PulseTable, frames: Frames, losses: tuple[Span, ...], odd: Whole
) -> _Disturbances:
    ends = closing_rows(table, frames, odd)
    joined = (np.diff(odd) == 1) & (ends[:-1] == frames.index[odd[1:]])
    first = odd[np.concatenate([[True], ~joined])]
    last = odd[np.concatenate([~joined, [True]])]
    from_row = frames.index[first]
    to_row = ends[np.concatenate([~joined, [True]])]
    size = frames.period_us.size
    neighbours = np.stack([np.maximum(first - 1, 0), np.minimum(last + 1, size - 1)])
    is_odd = frames.odd[np.minimum(np.searchsorted(frames.odd, neighbours), frames.odd.size - 1)]
    begin_s = table.rise_s[frames.index[neighbours]]
    end_s = begin_s + frames.period_us[neighbours] / 1e6
    lost = overlaps(losses, begin_s.ravel(), end_s.ravel()).reshape(neighbours.shape)
    good = (is_odd != neighbours) & ~lost
    good[0] &= (first > 0) & (closing_rows(table, frames, neighbours[0]) == from_row)
    good[1] &= (last < size - 1) & (frames.index[neighbours[1]] == to_row)
    own = frames.pattern[neighbours].astype(np.int64)
    pattern = np.where(good[0], own[0], np.where(good[1], own[1], frames.pattern[first]))
    changes = good[0] & good[1] & (own[0] != own[1])
    return _Disturbances(first, last, from_row, to_row, good[0], good[1], pattern, changes)


def _told(
    table: PulseTable, frames: Frames, pattern: Pattern, found: _Disturbances
) -> list[FrameFaults]:
    """Tell what the disturbances of one pattern are."""
    span_us = (table.rise_s[found.to_row] - table.rise_s[found.from_row]) * 1e6
    way = _Way.of(frames, pattern, found)
    count, late_us = way.count(span_us)
    late_us = np.where(count < 1, span_us - pattern.mean_us, late_us)
    count = np.maximum(count, 1)
    moved = np.abs(late_us) > frames.reach_us + CLOCK_DOUBT * span_us
    return [
        _shifts(frames, found.select(moved), count[moved], late_us[moved]),
        _on_the_clock(table, frames, found.select(~moved), way.select(~moved), count[~moved]),
    ]


def _shifts(frames: Frames, found: _Disturbances, count: Whole, late_us: Real) -> FrameFaults:
    """Tell disturbances after which the clock is shifted."""
    excess = found.last - found.first - (count - 1)
    dropped = excess < 0
    extra = np.maximum(excess, 0)
    owner = np.repeat(np.arange(extra.size), extra)
    rank = np.arange(owner.size) - np.repeat(np.cumsum(extra) - extra, extra)
    return FrameFaults(
        found.from_row[dropped],
        found.to_row[dropped],
        -excess[dropped],
        np.where(found.before, found.to_row, found.from_row),
        np.where(found.before, late_us, -late_us),
        np.where(found.before & found.after, After.STAYED, After.UNKNOWN),
        frames.index[found.first[owner] + 1 + rank],
        is_irregular=False,
    )


def _on_the_clock(
    table: PulseTable, frames: Frames, found: _Disturbances, way: _Way, count: Whole
) -> FrameFaults:
    """Tell disturbances that leave the clock where it was, pulse by pulse.

    A pulse at a frame's instant is that frame. Another one is late or early if the
    frame before or after it is missing, else extra; what is then missing was dropped.
    """
    size = int(count.max(initial=0)) + 2
    ends = np.arange(count.size) * size
    from_row = np.where(way.onward, found.from_row, found.to_row)
    to_row = np.where(way.onward, found.to_row, found.from_row)
    owner, row = _pulses_inside(frames, found)
    elapsed_us = np.abs(table.rise_s[row] - table.rise_s[from_row[owner]]) * 1e6
    own = way.select(owner)
    number, rest_us = own.count(elapsed_us)
    key = owner * size + number
    in_time = np.abs(rest_us) <= frames.reach_us
    known = np.concatenate([ends, ends + count, key[in_time]])
    known_row = np.concatenate([from_row, to_row, row[in_time]])
    present, first = np.unique(known, return_index=True)
    # Those that name a frame which is there already.
    twice = np.setdiff1d(known_row, known_row[first])
    before = key - (rest_us < 0)
    near = np.stack([before + ~own.onward, before + own.onward])[:, ~in_time]
    free = ~np.isin(near, present)
    claim = np.where(free[0], near[0], near[1])
    taken, whose = np.unique(np.where(free.any(axis=0), claim, -1), return_index=True)
    whose, taken = whose[taken >= 0], taken[taken >= 0]
    stray = np.flatnonzero(~in_time)
    late = stray[whose]
    due_us = way.select(owner[late]).elapsed_us(taken - owner[late] * size)
    late_us = elapsed_us[late] - due_us
    present = np.concatenate([present, taken])
    rows = np.concatenate([known_row[first], row[late]])
    order = np.argsort(present)
    step = np.diff(present[order])
    gaps = np.flatnonzero((step > 1) & (np.diff(present[order] // size) == 0))
    sides = np.sort(np.stack([rows[order][gaps], rows[order][gaps + 1]]), axis=0)
    return FrameFaults(
        sides[0],
        sides[1],
        step[gaps] - 1,
        row[late],
        np.where(own.onward[late], late_us, -late_us),
        np.full(late.size, int(After.RETURNED)),
        np.concatenate([row[np.delete(stray, whose)], twice]),
        is_irregular=False,
    )


def _pulses_inside(frames: Frames, found: _Disturbances) -> tuple[Whole, Whole]:
    """List the pulses inside disturbances: whose, and their rows."""
    inside = found.last - found.first
    owner = np.repeat(np.arange(inside.size), inside)
    rank = np.arange(owner.size) - np.repeat(np.cumsum(inside) - inside, inside) + 1
    return owner, frames.index[found.first[owner] + rank]


@dataclass(frozen=True, slots=True)
class _Way:
    """How the clock runs through each disturbance: on from before it, or back from after it."""

    onward: npt.NDArray[np.bool_]
    place: Whole
    pattern: Pattern

    @classmethod
    def of(cls, frames: Frames, pattern: Pattern, found: _Disturbances) -> _Way:
        length, size = len(pattern), frames.period_us.size
        before = frames.place[np.maximum(found.first - 1, 0)].astype(np.int64)
        after = frames.place[np.minimum(found.last + 1, size - 1)].astype(np.int64)
        place = np.where(found.before, before + 1, length - after) % length
        return cls(found.before, place, pattern)

    def select(self, owner: Whole | npt.NDArray[np.bool_]) -> _Way:
        return _Way(self.onward[owner], self.place[owner], self.pattern)

    def count(self, elapsed_us: Real) -> tuple[Whole, Real]:
        """Count frames from the known side, and what remains."""
        on, on_us = self.pattern.count(elapsed_us, self.place)
        back, back_us = self.pattern.reversed().count(elapsed_us, self.place)
        return np.where(self.onward, on, back), np.where(self.onward, on_us, back_us)

    def elapsed_us(self, count: Whole) -> Real:
        on_us = self.pattern.elapsed_us(count, self.place)
        back_us = self.pattern.reversed().elapsed_us(count, self.place)
        return np.where(self.onward, on_us, back_us)


def _only_gaps(table: PulseTable, frames: Frames, periods: Whole, *, is_irregular: bool) -> (
    FrameFaults
):  # fmt: skip
    """Count dropped frames by the usual period alone."""
    gaps = periods[frames.missing[periods] > 0]
    return FrameFaults(
        frames.index[gaps],
        closing_rows(table, frames, gaps),
        frames.missing[gaps],
        _NO_ROWS,
        np.zeros(0),
        _NO_ROWS,
        _NO_ROWS,
        is_irregular=is_irregular,
    )


def _joined(parts: list[FrameFaults]) -> FrameFaults:
    """Put parts together in order of time."""
    gaps = np.argsort(np.concatenate([part.dropped_from for part in parts]), kind="stable")
    late = np.argsort(np.concatenate([part.late_row for part in parts]), kind="stable")
    return FrameFaults(
        np.concatenate([part.dropped_from for part in parts])[gaps],
        np.concatenate([part.dropped_to for part in parts])[gaps],
        np.concatenate([part.dropped_count for part in parts])[gaps],
        np.concatenate([part.late_row for part in parts])[late],
        np.concatenate([part.late_us for part in parts])[late],
        np.concatenate([part.late_after for part in parts])[late],
        np.sort(np.concatenate([part.extra_row for part in parts])),
        is_irregular=any(part.is_irregular for part in parts),
    )


_NO_ROWS: Final = np.zeros(0, np.int64)
