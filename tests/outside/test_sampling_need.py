"""The sample rate and the pulses that a capture plan asks for, against JCGM 100 and Monte Carlo.

Source: JCGM 100:2008, clause numbers from memory: 4.2.3 scatter of a mean, 4.3.7 rectangular and
4.3.9 triangular distribution, 5.1.2 combination, 6.3.3 coverage factor 2. Monte Carlo with
distributions of SciPy (general-purpose).
"""

import math

import numpy as np
import pytest
from scipy import stats

from pwmscope.bench import needed_pulses, needed_rate_hz

TRIALS = 40_000


def test_one_microsecond_at_95_percent_as_worked_by_hand():
    """JCGM 100: U = 2 u, so u = 0.5 us and u^2 = 0.25.

    Clock: 1500 us x 100 ppm = 0.15 us, rectangular, 0.15^2 / 3 = 0.0075. Left for sampling:
    0.2425 = Ts^2 / 6, Ts^2 = 1.455, Ts = 1.20623 us, 829.03 kS/s.
    """
    assert needed_rate_hz(1.0) == pytest.approx(829.03e3, rel=1e-5)


def test_pulses_as_worked_by_hand():
    """At 1 MS/s Ts^2/6 = 0.166667; 0.2425 - 0.166667 = 0.075833; 4 / 0.075833 = 52.7, so 53.

    Where the edges do not keep step all but the clock is averaged: 4.166667 / 0.2425 = 17.2.
    """
    assert needed_pulses(1.0, 1e6, scatter_us=2.0) == 53
    assert needed_pulses(1.0, 1e6, scatter_us=2.0, in_step=False) == 18


def clock_part(rng, width_us, size):
    return width_us * 100e-6 * stats.uniform(-1, 2).rvs(size, random_state=rng)


def seen_us(width_us, interval_us, first_us):
    """Width between two edges, each seen at the first sample at or after it."""
    end = np.ceil((first_us + width_us) / interval_us)
    return (end - np.ceil(first_us / interval_us)) * interval_us


@pytest.mark.parametrize("within_us", [0.5, 1.0, 5.0])
def test_a_single_pulse_lies_within_what_was_wanted(within_us):
    """Triangle of half-width Ts: within 2 Ts / sqrt(6) lie 1 - (1 - 2 / sqrt(6))^2 = 96.6 %.

    The clock's part turns that towards the normal 95.4 %; five standard errors are allowed.
    """
    rng = np.random.default_rng(1)
    interval_us = 1e6 / needed_rate_hz(within_us)
    width_us = rng.uniform(1400, 1600, TRIALS)
    seen = seen_us(width_us, interval_us, rng.uniform(0, 20_000, TRIALS))
    error_us = seen - width_us + clock_part(rng, width_us, TRIALS)
    held = np.mean(np.abs(error_us) <= within_us)
    doubt = 5 * math.sqrt(0.05 * 0.95 / TRIALS)
    assert 0.954 - doubt <= held <= 1 - (1 - 2 / math.sqrt(6)) ** 2 + doubt
    assert (error_us / within_us).std() == pytest.approx(0.5, rel=0.02)


def test_triangular_errors_scatter_as_scipy_says():
    """JCGM 100, 4.3.9: the deviation of a triangle over plus and minus Ts is Ts / sqrt(6)."""
    triangle = stats.triang(0.5, loc=-1, scale=2)
    assert triangle.std() == pytest.approx(1 / math.sqrt(6), rel=1e-12)
    rate_hz = needed_rate_hz(2 * triangle.std(), width_us=1e-6)
    assert rate_hz == pytest.approx(1e6, rel=1e-9)


@pytest.mark.parametrize(("rate_hz", "scatter_us"), [(1e6, 2.0), (500e3, 1.0), (100e3, 3.0)])
def test_the_mean_of_the_pulses_asked_for_lies_within_what_was_wanted(rate_hz, scatter_us):
    """Edges that drift against the samples: 95.4 % (normal, k = 2) of means within 1 us."""
    rng = np.random.default_rng(2)
    pulses = needed_pulses(1.0, rate_hz, scatter_us=scatter_us, in_step=False)
    trials = 4000
    width_us = 1500 + stats.norm(0, scatter_us).rvs((trials, pulses), random_state=rng)
    first_us = rng.uniform(0, 20_000, (trials, pulses))
    mean_us = seen_us(width_us, 1e6 / rate_hz, first_us).mean(axis=1)
    error_us = mean_us - 1500 + clock_part(rng, 1500, trials)
    held = np.mean(np.abs(error_us) <= 1.0)
    assert held == pytest.approx(2 * stats.norm.cdf(2) - 1, abs=5 * math.sqrt(0.0455 / trials))


def test_edges_in_step_repeat_one_error_however_many_pulses():
    """The caveat: frames of a whole number of samples keep one phase, so the mean keeps its error.

    At the rate that averaging would allow, 400 pulses in step miss 1 us far more often than 5 %;
    at the rate asked for in step they do not.
    """
    rng = np.random.default_rng(3)
    trials, pulses = 4000, 400
    for in_step, least, most in ((False, 0.3, 1.0), (True, 0.0, 0.05)):
        rate_hz = needed_rate_hz(1.0, pulses=pulses, in_step=in_step)
        interval_us = 1e6 / rate_hz
        width_us = rng.uniform(1490, 1510, trials)
        first_us = rng.uniform(0, interval_us, trials)
        frame_us = interval_us * round(20_000 / interval_us)
        starts_us = first_us[:, None] + frame_us * np.arange(pulses)[None, :]
        mean_us = seen_us(width_us[:, None], interval_us, starts_us).mean(axis=1)
        missed = np.mean(np.abs(mean_us - width_us) > 1.0)
        assert least <= missed <= most
