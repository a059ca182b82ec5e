"""Whether a receiver's jitter has a rhythm: lines in the spectra of widths and time errors."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np

from pwmscope.errors import Reason
from pwmscope.findings.segmentation import Record
from pwmscope.findings.timing.frame_clock import FrameClock
from pwmscope.findings.timing.stability import longest_stretch
from pwmscope.model import (
    COVERAGE,
    BoolArray,
    Definition,
    Evidence,
    Finding,
    FloatArray,
    IntArray,
    inside,
    measured,
    not_shown,
)
from pwmscope.pulses import UNMEASURED

MIN_CYCLES: Final = 8
"""Slower rhythms are not told from drift."""
SIGNIFICANT: Final = 1e-3
"""A line counts if noise alone would show one as strong less often than this."""
_EXPONENTS: Final = np.array([2.0, 0.0, -1.0, -2.0, -3.0, -4.0])
"""Of a timer that carries its rounding over, and of the phase noises of a clock (IEEE Std
1139, from memory): white and flicker phase, white, flicker and random walk of frequency."""
_UPDATES: Final = 100


@dataclass(frozen=True, slots=True)
class SpectrumNoise:
    """Power of the noise against frequency: a sum of power laws."""

    powers: FloatArray  # shape (6,): The parts at `MIN_CYCLES` in the record
    freedom: float  # Degrees of freedom with which their sum is known

    def level(self, cycles: FloatArray) -> FloatArray:
        """Return the power at frequencies in cycles per record; shape (n,)."""
        return _laws(cycles) @ self.powers


def noise_of(place: IntArray, values: FloatArray) -> SpectrumNoise:
    """Fit the noise of a series by power laws.

    Medians over bands of the periodogram, which a few lines do not disturb, are
    fitted with parts that are never negative, by the multiplicative updates that
    lessen the Itakura-Saito divergence, which is the likelihood of exponential
    powers (Fevotte, Bertin and Durrieu, Neural Computation 21, 2009, from memory).
    The median of an exponential distribution is ln 2 of its mean, and known as well as
    the mean of 0.48 as many values.

    >>> white = np.random.default_rng(1).normal(0.0, 2.0, 4000)
    >>> noise_of(np.arange(4000), white).level(np.array([8.0, 100.0, 1900.0])).round(1)
    array([6.3, 3.9, 4. ])
    """
    frames = int(place[-1]) + 1
    grid = np.zeros(frames)
    grid[place] = values
    power = np.abs(np.fft.rfft(grid)[: (frames + 1) // 2]) ** 2 / place.size
    edges = [MIN_CYCLES]
    while edges[-1] < power.size:
        edges.append(max(edges[-1] + 6, int(1.5 * edges[-1])))
    edges[-2:] = [power.size]
    middles = [float(np.median(power[a:b])) for a, b in pairwise(edges)]
    middle = np.maximum(np.array(middles) / math.log(2.0), 1e-30)
    weight = np.diff(edges).astype(np.float64)
    laws = _laws(np.sqrt(np.array(edges[:-1], np.float64) * np.array(edges[1:], np.float64)))
    powers = np.full(laws.shape[1], middle[-1] / laws.shape[1])
    for _ in range(_UPDATES):
        model = laws @ powers
        powers *= np.sqrt((laws.T @ (weight * middle / model**2)) / (laws.T @ (weight / model)))
    freedom = 0.96 * (float(weight.sum()) * place.size / frames - 2 * _EXPONENTS.size)
    return SpectrumNoise(powers, freedom)


def _laws(cycles: FloatArray) -> FloatArray:
    relative = np.maximum(cycles, 0.5) / MIN_CYCLES
    laws: FloatArray = relative[:, None] ** _EXPONENTS
    return laws


def false_alarm(ratio: float, freedom: float, reach: float) -> float:
    """Return the chance that noise alone shows a line at least as strong.

    R. V. Baluev, "Assessing the statistical significance of periodogram peaks",
    Monthly Notices of the Royal Astronomical Society 385, 2008, equation 6 with
    the second normalisation of Table 1 (from memory).

    >>> round(false_alarm(14.0, 500.0, 255.0), 4)
    0.0012
    """
    half = 0.5 * freedom
    gamma = math.exp(math.lgamma(half) - math.lgamma(half - 0.5)) / math.sqrt(half)
    single = math.exp(-half * math.log1p(ratio / half))
    peaks = gamma * reach * single * math.sqrt(ratio)
    return -math.expm1(-peaks) + single * math.exp(-peaks)


def threshold(freedom: float, reach: float) -> float:
    """Return the ratio of a line that just counts (`SIGNIFICANT`), by bisection.

    >>> round(false_alarm(threshold(500.0, 255.0), 500.0, 255.0), 9)
    0.001
    """
    low, high = 1.0, 1e6
    for _ in range(60):
        middle = math.sqrt(low * high)
        counts = false_alarm(middle, freedom, reach) <= SIGNIFICANT
        low, high = (low, middle) if counts else (middle, high)
    return high


MAX_BANDS: Final = 800


@dataclass(frozen=True, slots=True)
class Spectrum:
    """A spectrum of amplitudes, fit to be drawn."""

    # shape (n,): Middles of bands, rising; each band holds one or several of the FFT's bins
    frequency_hz: FloatArray
    # shape (n,): The largest amplitude in each band, so that no line vanishes
    amplitude_us: FloatArray


def spectrum_of(place: IntArray, values_us: FloatArray, step_s: float, low_hz: float) -> Spectrum:
    """Work out the amplitudes over the grid, zero where a value is missing."""
    grid_us = np.zeros(int(place[-1]) + 1)
    grid_us[place] = values_us
    amplitude_us = 2.0 / place.size * np.abs(np.fft.rfft(grid_us))
    frequency_hz = np.fft.rfftfreq(grid_us.size, step_s)
    wanted = frequency_hz >= low_hz
    amplitude_us, frequency_hz = amplitude_us[wanted], frequency_hz[wanted]
    bands = np.linspace(0, frequency_hz.size, MAX_BANDS, endpoint=False, dtype=np.int64)
    begins = np.unique(bands)
    ends = np.append(begins[1:], frequency_hz.size) - 1
    return Spectrum(
        (frequency_hz[begins] + frequency_hz[ends]) / 2.0, np.maximum.reduceat(amplitude_us, begins)
    )


MAX_LINES: Final = 3
MIN_VALUES: Final = 100
RESOLUTION_US: Final = 1e-4
"""Below this lies the rounding of an instant in seconds."""
_PADDING: Final = 4
_DEGREE: Final = 10
"""Of the polynomial that takes out drift: it follows up to three cycles."""
_STEPS: Final = 2


@dataclass(frozen=True, slots=True)
class SpectralLine:
    """One line of a spectrum."""

    frequency_hz: float  # Its frequency
    amplitude_us: float  # Of the best sinusoid
    uncertainty_us: float  # Standard uncertainty of the amplitude that the noise about it leaves
    chance: float  # Chance that noise alone shows a line as strong anywhere in the spectrum


@dataclass(frozen=True, slots=True)
class LineSearch:
    """What a search for lines gave."""

    lines: tuple[SpectralLine, ...]  # Those that count, largest first; at most `MAX_LINES`
    # Frequencies searched
    low_hz: float
    high_hz: float
    # Amplitudes that would have been seen with a probability of 95 % at the lowest and the highest
    # of these; in between it is less than one of the two
    least_low_us: float
    least_high_us: float
    count: int  # Values used
    # The spectrum itself, for a picture; None where no line counts
    spectrum: Spectrum | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class _Series:
    """Values freed of drift, with the columns that drift is made of."""

    place: IntArray
    time_s: FloatArray
    steady_us: FloatArray
    drift: FloatArray

    @property
    def step_s(self) -> float:
        return float(self.time_s[-1]) / float(self.place[-1])

    @property
    def length_s(self) -> float:
        return self.step_s * float(self.place[-1] + 1)

    @property
    def high_hz(self) -> float:
        return 0.5 / self.step_s


@dataclass(frozen=True, slots=True)
class _Fit:
    """Lines fitted together, and what they leave of the values."""

    lines_hz: FloatArray
    amplitudes_us: FloatArray
    rest_us: FloatArray


def find_lines(place: IntArray, time_s: FloatArray, values_us: FloatArray) -> LineSearch:
    """Find the strongest lines in the spectrum of values on a grid with gaps.

    Candidates come from a padded FFT over the grid, zero where a value is
    missing. Each is refined by the Lomb-Scargle periodogram at the true instants
    (Lomb 1976, Scargle 1982); all lines found, and drift as a polynomial, are then
    fitted together by least squares and taken out before the next is sought. A
    line is measured against the noise at its own frequency (`noise_of`), so that a
    clock's wander does not count as a rhythm, and counts by its chance
    (`false_alarm`). Lines are looked for from `MIN_CYCLES` in the record to half the frame
    rate.

    >>> frame = np.arange(2000)
    >>> noise_us = np.random.default_rng(1).normal(0.0, 1.0, 2000)
    >>> swing_us = np.sin(2.0 * np.pi * 3.0 * 0.02 * frame)
    >>> (line,) = find_lines(frame, 0.02 * frame, noise_us + swing_us).lines
    >>> round(line.frequency_hz, 2), round(line.amplitude_us, 1)
    (3.0, 1.0)
    """
    series = _series(place, time_s, values_us)
    count, length_s = series.place.size, series.length_s
    reach = series.high_hz * math.sqrt(4.0 * math.pi * float(np.var(series.time_s)))
    fit = _Fit(np.zeros(0), np.zeros(0), series.steady_us)
    noise = noise_of(series.place, fit.rest_us)
    chances: list[float] = []
    while len(chances) < MAX_LINES and float(np.std(fit.rest_us)) > RESOLUTION_US:
        near_hz, ratio = _candidate(series, fit.rest_us, noise)
        # The FFT misses at most an eighth of a line's power between its bins.
        if false_alarm(1.15 * ratio, noise.freedom, reach) > SIGNIFICANT:
            break
        peak_hz = _refined(series, fit.rest_us, near_hz)
        tried = _fitted(series, np.append(fit.lines_hz, peak_hz))
        explained = float(fit.rest_us @ fit.rest_us) - float(tried.rest_us @ tried.rest_us)
        level = float(noise.level(tried.lines_hz[-1:] * length_s)[0])
        chance = false_alarm(max(explained, 0.0) / 2.0 / level, noise.freedom, reach)
        if chance > SIGNIFICANT or tried.amplitudes_us.min() < RESOLUTION_US:
            break
        fit, noise = tried, noise_of(series.place, tried.rest_us)
        chances.append(chance)
    ends = np.array([MIN_CYCLES, series.high_hz * length_s])
    seen = math.sqrt(2.0 * threshold(noise.freedom, reach)) + 1.645
    low_us, high_us = (seen * np.sqrt(2.0 / count * noise.level(ends))).tolist()
    cycles = np.asarray(fit.lines_hz * length_s, np.float64)
    spread_us = np.sqrt(2.0 / count * noise.level(cycles))
    columns = (fit.lines_hz.tolist(), fit.amplitudes_us.tolist(), spread_us.tolist(), chances)
    lines = [SpectralLine(*row) for row in zip(*columns, strict=True)]
    lines.sort(key=lambda line: -line.amplitude_us)
    low_hz = MIN_CYCLES / length_s
    spectrum = spectrum_of(series.place, series.steady_us, series.step_s, low_hz) if lines else None
    return LineSearch(tuple(lines), low_hz, series.high_hz, low_us, high_us, count, spectrum)


def _series(place: IntArray, time_s: FloatArray, values_us: FloatArray) -> _Series:
    place, time_s = place - place[0], time_s - time_s[0]
    # Polynomials follow the bends at a record's ends, which waves would leave to be
    # taken for rhythms.
    columns = np.polynomial.legendre.legvander(2.0 * time_s / time_s[-1] - 1.0, _DEGREE)
    # Orthonormal by Cholesky's factor; they nearly are, and einsum starts no threads.
    factor = np.linalg.cholesky(np.einsum("ij,ik->jk", columns, columns))
    drift = np.einsum("ij,jk->ik", columns, np.linalg.inv(factor).T)
    steady_us = values_us - drift @ (drift.T @ values_us)
    return _Series(place, time_s, steady_us, drift)


def _candidate(series: _Series, rest_us: FloatArray, noise: SpectrumNoise) -> tuple[float, float]:
    """Return where the padded spectrum stands highest above the noise, and how high."""
    size = 2 ** math.ceil(math.log2(_PADDING * (int(series.place[-1]) + 1)))
    grid = np.zeros(size)
    grid[series.place] = rest_us
    # Its mean in white noise is the variance, also at the last, where there is no sine.
    power = np.abs(np.fft.rfft(grid)) ** 2 / series.place.size
    frequency_hz = np.fft.rfftfreq(size, series.step_s)
    cycles = np.asarray(frequency_hz * series.length_s, np.float64)
    ratio = power / noise.level(cycles)
    ratio[-1] /= 2.0
    ratio[cycles < MIN_CYCLES] = 0.0
    best = int(np.argmax(ratio))
    if best == ratio.size - 1:
        return series.high_hz, float(ratio[best])
    shift = _top(*power[best - 1 : best + 2].tolist(), most=1.0)
    return float(frequency_hz[best]) + shift * float(frequency_hz[1]), float(ratio[best])


def _top(left: float, middle: float, right: float, *, most: float) -> float:
    """Return the place of the top of the parabola through three points, 0 being the middle."""
    bend = left - 2.0 * middle + right
    return 0.0 if bend >= 0.0 else min(max(0.5 * (left - right) / bend, -most), most)


def _refined(series: _Series, rest_us: FloatArray, near_hz: float) -> float:
    """Return the top of the Lomb-Scargle periodogram next to a frequency.

    From half the frame rate less half a bin on, a sine can't be told from a cosine: the
    line is then taken to be at half the frame rate. The delay makes cosine and sine
    orthogonal (Lomb, Astrophysics and Space Science 39, 1976, from memory).
    """
    if near_hz > series.high_hz - 0.5 / series.length_s:
        return series.high_hz
    # Three frequencies: SciPy's periodogram takes longer to import than a recording to measure.
    step_hz = 0.1 / series.length_s
    tried_hz = near_hz + step_hz * np.array([-1.0, 0.0, 1.0])
    angle = 2.0 * np.pi * series.time_s[:, None] * tried_hz
    delay = 0.5 * np.arctan2(np.sin(2.0 * angle).sum(axis=0), np.cos(2.0 * angle).sum(axis=0))
    cosine, sine = np.cos(angle - delay), np.sin(angle - delay)
    power = (rest_us @ cosine) ** 2 / (cosine**2).sum(axis=0)
    power += (rest_us @ sine) ** 2 / (sine**2).sum(axis=0)
    return near_hz + step_hz * _top(*power.tolist(), most=5.0)


def _fitted(series: _Series, lines_hz: FloatArray) -> _Fit:
    """Fit lines and drift together, the lines' frequencies by Gauss and Newton's steps.

    At half the frame rate the wave alternates from frame to frame, and stays there.
    """
    middle_s = series.time_s - 0.5 * series.time_s[-1]
    alternates = lines_hz >= series.high_hz
    for _ in range(_STEPS):
        waves = _waves(series, middle_s, lines_hz, alternates)
        parts, _ = _solved(series, waves, lines_hz.size)
        cosine, sine = np.split(waves, 2, axis=1)
        slopes = middle_s[:, None] * (parts[1] * cosine - parts[0] * sine)
        slopes[:, alternates] = 0.0
        both, _ = _solved(series, np.concatenate([waves, slopes], axis=1), lines_hz.size)
        most_hz = 0.25 / series.length_s
        lines_hz = lines_hz + np.clip(both[2] / (2.0 * np.pi), -most_hz, most_hz)
        lines_hz = np.where(
            alternates, series.high_hz, np.minimum(lines_hz, series.high_hz - most_hz)
        )
    waves = _waves(series, middle_s, lines_hz, alternates)
    parts, rest_us = _solved(series, waves, lines_hz.size)
    return _Fit(lines_hz, np.hypot(parts[0], parts[1]), rest_us)


def _waves(
    series: _Series, middle_s: FloatArray, lines_hz: FloatArray, alternates: BoolArray
) -> FloatArray:
    """Return the cosines and then the sines of all lines; shape (n, 2 lines)."""
    angle = 2.0 * np.pi * middle_s[:, None] * lines_hz
    cosine, sine = np.cos(angle), np.sin(angle)
    cosine[:, alternates] = (1.0 - 2.0 * (series.place % 2))[:, None]
    sine[:, alternates] = 0.0
    return np.concatenate([cosine, sine], axis=1)


def _solved(series: _Series, columns: FloatArray, lines: int) -> tuple[FloatArray, FloatArray]:
    """Return the coefficients, a row for each kind of column, and what the columns leave."""
    shared = np.einsum("ij,ik->jk", series.drift, columns)
    free = columns - np.einsum("ij,jk->ik", series.drift, shared)
    squares = np.einsum("ij,ik->jk", free, free)
    parts = np.linalg.lstsq(squares, free.T @ series.steady_us)[0].astype(np.float64)
    return parts.reshape(-1, lines), series.steady_us - free @ parts


MAX_PULSES: Final = 8192
SAMPLING: Final = 2.0 / math.pi
"""Largest amplitude, in sample intervals, of a line that sampling alone makes: a
reading that is a sample interval too long in half of each cycle is a square wave of
half a sample interval, and the line of that is 4/pi times as large."""
ENDS: Final = 1.02
"""So many times as large it is found at most where the record ends within a cycle."""
SPARSE: Final = 1.25
"""A stretch with more frames than so many times its edges is not searched across gaps."""
WIDTH: Final = "periodic width jitter"
TIME: Final = "periodic time error"

_FORMULA: Final = (
    "amplitude of the strongest sinusoid in {what}: Lomb-Scargle periodogram, least squares with "
    "the other lines and drift; chance 1 - (1 - q) exp(-g W q sqrt(z)), q = (1 + 2z/v)^(-v/2), "
    "z its power over the noise's, known with v degrees of freedom, W = f_max sqrt(4 pi var t); "
    "u^2 = 2 S / n + ((2/pi) Ts)^2 / 3, S the noise's power"
)
_SOURCE: Final = (
    "periodic jitter: IEEE Std 2414; Lomb 1976, Scargle 1982; Baluev 2008, equation 6 and Table 1 "
    "(z_2); noise by power laws: IEEE Std 1139; sampling: own derivation, JCGM 100, 4.3.7; all "
    "from memory"
)
RHYTHM_DEFINITIONS: Final[tuple[Definition, ...]] = (
    Definition(
        WIDTH,
        "Whether the pulse width swings in a rhythm while the stick is still. A servo hums or "
        "twitches in that rhythm. Rhythms of up to half the frame rate are seen; a faster one "
        "shows folded below that. A line no larger than sampling itself can make is not taken for "
        "the receiver's.",
        _FORMULA.format(what="the widths of the longest dwell"),
        _SOURCE,
    ),
    Definition(
        TIME,
        "Whether the frames come early and late in a rhythm. Another task of the receiver can "
        "hold up its outputs. Rhythms of up to half the frame rate are seen; a faster one shows "
        "folded below that. A line no larger than sampling itself can make is not taken for the "
        "receiver's.",
        _FORMULA.format(what="the time errors of the frames"),
        _SOURCE,
    ),
)


@dataclass(frozen=True, slots=True)
class Rhythm:
    """Rhythms in one channel's jitter."""

    # Lines in the spectrum of each; None where the recording does not show it
    width: LineSearch | None
    time_error: LineSearch | None
    # Largest amplitude of a line that sampling alone makes; None where the sample interval is not
    # known
    sampling_us: float | None
    findings: tuple[Finding, ...]  # `periodic width jitter` and `periodic time error`


