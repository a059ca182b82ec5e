"""Allan and time deviation against published values and a general-purpose library.

Sources. The nine-frequency NBS test set (NBS Monograph 140, annex 8.E; ten phases) and the
1000-point set of NIST SP 1065, section 12, whose data come from the generator
n' = 16807 n mod 2147483647 begun at 1234567890. The published deviations were written down
from memory and then confirmed, all of them, in stored public copies of several programs' tests
that cite SP 1065; the publication itself was not open to us. The library is allantools, which
also holds approximations of the degrees of freedom (NIST SP 1065, Table 5; Greenhall and Riley
2003) and the noise told by the lag-1 autocorrelation (Riley and Greenhall 2004). The
deviations of power-law noises are closed forms, derived where they stand.
"""

import math

import numpy as np
import pytest

from pwmscope.findings.timing.stability import (
    NOISES,
    allan_deviation,
    chi_square_interval,
    freedom_of_allan,
    freedom_of_time,
    identify_noise,
    octaves,
    time_deviation,
)

NBS_FREQUENCY = np.array([892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0])
NBS = {
    "plain": {1: 91.22945, 2: 115.8082},
    "overlapping": {1: 91.22945, 2: 85.95287},
    "modified": {1: 91.22945, 2: 74.78849},
    "time": {1: 52.67135, 2: 86.35831},
}
SP1065 = {
    "plain": {1: 2.922319e-01, 10: 9.965736e-02, 100: 3.897804e-02},
    "overlapping": {1: 2.922319e-01, 10: 9.159953e-02, 100: 3.241343e-02},
    "modified": {1: 2.922319e-01, 10: 6.172376e-02, 100: 2.170921e-02},
    "time": {1: 1.687202e-01, 10: 3.563623e-01, 100: 1.253382e00},
}


def phase_of(frequency, tau0_s=1.0):
    return np.concatenate([[0.0], np.cumsum(frequency)]) * tau0_s


def sp1065_frequency():
    numbers, modulus = [1234567890], 2147483647
    for _ in range(999):
        numbers.append(16807 * numbers[-1] % modulus)
    return np.array(numbers) / modulus


def deviation(kind, phase, factor):
    """Each published kind; the plain form is that of every m-th phase."""
    if kind == "plain":
        return allan_deviation(phase[::factor], float(factor), [1]).value[0]
    if kind == "overlapping":
        return allan_deviation(phase, 1.0, [factor]).value[0]
    time = time_deviation(phase, 1.0, [factor]).value[0]
    return time if kind == "time" else time * math.sqrt(3.0) / factor


def test_the_generator_gives_the_published_set():
    """NIST SP 1065, the 1000-point set: its first numbers and its mean."""
    data = sp1065_frequency()
    second = [round(value * 2147483647) for value in data[1:4]]
    assert second == [395529916, 1209410747, 633705974]
    assert data.mean() == pytest.approx(4.897745e-01, rel=1e-6)
    assert np.std(data, ddof=1) == pytest.approx(2.884664e-01, rel=1e-6)


@pytest.mark.parametrize("kind", NBS)
def test_the_nbs_set(kind):
    """NBS Monograph 140 and NIST SP 1065, published to seven digits."""
    phase = phase_of(NBS_FREQUENCY)
    for factor, published in NBS[kind].items():
        assert f"{deviation(kind, phase, factor):.6e}" == f"{published:.6e}"


@pytest.mark.parametrize("kind", SP1065)
def test_the_thousand_points(kind):
    """NIST SP 1065, published to seven digits."""
    phase = phase_of(sp1065_frequency())
    for factor, published in SP1065[kind].items():
        assert f"{deviation(kind, phase, factor):.6e}" == f"{published:.6e}"


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("tau0_s", [0.02, 0.007])
def test_allantools_agrees_on_a_wandering_clock(seed, tau0_s, library):
    """White phase noise with a random walk of frequency; every factor, plain and overlapping."""
    allantools = library("allantools")
    rng = np.random.default_rng(seed)
    phase = np.cumsum(np.cumsum(rng.normal(0, 1e-9, 3000))) + rng.normal(0, 1e-6, 3000)
    factors = [1, 2, 3, 4, 8, 16, 25, 32, 64, 128, 700]
    taus_s = tau0_s * np.array(factors)
    for ours, theirs in ((allan_deviation, allantools.oadev), (time_deviation, allantools.tdev)):
        found = ours(phase, tau0_s, factors)
        taus, values, _, _ = theirs(phase, rate=1.0 / tau0_s, data_type="phase", taus=taus_s)
        assert taus == pytest.approx(found.tau_s)
        assert found.value == pytest.approx(values, rel=1e-9)
    _, plain, _, _ = allantools.adev(phase, rate=1.0 / tau0_s, data_type="phase", taus=taus_s)
    ours = [allan_deviation(phase[::m], m * tau0_s, [1]).value[0] for m in factors]
    assert ours == pytest.approx(plain, rel=1e-9)


