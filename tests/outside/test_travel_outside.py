"""Travel, resolution, centring and sweeps against reference libraries and worked arithmetic.

Sources: statsmodels (OLS, F test of nested models, AICc), scipy.stats (F and t distributions,
Welch's test), scipy.signal (peaks by prominence), astropy.stats (Rayleigh's test, circular
moments), numpy.fft and a direct search; JCGM 100, annex H style worked sums and clauses
4.2.3, 4.3.7, 5.1.2, 5.2.2, from memory; IEEE Std 1241 for bits of a quantiser, from memory.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from astropy.stats import circmoment, rayleightest
from scipy import signal, stats
from scipy.integrate import quad
from scipy.stats import norm
from statsmodels.tools.eval_measures import aicc

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.findings.segmentation import Record, find_dwells
from pwmscope.findings.travel.centring import welch
from pwmscope.findings.travel.levels import (
    Level,
    Levels,
    sampling_left_us,
    turning_points,
    weighed_sum,
)
from pwmscope.findings.travel.resolution import examine_resolution, find_step
from pwmscope.findings.travel.sweep import fit_sweep
from pwmscope.model import half_width
from pwmscope.pulses import STANDARD_SERVO, PulseTable, find_frames

INTERVAL_US = 1 / 24


def table_of(width_us, interval_us=INTERVAL_US):
    rise_s = np.arange(width_us.size) * 0.02
    return PulseTable(
        "RX1", rise_s, width_us, np.append(np.full(width_us.size - 1, 2e4), np.nan),
        np.zeros(width_us.size, np.uint8), inverted=False, convention=STANDARD_SERVO,
        sample_interval_us=interval_us,
    )  # fmt: skip


def one_sweep(expo, seed, frames=200, noise_us=1.5):
    """Make an uneven sweep upwards through neutral, with noise."""
    rng = np.random.default_rng(seed)
    time_s = 3.0 + np.arange(frames) * 0.02 + rng.normal(0, 1e-5, frames)
    s = np.linspace(-1.02, 0.97, frames)
    return time_s, 480 * ((1 - expo) * s + expo * s**3) + rng.normal(0, noise_us, frames)


@pytest.mark.parametrize("expo", [0.0, 0.01, 0.3, -0.25])
@pytest.mark.parametrize("seed", range(5))
def test_f_test_and_evidence_are_those_of_statsmodels(expo, seed):
    """statsmodels OLS on the same columns: F test of nested models, AICc; scipy.stats.f."""
    time_s, off_us = one_sweep(expo, seed)
    fit = fit_sweep(time_s, off_us, 480.0, 1)
    # The same frames (5 % left out at each end), and the same origin: where a line crosses 0.
    time_s, off_us = time_s[10:-10], off_us[10:-10]
    near = np.abs(off_us) <= 120
    slope, offset = np.polyfit(time_s[near] - time_s[0], off_us[near], 1)
    x = time_s - time_s[0] + offset / slope
    straight = sm.OLS(off_us, sm.add_constant(x)).fit()
    cubic = sm.OLS(off_us, sm.add_constant(np.column_stack([x, x**3]))).fit()
    f, chance, freedom = cubic.compare_f_test(straight)
    assert freedom == 1
    assert fit.f == pytest.approx(f, rel=1e-6, abs=1e-9)
    assert fit.chance == pytest.approx(chance, rel=1e-6)
    assert fit.chance == pytest.approx(stats.f.sf(fit.f, 1, off_us.size - 3), rel=1e-9)
    assert fit.uneven_us == pytest.approx(math.sqrt(cubic.mse_resid), rel=1e-9)
    # Of the variance, too, AICc is told as of a parameter.
    by_aicc = [aicc(result.llf, off_us.size, result.df_model + 2) for result in (straight, cubic)]
    assert fit.evidence == pytest.approx((by_aicc[0] - by_aicc[1]) / 2, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("expo", [0.0, 0.3, -0.25])
def test_the_expo_coefficient_and_its_uncertainty_are_those_of_the_fit(expo):
    """The root of c1 x + c3 x^3 = A by numpy.roots; uncertainty by draws from statsmodels' fit."""
    time_s, off_us = one_sweep(expo, 7)
    fit = fit_sweep(time_s, off_us, 480.0, 1)
    time_s, off_us = time_s[10:-10], off_us[10:-10]
    near = np.abs(off_us) <= 120
    slope, offset = np.polyfit(time_s[near] - time_s[0], off_us[near], 1)
    x = time_s - time_s[0] + offset / slope
    cubic = sm.OLS(off_us, sm.add_constant(np.column_stack([x, x**3]))).fit()

    def coefficient(linear, third):
        roots = np.roots([third, 0.0, linear, -480.0])
        end = min(root.real for root in roots if abs(root.imag) < 1e-9 and root.real > 0)
        return third * end**3 / 480.0

    assert fit.coefficient == pytest.approx(coefficient(*cubic.params[1:]), abs=1e-6)
    rng = np.random.default_rng(1)
    drawn = rng.multivariate_normal(cubic.params[1:], cubic.cov_params()[1:, 1:], 4000)
    spread = np.std([coefficient(*draw) for draw in drawn])
    assert fit.uncertainty == pytest.approx(spread, rel=0.06)


