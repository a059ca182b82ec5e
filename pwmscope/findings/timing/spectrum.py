"""The spectrum of values at uneven instants, its noise by power laws, and the chance of a line."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

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

    powers: npt.NDArray[np.float64]  # shape (6,): The parts at `MIN_CYCLES` in the record
    freedom: float  # Degrees of freedom with which their sum is known

    def level(self, cycles: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Return the power at frequencies in cycles per record; shape (n,)."""
        return _laws(cycles) @ self.powers


def noise_of(place: npt.NDArray[np.int64], values: npt.NDArray[np.float64]) -> SpectrumNoise:
    """Fit the noise of a series by power laws.

    Medians over bands of the periodogram, which a few lines do not disturb, are
    fitted with parts that are never negative, by the multiplicative updates that
    lessen the Itakura-Saito divergence, which is the likelihood of exponential
    powers (Fevotte, Bertin and Durrieu, Neural Computation 21, 2009, from memory).
    The median of an exponential distribution is ln 2 of its mean, and known as well as
    the mean of 0.48 as many values.

    Examples
    --------
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


def _laws(cycles: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    relative = np.maximum(cycles, 0.5) / MIN_CYCLES
    laws: npt.NDArray[np.float64] = relative[:, None] ** _EXPONENTS
    return laws


def false_alarm(ratio: float, freedom: float, reach: float) -> float:
    """Return the chance that noise alone shows a line at least as strong.

    R. V. Baluev, "Assessing the statistical significance of periodogram peaks",
    Monthly Notices of the Royal Astronomical Society 385, 2008, equation 6 with
    the second normalisation of Table 1 (from memory).

    Examples
    --------
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

    Examples
    --------
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
    frequency_hz: npt.NDArray[np.float64]
    # shape (n,): The largest amplitude in each band, so that no line vanishes
    amplitude_us: npt.NDArray[np.float64]


def spectrum_of(
    place: npt.NDArray[np.int64],
    values_us: npt.NDArray[np.float64],
    step_s: float,
    low_hz: float,
) -> Spectrum:
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
        (frequency_hz[begins] + frequency_hz[ends]) / 2.0,
        np.maximum.reduceat(amplitude_us, begins),
    )