def examine_rhythm(
    record: Record, clock: FrameClock | None, clock_record: Record | None = None
) -> Rhythm:
    """Look for rhythms in a channel's widths and time errors."""
    interval_us = record.table.sample_interval_us
    sampling_us = None if interval_us is None else SAMPLING * interval_us
    width, width_finding = _in_widths(record, sampling_us)
    error, error_finding = _in_time_errors(clock_record or record, clock, sampling_us)
    return Rhythm(width, error, sampling_us, (width_finding, error_finding))


def _in_widths(record: Record, sampling_us: float | None) -> tuple[LineSearch | None, Finding]:
    rows = _longest_dwell(record)
    usual_us = record.frames.usual_us
    if rows.size < MIN_VALUES or usual_us is None:
        return None, not_shown(
            WIDTH,
            "us",
            Reason(
                f"The stick never stood still for {MIN_VALUES} pulses, so a rhythm is not shown.",
                "Hold it still for a minute.",
            ),
        )
    rise_s = record.table.rise_s[rows]
    # Frame by frame, so that an error of the usual period does not add up.
    steps = np.maximum(np.rint(np.diff(rise_s) * 1e6 / usual_us).astype(np.int64), 1)
    place = np.concatenate([np.zeros(1, np.int64), np.cumsum(steps)])
    search = find_lines(place, rise_s, record.table.width_us[rows])
    of_what = f"{search.count} pulses of the longest dwell"
    return search, _finding(WIDTH, search, sampling_us, of_what, record.evidence(rows))