@pytest.mark.parametrize("seed", range(20))
def test_hysteresis_is_told_by_welchs_test_of_scipy(seed):
    """scipy.stats.ttest_ind(equal_var=False): p, and its 95 % confidence interval."""
    rng = np.random.default_rng(seed)
    first = rng.normal(1500.4, 0.2, int(rng.integers(2, 9)))
    second = rng.normal(1500.0, 0.7, int(rng.integers(2, 9)))
    found = welch(first, second, 0.0)
    told = stats.ttest_ind(first, second, equal_var=False)
    between = told.confidence_interval(0.95)
    assert found.chance == pytest.approx(told.pvalue, rel=1e-9)
    assert found.interval_us == pytest.approx((between.low, between.high), rel=1e-9)
    assert found.us / found.uncertainty_us == pytest.approx(told.statistic, rel=1e-9)
    assert found.significant == (told.pvalue < 0.05)


def test_the_sampling_floor_widens_the_interval_as_worked_by_hand():
    """JCGM 100, 5.1.2 and G.4.1: 1/3 + 1/3 and two floors of 1/2 squared: u = sqrt(7/6).

    Effective degrees of freedom (7/6)^2 / ((1/3)^2 / 2 + (1/3)^2 / 2) = 12.25; t = 2.1744.
    """
    found = welch(np.array([3.0, 4.0, 5.0]), np.array([1.0, 2.0, 3.0]), 0.5)
    assert found.uncertainty_us == pytest.approx(math.sqrt(7 / 6), rel=1e-12)
    reach_us = stats.t.ppf(0.975, 12.25) * math.sqrt(7 / 6)
    assert found.interval_us == pytest.approx((2 - reach_us, 2 + reach_us), rel=1e-9)


def widths_in_steps(step_us, jitter_us, seed, count=500):
    rng = np.random.default_rng(seed)
    made_us = np.rint(rng.uniform(1000, 2000, count) / step_us) * step_us
    made_us += rng.normal(0, jitter_us, count)
    start = rng.random(count)
    return (np.floor(made_us / INTERVAL_US + start) - np.floor(start)) * INTERVAL_US


@pytest.mark.parametrize("step_us", [0.5, 0.9765625, 6.3])
@pytest.mark.parametrize("seed", range(2))
def test_the_step_is_that_of_a_direct_search(step_us, seed):
    """Every frequency tried one by one with exp(2 pi i f w), on a grid finer than the line."""
    width_us = widths_in_steps(step_us, 0.2 * step_us, seed)
    owner = np.arange(width_us.size) // 100
    found = find_step(
        width_us, owner, np.zeros(5), interval_us=INTERVAL_US, jitter_us=0.2 * step_us,
        span_us=1000.0,
    ).found  # fmt: skip
    tried = np.arange(0.02, 1.2 / step_us, 2e-4)
    strength = np.array([abs(np.exp(2j * np.pi * f * width_us).mean()) for f in tried])
    best = tried[strength.argmax()]
    assert 1 / found.step_us == pytest.approx(best, abs=2e-4)
    assert found.strength >= strength.max() * (1 - 1e-6)
    assert abs(found.step_us - step_us) <= 4 * found.uncertainty_us