@pytest.mark.parametrize("exponent", NOISES)
@pytest.mark.parametrize(("phases", "factor"), [(100, 8), (1000, 10), (1000, 300), (10**6, 10**3)])
def test_the_degrees_of_freedom_are_the_librarys(exponent, phases, factor, library):
    """NIST SP 1065, Table 5, and Greenhall and Riley 2003 by their own thinning of lags."""
    ci = library("allantools.ci")
    simple = ci.edf_simple(phases, factor, exponent)
    assert freedom_of_allan(phases, factor, exponent) == pytest.approx(max(simple, 1.0), rel=1e-9)
    full = ci.edf_greenhall(exponent, 2, factor, phases, overlapping=True, modified=True)
    assert freedom_of_time(phases, factor, exponent) == pytest.approx(max(full, 1.0), rel=1e-3)


def test_the_degrees_of_freedom_of_single_steps(library):
    """As above at m = 1, without flicker of frequency: there the library forgets a square."""
    ci = library("allantools.ci")
    for exponent in (2, 1, 0, -2):
        simple = ci.edf_simple(1000, 1, exponent)
        assert freedom_of_allan(1000, 1, exponent) == pytest.approx(simple, rel=1e-9)
    full = ci.edf_greenhall(-1, 2, 1, 1000, overlapping=True)
    assert freedom_of_allan(1000, 1, -1) == pytest.approx(full, rel=0.05)


@pytest.mark.parametrize("freedom", [1.0, 3.3, 20.0, 5e5])
def test_the_interval_is_the_librarys(freedom, library):
    """Chi-squared interval (NIST SP 1065, 5.3.2)."""
    ci = library("allantools.ci")
    low, high = chi_square_interval(np.array([2.5]), np.array([freedom]))
    expected = ci.confidence_interval(2.5, freedom, ci=0.95)
    assert (low[0], high[0]) == pytest.approx(expected, rel=1e-9)


def power_law(exponent, size, rng):
    """Phases whose noise is a whole number of sums over white noise; even exponents only."""
    phases = rng.normal(size=size)
    for _ in range((2 - exponent) // 2):
        phases = np.cumsum(phases)
    return phases


@pytest.mark.parametrize("exponent", [2, 0, -2])
def test_the_noise_is_the_one_put_in_and_the_librarys(exponent, library):
    """Sums of white noise; allantools' lag-1 method on the same phases."""
    ci = library("allantools.ci")
    rng = np.random.default_rng(5)
    for _ in range(20):
        phases = power_law(exponent, 2000, rng)
        assert identify_noise(phases, [1]).tolist() == [exponent]
        for factor in (1, 4, 16):
            theirs, *_ = ci.autocorr_noise_id(phases, factor)
            expected = min(max(theirs, -2), 2)
            assert identify_noise(phases, [factor]).tolist() == [expected]


def test_flicker_is_told_between_its_neighbours(library):
    """Flicker phases from allantools' generator of pink noise (exponent 1), and their sums (-1)."""
    allantools = library("allantools")
    np.random.seed(3)  # noqa: NPY002 - the library draws from numpy's old global generator
    pink = allantools.noise.pink(8192, depth=80)
    assert identify_noise(pink, [1]).tolist() == [1]
    assert identify_noise(np.cumsum(pink), [1]).tolist() == [-1]


def truth(exponent, factor, kind):
    """Expected variance of a noise made by summing unit white noise: its weights squared."""
    weights = np.concatenate([np.ones(factor), -2 * np.ones(factor), np.ones(factor)]) / factor
    if kind == "allan":
        weights = np.zeros(2 * factor + 1)
        weights[[0, factor, 2 * factor]] = 1, -2, 1
    for _ in range((2 - exponent) // 2):
        weights = np.cumsum(weights[::-1])[::-1]
    total = float(np.sum(weights**2))
    return total / 2 / factor**2 if kind == "allan" else total / 6


def test_the_expected_variances_are_the_closed_forms():
    """NIST SP 1065, Table of power-law noises: white phase 3/tau^2, white frequency 1/tau."""
    for m in (1, 4, 50):
        assert truth(2, m, "allan") == pytest.approx(3 / m**2)
        assert truth(0, m, "allan") == pytest.approx(1 / m)
        assert truth(-2, m, "allan") == pytest.approx((2 * m**2 + 1) / (6 * m))
        assert truth(2, m, "time") == pytest.approx(1 / m)


@pytest.mark.parametrize("exponent", [2, 0, -2])
def test_the_intervals_hold_the_truth_as_often_as_they_say(exponent):
    """95 % intervals of 300 records of known noise at octaves, on the average over these."""
    rng = np.random.default_rng(11)
    factors = octaves(1000, 4).tolist()
    for kind, of in (("allan", allan_deviation), ("time", time_deviation)):
        expected = np.sqrt([truth(exponent, m, kind) for m in factors])
        held = []
        for _ in range(300):
            found = of(power_law(exponent, 1000, rng), 1.0, factors)
            held.append((found.low <= expected) & (expected <= found.high))
        share = np.mean(held, axis=0)
        assert 0.93 <= share.mean() <= 0.975, (kind, share)
        assert share.min() >= 0.90, (kind, share)
