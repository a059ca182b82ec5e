"""What remains of sweeps: given this movement around a stretch, it stands still or does not."""

import numpy as np
import pytest

from pwmscope.findings.segmentation import WidthNoise
from pwmscope.findings.segmentation.change_points import in_passing, left_in_sweeps

NOISE = WidthNoise(0.5, 0.5, 1.0, 0.1)
SWEEP = 1500 + 0.1 * np.arange(400)
HOLD = np.concatenate([SWEEP[:180], np.full(40, SWEEP[180]), SWEEP[180:360]])
TURN = np.concatenate([SWEEP[:200], SWEEP[199::-1]])


def passing(width_us, *pieces):
    begin, end = np.array(pieces, dtype=np.int64).reshape(-1, 2).T
    noisy_us = width_us + np.random.default_rng(3).normal(0, 0.5, width_us.size)
    return in_passing(noisy_us, begin, end, NOISE, around=32, sweep_us=0.03).tolist()


@pytest.mark.parametrize("half", [10, 20, 50])
def test_a_stretch_that_leans_with_the_sweep_around_it_is_part_of_it(half):
    assert passing(SWEEP, (200 - half, 200 + half)) == [True]
    assert passing(SWEEP[::-1], (200 - half, 200 + half)) == [True]


def test_a_hold_between_sweeps_is_none():
    assert passing(HOLD, (180, 220)) == [False]


def test_nor_is_the_turn_between_two():
    assert passing(TURN, (190, 200)) == [False]


def test_nor_is_a_drift_slower_than_a_hand():
    assert passing(1500 + 0.02 * np.arange(400), (190, 210)) == [False]


def test_stretches_that_touch_count_together():
    assert passing(SWEEP, (180, 200), (200, 220)) == [True, True]
    assert passing(SWEEP, (100, 120), (200, 350)) == [True, False]


def test_the_ends_of_the_record_are_given_the_benefit_of_doubt():
    assert passing(SWEEP, (0, 20), (380, 400)) == [False, False]


def test_none_of_none():
    assert passing(SWEEP) == []
    none = np.zeros(0, np.int64)
    assert left_in_sweeps(none, none, (none, none), (none, none), 50).tolist() == []


def test_what_is_short_between_two_new_sweeps_is_left_over():
    whole = (np.array([0]), np.array([900]))
    pieces = [np.array([0, 200, 600, 620]), np.array([100, 230, 620, 660])]
    assert left_in_sweeps(*pieces, whole, whole, 50).tolist() == [False, True, False, False]
    assert left_in_sweeps(*pieces, whole, whole, 70).tolist() == [False, True, True, True]
    assert not left_in_sweeps(*pieces, tuple(pieces), whole, 50).any()
