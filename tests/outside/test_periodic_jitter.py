"""Periodic jitter of a known modulated clock against Lomb-Scargle of two libraries.

Sources: `astropy.timeseries.LombScargle` and `scipy.signal.lombscargle` (general-purpose
libraries), on time errors of a frame clock that a sinusoid of known frequency and amplitude
modulates, with frames missing; and a count of how often noise alone shows a line.
"""

import numpy as np
import pytest
from astropy.timeseries import LombScargle
from scipy.signal import lombscargle

from pwmscope.findings.spectral_lines import find_lines

PERIOD_S = 0.02
FREQUENCY_HZ, AMPLITUDE_US, NOISE_US = 3.37, 1.4, 0.8


@pytest.fixture(scope="module")
def modulated():
    rng = np.random.default_rng(42)
    place = np.sort(rng.choice(2000, 1900, replace=False))
    place[0] = 0
    time_s = place * PERIOD_S
    error_us = AMPLITUDE_US * np.sin(2 * np.pi * FREQUENCY_HZ * time_s + 0.4)
    return place, time_s, error_us + rng.normal(0, NOISE_US, place.size)


def test_the_line_is_found_where_it_was_put(modulated):
    """The truth: frequency within a twentieth of the resolution, amplitude within 3 u."""
    place, time_s, error_us = modulated
    (line,) = find_lines(place, time_s, error_us).lines
    assert line.frequency_hz == pytest.approx(FREQUENCY_HZ, abs=0.05 / time_s[-1])
    assert abs(line.amplitude_us - AMPLITUDE_US) < 3 * line.uncertainty_us
    # Standard uncertainty of a sinusoid's amplitude in white noise: s sqrt(2 / n).
    assert line.uncertainty_us == pytest.approx(NOISE_US * np.sqrt(2 / place.size), rel=0.25)
    assert line.chance < 1e-9


def test_astropy_agrees(modulated):
    """astropy's floating-mean periodogram: frequency, amplitude, false-alarm probability."""
    place, time_s, error_us = modulated
    (line,) = find_lines(place, time_s, error_us).lines
    periodogram = LombScargle(time_s, error_us)
    near_hz = np.linspace(FREQUENCY_HZ - 0.05, FREQUENCY_HZ + 0.05, 20_001)
    power = periodogram.power(near_hz)
    best_hz = near_hz[power.argmax()]
    assert line.frequency_hz == pytest.approx(best_hz, abs=2e-4)
    _, sine, cosine = periodogram.model_parameters(best_hz)
    assert line.amplitude_us == pytest.approx(float(np.hypot(sine, cosine)), rel=0.01)
    assert float(periodogram.false_alarm_probability(power.max(), method="baluev")) < 1e-9


def test_scipy_agrees(modulated):
    """scipy's periodogram has its highest point, over the whole spectrum, at the line."""
    place, time_s, error_us = modulated
    (line,) = find_lines(place, time_s, error_us).lines
    grid_hz = np.arange(0.05, 25.0, 0.1 / time_s[-1])
    power = lombscargle(time_s, error_us - error_us.mean(), 2 * np.pi * grid_hz)
    assert line.frequency_hz == pytest.approx(grid_hz[power.argmax()], abs=0.1 / time_s[-1])


def test_noise_alone_shows_a_line_no_oftener_than_stated():
    """300 records of white noise: at 1 % a record, more than nine would be one case in 700."""
    rng = np.random.default_rng(8)
    place = np.arange(600)
    time_s = place * PERIOD_S
    shown = sum(bool(find_lines(place, time_s, rng.normal(0, 1.0, 600)).lines) for _ in range(300))
    assert shown <= 9


def test_two_lines_are_told_apart(modulated):
    """A second, weaker sinusoid is found beside the first."""
    place, time_s, error_us = modulated
    both_us = error_us + 0.5 * np.sin(2 * np.pi * 8.11 * time_s)
    first, second = find_lines(place, time_s, both_us).lines
    assert first.frequency_hz == pytest.approx(FREQUENCY_HZ, abs=0.003)
    assert second.frequency_hz == pytest.approx(8.11, abs=0.003)
    assert second.amplitude_us == pytest.approx(0.5, abs=0.1)
