"""The sampling interval that change times give away."""

import numpy as np
import pytest

from pwmscope.capture.reader.hints import RATES_HZ, Hints, find_interval_ps, find_listed_interval


def ticks(seed, count=200):
    return np.cumsum(np.random.default_rng(seed).integers(30, 90_000, count))


@pytest.mark.parametrize("rate_hz", [100e3, 500e3, 1e6, 4e6, 12e6, 24e6, 25e6, 48e6, 100e6])
@pytest.mark.parametrize("resolution_ps", [1, 100])
def test_a_clocked_analyser_gives_its_rate_away(rate_hz, resolution_ps):
    times = np.round(ticks(7) * 1e12 / rate_hz / resolution_ps).astype(np.int64) * resolution_ps
    assert find_interval_ps(times, resolution_ps) == pytest.approx(1e12 / rate_hz, rel=1e-9)


@pytest.mark.parametrize("seed", range(20))
def test_times_without_a_lattice_give_no_interval(seed):
    times = np.random.default_rng(seed).integers(0, 10**13, 40)
    assert find_interval_ps(np.sort(times), 1) is None


def test_an_interval_near_the_printed_resolution_is_not_claimed():
    times = np.round(ticks(3) * 1e6 / 24).astype(np.int64)  # 24 MS/s, printed to 10 ns
    assert find_interval_ps(times // 10_000 * 10_000, 10_000) is None


def test_an_interval_of_no_known_rate_shows_as_common_divisor():
    assert find_interval_ps(ticks(5) * 7_000_000, 1000) == 7_000_000


def test_a_long_list_is_tried_in_part_and_checked_in_full():
    times = np.cumsum(np.random.default_rng(1).integers(30, 90_000, 50_000)) * 1_000_000
    assert find_interval_ps(times, 1) == 1_000_000
    times[33_333] += 250_000  # one change between the ticks
    assert find_interval_ps(times, 1) == 250_000
    times[33_333] += 7
    assert find_interval_ps(times, 1) is None


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("count", [30, 9_000, 50_000])
@pytest.mark.parametrize("spoilt", [False, True])
def test_a_list_in_parts_shows_what_it_shows_in_one(seed, count, spoilt):
    draws = np.random.default_rng(seed)
    times = np.cumsum(draws.integers(30, 90_000, count)) * 1_000_000
    times[-1] += 250_000 * spoilt
    parts = np.split(times, np.sort(draws.integers(0, count + 1, 7)))  # some of them empty
    found = find_listed_interval(parts, 1, None, Hints.of())
    assert found[0] == (250_000 if spoilt else 1_000_000) == find_interval_ps(times, 1)
    assert f"All {count} changes lie on ticks" in found[1]


def test_few_changes_are_not_enough():
    assert find_interval_ps(np.arange(19) * 1_000_000, 1) is None


def test_candidate_rates_are_in_order():
    assert list(RATES_HZ) == sorted(RATES_HZ)