@pytest.mark.parametrize("step_us", [0.5, 2.0])
def test_strength_and_chance_are_those_of_circular_statistics(step_us):
    """astropy.stats: circmoment for R, rayleightest for the chance at one frequency."""
    width_us = widths_in_steps(step_us, 0.2 * step_us, 3, count=120)
    found = find_step(
        width_us, np.arange(120) // 30, np.zeros(4), interval_us=INTERVAL_US,
        jitter_us=0.2 * step_us, span_us=1000.0,
    ).found  # fmt: skip
    phase = 2 * np.pi * width_us / found.step_us
    direction, strength = circmoment(phase)
    assert found.strength == pytest.approx(float(strength), abs=2e-6)
    turn = (2 * np.pi * found.offset_us / found.step_us - float(direction)) % (2 * np.pi)
    assert min(turn, 2 * np.pi - turn) < 1e-3
    # Over all steps tried the chance is that of one, times as many as the range can tell apart.
    trials = np.ptp(width_us) * (3 / (10 * INTERVAL_US) - 8 / np.ptp(width_us))
    single = float(rayleightest(phase))
    # Beside the top by half a place of the transform, the line is a tenth weaker at most.
    assert math.log(trials * single) - 0.1 <= math.log(found.chance)
    assert math.log(found.chance) <= math.log(trials * single) + 0.2 * 120 * found.strength**2


def test_effective_bits_are_as_worked_by_hand():
    """Definition: log2(span / step). 1000 us in steps of 0.9765625 us are 1024 steps: 10 bits."""
    rng = np.random.default_rng(5)
    step_us = 0.9765625
    parts = [np.full(60, 1500.0)]
    for low_us, high_us in ((1000, 2000), (1010, 1990), (1003, 1987), (1020, 1999)):
        parts += [np.linspace(low_us, high_us, 233), np.full(60, high_us)]
        parts += [np.linspace(high_us, low_us, 311), np.full(60, low_us)]
    width_us = np.rint(np.concatenate(parts) / step_us) * step_us
    width_us = np.rint((width_us + rng.normal(0, 0.1, width_us.size)) / INTERVAL_US) * INTERVAL_US
    table = table_of(width_us)
    frames = find_frames(table)
    found = examine_resolution(
        Record(table, frames, find_dwells(table, frames), (), COMMON_PRACTICE)
    )
    bits = found.findings[2]
    assert abs(bits.value - 10) <= 2 * bits.uncertainty
    # 998.4 us seen, 1022.4 steps: log2 is 9.9978.
    of_travel = math.log2(np.ptp(width_us) / step_us)
    assert f"{of_travel:.2f} bits of the {np.ptp(width_us):.0f} us seen" in bits.sentence


@pytest.mark.parametrize("least_us", [5.0, 50.0, 200.0])
def test_turning_points_are_peaks_of_that_prominence(least_us):
    """scipy.signal.find_peaks: upper turns are the peaks whose prominence reaches the least."""
    rng = np.random.default_rng(17)
    walk_us = 1500 + np.cumsum(rng.normal(0, 8, 20_000))
    inner = turning_points(walk_us, least_us)[1:-1]
    upper = inner[walk_us[inner] > walk_us[inner - 1]]
    lower = inner[walk_us[inner] < walk_us[inner - 1]]
    for sign, turns in ((1, upper), (-1, lower)):
        peaks, _ = signal.find_peaks(sign * walk_us, prominence=least_us)
        # At the two ends of the record the movement that counts is one-sided.
        assert set(turns) <= set(peaks)
        assert len(set(peaks) - set(turns)) <= 2
    assert upper.size + lower.size == inner.size > 10


