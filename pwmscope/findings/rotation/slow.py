"""When a rotor fell below a stated speed for good, within a stretch of a recording."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.rotation.marks import Marks
from pwmscope.model import FloatArray, student_quantile

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
class SlowDown:
    """How a rotor fell below a stated speed, in a stretch of time.

    Parameters
    ----------
    value_s, least_s, most_s : float
        When it did, in seconds since the recording's start, and the 95 % interval.
    coasted : bool
        Whether the marks grew apart before they ended, as those of a rotor do.
    last_mark_s : float
        When the last mark of the stretch came.
    """

    value_s: float
    least_s: float
    most_s: float
    coasted: bool
    last_mark_s: float


def fall_below(
    marks: Marks, per_turn: int, slow_hz: float, start_s: float, end_s: float
) -> SlowDown | None:
    """Find when a rotor was slower than a stated speed for good, within a stretch of time.

    Parameters
    ----------
    marks : Marks
        When the marks passed.
    per_turn : int
        Marks that pass in each turn.
    slow_hz : float
        The stated speed, in turns a second.
    start_s, end_s : float
        The stretch.

    Returns
    -------
    SlowDown or None
        None where it is not seen to be slower at the end, or was not faster in the stretch.

    Notes
    -----
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
    last_s = float(time_s[-1])
    middle = begin + int(np.count_nonzero(speed_hz[begin : end - 1] >= slow_hz))
    found = _fit(time_s[begin:end], turns[begin:end], slow_hz, middle - begin, marks.interval_s)
    if found is not None:
        value_s, half_s = found
        return SlowDown(value_s, value_s - half_s, value_s + half_s, coasted, last_s)
    if marks.skipped:
        # A sensor that misses marks may have missed the one that ends the last interval.
        most_s += 1.0 / (per_turn * slow_hz)
        if most_s > end_s:
            return None
    return SlowDown(0.5 * (least_s + most_s), least_s, most_s, coasted, last_s)


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
