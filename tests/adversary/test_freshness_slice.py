"""Fixed slices of the three freshness studies; the whole studies are commands beside this file.

Given these links with these lost packets, these freezes must be found and no others; the shares
are refuted only where their 99.9 % Clopper-Pearson bound is, since a slice is small.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[1]))

from adversary import freshness_afresh, freshness_study, freshness_third
from adversary.freshness_study import Draft, Tally, Truth, draft, hand, lost_packets, onset, runs

SLICE = range(48)
AFRESH = range(30)
THIRD = range(38)


def upper(good: int, of: int) -> float:
    """One-sided 99.9 % Clopper-Pearson upper bound of a share."""
    return 1.0 if good == of else float(stats.beta.ppf(0.999, good + 1, of - good))


@pytest.fixture(scope="module")
def tally() -> Tally:
    return freshness_study.study([draft(seed) for seed in SLICE])


def test_freezes_of_three_frames_are_found(tally: Tally) -> None:
    assert tally.asked > 100
    assert upper(tally.found, tally.asked) >= 0.95, tally.missed


def test_still_and_coarse_sticks_freeze_nothing(tally: Tally) -> None:
    assert tally.still_lines > 60
    assert upper(tally.still_lines - tally.invented, tally.still_lines) >= 0.99, tally.missed
    assert tally.invented + tally.invented_moving <= 1, tally.missed


def test_what_is_called_a_freeze_is_one(tally: Tally) -> None:
    assert tally.claimed > 300
    assert tally.false <= 0.01 * tally.claimed


@pytest.mark.parametrize("figure", ["shares", "rates"])
def test_intervals_hold_the_truth(tally: Tally, figure: str) -> None:
    held: list[bool] = getattr(tally, figure)
    assert len(held) > 20
    assert upper(sum(held), len(held)) >= 0.93


def test_moving_sticks_are_answered(tally: Tally) -> None:
    # A quarter of the lines is still, some are slow or coarse: an answer there would be invented.
    assert tally.told >= 0.3 * tally.lines


# --- a second maker's recordings ------------------------------------------------------------


@pytest.fixture(scope="module")
def afresh() -> freshness_afresh.Tally:
    return freshness_afresh.study(AFRESH)


def test_freezes_of_a_second_maker_are_found(afresh: freshness_afresh.Tally) -> None:
    asked = [one for one in afresh.freezes if one.is_asked]
    assert len(asked) > 50
    missed = [one for one in asked if not one.found]
    assert upper(len(asked) - len(missed), len(asked)) >= 0.95, missed


def test_notches_and_trembling_hands_freeze_nothing(afresh: freshness_afresh.Tally) -> None:
    assert afresh.still + afresh.moving > 15
    assert not afresh.invented_still
    assert not afresh.invented_moving
    assert len(afresh.false) <= 0.01 * afresh.claimed, afresh.false


def test_a_best_detector_that_knows_the_hand_misses_slow_freezes(
    afresh: freshness_afresh.Tally,
) -> None:
    slow = [one.known for one in afresh.freezes if one.is_slow]
    asked = [one.known for one in afresh.freezes if one.is_asked]
    assert np.mean(slow) < 0.5
    assert np.mean(asked) > 0.999


def test_runs_of_one_packet_are_counted_from_the_first_repeat() -> None:
    assert freshness_afresh.repeats(np.array([0, 0, 2, 3, 3, 3, 6])) == [(1, 1), (4, 2)]


# --- a third maker's recordings -------------------------------------------------------------


@pytest.fixture(scope="module")
def third() -> freshness_afresh.Tally:
    return freshness_third.study(THIRD)


def test_freezes_of_a_third_maker_are_found(third: freshness_afresh.Tally) -> None:
    asked = [one for one in third.freezes if one.is_asked]
    assert len(asked) > 50
    missed = [one for one in asked if not one.found]
    assert upper(len(asked) - len(missed), len(asked)) >= 0.95, missed


def test_dials_switches_and_trim_keys_freeze_nothing(third: freshness_afresh.Tally) -> None:
    assert third.still > 10
    assert not third.invented_still
    assert not third.invented_moving


@pytest.mark.parametrize("figure", ["shares", "rates"])
def test_intervals_hold_the_truth_of_a_third_maker(
    third: freshness_afresh.Tally, figure: str
) -> None:
    held: list[bool] = getattr(third, figure)
    assert len(held) > 15
    assert upper(sum(held), len(held)) >= 0.93


def test_packets_of_a_third_maker_are_lost_as_often_as_asked() -> None:
    of = replace(freshness_third.drawn(1), singles=0.02, freezes=0.01, longest=8)
    lost = freshness_third.lost_packets(np.random.default_rng(4), of, 400_000)
    share, a_minute = freshness_third.long_run(of)
    assert 100.0 * (1.0 - np.mean(lost)) == pytest.approx(share, rel=0.005)
    minutes = lost.size * of.frames_a_packet * of.period_s / 60.0
    assert len(runs(lost)) / minutes == pytest.approx(a_minute, rel=0.03)


# --- the generator's own truth, worked out by hand ------------------------------------------


def given(loss: float, burst: float) -> Draft:
    return Draft(7, "moving", loss, burst, 20_000.0, 0.5, 1.0, 1024, 10.0, 2)


@pytest.mark.parametrize(("loss", "burst"), [(0.22, 1.0), (0.1, 8.0)])
def test_packets_are_lost_as_often_and_as_long_as_asked(loss: float, burst: float) -> None:
    of = given(loss, burst)
    lost = lost_packets(of, 400_000)
    gone = runs(lost)
    assert np.mean(lost) == pytest.approx(loss, rel=0.05)
    assert len(gone) / lost.size == pytest.approx(onset(of), rel=0.05)
    if burst > 1.0:
        assert np.mean([length for _, length in gone]) == pytest.approx(burst, rel=0.05)


def test_runs_are_counted_from_their_first_frame() -> None:
    assert runs(np.array([False, True, True, False, True])) == [(1, 2), (4, 1)]


def test_a_freeze_is_asked_for_only_while_the_stick_moves() -> None:
    of = given(0.1, 3.0)
    path_us = 1500.0 + np.concatenate([np.zeros(50), 5.0 * np.arange(50), np.full(50, 250.0)])
    truth = Truth(path_us, 0.5, 1.0)
    assert freshness_study.is_asked(of, truth, 70, 4)
    assert not freshness_study.is_asked(of, truth, 70, 2)  # shorter than three frames
    assert not freshness_study.is_asked(of, truth, 20, 4)  # the stick rests
    assert not freshness_study.is_asked(of, truth, 98, 4)  # it comes to rest in between


def test_a_still_stick_goes_nowhere() -> None:
    path_us = hand(np.random.default_rng(1), np.arange(0.0, 60.0, 0.02), "still")
    assert np.ptp(path_us) < 15.0
