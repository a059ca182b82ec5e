"""Poisson and binomial intervals, and the test of two rates, against general-purpose libraries.

Sources: scipy (`stats.chi2`, `stats.binomtest`) and statsmodels (`stats.rates.confint_poisson`,
`stats.rates.test_poisson_2indep`, `stats.proportion.proportion_confint`,
`stats.multitest.multipletests`). F. Garwood, Biometrika 28 (1936); C. J. Clopper and E. S. Pearson,
Biometrika 26 (1934); J. Przyborowski and H. Wilenski, Biometrika 31 (1940); S. Holm, Scand. J.
Statistics 6 (1979).
"""

import numpy as np
import pytest
from scipy import stats

from pwmscope.findings.comparison import holm
from pwmscope.model import binomial_interval, compare_rates, poisson_interval

COUNTS = (0, 1, 2, 5, 28, 140, 1000)


@pytest.mark.parametrize("count", COUNTS)
def test_the_poisson_interval_is_garwoods(count, library):
    rates = library("statsmodels.stats.rates")
    low, high = poisson_interval(count, 20.0)
    by_chi2 = (
        stats.chi2.ppf(0.025, 2 * count) / 40.0 if count else 0.0,
        stats.chi2.ppf(0.975, 2 * count + 2) / 40.0,
    )
    assert (low, high) == pytest.approx(by_chi2, rel=1e-9)
    assert (low, high) == pytest.approx(
        tuple(rates.confint_poisson(count, 20.0, method="exact-c")), rel=1e-9, abs=1e-12
    )


@pytest.mark.parametrize(("hits", "trials"), [(0, 12), (3, 12), (12, 12), (970, 1000)])
def test_the_binomial_interval_is_clopper_and_pearsons(hits, trials, library):
    intervals = library("statsmodels.stats.proportion")
    found = binomial_interval(hits, trials)
    assert found == pytest.approx(
        intervals.proportion_confint(hits, trials, method="beta"), abs=1e-12
    )
    by_scipy = stats.binomtest(hits, trials).proportion_ci(method="exact")
    assert found == pytest.approx((by_scipy.low, by_scipy.high), abs=1e-12)


@pytest.mark.parametrize(
    ("first", "first_s", "second", "second_s"),
    [(4, 20.0, 18, 20.0), (1, 13.8, 31, 14.3), (7, 60.0, 3, 11.0), (12, 9.0, 12, 31.0)],
)
def test_two_rates_are_compared_by_the_exact_conditional_test(
    first, first_s, second, second_s, library
):
    rates = library("statsmodels.stats.rates")
    found = compare_rates(first, first_s, second, second_s)
    share = second_s / (first_s + second_s)
    by_scipy = stats.binomtest(second, first + second, share)
    assert found.chance == pytest.approx(by_scipy.pvalue, rel=1e-9)
    by_statsmodels = rates.test_poisson_2indep(
        second, second_s, first, first_s, method="exact-cond"
    )
    assert found.chance == pytest.approx(by_statsmodels.pvalue, rel=1e-9)
    ends = by_scipy.proportion_ci(method="exact")
    ratios = [first_s / second_s * end / (1.0 - end) for end in (ends.low, ends.high) if end < 1]
    assert [found.low, found.high][: len(ratios)] == pytest.approx(ratios, rel=1e-9)


def test_chances_are_corrected_as_holm_does(library):
    tests = library("statsmodels.stats.multitest")
    rng = np.random.default_rng(2)
    for count in (1, 2, 9, 40):
        chances = rng.random(count) ** 3
        by_statsmodels = tests.multipletests(chances, method="holm")[1]
        assert holm(chances.tolist()) == pytest.approx(by_statsmodels, abs=1e-12)


@pytest.mark.parametrize("expected", [0.8, 3.0, 20.0])
def test_the_poisson_interval_covers(expected):
    """Worked out exactly: the chance of all counts whose interval holds the rate."""
    counts = np.arange(200)
    held = [
        low <= expected <= high for low, high in (poisson_interval(int(n), 1.0) for n in counts)
    ]
    assert stats.poisson.pmf(counts[held], expected).sum() >= 0.95
