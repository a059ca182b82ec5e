"""The frame clock and the jitter terms against least-squares libraries and hand-worked edges.

Sources: NumPy's polyfit, SciPy's linregress and statsmodels' OLS (general-purpose
libraries) for the line, the curve and their standard errors; IEEE Std 2414 for period
jitter, cycle-to-cycle jitter and time interval error (terms, from memory), worked by
hand below; the rules for the variance of sums and differences (JCGM 100, 5.1.2) for
white jitter; the variance of the least-squares coefficients of a random walk, worked
by hand as an integral.
"""

import math
from fractions import Fraction

import numpy as np
import pytest
from scipy import stats

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.capture import Line
from pwmscope.findings.segmentation import Record, find_dwells
from pwmscope.findings.timing import examine_timing
from pwmscope.findings.timing.frame_clock import fit_clock, probe_wander
from pwmscope.pulses import STANDARD_SERVO, decode_line, find_frames


def decoded(start_us, interval_us=None):
    """Decode edges given in microseconds; those of a change list keep every picosecond."""
    edges_us = np.stack([start_us, start_us + 1_500.0], axis=1).ravel()
    edges_ps = np.rint(edges_us * 1e6).astype(np.int64)
    table = decode_line(
        Line("RX1", edges_ps, 0), int(edges_ps[-1]) + 10**10, interval_us, STANDARD_SERVO
    )
    return table, find_frames(table)


def clock_of(start_us):
    table, frames = decoded(start_us)
    return fit_clock(table, frames, np.arange(frames.period_us.size))


def timing_of(start_us):
    table, frames = decoded(start_us)
    return examine_timing(Record(table, frames, find_dwells(table, frames), (), COMMON_PRACTICE))


def shared_clock(count=2_000, gaps=True):
    """A clock 120 ppm slow that drifts, with jitter and missing frames: numbers and instants."""
    rng = np.random.default_rng(20)
    number = np.arange(count)
    start_us = 5_000 + 20_002.4 * number + 3e-6 * number**2 + rng.normal(0.0, 2.5, count)
    if gaps:
        # None of them alone between two others: each edge still begins or ends a period.
        keep = np.ones(count, bool)
        keep[[100, 101, 102, 900, 1_500, 1_501]] = False
        number, start_us = number[keep], start_us[keep]
    return number, np.rint(start_us * 1e6) / 1e6


@pytest.mark.parametrize("gaps", [False, True])
def test_the_line_is_that_of_numpy_scipy_and_statsmodels(gaps, library):
    sm = library("statsmodels.api")
    number, start_us = shared_clock(gaps=gaps)
    clock = clock_of(start_us)
    assert clock.frame_number.tolist() == number.tolist()

    (slope_us, _), covariance = np.polyfit(number, start_us, 1, cov=True)
    assert clock.period_us == pytest.approx(slope_us, rel=1e-13)
    assert clock.period_error_us == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-7)

    line = stats.linregress(number, start_us)
    assert clock.period_us == pytest.approx(line.slope, rel=1e-13)

    fitted = sm.OLS(start_us - 20_000.0 * number, sm.add_constant(number.astype(float))).fit()
    assert clock.period_us - 20_000.0 == pytest.approx(fitted.params[1], rel=1e-9)
    assert clock.period_error_us == pytest.approx(fitted.bse[1], rel=1e-9)
    assert clock.time_error_us == pytest.approx(fitted.resid, abs=2e-6)
    assert clock.time_error_rms_us == pytest.approx(math.sqrt(fitted.mse_resid), rel=1e-9)


@pytest.mark.parametrize("gaps", [False, True])
def test_the_curve_and_its_error_are_those_of_numpy_and_statsmodels(gaps, library):
    sm = library("statsmodels.api")
    number, start_us = shared_clock(gaps=gaps)
    clock = clock_of(start_us)
    place = (number - number.mean()) / 1_000.0
    off_us = start_us - 20_002.4 * number

    coefficients, covariance = np.polyfit(place, off_us, 2, cov=True)
    curve_us = coefficients[0] / 1e6
    assert clock.drift.curve_us == pytest.approx(curve_us, rel=1e-8)
    error_us = math.sqrt(covariance[0, 0]) / 1e6
    assert clock.drift.curve_error_us == pytest.approx(error_us, rel=1e-8)

    design = np.stack([np.ones(place.size), place, place**2], axis=1)
    fitted = sm.OLS(off_us, design).fit()
    assert clock.drift.curve_us == pytest.approx(fitted.params[2] / 1e6, rel=1e-8)
    assert clock.drift.curve_error_us == pytest.approx(fitted.bse[2] / 1e6, rel=1e-8)
    # The part 2 c / T from frame to frame, in a minute of frames.
    per_minute = 2 * curve_us / slope(number, start_us) * (60e6 / slope(number, start_us))
    assert clock.drift.ppm_per_min == pytest.approx(per_minute * 1e6, rel=1e-6)
    assert clock.drift.is_seen


