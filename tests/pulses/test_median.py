"""Medians and quantiles are numpy's, by whichever way they are found."""

import numpy as np
import pytest

from pwmscope.model import median_of, quantile_of


@pytest.mark.parametrize("count", [1, 2, 9_999, 10_000, 999_999, 1_000_000, 1_000_001])
def test_the_median_is_that_of_numpy_to_the_last_bit(count):
    values = np.random.default_rng(count).exponential(20.0, count)
    assert median_of(values) == np.median(values)
    assert median_of(np.round(values)) == np.median(np.round(values))


@pytest.mark.parametrize("count", [1, 2, 3, 41, 9_999, 10_000, 10_001])
@pytest.mark.parametrize("share", [0.0, 0.025, 0.25, 0.5, 0.975, 1.0])
def test_a_quantile_is_that_of_numpy(count, share):
    values = np.random.default_rng(count).exponential(20.0, count)
    for each in (values, np.round(values)):
        assert quantile_of(each, share) == pytest.approx(np.quantile(each, share), rel=1e-12)
