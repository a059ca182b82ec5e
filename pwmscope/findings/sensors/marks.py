"""From a sensor's marks to speeds: which marks count, how fast, and when it is slow for good."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from pwmscope.model import CLOCK_TOLERANCE, PS_PER_S, FloatArray, IntArray, Line, student_quantile

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
RANGE: Final = 1.6
"""Speeds from the stated one by this factor up and down are fitted."""
MAX_FIT: Final = 4000
"""Marks that are fitted at most."""
MIN_FREE: Final = 3
"""Marks that are left over, at least, when a polynomial is fitted."""
MAX_ORDER: Final = 7
BETTER: Final = 3.0
"""A term that makes the variance less by so many times what is left is one of the fall's own."""
MODEL: Final = 0.5
"""Part of what one order more moves that is taken for the model's doubt (own choice)."""
COAST: Final = 1.3
"""Intervals that grow by more than this factor before the marks end show the rotor slow down."""


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
        return self.instants_ps[begin:end] / PS_PER_S

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


def count_speeds(marks: Marks, per_turn: int) -> Speeds:
    """Count speeds over gates of `GATE_S`, each from a mark to a mark.

    Reciprocal counting: ``n = k / (m t)`` with k marks in the time t, m in a turn. By JCGM 100,
    5.1.2: ``(u(n)/n)^2 = (u(t)/t)^2 + (u(k)/k)^2``. Each end is late by 0 to a sample interval
    T, so ``u(t)^2 = T^2/6`` (two rectangular ones, 4.3.7), and the clock is right within 100 ppm,
    rectangular too. Over whole turns ``u(k) = 0``, else two marks out of place count.
    """
    if len(marks) < 2:
        return Speeds(*[np.zeros(0)] * 5)
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

    >>> below_per_minute(0.4, 1)
    150.0
    """
    return math.inf if silent_s <= 0.0 else 60.0 / (per_turn * silent_s)


@dataclass(frozen=True, slots=True)
class SlowDown:
    """How a rotor fell below a stated speed, in a stretch of time."""

    # The 95 % interval of when it did, in seconds since the recording's start
    least_s: float
    most_s: float
    coasted: bool  # Whether the marks grew apart before they ended, as those of a rotor do


def fall_below(
    marks: Marks, per_turn: int, slow_hz: float, start_s: float, end_s: float
) -> SlowDown | None:
    """Find when a rotor was slower than a stated speed for good, within a stretch of time.

    None where it is not seen to be slower at the end, or was not faster in the stretch.
    Between two marks the mean speed is known. The rotor was faster at some time within the last
    interval before the first whose mean is below the stated speed. It is slower at the latest
    when no mark came for ``1 / (per_turn slow_hz)`` after the last interval whose mean is not
    below. Within these bounds a polynomial of the turned angle over time tells the moment more
    closely. It is fitted by least squares to the marks around, of one order more than the marks
    ask for; its covariance gives the interval (JCGM 100, 5.1; Student's t by its 4.2 and G.3).
    """
    first = max(marks.first_at(start_s) - MAX_FIT, 0)
    last = marks.first_at(end_s)
    time_s = marks.seconds(first, last)
    if time_s.size < 2:
        return None
    turns = (marks.number[first:last] - marks.number[first]) / per_turn
    speed_hz = np.diff(turns) / np.diff(time_s)
    fast = np.flatnonzero(speed_hz >= slow_hz)
    if not fast.size:
        return None
    at = int(fast[-1])
    most_s = float(time_s[at + 1]) + 1.0 / (per_turn * slow_hz)
    if not start_s <= most_s <= end_s:
        return None
    begin, end = _window(speed_hz, slow_hz, at)
    slow = np.flatnonzero(speed_hz[begin : at + 1] < slow_hz)
    least_s = float(time_s[max(begin + int(slow[0]) - 1, 0) if slow.size else at])
    coasted = _coasted(time_s, at)
    middle = begin + int(np.count_nonzero(speed_hz[begin : end - 1] >= slow_hz))
    found = _fit(time_s[begin:end], turns[begin:end], slow_hz, middle - begin, marks.interval_s)
    if found is not None:
        value_s, half_s = found
        return SlowDown(value_s - half_s, value_s + half_s, coasted)
    if marks.skipped:
        # A sensor that misses marks may have missed the one that ends the last interval.
        most_s += 1.0 / (per_turn * slow_hz)
        if most_s > end_s:
            return None
    return SlowDown(least_s, most_s, coasted)


def _window(speed_hz: FloatArray, slow_hz: float, at: int) -> tuple[int, int]:
    """Return the marks, from and to, around an interval between which speeds are near the stated.

    A single mark out of place makes two speeds; the window ends where two lie outside.
    """
    outside = (speed_hz > RANGE * slow_hz) | (speed_hz < slow_hz / RANGE)
    twice = outside.copy()
    twice[:-1] &= outside[1:]
    before = np.flatnonzero(twice[:at])
    begin = int(before[-1]) + 2 if before.size else 0
    after = np.flatnonzero(outside[at + 1 :])
    end = at + 1 + (int(after[0]) if after.size else speed_hz.size - at - 1)
    # The marks at both ends of each interval.
    begin, end = min(begin, at), end + 1
    # A slow fall needs no more marks than a whole fit takes, with the crossing in their middle.
    middle = begin + int(np.count_nonzero(speed_hz[begin : end - 1] >= slow_hz))
    return max(begin, middle - MAX_FIT // 2), min(end, max(middle + MAX_FIT // 2, at + 2))


def _fit(
    time_s: FloatArray, turns: FloatArray, slow_hz: float, middle: int, interval_s: float
) -> tuple[float, float] | None:
    """Fit the turned angle; give the crossing and its half interval; None where it is not told."""
    if time_s.size < 3 + MIN_FREE or not 1 < middle < time_s.size - 2:
        return None
    zero_s = float(time_s[middle])
    scale_s = max(zero_s - float(time_s[0]), float(time_s[-1]) - zero_s)
    x, y = (time_s - zero_s) / scale_s, turns - turns[middle]
    # An edge is timed within a sample interval; the angle is off by the speed times that.
    floor = (slow_hz * interval_s) ** 2 / 12.0
    fits = _polynomials(x, y, floor)
    asked = _asked(fits)
    told = [_passing(fit, slow_hz * scale_s, x) for fit in fits[: asked + 2]]
    # A high order may waver where the fall is slow; the highest that falls there is taken.
    order = max((k for k, passing in enumerate(told) if passing is not None), default=-1)
    passing = told[order]
    if order < 0 or passing is None:
        return None
    # What the last term moved is the model's doubt: all of it where no order is left above.
    before = told[order - 1] if order else None
    part = MODEL if order > asked else 1.0
    model = 0.0 if before is None else part * abs(passing[0] - before[0])
    coverage = student_quantile(0.975, x.size - fits[order].made.size)
    return zero_s + passing[0] * scale_s, scale_s * (coverage * passing[1] + model)


@dataclass(frozen=True, slots=True)
class _Polynomial:
    """A polynomial fitted to points."""

    base: FloatArray  # shape (n, k): The powers
    made: FloatArray  # shape (k,): Their factors
    variance: float  # Of the points about it


def _polynomials(x: FloatArray, y: FloatArray, floor: float) -> list[_Polynomial]:
    """Fit polynomials of order 2 and more."""
    most = min(MAX_ORDER, x.size - 1 - MIN_FREE)
    whole = np.vander(x, most + 1, increasing=True)
    fits = []
    for order in range(2, most + 1):
        base = whole[:, : order + 1]
        made = np.asarray(np.linalg.lstsq(base, y, rcond=None)[0], np.float64)
        off = y - base @ made
        variance = max(float(off @ off) / (x.size - order - 1), floor)
        fits.append(_Polynomial(base, made, variance))
    return fits


def _asked(fits: list[_Polynomial]) -> int:
    """Return the place of the lowest order above which no term makes the points' variance less."""
    asked = 0
    for k in range(1, len(fits)):
        free = fits[k].base.shape[0] - fits[k].made.size
        gained = fits[k - 1].variance * (free + 1) - fits[k].variance * free
        if gained > BETTER * fits[k].variance:
            asked = k
    return asked


def _passing(fit: _Polynomial, slow: float, x: FloatArray) -> tuple[float, float] | None:
    """Return where the slope falls through a value, nearest to 0, and its standard uncertainty."""
    powers = np.arange(1, fit.made.size)
    slope = fit.made[1:] * powers
    wanted = slope.copy()
    wanted[0] -= slow
    roots = np.roots(wanted[::-1])
    real = roots[np.abs(roots.imag) < 1e-9].real
    if not real.size:
        return None
    root = float(real[np.argmin(np.abs(real))])
    bend = float(np.polyval((slope[1:] * powers[:-1])[::-1], root))
    if bend >= 0.0 or not x[0] < root < x[-1]:
        return None
    gradient = np.concatenate([[0.0], powers * root ** (powers - 1.0)])
    cover = np.linalg.inv(fit.base.T @ fit.base)
    return root, math.sqrt(fit.variance * float(gradient @ cover @ gradient)) / -bend


def _coasted(time_s: FloatArray, at: int) -> bool:
    """Say whether the intervals grow towards the end, and not at once."""
    interval_s = np.diff(time_s)[: at + 1]
    return bool(interval_s.size > 2 and interval_s[-2] > COAST * interval_s[-8:].min())
