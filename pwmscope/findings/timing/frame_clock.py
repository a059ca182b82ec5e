"""The frame clock: its edges numbered across gaps, its period, offset, drift and wander."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.timing.separation import unevenness
from pwmscope.model import (
    CLOCK_TOLERANCE,
    FROM_MAD,
    BoolArray,
    Definition,
    Evidence,
    Finding,
    FloatArray,
    IntArray,
    chi_squared_above,
    half_width,
    measured,
    median_of,
    not_shown,
    product,
    student_quantile,
)
from pwmscope.pulses import (
    Flag,
    Frames,
    Pattern,
    PulseTable,
    closing_rows,
    describe,
    excerpt,
    shelved,
    taken,
)

LINES_UP: Final = 8.0
"""A clock goes on across a gap if the edge after it comes within this many deviations."""
CLOCK_DOUBT: Final = 2e-6
"""Relative error allowed for the mean period while frames are numbered across a gap."""


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
    # The edge that begins each period, and that which ends each run of them.
    begin_s = table.rise_s[taken(frames.index, used)]
    end_s = table.rise_s[frames.index[used[ends]]] + frames.period_us[used[ends]] / 1e6
    time_us = np.insert(begin_s, ends + 1, end_s)
    time_us -= time_us[0]
    time_us *= 1e6
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


def _regular(frames: Frames, periods: IntArray) -> tuple[IntArray, Pattern, int]:
    """List the periods that follow the pattern which most of them follow."""
    if not frames.patterns:
        return periods[:0], Pattern((0.0,)), 0
    regular = frames.regular(periods)
    index = int(np.bincount(frames.pattern[regular], minlength=1).argmax())
    regular &= frames.pattern == index
    return np.flatnonzero(regular), frames.patterns[index], index


def run_starts(table: PulseTable, frames: Frames, used: IntArray) -> IntArray:
    """Find the periods, among some, that do not begin where the one before ended."""
    # Only an edge in doubt leaves out periods without leaving out their places.
    doubtful = np.flatnonzero(table.has(Flag.NOTCHED))
    before = np.searchsorted(used, np.searchsorted(frames.index, doubtful) - 1)
    before = np.unique(before[before < used.size - 1])
    unlinked = closing_rows(table, frames, used[before]) != frames.index[used[before + 1]]
    apart = np.diff(used, prepend=-2) != 1
    apart[before[unlinked] + 1] = True
    return np.flatnonzero(apart)


def _deviation_us(table: PulseTable, frames: Frames, used: IntArray, index: int) -> float:
    """Robust deviation of the periods about their pattern, at least that of sampling."""
    sample = excerpt(used).ravel()
    expected_us = np.array(frames.patterns[index].periods_us)[frames.place[sample]]
    away_us = np.abs(frames.period_us[sample] - expected_us)
    return max(FROM_MAD * median_of(away_us), (table.sample_interval_us or 0.0) / 6**0.5)


def _jumps(
    pattern: Pattern,
    gap_us: FloatArray,
    from_place: IntArray,
    to_place: IntArray,
    deviation_us: float,
) -> tuple[IntArray, BoolArray]:
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


MIN_EDGES: Final = 32
"""Fewer edges do not tell wander from jitter."""
PROBED: Final = range(3, 9)
"""Orders of the polynomials that probe for wander; those below belong to the fit."""
PLAIN: Final = 0.3
"""Wander is taken for real where jitter alone gives as much less often than this."""
_BATCHES: Final = 64


@dataclass(frozen=True, slots=True)
class Wander:
    """Variance of a clock's slowest components, were its true clock a straight line."""

    white_us2: float  # Variance of each component from jitter alone: that of one edge
    walk_us2: FloatArray  # shape (orders,): What a random walk of the phase adds to each order's
    freedom: float  # Degrees of freedom with which the walk is known; 0 where none is seen

    def variance_us2(self, order: int) -> float:
        """Return the variance of one orthonormal component, 1 for slope, 2 for drift."""
        return self.white_us2 + float(self.walk_us2[order])

    def freedom_of(self, order: int, edges: int) -> float:
        """Return the effective degrees of freedom of that variance (JCGM 100, G.4.1)."""
        walk = float(self.walk_us2[order])
        if not self.freedom or not walk:
            return float(edges)
        white = self.white_us2
        return (white + walk) ** 2 / (walk**2 / self.freedom + white**2 / edges)


