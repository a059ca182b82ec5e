"""The marks of a rotation line: when each passed the sensor, without bounces, none left out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from pwmscope.model import PS_PER_S, FloatArray, IntArray, Line

BOUNCE: Final = 0.3
"""A mark that comes sooner than this part of the usual interval is the one before, seen again."""
SUDDEN: Final = 2
"""Intervals that change by a greater factor from one to the next are looked at for faults."""
SKIPPED: Final = 1.6
"""An interval longer than this times its neighbours' geometric mean holds a mark not seen."""
MAX_SKIPPED: Final = 4
"""A longer interval is a pause."""
STEADY: Final = 1.3
"""Beside a mark not seen, intervals grow by less than this factor towards it."""
MAX_PASSES: Final = 3
_NEAR: Final = 5


@dataclass(frozen=True, slots=True)
class Marks:
    """When marks passed the sensor, as columns."""

    instants_ps: IntArray  # shape (n,): Their edges, in picoseconds since the recording's start
    # shape (n,): Their numbers; a number is left out for each mark that was not seen
    number: IntArray
    bounced: int  # Edges that were the mark before, seen again
    skipped: int  # Marks that were not seen, by the intervals around them
    interval_s: float  # Sample interval; 0 where it is not known

    def __len__(self) -> int:
        return int(self.instants_ps.size)

    def seconds(self, begin: int, end: int) -> FloatArray:
        """Return the instants of some marks in seconds."""
        seconds: FloatArray = self.instants_ps[begin:end] / PS_PER_S
        return seconds

    def first_at(self, time_s: float) -> int:
        """Return the place of the first mark at or after a time."""
        return int(np.searchsorted(self.instants_ps, round(time_s * PS_PER_S)))


def find_marks(
    line: Line, edge: Literal["rising", "falling"], sample_interval_ps: float | None
) -> Marks:
    """Take a line's rising or falling edges as marks, and see what was seen twice or not at all."""
    instants_ps = line.rises_ps() if edge == "rising" else line.falls_ps()
    edges = instants_ps.size
    for _ in range(MAX_PASSES):
        again = _bounces(np.diff(instants_ps))
        if not again.size:
            break
        instants_ps = np.delete(instants_ps, again + 1)
    gap, count = _skips(np.diff(instants_ps))
    steps = np.ones(instants_ps.size, np.int64)
    steps[:1] = 0
    steps[gap + 1] += count
    return Marks(
        instants_ps,
        np.cumsum(steps),
        edges - instants_ps.size,
        int(count.sum()),
        (sample_interval_ps or 0.0) / PS_PER_S,
    )


def _sudden(interval_ps: IntArray) -> IntArray:
    """List the intervals beside which another is much longer or shorter."""
    before, after = interval_ps[:-1], interval_ps[1:]
    changes = np.flatnonzero((after > SUDDEN * before) | (before > SUDDEN * after))
    return np.unique(np.concatenate([changes, changes + 1]))


def _around(interval_ps: IntArray, at: IntArray) -> FloatArray:
    """Return some intervals' neighbours, two on either side; NaN beyond the ends."""
    place = at[:, None] + np.arange(_NEAR) - _NEAR // 2
    near: FloatArray = interval_ps[np.clip(place, 0, interval_ps.size - 1)].astype(np.float64)
    near[(place < 0) | (place >= interval_ps.size)] = np.nan
    return near


def _bounces(interval_ps: IntArray) -> IntArray:
    """List the intervals at whose end the mark before was seen again.

    The usual interval is the second longest of five: of a mark seen twice each time the longer
    parts, and not the one that holds a mark not seen. The rest of the interval follows.
    """
    at = _sudden(interval_ps)
    if not at.size:
        return at
    near = np.sort(np.nan_to_num(_around(interval_ps, at), nan=-1.0), axis=1)
    is_last = at == interval_ps.size - 1
    rest = interval_ps[np.where(is_last, at, at + 1)]
    again = is_last | (rest > SUDDEN * interval_ps[at])
    found: IntArray = at[again & (interval_ps[at] < BOUNCE * near[:, -2])]
    return found


def _skips(interval_ps: IntArray) -> tuple[IntArray, IntArray]:
    """List the intervals in which marks were not seen, and how many, by two neighbours each side.

    Where the rotor slows down to a stand, or begins to turn, the neighbours change as well.
    """
    if interval_ps.size < _NEAR:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    before, own, after = interval_ps[1:-3], interval_ps[2:-2], interval_ps[3:-1]
    longer = np.flatnonzero((own > SKIPPED * before) | (own > SKIPPED * after))
    first, last = interval_ps[longer], interval_ps[longer + _NEAR - 1]
    usual = np.sqrt(before[longer].astype(np.float64) * after[longer])
    count = np.rint(own[longer] / usual).astype(np.int64) - 1
    kept = (own[longer] > SKIPPED * usual) & (count > 0) & (count < MAX_SKIPPED)
    kept &= (before[longer] < STEADY * first) & (after[longer] < STEADY * last)
    return longer[kept] + _NEAR // 2, count[kept]