def test_an_endpoint_is_as_worked_by_hand():
    """JCGM 100, annex H style, with figures that come out whole.

    One visit of 100 pulses, every frame a whole number of samples: each reading repeats one
    error, so sampling at sqrt(6) x 0.12 us gives 0.12 us, though there are 100 of them.
    Clock, 100 ppm of 1200 us, rectangular: 0.12 / sqrt(3) us.
    0.0144 + 0.0048 = 0.0192, root 0.13856. Scatter 0.5 us: another 100 would differ by 0.05 us.
    """
    interval_us = math.sqrt(6) * 0.12
    table = table_of(np.full(100, 1200.0), interval_us)
    table = replace(
        table, rise_s=np.arange(100) * np.rint(20_000 / interval_us) * interval_us / 1e6
    )
    dwells = find_dwells(table, find_frames(table))
    assert len(dwells) == 1
    level = Levels(table, dwells).near(1200.0)
    assert level.width_us == pytest.approx(1200.0, abs=1e-9)
    assert level.uncertainty_us == pytest.approx(math.sqrt(0.0192), rel=1e-4)
    assert level.scatter_us == 0.0
    swinging = replace(table, width_us=1200 + 0.5 * math.sqrt(99 / 100) * np.tile([1.0, -1.0], 50))
    level = Levels(swinging, find_dwells(swinging, find_frames(swinging))).near(1200.0)
    assert level.scatter_us == pytest.approx(0.05, rel=1e-9)


@pytest.mark.parametrize(("std_us", "range_us"), [(0.1, 0.2), (0.2, 0.05), (0.01, 0.15)])
def test_the_interval_of_a_gaussian_and_a_rectangle_is_that_of_a_numeric_convolution(
    std_us, range_us
):
    """JCGM 101, 5.2: propagation of distributions, by scipy's integration."""

    def within(half_us):
        inner = lambda x: norm.cdf((half_us - x) / std_us) - norm.cdf((-half_us - x) / std_us)  # noqa: E731
        return quad(inner, -range_us, range_us, limit=200)[0] / (2 * range_us)

    assert within(half_width(std_us, range_us)) == pytest.approx(0.95, abs=1e-6)


@pytest.mark.parametrize("drift", [0.0, 0.5, 0.01, 0.3819])
@pytest.mark.parametrize("jitter", [0.0, 0.2, 1.0])
def test_what_sampling_leaves_of_a_mean_is_what_a_simulation_finds(drift, jitter):
    """250 dwells of 60 pulses, sampled by rounding up; phases and widths uniform within Ts."""
    rng = np.random.default_rng(8)
    error, stated = [], []
    for _ in range(250):
        rise = rng.random() + np.arange(60) * (20_000 + drift) + rng.normal(0.0, jitter, 60)
        width = 1500 + rng.random()
        read = np.ceil(rise + width) - np.ceil(rise)
        error.append(read.mean() - width)
        table = replace(table_of(read, 1.0), rise_s=np.ceil(rise) / 1e6)
        dwells = find_dwells(table, find_frames(table))
        stated.append(sampling_left_us(table, dwells, float(dwells.std_us[0])))
    found = float(np.sqrt(np.mean(np.square(error))))
    # Where the phases of 60 pulses are not told by their readings, what is stated is larger.
    assert 0.8 * found < np.sqrt(np.mean(np.square(stated))) < 2.5 * found + 0.06


def test_travel_and_asymmetry_are_as_worked_by_hand():
    """JCGM 100, 5.1.2 for what is each level's own, 5.2.2 for the clock that they share.

    Own parts 0.3, 0.2 and 0.6 us (low, neutral, high); the clock, 100 ppm rectangular, adds
    sqrt(3) x width / 30000 to each: sqrt(3) x 0.04, 0.05, 0.064 us at 1200, 1500, 1920 us.
    Travel 720 us: 0.09 + 0.36 + 0.0017280 = 0.451728.
    Above 420 us: 0.36 + 0.04 + 0.000588 = 0.400588.
    Asymmetry 1920 + 1200 - 3000 = 120 us: 0.36 + 0.09 + 4 x 0.04 + 0.000048 = 0.610048.
    """
    low, neutral, high = (
        Level(width_us, math.hypot(own_us, math.sqrt(3) * width_us / 30_000), ())
        for width_us, own_us in ((1200.0, 0.3), (1500.0, 0.2), (1920.0, 0.6))
    )
    for terms, value_us, variance in (
        (((1, high), (-1, low)), 720, 0.451728),
        (((1, high), (-1, neutral)), 420, 0.400588),
        (((1, high), (1, low), (-2, neutral)), 120, 0.610048),
    ):
        found = weighed_sum(*terms)
        assert found.us == pytest.approx(value_us, rel=1e-12)
        assert found.uncertainty_us == pytest.approx(math.sqrt(variance), rel=1e-9)