def probe_wander(number: IntArray, time_error_us: FloatArray, borders: IntArray) -> Wander | None:
    """Look for wander in time errors about a straight line.

    Jitter that is drawn anew for every edge puts its own variance into every
    component of an orthonormal set of polynomials; a random walk of the phase
    puts more into the slow ones. Orders 3 to 8 are held against the variance that
    neighbouring edges show (half that of their differences); where their sum of squares
    exceeds its 70 % point for jitter alone (chi-squared; a random walk half seen would
    make the uncertainty too small), a random walk is fitted to
    the excess and gives the variance of orders 1 and 2, the slope and the drift,
    which the fit itself hides. Own method; polynomials of the batch means.
    """
    bounds = np.concatenate([[0], borders, [number.size]])
    longest = int(np.diff(bounds).argmax())
    number = number[bounds[longest] : bounds[longest + 1]]
    time_error_us = time_error_us[bounds[longest] : bounds[longest + 1]]
    if number.size < MIN_EDGES:
        return None
    begin = np.linspace(0, number.size, min(_BATCHES, number.size // 2) + 1).astype(np.int64)[:-1]
    count = np.diff(np.append(begin, number.size)).astype(np.float64)
    error_us = np.add.reduceat(time_error_us, begin) / count
    at = np.add.reduceat(number, begin) / count
    scaled = 2.0 * (at - at[0]) / (at[-1] - at[0]) - 1.0
    weight = np.sqrt(count)
    basis, _ = np.linalg.qr(np.polynomial.legendre.legvander(scaled, PROBED[-1]) * weight[:, None])
    found_us2 = (basis.T @ (weight * error_us)) ** 2
    white_us2 = 0.5 * float(np.mean(np.diff(excerpt(time_error_us), axis=1) ** 2))
    elapsed = at - at[0]
    weighted = weight[:, None] * basis
    shape = np.einsum("ik,ij,jk->k", weighted, np.minimum.outer(elapsed, elapsed), weighted)
    probed = slice(PROBED[0], PROBED[-1] + 1)
    excess_us2 = float(np.sum(found_us2[probed])) - white_us2 * len(PROBED)
    if float(np.sum(found_us2[probed])) <= white_us2 * chi_squared_above(PLAIN, len(PROBED)):
        return Wander(white_us2, np.zeros(shape.size), 0.0)
    walk_us2 = excess_us2 / float(np.sum(shape[probed])) * shape
    freedom = float(np.sum(shape[probed]) ** 2 / np.sum(shape[probed] ** 2))
    return Wander(white_us2, walk_us2, freedom)


ROUND_US: Final = 100.0
"""Frame periods are meant to be whole multiples of this (common practice)."""
EVIDENT: Final = 500e-6
"""A period farther than this part from the nearest one is not evidently meant to be it."""
_US_PER_MINUTE: Final = 60e6


@dataclass(frozen=True, slots=True)
class Drift:
    """How a clock's period changes."""

    # Change of the period; positive where it grows, so that the clock slows down
    ppm_per_min: float
    uncertainty: float  # Standard uncertainty in the same unit
    # 95 % interval (Student's t with the effective degrees of freedom)
    interval: tuple[float, float]
    curve_us: float  # The same drift as microseconds in the square of the frame number
    # Standard error of that from the scatter alone, by ordinary least squares
    curve_error_us: float

    @property
    def is_seen(self) -> bool:
        """Whether the 95 % interval leaves out zero."""
        low, high = self.interval
        return low > 0.0 or high < 0.0


@dataclass(frozen=True, slots=True, eq=False)
class FrameClock:
    """A frame clock, and how far each leading edge lies from it."""

    pattern: Pattern  # What the frames repeat
    # Mean frame period: slope of the least-squares straight line through the leading edges against
    # their numbers
    period_us: float
    # Standard error of that from the scatter alone, by ordinary least squares
    period_error_us: float
    # Its standard uncertainty, with the clock's wander and the sampling, without the analyser's
    # clock
    period_uncertainty_us: float
    # Root mean square of the time errors, two degrees of freedom taken by the line (and one by each
    # new start of the clock)
    time_error_rms_us: float
    drift: Drift | None  # None with too few edges
    # How far the edges' phases within a sample interval are from uniform, from 0 to 1 (every edge
    # at one phase); see `separate`
    unevenness: float
    # shape (n,): Number of the frame that each edge begins, ascending; the frames missing in gaps
    # are counted
    frame_number: IntArray
    # shape (n,): Time interval error of each edge against the line, in microseconds
    time_error_us: FloatArray
    # shape (n_stretches - 1,): Places from which on the line is another, parallel one: the clock
    # was shifted there, or the frames of the gap before could not be counted
    borders: IntArray

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


def fit_clock(table: PulseTable, frames: Frames, periods: IntArray) -> FrameClock | None:
    """Fit a frame clock to the leading edges.

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
    if frames.is_irregular:
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
        frame_number=shelved(edges.number),
        time_error_us=shelved(error_us),
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
    place = _places(edges)
    first, last = float(place[0]), float(place[-1])
    centre, half = 0.5 * (first + last), 0.5 * (last - first)
    place -= centre
    place /= half
    # Off the line of the pattern's mean period the numbers are small and keep their digits.
    step_us = edges.pattern.mean_us * half
    error_us = edges.time_us
    error_us -= step_us * place
    begin = np.concatenate([[0], edges.borders])
    length = np.diff(np.append(begin, error_us.size))
    columns = (place, place * place, error_us)
    sums = np.array([np.add.reduceat(column, begin) for column in columns])
    squares = np.array([[product(one, other) for other in columns] for one in columns])
    squares -= (sums / length) @ sums.T
    slope_us = float(squares[0, 2] / squares[0, 0])
    level_us = (sums[2] - slope_us * sums[0]) / length
    error_us -= slope_us * place + np.repeat(level_us, length)
    left_us2, shared_us = product(error_us, error_us), product(columns[1], error_us)
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


def _places(edges: NumberedEdges) -> FloatArray:
    """Give frame numbers, put to the instants of their pattern."""
    place = edges.number.astype(np.float64)
    if len(edges.pattern) > 1:
        turn = edges.pattern.starts_us / edges.pattern.mean_us - np.arange(len(edges.pattern))
        place += turn[edges.number % len(edges.pattern)]
    return place


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
    reach_us = student_quantile(0.975, known) * uncertainty_us
    return Drift(
        scale * line.bend_us,
        scale * uncertainty_us,
        (scale * (line.bend_us - reach_us), scale * (line.bend_us + reach_us)),
        line.bend_us / line.half**2,
        error_us / line.half**2,
    )


OF_CLOCK: Final[tuple[Definition, ...]] = (
    Definition(
        "frame clock offset",
        "How far the frame period is from its nominal value. The receiver's and the analyser's "
        "clocks both add to it.",
        "(T / T0 - 1) in ppm, T0 the nearest whole multiple of 100 us, if within 500 ppm; "
        "u^2 = u(T)^2 / T^2 + (100 ppm)^2 / 3",
        "JCGM 100, 4.3.7 and 5.1.2; 100 ppm for an analyser's crystal and round periods: common "
        "practice, from memory",
    ),
    Definition(
        "frame clock drift",
        "Whether the frame period grows or shrinks during the recording, as when a clock warms "
        "up. The analyser's own clock is the measure.",
        "2 c / T^2 with t[n] = a + T n + c n^2, least squares, in ppm per minute; 95 % interval by "
        "Student's t, widened for the clock's random walk; seen where it leaves out zero",
        "ordinary least squares; JCGM 100, G.4.1 (effective degrees of freedom); random walk: own "
        "method",
    ),
)


def clock_findings(
    clock: FrameClock | None, evidence: tuple[Evidence, ...], why_not: str
) -> tuple[Finding, Finding]:
    """Say how the frame clock keeps time."""
    if clock is None:
        return (
            not_shown("frame clock offset", "ppm", why_not),
            not_shown("frame clock drift", "ppm/min", why_not),
        )
    return _offset_finding(clock, evidence), _drift_finding(clock, evidence)


def _offset_finding(clock: FrameClock, evidence: tuple[Evidence, ...]) -> Finding:
    offset_ppm, round_us = clock.offset_ppm, clock.round_us
    if offset_ppm is None or round_us is None:
        return not_shown(
            "frame clock offset",
            "ppm",
            f"The frame period is {describe((clock.pattern,))}. No whole multiple of 100 us lies "
            f"within {EVIDENT * 1e6:.0f} ppm, so its nominal value is unknown.",
        )
    doubt_ppm = half_width(
        1e6 * clock.period_uncertainty_us / clock.period_us, 1e6 * CLOCK_TOLERANCE
    )
    turn = "frame" if len(clock.pattern) == 1 else f"turn of {len(clock.pattern)} frames"
    seen = (
        "An offset is seen"
        if abs(offset_ppm) > doubt_ppm
        else "No offset is seen: the difference may be the analyser's own"
    )
    than = "more" if offset_ppm > 0 else "less"
    length = f"{abs(offset_ppm):.1f} ppm {than} than " if abs(offset_ppm) >= 0.05 else ""
    return measured(
        "frame clock offset",
        offset_ppm,
        "ppm",
        f"A {turn} takes {length}{round_us / 1e3:g} ms. The analyser's clock is known within "
        f"{CLOCK_TOLERANCE * 1e6:.0f} ppm only, which makes {doubt_ppm:.0f} ppm of doubt (95 %). "
        f"{seen}.",
        uncertainty=clock.offset_uncertainty_ppm,
        interval=(offset_ppm - doubt_ppm, offset_ppm + doubt_ppm),
        evidence=evidence,
    )


def _drift_finding(clock: FrameClock, evidence: tuple[Evidence, ...]) -> Finding:
    if clock.drift is None:
        return not_shown("frame clock drift", "ppm/min", "Fewer than four frames tell no drift.")
    drift = clock.drift
    low, high = drift.interval
    size = max(abs(low), abs(high))
    places = 0 if size >= 100 else 1 if size >= 10 else 2 if size >= 1 else 4
    range_ = f"{low:.{places}f} to {high:.{places}f} ppm a minute"
    sentence = (
        f"The frame period {'grows' if low > 0 else 'shrinks'} by "
        f"{abs(drift.ppm_per_min):.{places}f} ppm a minute (95 %: {range_}), against the "
        "analyser's clock. Either may drift."
        if drift.is_seen
        else f"No drift of the frame clock is seen (95 %: {range_})."
    )
    return measured(
        "frame clock drift",
        drift.ppm_per_min,
        "ppm/min",
        sentence,
        uncertainty=drift.uncertainty,
        interval=drift.interval,
        evidence=evidence,
    )
