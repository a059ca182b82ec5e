"""Whether delays that repeat are a machine's: odds held against distributions from outside."""

import math

import numpy as np
import pytest
from scipy import stats

from pwmscope.findings.failsafe.delays import (
    MACHINE_ODDS,
    PERSON,
    PULL_SCATTER_S,
    chance_odds,
    hand_odds,
    person_odds,
    pull_odds,
    range_odds,
)

ALL_AT_600_MS = np.full(6, 0.6)


@pytest.mark.parametrize("count", [2, 3, 5, 10, 30])
@pytest.mark.parametrize("ratio", [0.05, 0.5, 1.5, 4.0])
def test_the_range_of_normal_deviates_is_the_studentised_range_of_known_scatter(count, ratio):
    # scipy.stats.studentized_range with infinite degrees of freedom.
    expected = stats.studentized_range.cdf(ratio, count, np.inf)
    assert range_odds(count, ratio) == pytest.approx(expected, rel=1e-3, abs=1e-12)


@pytest.mark.parametrize("count", [0, 1])
def test_one_delay_alone_shows_nothing(count):
    assert range_odds(count, 0.01) == 1.0


@pytest.mark.parametrize(("count", "range_s"), [(2, 0.5), (3, 0.4), (6, 1.1)])
def test_chance_brings_moments_together_as_the_range_of_uniform_deviates(count, range_s):
    # The range of n uniform deviates is Beta(n - 1, 2); a textbook's result, from memory.
    moments_s = np.append(np.linspace(0.3, 0.3 + range_s, count - 1), 0.3) if count > 2 else None
    moments_s = np.array([0.3, 0.3 + range_s]) if moments_s is None else moments_s
    expected = stats.beta.cdf(range_s / 2.0, count - 1, 2)
    assert chance_odds(moments_s, 2.0, 0.1) == pytest.approx(expected)


def test_chance_counts_no_closer_than_can_be_told_and_no_further_than_the_loss():
    together_s = np.array([0.3, 0.3])
    assert chance_odds(together_s, 2.0, 0.1) == pytest.approx(stats.beta.cdf(0.05, 1, 2))
    assert chance_odds(np.array([0.0, 3.0]), 2.0, 0.1) == 1.0
    assert chance_odds(np.array([0.3]), 2.0, 0.1) == 1.0
    assert chance_odds(together_s, 0.0, 0.1) == 1.0


def test_delays_in_one_frame_are_a_machines_and_those_of_a_hand_are_not():
    assert hand_odds(ALL_AT_600_MS, 0.02).max() < MACHINE_ODDS
    rng = np.random.default_rng(5)
    least = [hand_odds(0.6 + 0.05 * rng.standard_normal(10), 0.02).min() for _ in range(200)]
    assert np.median(least) > 1e-3
    assert np.mean(np.array(least) < MACHINE_ODDS) == 0.0


@pytest.mark.parametrize(
    ("spread_s", "width_s"),
    [(0.0, 0.01), (0.0099, 0.01), (0.0101, 0.0101), (0.0399, 0.0399), (0.0899, 0.0899)],
)
def test_the_range_of_all_delays_gives_the_odds_down_to_ten_milliseconds(spread_s, width_s):
    delays_s = np.append(ALL_AT_600_MS[1:], 0.6 + spread_s)
    odds = hand_odds(delays_s, 0.2)
    scatter_s = 0.08 * 0.6
    # One of six left out: 6 choices, and each delay left out halves what is granted.
    of_five = 6 * 2.0 * range_odds(5, round(0.01 / scatter_s, 3))
    assert odds[0] == min(range_odds(6, round(width_s / scatter_s, 3)), of_five)


@pytest.mark.parametrize("frames", [1, 2, 3])
def test_ranges_of_whole_frames_are_looked_at_too(frames):
    frame_s = 0.0035
    delays_s = np.append(np.full(20, 0.6), 0.6 + frames * frame_s - 1e-6)
    wide = hand_odds(delays_s, frame_s)
    scatter_s = 0.048
    expected = range_odds(21, round(frames * frame_s / scatter_s, 3))
    assert wide.max() <= expected * 1.001
    beyond = hand_odds(np.full(4, 0.6), 0.001)[0]
    assert beyond == range_odds(4, round(0.001 / scatter_s, 3))