def _longest_dwell(record: Record) -> IntArray:
    """List the rows of the first pulses of the dwell that has most."""
    dwells, table = record.dwells, record.table
    if not len(dwells):
        return np.zeros(0, np.int64)
    longest = int(np.argmax(dwells.count))
    first, last = int(dwells.first[longest]), int(dwells.last[longest])
    # As many again leave room for pulses that do not count.
    rows = np.arange(first, min(last + 1, first + 2 * MAX_PULSES))
    usable = (table.flags[rows] & np.uint8(UNMEASURED)) == 0
    usable &= ~inside(record.losses, table.rise_s[rows]) & ~np.isin(rows, dwells.stray)
    used: IntArray = rows[usable][:MAX_PULSES]
    return used


def _in_time_errors(
    record: Record, clock: FrameClock | None, sampling_us: float | None
) -> tuple[LineSearch | None, Finding]:
    if clock is None:
        reason = "The frames follow no steady clock, so there is no rhythm about one to be shown."
        return None, not_shown(TIME, "us", reason)
    stretch = longest_stretch(clock).part(MAX_PULSES)
    if stretch.frames > SPARSE * stretch.edges:
        stretch = longest_stretch(clock).without_gaps().part(MAX_PULSES)
    if stretch.edges < MIN_VALUES:
        return None, not_shown(
            TIME,
            "us",
            Reason(
                f"Only {stretch.edges} frames in step were seen, too few for a rhythm.",
                f"Record at least {MIN_VALUES} frames without a loss.",
            ),
        )
    number = stretch.number
    search = find_lines(number, stretch.instants_s(), stretch.time_error_us)
    of_what = f"{search.count} frames"
    return search, _finding(TIME, search, sampling_us, of_what, stretch.evidence(record))


