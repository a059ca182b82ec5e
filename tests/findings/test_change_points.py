"""Change points: given these levels, sweeps and noise, these borders and no others."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from pwmscope.findings.segmentation import WidthNoise, find_noise
from pwmscope.findings.segmentation.change_points import FALSE_ALARM, deviations_for, split_levels

SLOW_US = 0.03


def split(width_us, *, pieces=None, noise=None, cell=2, interval_us=0.04):
    width_us = np.asarray(width_us, dtype=float)
    begin, end = np.array(pieces or [(0, width_us.size)]).T
    noise = noise or find_noise(width_us, interval_us, 1000.0)
    found = split_levels(width_us, begin, end, noise, cell=cell, sweep_us=SLOW_US)
    return list(zip(*(side.tolist() for side in found), strict=True))


def gaussian(count, std_us=0.5, seed=1):
    return np.random.default_rng(seed).normal(0, std_us, count)


def test_the_threshold_is_the_normal_quantile_shared_out():
    # Two-sided 5 % and 1 % points of the normal distribution (any handbook's table).
    assert deviations_for(0.05, 1) == pytest.approx(1.959964, abs=1e-6)
    assert deviations_for(0.01, 1) == pytest.approx(2.575829, abs=1e-6)
    assert deviations_for(0.05, 5) == deviations_for(0.01, 1)


@pytest.mark.parametrize("count", [200, 1500])
def test_noise_alone_is_one_level(count):
    # At most FALSE_ALARM of all recordings; two or more of 200 would have a chance of 2 %.
    assert FALSE_ALARM == 0.001
    wrong = sum(split(1500 + gaussian(count, seed=seed)) != [(0, count)] for seed in range(200))
    assert wrong <= 1


def test_a_step_goes_where_two_levels_part():
    width = 1500 + gaussian(300, 0.1)
    width[137:] += 1.0
    assert split(width) == [(0, 137), (137, 300)]


def test_only_the_given_stretches_are_looked_at_and_not_joined():
    width = 1500 + gaussian(400)
    width[200:] += 50
    pieces = [(10, 90), (90, 190), (210, 390)]
    assert split(width, pieces=pieces) == pieces


def test_nothing_comes_of_nothing():
    found = split_levels(
        np.zeros(0), *np.zeros((2, 0), np.int64), WidthNoise(0.5, 0.5, 1.0, 0.0),
        cell=2, sweep_us=SLOW_US,
    )  # fmt: skip
    assert [side.size for side in found] == [0, 0]
    assert split(1500 + gaussian(3), noise=WidthNoise(0.5, 0.5, 1.0, 0.0)) == [(0, 3)]


def test_a_shift_within_a_sample_interval_is_none_however_long_it_lasts():
    width = 1500 + gaussian(20_000, 0.2)
    width[10_000:] += 0.9
    assert split(width, interval_us=1.0) == [(0, 20_000)]
    width[10_000:] += 0.9
    assert split(width, interval_us=1.0) == [(0, 10_000), (10_000, 20_000)]


def test_a_shift_that_noise_drowns_is_none_however_long_it_lasts():
    width = 1500 + gaussian(40_000, 2.0)
    width[20_000:] += 0.4 * 2.0
    assert split(width) == [(0, 40_000)]


@pytest.mark.parametrize("rate_us_per_s", [0.05, 0.2, 0.4])
@pytest.mark.parametrize("std_us", [0.1, 0.5])
def test_a_slow_drift_is_not_cut_to_steps(rate_us_per_s, std_us):
    drift = rate_us_per_s * 0.02 * np.arange(2000)
    assert split(1500 + drift + gaussian(2000, std_us)) == [(0, 2000)]


def test_a_step_on_a_slow_drift_is_seen():
    width = 1500 + 0.002 * np.arange(2000) + gaussian(2000, 0.2)
    width[800:] -= 1.5
    (first, second) = split(width)
    assert first[1] == second[0] == pytest.approx(800, abs=2)


def test_a_sweep_is_cut_out_between_its_knees():
    # 5 us/s for 20 s; the statistic's half height lies over the knees.
    level = np.concatenate([np.zeros(500), 0.1 * np.arange(1000), np.full(500, 100.0)])
    (first, second) = split(1500 + level + gaussian(2000, 0.2))
    assert (first[0], second[1]) == (0, 2000)
    assert first[1] == pytest.approx(500, abs=12)
    assert second[0] == pytest.approx(1500, abs=12)


@given(
    steps=st.lists(
        st.tuples(st.integers(60, 200), st.floats(2.0, 60.0), st.booleans()), min_size=1, max_size=8
    ),
    seed=st.integers(0, 2**32 - 1),
)
def test_every_level_of_sixty_pulses_two_deviations_from_the_last_is_told_apart(steps, seed):
    noise = WidthNoise(0.5, 0.5, 1.0, 0.04)
    sizes = [0.5 * size * (1 if up else -1) for _, size, up in steps]
    counts = np.array([count for count, _, _ in steps])
    width = 1500 + np.repeat(np.cumsum(sizes), counts) + gaussian(counts.sum(), seed=seed)
    borders = [begin for begin, _ in split(width, noise=noise)][1:]
    true = np.cumsum(counts)[:-1]
    near = [min((abs(border - at) for at in true), default=np.inf) for border in borders]
    missed = sum(min((abs(border - at) for border in borders), default=np.inf) > 12 for at in true)
    # A border at two deviations is 12 pulses off, or missed, once in some hundred times.
    assert missed <= 1
    assert sum(off > 12 for off in near) <= 1


@pytest.mark.parametrize("memory", [0.3, 0.6, 0.9])
def test_noise_with_memory_is_told_from_steps(memory):
    shocks = gaussian(20_200, 0.5 * (1 - memory**2) ** 0.5)
    width = 1500 + signal.lfilter([1], [1, -memory], shocks)[200:]
    assert split(width) == [(0, 20_000)]
    width[10_000:] += 2.0
    (first, second) = split(width)
    assert first[1] == second[0] == pytest.approx(10_000, abs=5)


def test_wander_over_hours_is_not_split_below_half_a_deviation():
    wander = signal.lfilter([1], [1, -0.9999], gaussian(400_000, 0.06 * 0.0002**0.5, seed=7))
    assert np.ptp(wander) > 0.2
    assert len(split(1500 + wander + gaussian(400_000, 0.5))) == 1


@pytest.mark.parametrize("cell", [1, 3, 8])
def test_faster_frames_look_through_longer_windows(cell):
    width = 1500 + gaussian(200 * cell)
    width[100 * cell :] += 1.5
    (first, second) = split(width, cell=cell)
    assert first[1] == second[0] == pytest.approx(100 * cell, abs=6)
