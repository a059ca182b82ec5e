"""What n losses that all met the limit say about the next one.

Sources: Clopper and Pearson (1934), "The use of confidence or fiducial limits
illustrated in the case of the binomial"; its published implementations in scipy
(``binomtest``) and statsmodels (``proportion_confint``, method "beta"); the closed
form 1 - 0.05^(1/n) for no failures; the rule of three, 3/n, of the medical
statistics handbooks (all from memory).
"""

import math

import pytest
from scipy import stats

from pwmscope.findings.failsafe import failure_rate_bound

TRIALS = (1, 2, 3, 5, 10, 20, 29, 30, 59, 100, 299, 1000, 10_000)
COUNTS = [(n, k) for n in TRIALS for k in sorted({0, 1, 2, n // 3, n - 1, n}) if 0 <= k <= n]


@pytest.mark.parametrize(("trials", "failures"), COUNTS)
def test_the_bound_is_that_of_scipy(trials, failures):
    """One-sided 95 %: the failure rate is "less" than the upper limit."""
    found = stats.binomtest(failures, trials, alternative="less")
    limit = found.proportion_ci(confidence_level=0.95, method="exact").high
    assert failure_rate_bound(trials, failures) == pytest.approx(limit, rel=1e-9)


@pytest.mark.parametrize(("trials", "failures"), COUNTS)
def test_the_bound_is_that_of_statsmodels(trials, failures, library):
    """A two-sided 90 % interval leaves 5 % above its upper end."""
    intervals = library("statsmodels.stats.proportion")
    _, limit = intervals.proportion_confint(failures, trials, alpha=0.10, method="beta")
    assert failure_rate_bound(trials, failures) == pytest.approx(limit, rel=1e-9)


@pytest.mark.parametrize("trials", TRIALS)
def test_without_a_failure_it_is_the_closed_form(trials):
    """(1 - p)^n = 0.05 solved for p."""
    assert failure_rate_bound(trials, 0) == pytest.approx(1 - 0.05 ** (1 / trials), rel=1e-12)


@pytest.mark.parametrize("trials", [n for n in TRIALS if n >= 20])
def test_it_keeps_the_rule_of_three(trials):
    """-ln 0.05 = 2.9957, and p = 1 - exp(-2.9957/n) lies below 3/n by about 1.5/n of it."""
    bound = failure_rate_bound(trials, 0)
    assert bound < 3 / trials
    assert bound == pytest.approx(3 / trials, rel=0.0015 + 1.5 / trials)


@pytest.mark.parametrize(("trials", "failures"), [(3, 0), (30, 0), (20, 1), (59, 0)])
def test_the_bound_is_where_so_few_failures_have_one_chance_in_twenty(trials, failures):
    """The definition itself, summed term by term from the binomial distribution."""
    rate = failure_rate_bound(trials, failures)
    chance = math.fsum(
        math.comb(trials, k) * rate**k * (1 - rate) ** (trials - k) for k in range(failures + 1)
    )
    assert chance == pytest.approx(0.05, rel=1e-9)


def test_handbook_numbers():
    """Common practice: 59 in a row without a failure show less than 5 %, 299 less than 1 %."""
    assert failure_rate_bound(59, 0) < 0.05 < failure_rate_bound(58, 0)
    assert failure_rate_bound(299, 0) < 0.01 < failure_rate_bound(298, 0)