def _finding(
    name: str,
    search: LineSearch,
    sampling_us: float | None,
    of_what: str,
    evidence: tuple[Evidence, ...],
) -> Finding:
    most_us = sampling_us or 0.0
    own: list[SpectralLine] = []
    made: list[SpectralLine] = []
    for line in search.lines:
        is_own = line.amplitude_us - COVERAGE * line.uncertainty_us > ENDS * most_us
        (own if is_own else made).append(line)
    beside = ""
    if made:
        beside = (
            f" The line of {_format_line(made[0])} may be made by sampling alone (up to "
            f"{most_us:.2g} us)."
        )
    if not own:
        least_us = max(
            search.least_low_us,
            search.least_high_us,
            ENDS * most_us,
            RESOLUTION_US,
            *(line.amplitude_us + COVERAGE * line.uncertainty_us for line in made),
        )
        return measured(
            name,
            0.0,
            "us",
            f"No rhythm is found in {_SEARCHED[name]} ({of_what}). {_least(search, most_us)} "
            "would have been seen." + beside,
            interval=(0.0, least_us),
            evidence=evidence,
        )
    line = own[0]
    more = "".join(f", and {_format_line(other)}" for other in own[1:])
    return measured(
        name,
        line.amplitude_us,
        "us",
        f"{_SWINGS[name]} by {_format_line(line)}{more} ({of_what}). Noise alone shows a line as "
        f"strong with a chance {_format_chance(line.chance)}. A rhythm faster than "
        f"{search.high_hz:.4g} Hz shows folded below that." + beside,
        uncertainty=math.hypot(line.uncertainty_us, most_us / math.sqrt(3.0)),
        evidence=evidence,
    )


