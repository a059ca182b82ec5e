"""The amplitudes of a series with gaps by frequency, fit to be drawn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

MOST_BANDS: Final = 800


@dataclass(frozen=True, slots=True)
class Spectrum:
    """A spectrum of amplitudes, fit to be drawn.

    Parameters
    ----------
    frequency_hz : ndarray of float64, shape (n,)
        Middles of bands, rising; each band holds one or several of the FFT's bins.
    amplitude_us : ndarray of float64, shape (n,)
        The largest amplitude in each band, so that no line vanishes.
    """

    frequency_hz: npt.NDArray[np.float64]
    amplitude_us: npt.NDArray[np.float64]


def spectrum_of(
    place: npt.NDArray[np.int64],
    values_us: npt.NDArray[np.float64],
    step_s: float,
    low_hz: float,
) -> Spectrum:
    """Work out the amplitudes over the grid, zero where a value is missing.

    Parameters
    ----------
    place : ndarray of int64, shape (n,)
        Frame numbers, ascending from 0.
    values_us : ndarray of float64, shape (n,)
        The values, freed of drift.
    step_s : float
        Time from frame to frame.
    low_hz : float
        The lowest frequency that is wanted.

    Returns
    -------
    Spectrum
        At most `MOST_BANDS` bands.
    """
    grid_us = np.zeros(int(place[-1]) + 1)
    grid_us[place] = values_us
    amplitude_us = 2.0 / place.size * np.abs(np.fft.rfft(grid_us))
    frequency_hz = np.fft.rfftfreq(grid_us.size, step_s)
    wanted = frequency_hz >= low_hz
    amplitude_us, frequency_hz = amplitude_us[wanted], frequency_hz[wanted]
    bands = np.linspace(0, frequency_hz.size, MOST_BANDS, endpoint=False, dtype=np.int64)
    begins = np.unique(bands)
    ends = np.append(begins[1:], frequency_hz.size) - 1
    return Spectrum(
        (frequency_hz[begins] + frequency_hz[ends]) / 2.0,
        np.maximum.reduceat(amplitude_us, begins),
    )
