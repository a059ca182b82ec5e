"""What sampling does to a width, by chance and by hand, against JCGM 100.

Source: JCGM 100:2008 (the Guide to the expression of uncertainty in
measurement), clause numbers from memory: 4.3.7 rectangular distribution,
4.3.9 triangular distribution, 4.2.3 scatter of a mean, 5.1.2 combination,
F.2.2.1 resolution of an indication, whose published figure is 0.29 of one step.
The law of readings of an interval that itself scatters is our own derivation; it is held
against Monte Carlo through the decoder and against numerical integration by SciPy.
"""

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from pwmscope import Line
from pwmscope.findings.timing.separation import (
    density_at_samples,
    excess_of,
    spread_of,
    variance_of_change,
    variance_of_mean,
)
from pwmscope.model import half_width, of_mean_us, sampling_floor_us
from pwmscope.pulses import decode_line

PULSES = 100_000
INTERVALS_PS = [1_000_000, 250_000, 2_000_000]


def sampled_errors_us(widths_ps, interval_ps, rng):
    """Error of each decoded width when edges at any instant are seen at the next sample."""
    period_ps = 20_000 * interval_ps
    rise_ps = (1 + np.arange(widths_ps.size)) * period_ps + rng.integers(
        0, interval_ps, widths_ps.size
    )
    edges_ps = np.stack([rise_ps, rise_ps + widths_ps], axis=1).ravel()
    seen_ps = -(-edges_ps // interval_ps) * interval_ps
    table = decode_line(Line("RX1", seen_ps, 0), int(seen_ps[-1]) + period_ps, interval_ps / 1e6)
    assert len(table) == widths_ps.size
    return table.width_us - widths_ps / 1e6


@pytest.mark.parametrize("interval_ps", INTERVALS_PS)
def test_independent_edges_scatter_by_the_stated_floor(interval_ps):
    """JCGM 100, 4.3.7 and 4.3.9: triangular over plus or minus Ts, standard deviation Ts/sqrt(6).

    The standard deviation of n triangular values has the relative standard
    error sqrt((12/5 - 1) / (4 n)), 12/5 being the triangle's kurtosis; five of
    these are allowed.
    """
    rng = np.random.default_rng(1364)
    widths_ps = rng.integers(1_000_000_000, 2_000_000_000, PULSES)
    error_us = sampled_errors_us(widths_ps, interval_ps, rng)
    interval_us = interval_ps / 1e6
    floor_us = sampling_floor_us(interval_us)
    assert np.abs(error_us).max() < interval_us
    assert abs(error_us.mean()) < 5 * floor_us / math.sqrt(PULSES)
    spread = math.sqrt((12 / 5 - 1) / (4 * PULSES))
    assert error_us.std(ddof=1) / floor_us == pytest.approx(1, abs=5 * spread)
    # Half of a triangular distribution lies within 1 - 1/sqrt(2) of its half-width.
    within = np.mean(np.abs(error_us) < (1 - 1 / math.sqrt(2)) * interval_us)
    assert within == pytest.approx(0.5, abs=5 * 0.5 / math.sqrt(PULSES))


@pytest.mark.parametrize("part", [0.0, 0.1, 0.25, 0.5, 0.9])
def test_one_width_scatters_by_what_its_part_of_a_sample_gives(part):
    """From the definition: a width of k + f samples is seen as k or k + 1, k + 1 in f of cases.

    Its standard deviation is Ts sqrt(f (1 - f)), between none and Ts/2; the
    floor Ts/sqrt(6) is the root mean square of that over all f, not its bound.
    """
    rng = np.random.default_rng(181)
    interval_ps = 1_000_000
    widths_ps = np.full(PULSES, 1500 * interval_ps + round(part * interval_ps))
    error_us = sampled_errors_us(widths_ps, interval_ps, rng)
    assert np.unique(error_us.round(6)).size == (1 if part == 0 else 2)
    expected_us = math.sqrt(part * (1 - part))
    assert error_us.std(ddof=1) == pytest.approx(expected_us, abs=5 / math.sqrt(PULSES))
    assert error_us.std(ddof=1) <= 0.5 * (1 + 1 / PULSES)


def test_the_floor_is_the_root_mean_square_over_all_parts_of_a_sample():
    """The two views agree: the mean of f (1 - f) over f is 1/6."""
    parts = (np.arange(1_000_000) + 0.5) / 1_000_000
    rms_us = math.sqrt(np.mean(parts * (1 - parts)))
    assert rms_us == pytest.approx(sampling_floor_us(1.0), rel=1e-9)


def test_the_floor_is_two_steps_of_an_indication_in_quadrature():
    """JCGM 100, F.2.2.1: one edge read to a step of Ts has 0.29 Ts; an interval has two edges."""
    assert sampling_floor_us(1.0) / math.sqrt(2) == pytest.approx(0.29, abs=0.005)
    assert sampling_floor_us(None) is None


def test_a_mean_combines_as_worked_by_hand():
    """JCGM 100, 5.1.2, worked by hand with parts chosen to give whole figures.

    Scatter 0.12 us over 9 pulses: 0.04 us. Sampling at sqrt(6) x 0.03 us:
    0.03 us. Clock, 100 ppm of sqrt(3) x 1200 us, rectangular: 0.12 us.
    0.04^2 + 0.03^2 + 0.12^2 = 0.0169 = 0.13^2.
    """
    found_us = of_mean_us(math.sqrt(3) * 1200, 0.12, 9, math.sqrt(6) * 0.03)
    assert found_us == pytest.approx(0.13, rel=1e-12)


def test_a_mean_of_a_typical_recording_is_as_worked_by_hand():
    """1500 us, scatter 0.5 us over 100 pulses, 1 MS/s.

    0.05^2 + 1/6 + (0.15)^2/3 = 0.0025 + 0.166667 + 0.0075 = 0.176667, root 0.420317.
    """
    assert of_mean_us(1500.0, 0.5, 100, 1.0) == pytest.approx(0.420317, abs=5e-7)
    assert of_mean_us(1500.0, 0.5, 100, None) is None


def test_more_pulses_do_not_average_the_sampling_away():
    """JCGM 100, 4.2.3 divides the scatter only; a common error stays whatever the count."""
    rms_us = math.hypot(sampling_floor_us(1.0), 0.15 / math.sqrt(3))
    assert of_mean_us(1500.0, 0.5, 10**12, 1.0) == pytest.approx(rms_us, rel=1e-9)


@pytest.mark.parametrize("part", [0.0, 0.1, 0.25, 0.5, 0.9])
@pytest.mark.parametrize("jitter", [0.05, 0.2, 0.4, 0.7, 3.0])
def test_a_width_that_jitters_scatters_as_the_law_says(part, jitter):
    """Monte Carlo: 100 000 Gaussian widths, decoded from edges seen at the next sample.

    The variance lies within five of its own standard errors, sqrt((m4 - m2^2) / n), taken from
    the sample.
    """
    rng = np.random.default_rng(2414)
    interval_ps = 1_000_000
    mean_ps = (1500 + part) * interval_ps
    widths_ps = np.round(mean_ps + jitter * interval_ps * rng.standard_normal(PULSES))
    widths_ps = widths_ps.astype(np.int64)
    read = widths_ps / interval_ps + sampled_errors_us(widths_ps, interval_ps, rng)
    away = read.round() - (1500 + part)
    excess = excess_of(np.array([part]), jitter)[0]
    error = np.std(away**2) / math.sqrt(PULSES)
    assert np.mean(away**2) == pytest.approx(excess + part * (1 - part), abs=5 * error + 1e-4)
    # Readings outside the two neighbours, weighted (x - k)(x - k - 1), k = 1500.
    outside = (read.round() - 1500) * (read.round() - 1501)
    error = np.std(outside) / math.sqrt(PULSES)
    assert np.mean(outside) == pytest.approx(excess, abs=5 * error + 1e-4)


@pytest.mark.parametrize("part", [0.0, 0.1, 0.5])
@pytest.mark.parametrize("jitter", [0.1, 0.4, 0.99, 1.0, 2.5])
def test_the_law_agrees_with_integration_and_with_its_fourier_form(part, jitter):
    """Law of total variance: sigma^2 plus the mean of F (1 - F) over the Gaussian, by SciPy."""

    def sampling(width):
        return (width % 1.0) * (1 - width % 1.0) * norm.pdf(width, part, jitter)

    reach = math.ceil(10 * jitter)
    pieces = [quad(sampling, k, k + 1, epsabs=1e-13)[0] for k in range(-reach - 1, reach + 1)]
    n = np.arange(1, 200)
    fourier = 1 / 6 - np.sum(
        np.cos(2 * np.pi * n * part) * np.exp(-2 * (np.pi * n * jitter) ** 2) / (np.pi * n) ** 2
    )
    found = excess_of(np.array([part]), jitter)[0] + part * (1 - part)
    assert found == pytest.approx(jitter**2 + sum(pieces), abs=1e-8)
    assert found == pytest.approx(jitter**2 + fourier, abs=1e-8)


@pytest.mark.parametrize(("jitter", "within"), [(0.4, 0.005), (0.6, 1e-4), (1.0, 1e-8)])
def test_the_quadrature_of_the_guide_is_the_law_above_the_floor(jitter, within):
    """JCGM 100, 4.3.9 and 5.1.2: sigma^2 + Ts^2/6, wherever the mean lies."""
    part = np.linspace(0, 1, 101)
    variance = excess_of(part, jitter) + part * (1 - part)
    assert np.abs(variance - jitter**2 - sampling_floor_us(1.0) ** 2).max() < within


def test_the_spread_of_what_lies_outside_is_as_the_law_says():
    """Monte Carlo of 4000 records of 200 readings; what the estimate's interval rests on.

    For a Gaussian count the variance has the relative standard error sqrt(2/4000) = 2.2 %.
    """
    rng = np.random.default_rng(100)
    for part, jitter in ((0.15, 0.15), (0.05, 0.1), (0.5, 0.4), (0.8, 0.8), (0.1, 2.0)):
        phase = rng.uniform(0, 1, (4000, 200))
        true = 10 + part + jitter * rng.standard_normal(phase.shape)
        read = np.floor(phase + true) - np.floor(phase)
        found = read.mean(axis=1) - 10
        excess = np.var(read, axis=1) - found * (1 - found) - excess_of(found, jitter)
        spread = spread_of(np.array([part]), jitter)[0]
        assert np.var(excess) * 200 == pytest.approx(spread, rel=0.1)


@pytest.mark.parametrize("ratio", [0.0, 0.01, 0.3, 1.0, 3.0, 100.0])
def test_a_normal_and_a_rectangular_part_together_by_propagating_distributions(ratio):
    """JCGM 101 (Monte Carlo, from memory): 95 % of 400 000 drawn sums lie within the half-width.

    For a rectangle alone that is 0.95 of its half-width; k = 2 would reach 1.15 of it.
    """
    rng = np.random.default_rng(101)
    drawn = ratio * rng.standard_normal(400_000) + rng.uniform(-1.0, 1.0, 400_000)
    stated = half_width(ratio, 1.0)
    within = np.mean(np.abs(drawn) <= stated)
    assert within == pytest.approx(0.95, abs=5 * math.sqrt(0.95 * 0.05 / 400_000))
    if ratio < 0.01:
        assert stated == pytest.approx(0.95, abs=1e-3)


@pytest.mark.parametrize("part", [0.0, 0.1, 0.25, 0.5, 0.8])
@pytest.mark.parametrize("jitter", [0.0, 0.1, 0.3, 1.0])
def test_the_change_between_sampled_periods_scatters_as_the_law_says(part, jitter):
    """Monte Carlo: periods of k + part samples, white jitter of the edges, uniform phases.

    Only jitter of both periods enters; the variance that sampling adds is that of the change
    as read less that of the change itself.
    """
    rng = np.random.default_rng(2414)
    count = 200_000
    phase = rng.uniform(0, 1, count)
    edge = phase + np.arange(3)[:, None] * (20 + part)
    edge += jitter / math.sqrt(2) * rng.standard_normal((3, count))
    change, read = np.diff(edge, 2, axis=0), np.diff(np.ceil(edge), 2, axis=0)
    added = np.mean(read**2) - np.mean(change**2)
    one = np.ones(1)
    stated = variance_of_change(np.array([part]), one, jitter, jitter)
    error = np.std(read**2 - change**2) / math.sqrt(count)
    assert added == pytest.approx(stated, abs=5 * error + 1e-12)


@pytest.mark.parametrize("jitter", [0.0, 0.3, 3.0])
@pytest.mark.parametrize("step", [0.0, 0.001, 0.1, 0.5, 0.6180339887])
def test_the_mean_sampling_error_of_many_edges_is_as_uncertain_as_stated(step, jitter):
    """Monte Carlo: 3000 records of 200 edges a period of k + step samples apart, any phase."""
    rng = np.random.default_rng(181)
    frames = np.arange(200)
    line = (1000 + step) * frames + rng.uniform(0, 1, (3000, 1))
    edge = line + jitter * rng.standard_normal(line.shape)
    found = np.var(np.mean(np.ceil(edge) - edge, axis=1))
    measured = math.sqrt(jitter**2 + 1 / 12)
    stated = variance_of_mean((1000 + step) * frames.astype(float), measured, 1.0)
    assert stated >= 0.9 * found - 2e-5
    # Between them jitter may be none: an edge at one phase may flicker by as much.
    if jitter != 0.3:
        assert stated <= 1.2 * found + 3e-4


def test_what_is_known_of_a_records_own_variance_is_as_the_law_says():
    """Monte Carlo of 3000 records of 200 readings: the count outside, given the widths' variance.

    The rest of its scatter once it is regressed on that variance, against the law's spread
    less ``2 sigma^4 D^2``.
    """
    rng = np.random.default_rng(101)
    for part, jitter in ((0.3, 0.4), (0.5, 0.8), (0.1, 2.0), (0.7, 5.0)):
        phase = rng.uniform(0, 1, (3000, 200))
        true = 10 + part + jitter * rng.standard_normal(phase.shape)
        read = np.floor(phase + true) - np.floor(phase)
        found = read.mean(axis=1) - 10
        own = np.var(true, axis=1)
        excess = np.var(read, axis=1) - found * (1 - found) - excess_of(found, jitter)
        rest = excess - np.polyval(np.polyfit(own, excess, 1), own)
        one = np.array([part])
        growth = density_at_samples(one, jitter)[0]
        stated = spread_of(one, jitter)[0] - 2 * (jitter**2 * growth) ** 2
        assert np.var(rest) * 200 == pytest.approx(stated, rel=0.12)
