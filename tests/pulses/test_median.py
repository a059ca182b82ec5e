"""The median of many values is numpy's, to the last bit."""

import numpy as np
import pytest

from pwmscope.model import median_of


@pytest.mark.parametrize("count", [1, 2, 999_999, 1_000_000, 1_000_001])
def test_it_is_that_of_numpy(count):
    values = np.random.default_rng(count).exponential(20.0, count)
    assert median_of(values) == np.median(values)
    assert median_of(np.round(values)) == np.median(np.round(values))