@pytest.mark.parametrize(("delay_s", "scatter_s"), [(0.2, 0.04), (0.5, 0.04), (1.0, 0.08)])
def test_a_hand_scatters_by_40_ms_or_8_percent_of_the_delay(delay_s, scatter_s):
    odds = hand_odds(np.full(4, delay_s), 0.2)
    assert odds.tolist() == [range_odds(4, round(0.01 / scatter_s, 3))] * 4


@pytest.mark.parametrize(("delay_s", "scatter_s"), [(0.2, PULL_SCATTER_S), (1.0, PULL_SCATTER_S)])
def test_a_hand_that_pulls_a_plug_by_habit_scatters_less(delay_s, scatter_s):
    odds = pull_odds(np.full(4, delay_s), 0.2)
    assert odds.tolist() == [range_odds(4, round(0.01 / scatter_s, 3))] * 4


@pytest.mark.parametrize("delay_s", [0.3, 1.5])
@pytest.mark.parametrize("losses", [10, 20])
def test_a_hand_that_answers_a_cue_is_no_machine_however_long_after_the_marker(delay_s, losses):
    """A beep, then a reaction that scatters by 25 ms: one in a thousand sessions passes for one."""
    rng = np.random.default_rng(4)
    told = [
        person_odds(delay_s + 0.025 * rng.standard_normal(losses), 0.02).min() for _ in range(200)
    ]
    assert np.mean(np.array(told) <= MACHINE_ODDS) <= 0.01
    least_s = delay_s + 0.02 * rng.random(losses)
    assert person_odds(least_s, 0.02).max() <= MACHINE_ODDS


@pytest.mark.parametrize(("delay_s", "is_of_itself"), [(0.2, True), (1.5, False)])
def test_the_likelier_of_a_hand_of_itself_and_one_on_a_cue_counts(delay_s, is_of_itself):
    delays_s = np.full(4, delay_s)
    own, cued = hand_odds(delays_s, 0.02), PERSON * pull_odds(delays_s, 0.02)
    assert (own[0] > cued[0]) == is_of_itself
    assert person_odds(delays_s, 0.02).tolist() == np.maximum(own, cued).tolist()


def test_what_is_not_known_or_alone_has_no_odds():
    assert hand_odds(np.array([math.nan, 0.6]), 0.02).tolist() == [1.0, 1.0]
    odds = hand_odds(np.array([0.6, math.nan, 0.6, 0.6]), 0.02)
    assert odds[1] == 1.0
    assert odds[0] == odds[2] == odds[3] < 0.1


def test_delays_are_judged_where_they_stand_whatever_their_order():
    mixed_s = np.array([1.4, 0.6, 2.0, 0.6, 0.6])
    odds = hand_odds(mixed_s, 0.02)
    # Two of five left out: 10 choices, and a quarter of the odds is granted.
    assert odds[1] == odds[3] == odds[4] == 40 * range_odds(3, round(0.01 / 0.048, 3))
    assert odds[2] == pytest.approx(1.0)
    assert odds[0] == pytest.approx(1.0)


@pytest.mark.parametrize(("late_s", "is_machine"), [(0.105, True), (0.115, False)])
def test_a_delay_may_come_a_tenth_of_a_second_late_where_packets_got_lost(late_s, is_machine):
    """At the odds that some choice of so many delays lies so close together."""
    delays_s = np.append(np.full(9, 0.6), 0.6 + late_s)
    odds = hand_odds(delays_s, 0.2)
    close = 10 * 2.0 * range_odds(9, round(0.01 / 0.048, 3))
    assert odds[0] == close
    if is_machine:
        assert odds[-1] == pytest.approx(close)
    else:
        assert odds[-1] > 1e4 * close


def test_more_than_thirty_delays_make_no_difference():
    assert hand_odds(np.full(40, 0.6), 0.02)[0] == hand_odds(np.full(30, 0.6), 0.02)[0]
    assert hand_odds(np.full(30, 0.6), 0.02)[0] < hand_odds(np.full(29, 0.6), 0.02)[0]


def test_the_odds_that_are_stated_are_the_odds():
    """Twenty delays of a hand that scatters as assumed: one in ten thousand is told a machine's."""
    rng = np.random.default_rng(1)
    told = [hand_odds(0.6 + 0.048 * rng.standard_normal(20), 0.02) for _ in range(50)]
    assert np.mean(np.array(told) <= MACHINE_ODDS) <= 0.01
