"""Statistics of many ranges at once against each range's own."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pwmscope.findings.segmentation.still_stretches import halved, measure_ranges


def ranges(gaps_and_counts):
    at, pairs = 0, []
    for gap, count in gaps_and_counts:
        pairs.append((at + gap, at + gap + count))
        at += gap + count
    begin, end = np.array(pairs).T
    return begin, end, at


def held_against_numpy(width_us, begin, end):
    found = measure_ranges(width_us, begin, end)
    for row, (low, high) in enumerate(zip(begin, end, strict=True)):
        own = width_us[low:high]
        assert found.count[row] == own.size
        assert found.level_us[row] == pytest.approx(own.mean(), rel=1e-13)
        assert found.range_us[row] == np.ptp(own)
        std_us = own.std(ddof=1) if own.size > 1 else 0.0
        assert found.std_us[row] == pytest.approx(std_us, rel=1e-9, abs=1e-12)
        slope = np.polyfit(np.arange(own.size) - own.size / 2, own, 1)[0] if own.size > 1 else 0.0
        assert found.rise_us[row] == pytest.approx(slope * own.size, rel=1e-6, abs=1e-9)


@given(
    parts=st.lists(st.tuples(st.integers(0, 5), st.integers(1, 40)), min_size=1, max_size=20),
    tail=st.integers(0, 3),
    seed=st.integers(0, 1000),
)
def test_short_ranges(parts, tail, seed):
    begin, end, size = ranges(parts)
    width_us = np.random.default_rng(seed).normal(1500, 3, size + tail)
    held_against_numpy(width_us, begin, end)


def test_ranges_longer_than_a_part_and_a_batch():
    begin, end, size = ranges([(3, 40_000), (0, 32_768), (1, 300_000), (70, 1), (0, 131_072)])
    width_us = np.random.default_rng(1).normal(1500, 3, size)
    width_us[50_000:] += 0.001 * np.arange(size - 50_000)
    held_against_numpy(width_us, begin, end)


def test_no_range_has_no_figures():
    none = np.zeros(0, np.int64)
    assert measure_ranges(np.zeros(5), none, none).level_us.size == 0
    assert [side.size for side in halved(np.zeros(5), none, none, 20, 10.0)] == [0, 0]


def test_a_drift_is_halved_until_each_part_keeps_to_the_limit():
    width_us = np.concatenate([np.full(100, 1500.0), np.linspace(1500, 1570, 5000)])
    begin, end = halved(width_us, np.array([0, 100]), np.array([100, 5100]), 20, 10.0)
    assert (begin[0], end[0]) == (0, 100)
    assert begin[1:].tolist() == [100, *end[1:-1].tolist()]
    assert end[-1] == 5100
    assert len(begin) == 9
    for low, high in zip(begin, end, strict=True):
        assert np.ptp(width_us[low:high]) <= 10.3
