"""The marks of a rotation line, without bounces, none left out; and the speeds they count."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from pwmscope.model import CLOCK_TOLERANCE, PS_PER_S, FloatArray, IntArray, Line

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


GATE_S: Final = 0.1
"""A speed is counted over whole turns in at least this time, or over one interval."""
MISPLACED: Final = 0.05
"""Marks may be out of place by this part of their pitch (common practice); whole turns cancel it.
"""
SUSTAINED: Final = 3
"""So many intervals one after the other show motion; a single one may be a fault of the sensor."""


@dataclass(frozen=True, slots=True)
class Speeds:
    """Speeds over time, as columns, each of shape (n,)."""

    begin_s: FloatArray  # When the first mark of each count passed, since the recording's start
    lasts_s: FloatArray  # Until the last one
    turns: FloatArray  # Turns between them
    hz: FloatArray  # Turns a second
    u_hz: FloatArray  # Standard uncertainty

    @property
    def per_minute(self) -> FloatArray:
        """Turns a minute."""
        return 60.0 * self.hz


def count_speeds(marks: Marks, per_turn: int) -> Speeds:
    r"""Count speeds over gates of `GATE_S`, each from a mark to a mark.

    Parameters
    ----------
    marks : Marks
        When the marks passed.
    per_turn : int
        Marks that pass in each turn.

    Returns
    -------
    Speeds

    Notes
    -----
    Reciprocal counting: ``n = k / (m t)`` with k marks in the time t, m in a turn. By JCGM 100,
    5.1.2: ``(u(n)/n)^2 = (u(t)/t)^2 + (u(k)/k)^2``. Each end is late by 0 to a sample interval
    T, so ``u(t)^2 = T^2/6`` (two rectangular ones, 4.3.7), and the clock is right within 100 ppm,
    rectangular too. Over whole turns ``u(k) = 0``, else two marks out of place count.
    """
    none = np.zeros(0)
    if len(marks) < 2:
        return Speeds(none, none, none, none, none)
    begin, end = _gates(marks, per_turn)
    count = marks.number[end] - marks.number[begin]
    # Whole turns, where the mark that ends the last of them was seen.
    whole = count - count % per_turn
    back = end - (count - whole)
    is_whole = (whole > 0) & (marks.number[np.maximum(back, 0)] - marks.number[begin] == whole)
    end, count = np.where(is_whole, back, end), np.where(is_whole, whole, count)
    lasts_s = (marks.instants_ps[end] - marks.instants_ps[begin]) / PS_PER_S
    turns = count / per_turn
    hz = turns / lasts_s
    relative = (marks.interval_s / lasts_s) ** 2 / 6.0 + CLOCK_TOLERANCE**2 / 3.0
    is_partial = count % per_turn != 0
    relative += np.where(is_partial, 2.0 / 3.0 * (MISPLACED / count) ** 2, 0.0)
    return Speeds(marks.instants_ps[begin] / PS_PER_S, lasts_s, turns, hz, hz * np.sqrt(relative))


def _gates(marks: Marks, per_turn: int) -> tuple[IntArray, IntArray]:
    """Return the first and the last mark of each gate, each gate's end the next one's beginning."""
    instants_ps = marks.instants_ps
    begun_ps = int(instants_ps[0])
    gates = int((instants_ps[-1] - begun_ps) / (GATE_S * PS_PER_S)) + 2
    lines_ps = begun_ps + np.arange(gates, dtype=np.int64) * int(GATE_S * PS_PER_S)
    first = np.minimum(np.searchsorted(instants_ps, lines_ps), instants_ps.size - 1)
    bounds = np.unique(first)
    return bounds[:-1], bounds[1:]


def rolling(marks: Marks, per_turn: int, begin: int, end: int) -> tuple[FloatArray, FloatArray]:
    """Return the mean speeds over `SUSTAINED` intervals in a row of some marks, and their ends."""
    time_s = marks.seconds(begin, end)
    if time_s.size <= SUSTAINED:
        return np.zeros(0), np.zeros(0)
    number = marks.number[begin:end]
    turns = (number[SUSTAINED:] - number[:-SUSTAINED]) / per_turn
    return turns / (time_s[SUSTAINED:] - time_s[:-SUSTAINED]), time_s[SUSTAINED:]


def below_per_minute(silent_s: float, per_turn: int) -> float:
    """Return the speed that a rotor is below where no mark came for a time.

    Examples
    --------
    >>> below_per_minute(0.4, 1)
    150.0
    """
    return math.inf if silent_s <= 0.0 else 60.0 / (per_turn * silent_s)
