"""The lines that stand out of the noise in the spectrum of a series with gaps."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.timing.spectrum import (
    MIN_CYCLES,
    SIGNIFICANT,
    Spectrum,
    SpectrumNoise,
    false_alarm,
    noise_of,
    spectrum_of,
    threshold,
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

    place: npt.NDArray[np.int64]
    time_s: npt.NDArray[np.float64]
    steady_us: npt.NDArray[np.float64]
    drift: npt.NDArray[np.float64]

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

    lines_hz: npt.NDArray[np.float64]
    amplitudes_us: npt.NDArray[np.float64]
    rest_us: npt.NDArray[np.float64]


def find_lines(
    place: npt.NDArray[np.int64],
    time_s: npt.NDArray[np.float64],
    values_us: npt.NDArray[np.float64],
) -> LineSearch:
    """Find the strongest lines in the spectrum of values on a grid with gaps.

    Candidates come from a padded FFT over the grid, zero where a value is
    missing. Each is refined by the Lomb-Scargle periodogram at the true instants
    (Lomb 1976, Scargle 1982); all lines found, and drift as a polynomial, are then
    fitted together by least squares and taken out before the next is sought. A
    line is measured against the noise at its own frequency (`noise_of`), so that a
    clock's wander does not count as a rhythm, and counts by its chance
    (`false_alarm`).

    Parameters
    ----------
    place : ndarray of int64, shape (n,)
        Frame numbers, ascending; at least `MIN_VALUES`.
    time_s : ndarray of float64, shape (n,)
        Instants of the values in seconds.
    values_us : ndarray of float64, shape (n,)
        The values.

    Returns
    -------
    LineSearch
        From `MIN_CYCLES` in the record to half the frame rate.

    Examples
    --------
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


def _series(
    place: npt.NDArray[np.int64],
    time_s: npt.NDArray[np.float64],
    values_us: npt.NDArray[np.float64],
) -> _Series:
    place, time_s = place - place[0], time_s - time_s[0]
    # Polynomials follow the bends at a record's ends, which waves would leave to be
    # taken for rhythms.
    columns = np.polynomial.legendre.legvander(2.0 * time_s / time_s[-1] - 1.0, _DEGREE)
    # Orthonormal by Cholesky's factor; they nearly are, and einsum starts no threads.
    factor = np.linalg.cholesky(np.einsum("ij,ik->jk", columns, columns))
    drift = np.einsum("ij,jk->ik", columns, np.linalg.inv(factor).T)
    steady_us = values_us - drift @ (drift.T @ values_us)
    return _Series(place, time_s, steady_us, drift)


def _candidate(
    series: _Series, rest_us: npt.NDArray[np.float64], noise: SpectrumNoise
) -> tuple[float, float]:
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


def _refined(series: _Series, rest_us: npt.NDArray[np.float64], near_hz: float) -> float:
    """Return the top of the Lomb-Scargle periodogram next to a frequency.

    From half the frame rate less half a bin on, a sine can't be told from a cosine: the
    line is then taken to be at half the frame rate.
    """
    if near_hz > series.high_hz - 0.5 / series.length_s:
        return series.high_hz
    from scipy.signal import lombscargle  # noqa: PLC0415

    step_hz = 0.1 / series.length_s
    tried_hz = near_hz + step_hz * np.array([-1.0, 0.0, 1.0])
    power = lombscargle(series.time_s, rest_us, 2.0 * np.pi * tried_hz)
    return near_hz + step_hz * _top(*np.asarray(power).tolist(), most=5.0)


def _fitted(series: _Series, lines_hz: npt.NDArray[np.float64]) -> _Fit:
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
    series: _Series,
    middle_s: npt.NDArray[np.float64],
    lines_hz: npt.NDArray[np.float64],
    alternates: npt.NDArray[np.bool_],
) -> npt.NDArray[np.float64]:
    """Return the cosines and then the sines of all lines; shape (n, 2 lines)."""
    angle = 2.0 * np.pi * middle_s[:, None] * lines_hz
    cosine, sine = np.cos(angle), np.sin(angle)
    cosine[:, alternates] = (1.0 - 2.0 * (series.place % 2))[:, None]
    sine[:, alternates] = 0.0
    return np.concatenate([cosine, sine], axis=1)


def _solved(
    series: _Series, columns: npt.NDArray[np.float64], lines: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the coefficients, a row for each kind of column, and what the columns leave."""
    shared = np.einsum("ij,ik->jk", series.drift, columns)
    free = columns - np.einsum("ij,jk->ik", series.drift, shared)
    squares = np.einsum("ij,ik->jk", free, free)
    parts = np.linalg.lstsq(squares, free.T @ series.steady_us)[0].astype(np.float64)
    return parts.reshape(-1, lines), series.steady_us - free @ parts