def slope(number, start_us):
    return np.polyfit(number, start_us, 1)[0]


def test_a_clock_that_starts_anew_is_a_regression_with_a_constant_for_each_stretch(library):
    sm = library("statsmodels.api")
    number, start_us = shared_clock()
    after = number >= 1_200
    start_us = start_us + np.where(after, 4_321.0, 0.0)
    clock = clock_of(start_us)
    assert clock.borders.size == 1
    place = number / 1_000.0
    design = np.stack([~after, after, place, place**2], axis=1).astype(float)
    straight = sm.OLS(start_us - 20_000.0 * number, design[:, :3]).fit()
    assert clock.period_us - 20_000.0 == pytest.approx(straight.params[2] / 1e3, rel=1e-9)
    assert clock.period_error_us == pytest.approx(straight.bse[2] / 1e3, rel=1e-9)
    assert clock.time_error_us == pytest.approx(straight.resid, abs=2e-6)
    curved = sm.OLS(start_us - 20_000.0 * number, design).fit()
    assert clock.drift.curve_us == pytest.approx(curved.params[3] / 1e6, rel=1e-7)
    assert clock.drift.curve_error_us == pytest.approx(curved.bse[3] / 1e6, rel=1e-7)


def test_five_edges_worked_by_hand():
    # Edges at 0, 20010, 39990, 60000, 80000 us (plus 5000): periods 20010, 19980, 20010,
    # 20000; their mean is 20000, the deviations 10, -20, 10, 0.
    start_us = 5_000.0 + np.array([0.0, 20_010.0, 39_990.0, 60_000.0, 80_000.0])
    timing = timing_of(start_us)
    # Period jitter: sqrt((100 + 400 + 100 + 0) / 3), peak to peak 30.
    assert timing.period_jitter_us.rms == pytest.approx(math.sqrt(200.0), rel=1e-12)
    assert timing.period_jitter_us.peak_to_peak == pytest.approx(30.0, rel=1e-9)
    # Cycle to cycle: -30, +30, -10; sqrt(1900 / 3), peak to peak 60.
    assert timing.cycle_jitter_us.rms == pytest.approx(math.sqrt(Fraction(1900, 3)), rel=1e-9)
    assert timing.cycle_jitter_us.peak_to_peak == pytest.approx(60.0, rel=1e-9)
    # Against n 20000 the edges are 0, 10, -10, 0, 0 late: mean 0; with n - 2 of -2..2 the
    # slope is (0 - 10 + 0 + 0 + 0) / 10 = -1, so T = 19999 and TIE = -2, 9, -10, 1, 2.
    assert timing.clock.period_us == pytest.approx(19_999.0, rel=1e-13)
    assert timing.clock.time_error_us == pytest.approx([-2.0, 9.0, -10.0, 1.0, 2.0], abs=1e-6)
    # RMS with n - 2: sqrt((4 + 81 + 100 + 1 + 4) / 3), peak to peak 19.
    error = timing.time_interval_error_us
    assert error.rms == pytest.approx(math.sqrt(Fraction(190, 3)), rel=1e-9)
    assert error.peak_to_peak == pytest.approx(19.0, abs=1e-6)
    # Percentiles 2.5 and 97.5 of five values: a tenth of the way from each end inwards.
    low, high = -10.0 + 0.1 * 8.0, 9.0 - 0.1 * 7.0
    assert error.percentile_spread == pytest.approx(high - low, abs=1e-6)


def test_by_turns_worked_by_hand():
    # 12 and 18 ms by turns, the 12 ms periods 3 us long and 3 us short in turn: about the
    # two means, 12000 and 18000, the deviations sum to nothing.
    deviation_us = np.tile([3.0, 0.0, -3.0, 0.0], 10)
    periods_us = np.tile([12_000.0, 18_000.0], 20) + deviation_us
    timing = timing_of(5_000.0 + np.concatenate([[0.0], np.cumsum(periods_us)]))
    # 20 deviations of 3 us among 40, two means taken out: sqrt(20 * 9 / 38).
    assert timing.period_jitter_us.rms == pytest.approx(math.sqrt(180 / 38), rel=1e-9)
    # Each of 39 changes is 3 us up or down.
    assert timing.cycle_jitter_us.rms == pytest.approx(3.0, rel=1e-9)
    assert timing.missing_frames == 0


