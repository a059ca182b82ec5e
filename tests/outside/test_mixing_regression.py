"""The robust regression of sticks to outputs against two reference libraries, on shared data.

Sources: statsmodels' ``RLM`` with Huber's T norm (same weights, same scale from the median
absolute deviation about zero, renewed at each turn), and scikit-learn's ``HuberRegressor``
(Huber's loss with a scale of its own, found together with the terms) and ``RANSACRegressor``.
Agreement: RLM to 2e-5 us in every term and the scale (of some 300 us; both stop when the terms
stand still); the others, which weigh otherwise, within one stated standard uncertainty
(HuberRegressor), and four of them (RANSAC, which keeps a part of the samples).
"""

import numpy as np
import pytest

from pwmscope.findings.mixing.fit import HUBER, fit_robustly

TRUTH_US = np.array([312.5, -187.25, 1503.75])


def shared(seed, count=600, wrong=0.05):
    """Sticks on a random walk, outputs with noise, some samples far off to one side."""
    rng = np.random.default_rng(seed)
    sticks = np.clip(np.cumsum(rng.normal(0, 0.08, (count, 2)), axis=0), -1, 1)
    design = np.column_stack([sticks, np.ones(count)])
    measured_us = design @ TRUTH_US + rng.normal(0, 2.0, count)
    off = rng.random(count) < wrong
    return design, measured_us + off * rng.uniform(50, 500, count)


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("wrong", [0.0, 0.05, 0.2])
def test_the_terms_and_scale_are_those_of_statsmodels(seed, wrong, library):
    sm = library("statsmodels.api")
    design, measured_us = shared(seed, wrong=wrong)
    ours = fit_robustly(design, measured_us)
    theirs = sm.RLM(measured_us, design, M=sm.robust.norms.HuberT(t=HUBER)).fit(
        maxiter=400, tol=1e-12
    )
    np.testing.assert_allclose(ours.terms, theirs.params, rtol=0, atol=2e-5)
    assert ours.scale == pytest.approx(theirs.scale, abs=2e-5)


@pytest.mark.parametrize("seed", range(8))
def test_the_uncertainty_is_that_of_statsmodels_for_independent_noise(seed, library):
    """Ours may be larger, by the scatter of 32 stretches; it is never below the library's."""
    sm = library("statsmodels.api")
    design, measured_us = shared(seed)
    ours = np.sqrt(np.diag(fit_robustly(design, measured_us).covariance))
    theirs = sm.RLM(measured_us, design, M=sm.robust.norms.HuberT(t=HUBER)).fit(cov="H1").bse
    assert np.all(ours > 0.6 * theirs)
    assert np.all(ours < 2.5 * theirs)


@pytest.mark.parametrize("seed", range(8))
def test_the_terms_agree_with_scikit_learn(seed, library):
    linear = library("sklearn.linear_model")
    design, measured_us = shared(seed)
    ours = fit_robustly(design, measured_us)
    doubt_us = np.sqrt(np.diag(ours.covariance))
    middle_us = np.median(measured_us)
    huber = linear.HuberRegressor(epsilon=HUBER, alpha=0.0, max_iter=2000, tol=1e-9)
    huber.fit(design[:, :2], measured_us - middle_us)
    theirs_us = np.append(huber.coef_, huber.intercept_ + middle_us)
    assert np.all(np.abs(ours.terms - theirs_us) < doubt_us)
    ransac = linear.RANSACRegressor(
        linear.LinearRegression(), residual_threshold=6.0, random_state=1
    )
    ransac.fit(design[:, :2], measured_us)
    drawn_us = np.append(ransac.estimator_.coef_, ransac.estimator_.intercept_)
    assert np.all(np.abs(ours.terms - drawn_us) < 4 * doubt_us)


def test_the_truth_lies_within_three_uncertainties_where_noise_is_even():
    for seed in range(40):
        design, measured_us = shared(seed, wrong=0.0)
        ours = fit_robustly(design, measured_us)
        assert np.all(np.abs(ours.terms - TRUTH_US) < 3.5 * np.sqrt(np.diag(ours.covariance)))
