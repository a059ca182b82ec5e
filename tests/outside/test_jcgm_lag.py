"""The intervals of a lag's delay and gain, against JCGM 100 and JCGM 101.

Sources, all from memory: JCGM 100:2008, example H.1 (calibration of an end gauge: components of 25,
9.7, 2.9 and 16.6 nm give a combined standard uncertainty of 32 nm), example H.2 (five readings
each of a voltage, a current and a phase angle; standard uncertainties of their means 0.0032 V,
0.0095 mA, 0.00075 rad); JCGM 101:2008, clause 7 (propagation of distributions by Monte Carlo).
What is covered: the sum of levels with errors of their own, the scatter of a mean, and the stated
intervals of the median delay and of the gain. H.1's second-order terms, its coverage factor from
effective degrees of freedom, and H.2's correlations have no counterpart in pwmscope.
"""

import numpy as np
import pytest

from pwmscope.findings.lag.delay import (
    median_interval_us,
    slope_of,
    slope_uncertainty,
)
from pwmscope.findings.travel import Level, weighed_sum
from pwmscope.model import CLOCK_TOLERANCE, of_mean_us

TRIALS = 2_000
WITHOUT_SAMPLING_US = 1e-12


def test_the_end_gauge_of_h_1():
    """JCGM 100, H.1: 215 nm longer than the standard, with 32 nm."""
    terms = [Level(215.0, 9.7, ()), Level(0.0, 25.0, ()), Level(0.0, 2.9, ()), Level(0.0, 16.6, ())]
    longer = weighed_sum(*((1.0, each) for each in terms))
    assert longer.us == 215.0
    assert round(longer.uncertainty_us) == 32


@pytest.mark.parametrize(
    ("readings", "mean", "uncertainty", "places"),
    [
        ([5.007, 4.994, 5.005, 4.990, 4.999], 4.9990, 0.0032, 4),
        ([19.663, 19.639, 19.640, 19.685, 19.678], 19.6610, 0.0095, 4),
        ([1.0456, 1.0438, 1.0468, 1.0428, 1.0433], 1.04446, 0.00075, 5),
    ],
)
def test_the_means_of_h_2(readings, mean, uncertainty, places):
    """JCGM 100, H.2: scatter of the mean of five readings (4.2.3), without clock and sampling."""
    assert np.mean(readings) == pytest.approx(mean, abs=1e-9)
    told = of_mean_us(0.0, float(np.std(readings, ddof=1)), len(readings), WITHOUT_SAMPLING_US)
    assert round(told, places) == uncertainty


def seen(instants_us, interval_us, phase, stretch):
    """Instants as an analyser records them: the next sample of its own, stretched time."""
    return np.ceil(instants_us * stretch / interval_us - phase) * interval_us


@pytest.mark.parametrize(
    ("interval_us", "late_us", "spread_us", "jitter_us"),
    [
        (1.0, 3_000.0, 0.0, 0.0),
        (1.0, 3_000.0, 0.0, 0.4),
        (1.0, 20_000.0, 900.0, 0.0),
        (0.25, 2_000.0, 18_000.0, 0.0),
        (1 / 24, 60_000.0, 900.0, 1.0),
    ],
)
def test_the_interval_of_a_median_delay(interval_us, late_us, spread_us, jitter_us):
    """JCGM 101, clause 7: as wide as Monte Carlo's central 95 %, and right as often."""
    rng = np.random.default_rng(101)
    errors_us, halves_us = np.empty(TRIALS), np.empty(TRIALS)
    inside = 0
    for trial in range(TRIALS):
        rise_us = 14_000.0 * np.arange(300) * (1 + rng.uniform(-1e-3, 1e-3)) + rng.uniform(0, 100)
        delay_us = late_us + rng.uniform() + spread_us * rng.uniform(size=300)
        delay_us = delay_us + jitter_us * rng.normal(size=300)
        phase, stretch = rng.uniform(), 1 + rng.uniform(-CLOCK_TOLERANCE, CLOCK_TOLERANCE)
        began_us = seen(rise_us, interval_us, phase, stretch)
        recorded_us = seen(rise_us + delay_us, interval_us, phase, stretch) - began_us
        true_us = np.median(delay_us)
        (low_us, high_us), _ = median_interval_us((recorded_us,), np.ones(1), interval_us)
        errors_us[trial] = np.median(recorded_us) - true_us
        halves_us[trial] = (high_us - low_us) / 2.0
        inside += low_us <= true_us <= high_us
    low_us, high_us = np.quantile(errors_us, [0.025, 0.975])
    assert halves_us.mean() == pytest.approx((high_us - low_us) / 2.0, rel=0.15)
    # 95 % of 2000 has a standard error of 0.5 %.
    assert 0.93 <= inside / TRIALS <= 0.98


@pytest.mark.parametrize("repeats", [1, 2])
def test_the_uncertainty_of_a_gain(repeats):
    """JCGM 101, clause 7: the scatter of the slope under new sampling, within 8 %."""
    rng = np.random.default_rng(102)
    n, gain = 300, 0.8
    width_us = 1500.0 + 400.0 * np.sin(np.linspace(0.0, 20.0, n)) + rng.normal(0.0, 2.0, n)
    place = np.repeat(np.arange(n), repeats)
    made_us = 1500.0 + gain * (width_us[place] - 1500.0) + rng.normal(0.0, 2.0, place.size)
    true = slope_of(width_us[place], made_us)
    slopes = np.empty(TRIALS)
    for trial in range(TRIALS):
        x_us = np.ceil((begins := rng.uniform(size=n)) + width_us) - np.ceil(begins)
        y_us = np.ceil((begins := rng.uniform(size=place.size)) + made_us) - np.ceil(begins)
        slopes[trial] = slope_of(x_us[place], y_us)
    told = slope_uncertainty(place, width_us[place], (1.0, 1.0), gain)
    assert told == pytest.approx(slopes.std(), rel=0.08)
    assert abs(slopes.mean() - true) <= told
