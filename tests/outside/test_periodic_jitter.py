"""Periodic jitter of a known modulated clock against Lomb-Scargle of two libraries.

Sources: `astropy.timeseries.LombScargle` and `scipy.signal.lombscargle` (general-purpose
libraries), on time errors of a frame clock that a sinusoid of known frequency and amplitude
modulates, with frames missing; Baluev's false-alarm probability (2008) as astropy has it; and
a count of how often noise alone shows a line.
"""

import math

import numpy as np
import pytest
from scipy.signal import lombscargle

from pwmscope.findings.timing.rhythm import SIGNIFICANT, false_alarm, find_lines, threshold

PERIOD_S = 0.02
FREQUENCY_HZ, AMPLITUDE_US, NOISE_US = 3.37, 1.4, 0.8


def with_gaps(rng, frames, seen):
    place = np.sort(rng.choice(frames, seen, replace=False))
    return place - place[0]


@pytest.fixture(scope="module")
def modulated():
    rng = np.random.default_rng(42)
    place = with_gaps(rng, 2000, 1900)
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


def test_astropy_agrees(modulated, library):
    """astropy's floating-mean periodogram: frequency, amplitude, false-alarm probability."""
    timeseries = library("astropy.timeseries")
    place, time_s, error_us = modulated
    (line,) = find_lines(place, time_s, error_us).lines
    periodogram = timeseries.LombScargle(time_s, error_us)
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
    grid_hz = np.arange(0.05, 25.0, 0.5 / time_s[-1])
    power = lombscargle(time_s, error_us - error_us.mean(), 2 * np.pi * grid_hz)
    assert line.frequency_hz == pytest.approx(grid_hz[power.argmax()], abs=0.5 / time_s[-1])


@pytest.mark.parametrize("count", [100, 1000, 8192])
@pytest.mark.parametrize("ratio", [8.0, 14.0, 25.0])
def test_the_chance_is_baluevs(count, ratio, library):
    """astropy's Baluev bound in the second normalisation, whose degrees of freedom are n - 3."""
    of_astropy = library("astropy.timeseries.periodograms.lombscargle._statistics")
    time_s = np.arange(count) * PERIOD_S
    reach = 25.0 * math.sqrt(4 * math.pi * np.var(time_s))
    theirs = of_astropy.false_alarm_probability(
        2 * ratio / (count - 3), 25.0, time_s, time_s, None, normalization="model", method="baluev"
    )
    assert false_alarm(ratio, count - 3, reach) == pytest.approx(float(theirs), rel=1e-6)


def test_the_threshold_is_where_the_stated_chance_is():
    for freedom in (48.0, 500.0, 7864.0):
        assert false_alarm(threshold(freedom, 255.0), freedom, 255.0) == pytest.approx(SIGNIFICANT)


def test_weak_lines_are_as_unlikely_as_astropy_says(library):
    """Forty weak lines: the chance astropy gives, in digits, to 0.8 on the average.

    The noise is not the whole record's but that of the line's neighbourhood, known with half as
    many degrees of freedom, so that single chances differ.
    """
    timeseries = library("astropy.timeseries")
    rng = np.random.default_rng(6)
    apart = []
    for _ in range(40):
        place = with_gaps(rng, 2000, 1900)
        time_s = place * PERIOD_S
        error_us = 0.2 * np.sin(2 * np.pi * 7.3 * time_s) + rng.normal(0, NOISE_US, place.size)
        lines = find_lines(place, time_s, error_us).lines
        if not lines:
            continue
        periodogram = timeseries.LombScargle(time_s, error_us)
        power = periodogram.power(lines[0].frequency_hz)
        theirs = periodogram.false_alarm_probability(power, method="baluev", maximum_frequency=25.0)
        apart.append(math.log10(lines[0].chance) - math.log10(float(theirs)))
    assert len(apart) > 30
    assert abs(np.mean(apart)) < 0.8
    assert np.std(apart) < 1.0


@pytest.mark.parametrize("gaps", [0.0, 0.2])
def test_noise_alone_shows_a_line_no_oftener_than_stated(gaps):
    """1000 records of white noise at 1 in 1000: more than 5 would be one case in 1700."""
    rng = np.random.default_rng(8)
    shown = 0
    for _ in range(1000):
        place = with_gaps(rng, 300, round(300 * (1 - gaps)))
        noise_us = rng.normal(0, 1.0, place.size)
        shown += bool(find_lines(place, place * PERIOD_S, noise_us).lines)
    assert SIGNIFICANT == 1e-3
    assert shown <= 5


def test_a_wandering_clock_shows_hardly_a_line():
    """300 records of a random walk of frequency in white noise: none in 100 is a line's."""
    rng = np.random.default_rng(9)
    place = np.arange(2048)
    shown = 0
    for _ in range(300):
        walk_us = np.cumsum(np.cumsum(rng.normal(0, 2e-4, place.size)))
        error_us = walk_us + rng.normal(0, 1.0, place.size)
        shown += bool(find_lines(place, place * PERIOD_S, error_us).lines)
    assert shown <= 3


def test_a_line_of_the_least_amplitude_is_seen_as_often_as_stated():
    """200 lines at the limit stated for 95 %, at any frequency and phase."""
    rng = np.random.default_rng(10)
    place = np.arange(1024)
    time_s = place * PERIOD_S
    seen = 0
    for _ in range(200):
        noise_us = rng.normal(0, 1.0, place.size)
        search = find_lines(place, time_s, noise_us)
        least_us = max(search.least_low_us, search.least_high_us)
        line_hz = rng.uniform(search.low_hz, search.high_hz)
        swing_us = least_us * np.sin(2 * np.pi * line_hz * time_s + rng.uniform(0, 7))
        lines = find_lines(place, time_s, noise_us + swing_us).lines
        seen += any(abs(line.frequency_hz - line_hz) < 1 / time_s[-1] for line in lines)
    assert seen >= 185


def test_two_lines_are_told_apart(modulated):
    """A second, weaker sinusoid is found beside the first."""
    place, time_s, error_us = modulated
    both_us = error_us + 0.5 * np.sin(2 * np.pi * 8.11 * time_s)
    first, second = find_lines(place, time_s, both_us).lines
    assert first.frequency_hz == pytest.approx(FREQUENCY_HZ, abs=0.003)
    assert second.frequency_hz == pytest.approx(8.11, abs=0.003)
    assert second.amplitude_us == pytest.approx(0.5, abs=0.1)