_SEARCHED: Final = {WIDTH: "the pulse width", TIME: "the frames' time errors"}
_SWINGS: Final = {
    WIDTH: "With the stick standing still the width swings either way",
    TIME: "The frames come early and late",
}


def _least(search: LineSearch, most_us: float) -> str:
    low_us = max(search.least_low_us, most_us, RESOLUTION_US)
    high_us = max(search.least_high_us, most_us, RESOLUTION_US)
    if max(low_us, high_us) <= 1.5 * min(low_us, high_us):
        return (
            f"One above {max(low_us, high_us):.2g} us between {search.low_hz:.2g} and "
            f"{search.high_hz:.3g} Hz"
        )
    return (
        f"One above {low_us:.2g} us at {search.low_hz:.2g} Hz, above {high_us:.2g} us at "
        f"{search.high_hz:.3g} Hz,"
    )


def _format_line(line: SpectralLine) -> str:
    """Say a line.

    >>> _format_line(SpectralLine(3.20049, 2.0512, 0.1, 1e-9))
    '2.05 us at 3.2 Hz'
    """
    return f"{line.amplitude_us:.3g} us at {line.frequency_hz:.4g} Hz"


def _format_chance(chance: float) -> str:
    """Say a small chance as one in a round number.

    >>> _format_chance(3e-4), _format_chance(0.0)
    ('below 1 in 1000', 'below 1 in a million')
    """
    if chance < 1e-6:
        return "below 1 in a million"
    return f"below 1 in {10 ** math.floor(-math.log10(chance)):.0f}"
