"""What a percent is worth and what a change leads to, against general-purpose least squares.

Sources: `numpy.linalg.lstsq` on whitened data with the covariance of its estimates;
`scipy.optimize.curve_fit` with a full covariance; JCGM 100:2008, 5.1.2, 5.2.2 and H.3 (clauses
from memory), worked by hand and by Monte Carlo.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from pwmscope.advice import PercentReading, PercentScale, Transmitter, solve_scale
from pwmscope.advice.endpoints import plan_change
from pwmscope.errors import HintError
from pwmscope.findings.travel import Amount

CLOCK = 100e-6 / math.sqrt(3)


@st.composite
def settings_of_one_end(draw):
    """Two to six settings of one endpoint, with throws read and their uncertainties."""
    percent = draw(
        st.lists(st.integers(50, 150), min_size=2, max_size=6, unique=True).filter(
            lambda found: max(found) - min(found) >= 5
        )
    )
    slope = draw(st.floats(2, 8))
    own = [draw(st.floats(0.02, 2.0)) for _ in percent]
    error = [draw(st.floats(-1, 1)) for _ in percent]
    throw = [slope * p + e * o for p, o, e in zip(percent, own, error, strict=True)]
    readings = [
        PercentReading(p, Amount(t, math.hypot(o, CLOCK * t)))
        for p, t, o in zip(percent, throw, own, strict=True)
    ]
    covariance = np.diag(np.square(own)) + CLOCK**2 * np.outer(throw, throw)
    return readings, np.array(percent, float), np.array(throw), covariance


def solved(readings):
    try:
        return solve_scale(readings)
    except HintError:
        return None


@given(settings_of_one_end())
@settings(max_examples=60)
def test_the_scale_is_that_of_numpy_on_whitened_data(drawn):
    """Generalised least squares is ordinary least squares of data whitened by Cholesky."""
    readings, percent, throw, covariance = drawn
    found = solved(readings)
    if found is None:
        return
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))
    design = whiten @ np.stack([np.ones_like(percent), percent], axis=1)
    (_, slope), *_ = np.linalg.lstsq(design, whiten @ throw, rcond=None)
    doubt = math.sqrt(np.linalg.inv(design.T @ design)[1, 1])
    assert found.us_per_percent == pytest.approx(abs(slope), rel=1e-7)
    assert found.uncertainty_us == pytest.approx(doubt, rel=1e-6)


@given(settings_of_one_end())
@settings(max_examples=25)
def test_the_scale_is_that_of_scipy_with_the_full_covariance(drawn):
    readings, percent, throw, covariance = drawn
    found = solved(readings)
    if found is None:
        return
    (_, slope), of_both = curve_fit(
        lambda p, at_mean, b: at_mean + b * (p - percent.mean()), percent, throw,
        p0=(throw.mean(), 4.0), sigma=covariance, absolute_sigma=True,
    )  # fmt: skip
    assert found.us_per_percent == pytest.approx(abs(slope), rel=1e-5)
    assert found.uncertainty_us == pytest.approx(math.sqrt(of_both[1, 1]), rel=1e-4)


def test_two_settings_as_worked_by_hand():
    """JCGM 100, 5.1.2: 60 us over 12 percent is 5 us for each; sqrt(0.3^2 + 0.4^2) / 12 = 0.0417.

    The clock's part, 0.0577 us for each 1000 us, is shared and adds 5 x 57.7 ppm in quadrature.
    """
    throws = (500.0, 0.3), (560.0, 0.4)
    readings = [
        PercentReading(p, Amount(us, math.hypot(own, CLOCK * us)))
        for p, (us, own) in zip((100, 112), throws, strict=True)
    ]
    scale = solve_scale(readings)
    assert scale.us_per_percent == pytest.approx(5.0, rel=1e-12)
    assert scale.uncertainty_us == pytest.approx(math.hypot(0.5 / 12, 5 * CLOCK), rel=1e-9)


def test_the_solved_scale_covers_the_true_one_nineteen_times_in_twenty():
    """Monte Carlo: two readings that scatter by their own uncertainty, one clock for both."""
    rng = np.random.default_rng(100)
    trials, true, held = 4000, 4.9, 0
    own = (0.4, 0.3)
    for clock in rng.uniform(-100e-6, 100e-6, trials):
        throws = [true * p * (1 + clock) + rng.normal(0, o)
                  for p, o in zip((100, 110), own, strict=True)]  # fmt: skip
        scale = solve_scale([
            PercentReading(p, Amount(t, math.hypot(o, CLOCK * t)))
            for p, t, o in zip((100, 110), throws, own, strict=True)
        ])  # fmt: skip
        held += abs(scale.us_per_percent - true) <= 2 * scale.uncertainty_us
    assert held / trials == pytest.approx(0.9545, abs=5 * math.sqrt(0.0455 / trials))


def test_the_prediction_is_as_certain_as_it_says():
    """JCGM 100, 5.1.2: the reading's and percent times the scale's uncertainty, in quadrature."""
    rng = np.random.default_rng(53)
    trials = 20_000
    made = plan_change(Amount(1900.0, 0.4), 2000.0, Transmitter(PercentScale(4.9, 0.05, "solved")))
    width_us = 1900.0 + rng.normal(0, 0.4, trials)
    after_us = width_us + made.percent * (4.9 + rng.normal(0, 0.05, trials))
    assert made.percent == 20.0
    assert made.predicted.us == pytest.approx(after_us.mean(), abs=0.05)
    assert made.predicted.uncertainty_us == pytest.approx(after_us.std(), rel=0.03)