@pytest.mark.parametrize("sigma_us", [0.5, 5.0])
def test_white_jitter_makes_period_jitter_root_2_and_cycle_jitter_root_6_times_it(sigma_us):
    count = 40_000
    jitter_us = np.random.default_rng(6).normal(0.0, sigma_us, count)
    timing = timing_of(5_000.0 + 20_000.0 * np.arange(count) + jitter_us)
    # Standard errors: s / sqrt(2 n), times sqrt(1.5) and sqrt(35/18) for the lagged products.
    for rms_us, factor, repeats in (
        (timing.time_interval_error_us.rms, 1, 1.0),
        (timing.period_jitter_us.rms, 2, 1.5),
        (timing.cycle_jitter_us.rms, 6, 35 / 18),
    ):
        error = math.sqrt(repeats / (2 * count))
        assert rms_us / sigma_us / math.sqrt(factor) == pytest.approx(1.0, abs=4 * error)


def test_the_stated_intervals_hold_the_figures_of_the_edges_before_sampling_in_19_of_20():
    """Figures by NumPy from the edges, statements from the same edges sampled at 1 MS/s.

    300 recordings of 300 frames: 95 % is 285, with a standard deviation of 3.8. White
    jitter, a slow sine and a few interrupts by turns, 2 us RMS of the edges.
    """
    held = np.zeros(3)
    width = np.zeros(3)
    for seed in range(300):
        rng = np.random.default_rng(2_000 + seed)
        number = np.arange(300)
        shape = [
            rng.standard_normal(300),
            np.sin(0.11 * number + seed) + 0.4 * rng.standard_normal(300),
            (rng.uniform(size=300) < 0.05) * rng.uniform(5, 20, 300) + rng.standard_normal(300),
        ][seed % 3]
        period_us = 20_000 * (1 + rng.uniform(-1e-4, 1e-4))
        true_us = 5_000 + rng.uniform() + period_us * number + 2.0 * shape / shape.std()
        straight = true_us - np.polyval(np.polyfit(number, true_us, 1), number)
        period = np.diff(true_us)
        truth = (
            period.std(ddof=1),
            np.sqrt(np.mean(np.diff(period) ** 2)),
            np.sqrt(straight @ straight / 298),
        )
        table, frames = decoded(np.ceil(true_us), 1.0)
        record = Record(table, frames, find_dwells(table, frames), (), COMMON_PRACTICE)
        timing = examine_timing(record)
        separated = (timing.period_separation, timing.cycle_separation, timing.error_separation)
        for k, (found, true) in enumerate(zip(separated, truth, strict=True)):
            assert found.resolved
            low_us, high_us = found.interval_us
            held[k] += low_us <= true <= high_us
            width[k] += high_us - low_us
    assert held.min() >= 274
    # Were it the scatter of other recordings that is stated, s sqrt(1.5 / 2n), it were wider.
    assert np.all(width / 300 < [0.25, 0.35, 0.12])


def test_the_stated_period_and_drift_hold_the_truth_in_19_of_20():
    # 300 recordings: 95 % is 285, with a standard deviation of 3.8.
    period = drift = 0
    for seed in range(300):
        jitter_us = np.random.default_rng(1_000 + seed).normal(0.0, 2.0, 400)
        clock = clock_of(5_000.0 + 20_000.0 * np.arange(400) + jitter_us)
        period += abs(clock.period_us - 20_000.0) <= 1.96 * clock.period_uncertainty_us
        drift += not clock.drift.is_seen
    assert 274 <= period <= 300
    assert 274 <= drift <= 300


@pytest.mark.parametrize("order", [1, 2])
def test_the_variance_of_a_random_walks_slope_and_curve(order):
    # Least squares of a walk of unit steps over n frames: the slope's variance is 6/5 n^-1 and the
    # curve's 30/7 n^-3 (the integral of the weight's own integral, squared), so those of the
    # orthonormal components are n^2/10 and n^2/42.
    count, trials = 512, 400
    number, none = np.arange(count), np.zeros(0, np.int64)
    place = np.linspace(-1.0, 1.0, count)
    basis, _ = np.linalg.qr(np.polynomial.legendre.legvander(place, 2))
    walks = np.cumsum(np.random.default_rng(12).normal(size=(trials, count)), axis=1)
    true_us2 = {1: count**2 / 10, 2: count**2 / 42}[order]
    assert np.mean((walks @ basis[:, order]) ** 2) == pytest.approx(true_us2, rel=0.2)
    straight = basis[:, :2]
    stated = []
    for walk in walks:
        left = walk - straight @ (straight.T @ walk)
        stated.append(probe_wander(number, left, none).variance_us2(order))
    assert np.mean(stated) == pytest.approx(true_us2, rel=0.15)
