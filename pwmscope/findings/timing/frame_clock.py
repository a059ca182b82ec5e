"""The receiver's frame clock: the straight line, and the curve, that its frames follow."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from pwmscope.findings.timing.clock_wander import Wander, probe_wander
from pwmscope.findings.timing.frame_numbers import NumberedEdges, number_edges
from pwmscope.findings.timing.quantisation import unevenness
from pwmscope.model.moments import product
from pwmscope.model.uncertainty import CLOCK_TOLERANCE
from pwmscope.pulses import Frames, PulseTable
from pwmscope.pulses.excerpt import excerpt, slices
from pwmscope.pulses.frame_pattern import Pattern

ROUND_US: Final = 100.0
"""Frame periods are meant to be whole multiples of this (common practice)."""
EVIDENT: Final = 500e-6
"""A period farther than this part from the nearest one is not evidently meant to be it."""
_US_PER_MINUTE: Final = 60e6
Whole = npt.NDArray[np.int64]
Real = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Drift:
    """How a clock's period changes.

    Parameters
    ----------
    ppm_per_min : float
        Change of the period; positive where it grows, so that the clock slows down.
    uncertainty : float
        Standard uncertainty in the same unit.
    interval : tuple of float
        95 % interval (Student's t with the effective degrees of freedom).
    curve_us : float
        The same drift as microseconds in the square of the frame number.
    curve_error_us : float
        Standard error of that from the scatter alone, by ordinary least squares.
    """

    ppm_per_min: float
    uncertainty: float
    interval: tuple[float, float]
    curve_us: float
    curve_error_us: float

    @property
    def is_seen(self) -> bool:
        """Whether the 95 % interval leaves out zero."""
        low, high = self.interval
        return low > 0.0 or high < 0.0


@dataclass(frozen=True, slots=True, eq=False)
class FrameClock:
    """A frame clock, and how far each leading edge lies from it.

    Parameters
    ----------
    pattern : Pattern
        What the frames repeat.
    period_us : float
        Mean frame period: slope of the least-squares straight line through the
        leading edges against their numbers.
    period_error_us : float
        Standard error of that from the scatter alone, by ordinary least squares.
    period_uncertainty_us : float
        Its standard uncertainty, with the clock's wander and the sampling, without
        the analyser's clock.
    time_error_rms_us : float
        Root mean square of the time errors, two degrees of freedom taken by the
        line (and one by each new start of the clock).
    drift : Drift or None
        None with too few edges.
    unevenness : float
        How far the edges' phases within a sample interval are from uniform, from
        0 to 1 (every edge at one phase); see `separate`.
    frame_number : ndarray of int64, shape (n,)
        Number of the frame that each edge begins, ascending; the frames missing
        in gaps are counted.
    time_error_us : ndarray of float64, shape (n,)
        Time interval error of each edge against the line, in microseconds.
    borders : ndarray of int64, shape (n_stretches - 1,)
        Places from which on the line is another, parallel one: the clock was
        shifted there, or the frames of the gap before could not be counted.
    """

    pattern: Pattern
    period_us: float
    period_error_us: float
    period_uncertainty_us: float
    time_error_rms_us: float
    drift: Drift | None
    unevenness: float
    frame_number: Whole
    time_error_us: Real
    borders: Whole

    @property
    def round_us(self) -> float | None:
        """The turn of the pattern in round periods, where it is evidently meant; else None.

        Each period must lie within 500 ppm of a whole multiple of 100 us.
        """
        scale = self.period_us / self.pattern.mean_us
        total_us = 0.0
        for period_us in self.pattern.periods_us:
            near_us = round(scale * period_us / ROUND_US) * ROUND_US
            if abs(scale * period_us - near_us) > EVIDENT * near_us:
                return None
            total_us += near_us
        return total_us

    @property
    def offset_ppm(self) -> float | None:
        """Offset of the period from the round one, in ppm; positive where frames come late."""
        round_us = self.round_us
        if round_us is None:
            return None
        return (self.period_us * len(self.pattern) / round_us - 1.0) * 1e6

    @property
    def offset_uncertainty_ppm(self) -> float:
        """Its standard uncertainty: the fit's and the analyser's clock (rectangular)."""
        fit = self.period_uncertainty_us / self.period_us
        return math.hypot(fit, CLOCK_TOLERANCE / math.sqrt(3.0)) * 1e6


def fit_clock(table: PulseTable, frames: Frames, periods: Whole) -> FrameClock | None:
    """Fit a frame clock to the leading edges.

    Parameters
    ----------
    table : PulseTable
        One channel's pulses.
    frames : Frames
        Its frames.
    periods : ndarray of int64, shape (n_periods,)
        Places in ``frames`` of the periods outside loss spans.

    Returns
    -------
    FrameClock or None
        None where most periods follow no pattern, or fewer than three edges do.

    Notes
    -----
    Ordinary least squares of the instant t against the frame number n, t = a + T n,
    and for the drift t = a + T n + c n^2, whose period changes by the part 2 c / T
    from frame to frame. Where the clock starts anew each stretch has an a of its
    own. In a pattern of several periods n is put to the pattern's instants.

    Beside the scatter two things make T and c uncertain: wander of the clock
    (`probe_wander`), and edges that keep step with the sampling, whose errors do
    not average out; for these, in proportion to `unevenness`, the uncertainty of T
    is that of two sampled edges at the ends (Ts / sqrt(6) over the length), that of
    c that of three (sqrt(2) Ts over the length squared).
    """
    if 2 * frames.odd.size > frames.period_us.size:
        return None
    edges = number_edges(table, frames, periods)
    if edges is None or edges.number.size - edges.borders.size - 2 < 1:
        return None
    interval_us = table.sample_interval_us or 0.0
    sampled_us = excerpt(edges.time_us).copy()
    line = _straight_line(edges)
    error_us = edges.time_us
    uneven = unevenness(sampled_us - excerpt(error_us), line.rms_us, interval_us)
    wander = probe_wander(edges.number, error_us, edges.borders)
    locked_us = uneven * interval_us / math.sqrt(6.0) / 2.0
    scatter_us2 = max(line.rms_us**2, wander.variance_us2(1) if wander else 0.0)
    return FrameClock(
        pattern=edges.pattern,
        period_us=line.period_us,
        period_error_us=line.rms_us / math.sqrt(line.power) / line.half,
        period_uncertainty_us=math.hypot(math.sqrt(scatter_us2 / line.power), locked_us)
        / line.half,
        time_error_rms_us=line.rms_us,
        drift=_drift(line, wander, uneven * interval_us),
        unevenness=uneven,
        frame_number=edges.number,
        time_error_us=error_us,
        borders=edges.borders,
    )


@dataclass(frozen=True, slots=True)
class _Line:
    """The straight line, and what a curve adds to it.

    Places are scaled to -1 to 1 by ``half`` frames. ``power`` is the sum of their squares
    about each stretch's mean; ``curve_power`` that of the squared places, freed of the
    line as well, and ``bend_us`` what of them is in the time errors.
    """

    half: float
    period_us: float
    power: float
    curve_power: float
    bend_us: float
    rms_us: float
    freedom: int


def _straight_line(edges: NumberedEdges) -> _Line:
    """Fit the straight line; the edges' instants become what is left of it."""
    first, last = (float(_places(edges, part)[0]) for part in (slice(0, 1), slice(-1, None)))
    centre, half = 0.5 * (first + last), 0.5 * (last - first)
    # Off the line of the pattern's mean period the numbers are small and keep their digits.
    step_us = edges.pattern.mean_us * half
    error_us = edges.time_us
    length = np.diff(np.concatenate([[0], edges.borders, [error_us.size]]))
    sums = np.zeros((3, length.size))
    squares = np.zeros((3, 3))
    for part in slices(error_us.size):
        place = (_places(edges, part) - centre) / half
        error_us[part] -= step_us * place
        columns = (place, place * place, error_us[part])
        own, begin = _stretches(edges.borders, part)
        for i, column in enumerate(columns):
            sums[i, own] += np.add.reduceat(column, begin)
            for j, other in enumerate(columns[: i + 1]):
                squares[i, j] += product(column, other)
    squares = np.tril(squares) + np.tril(squares, -1).T
    squares -= (sums / length) @ sums.T
    slope_us = float(squares[0, 2] / squares[0, 0])
    level_us = (sums[2] - slope_us * sums[0]) / length
    left_us2 = shared_us = 0.0
    for part in slices(error_us.size):
        place = (_places(edges, part) - centre) / half
        own, begin = _stretches(edges.borders, part)
        level = np.repeat(level_us[own], np.diff(np.append(begin, place.size)))
        error_us[part] -= slope_us * place + level
        left_us2 += product(error_us[part], error_us[part])
        shared_us += product(place * place, error_us[part])
    freedom = error_us.size - length.size - 1
    curve_power = float(squares[1, 1] - squares[0, 1] ** 2 / squares[0, 0])
    return _Line(
        half=half,
        period_us=(step_us + slope_us) / half,
        power=float(squares[0, 0]),
        curve_power=curve_power,
        bend_us=shared_us / curve_power if curve_power > 0.0 else 0.0,
        rms_us=math.sqrt(left_us2 / freedom),
        freedom=freedom,
    )


def _places(edges: NumberedEdges, part: slice) -> Real:
    """Give frame numbers, put to the instants of their pattern."""
    number = edges.number[part]
    place = number.astype(np.float64)
    if len(edges.pattern) > 1:
        turn = edges.pattern.starts_us / edges.pattern.mean_us - np.arange(len(edges.pattern))
        place += turn[number % len(edges.pattern)]
    return place


def _stretches(borders: Whole, part: slice) -> tuple[slice, Whole]:
    """Say which stretches a slice touches, and where in it each begins."""
    first = int(np.searchsorted(borders, part.start, side="right"))
    after = int(np.searchsorted(borders, part.stop))
    begin = np.concatenate([[0], borders[first:after] - part.start])
    return slice(first, after + 1), begin


def _drift(line: _Line, wander: Wander | None, locked_us: float) -> Drift | None:
    """Fit the curve to what the straight line leaves; None without a degree of freedom."""
    freedom = line.freedom - 1
    if freedom < 1 or line.curve_power <= 0.0:
        return None
    power = line.curve_power
    squares_us2 = line.freedom * line.rms_us**2 - line.bend_us**2 * power
    scatter_us2 = max(squares_us2, 0.0) / freedom
    error_us = math.sqrt(scatter_us2 / power)
    known = float(freedom)
    if wander is not None and wander.variance_us2(2) > scatter_us2:
        scatter_us2, known = wander.variance_us2(2), wander.freedom_of(2, freedom)
    uncertainty_us = math.hypot(math.sqrt(scatter_us2 / power), math.sqrt(2.0) * locked_us / 4.0)
    # The second derivative over the period, per frame; then per minute.
    scale = 2e6 * _US_PER_MINUTE / (line.half * line.period_us) ** 2
    reach_us = float(stdtrit(known, 0.975)) * uncertainty_us
    return Drift(
        scale * line.bend_us,
        scale * uncertainty_us,
        (scale * (line.bend_us - reach_us), scale * (line.bend_us + reach_us)),
        line.bend_us / line.half**2,
        error_us / line.half**2,
    )
