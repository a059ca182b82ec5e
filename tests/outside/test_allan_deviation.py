"""Allan and time deviation against published values and a general-purpose library.

Sources: the nine-frequency NBS test set (NBS Monograph 140, ten phase values, often called NBS14)
and the 1000-point set of NIST SP 1065, section 12, whose data come from the generator
n' = 16807 n mod 2147483647 begun at 1234567890. Data and published deviations are from memory;
that the published time deviations equal tau / sqrt(3) times the modified Allan deviations, and
that allantools reaches the same figures, speaks for them. The library is allantools.
"""

import math

import allantools
import numpy as np
import pytest

from pwmscope.findings.allan import allan_deviation, time_deviation

NBS_FREQUENCY = np.array([892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0])
NBS_OVERLAPPING = {1: 91.22945, 2: 85.95287}
NBS_MODIFIED = {1: 91.22945, 2: 74.78849}

SP1065_OVERLAPPING = {1: 2.922319e-01, 10: 9.159953e-02, 100: 3.241343e-02}
SP1065_MODIFIED = {1: 2.922319e-01, 10: 6.172376e-02, 100: 2.170921e-02}
SP1065_TIME = {1: 1.687202e-01, 10: 3.563623e-01, 100: 1.253382e00}


def phase_of(frequency, tau0_s=1.0):
    return np.concatenate([[0.0], np.cumsum(frequency - frequency.mean())]) * tau0_s


def sp1065_frequency():
    numbers, modulus = [1234567890], 2147483647
    for _ in range(999):
        numbers.append(16807 * numbers[-1] % modulus)
    return np.array(numbers) / modulus


def test_the_generator_gives_the_published_set():
    """NIST SP 1065, table of the 1000-point set: mean and deviation of the data, from memory."""
    data = sp1065_frequency()
    assert data[0] == pytest.approx(0.5748904732, abs=1e-10)
    assert data.mean() == pytest.approx(4.897745e-01, rel=1e-6)


def test_the_nbs_set():
    """NBS Monograph 140 test set, published to seven digits."""
    phase = phase_of(NBS_FREQUENCY)
    factors = list(NBS_OVERLAPPING)
    found = allan_deviation(phase, 1.0, factors)
    assert found.value == pytest.approx(list(NBS_OVERLAPPING.values()), rel=1e-6)
    time = time_deviation(phase, 1.0, factors)
    modified = time.value * math.sqrt(3.0) / time.tau_s
    assert modified == pytest.approx(list(NBS_MODIFIED.values()), rel=1e-6)


def test_the_thousand_points():
    """NIST SP 1065 1000-point set, published to seven digits."""
    phase = phase_of(sp1065_frequency())
    factors = list(SP1065_OVERLAPPING)
    found = allan_deviation(phase, 1.0, factors)
    assert found.value == pytest.approx(list(SP1065_OVERLAPPING.values()), rel=1e-6)
    time = time_deviation(phase, 1.0, factors)
    assert time.value == pytest.approx(list(SP1065_TIME.values()), rel=1e-6)
    modified = time.value * math.sqrt(3.0) / time.tau_s
    assert modified == pytest.approx(list(SP1065_MODIFIED.values()), rel=1e-6)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("tau0_s", [0.02, 0.007])
def test_allantools_agrees_on_a_wandering_clock(seed, tau0_s):
    """The library allantools, on white phase noise with a random walk of frequency."""
    rng = np.random.default_rng(seed)
    phase = np.cumsum(np.cumsum(rng.normal(0, 1e-9, 3000))) + rng.normal(0, 1e-6, 3000)
    factors = [1, 2, 4, 8, 16, 32, 64, 128]
    taus_s = tau0_s * np.array(factors)
    for ours, theirs in (
        (allan_deviation, allantools.oadev),
        (time_deviation, allantools.tdev),
    ):
        found = ours(phase, tau0_s, factors)
        taus, values, _, _ = theirs(phase, rate=1.0 / tau0_s, data_type="phase", taus=taus_s)
        assert taus == pytest.approx(found.tau_s)
        assert found.value == pytest.approx(values, rel=1e-9)


def test_white_phase_noise_falls_as_one_over_tau():
    """sigma_y = sqrt(3) x / tau for white phase noise of deviation x (NIST SP 1065, 3.3)."""
    phase = np.random.default_rng(3).normal(0, 0.29e-6, 200_000)
    found = allan_deviation(phase, 0.02, [1, 16, 256])
    expected = math.sqrt(3.0) * 0.29e-6 / found.tau_s
    assert found.value == pytest.approx(expected, rel=0.02)


def test_the_intervals_hold_the_truth_as_often_as_they_say():
    """95 % intervals of 400 records of white phase noise, whose deviation is known."""
    rng = np.random.default_rng(11)
    held = []
    for _ in range(400):
        found = allan_deviation(rng.normal(0, 1.0, 1000), 1.0, [4])
        held.append(found.low[0] <= math.sqrt(3.0) / 4.0 <= found.high[0])
    assert 0.92 <= np.mean(held) <= 0.99
