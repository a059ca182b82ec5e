"""Bench notes: how well a level is known that was held several times, a little apart each time."""

import math

import numpy as np
import pytest

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.findings.segmentation import Record, find_dwells
from pwmscope.findings.travel import examine_travel
from pwmscope.pulses import STANDARD_SERVO, PulseTable, find_frames

PERIOD_S = 0.005
HELD = 200


def travel_of(width_us):
    width_us = np.asarray(width_us, dtype=float)
    table = PulseTable(
        "RX1", np.arange(width_us.size) * PERIOD_S, width_us,
        np.append(np.full(width_us.size - 1, PERIOD_S * 1e6), np.nan),
        np.zeros(width_us.size, np.uint8), inverted=False, convention=STANDARD_SERVO,
        sample_interval_us=0.04,
    )  # fmt: skip
    frames = find_frames(table)
    return examine_travel(Record(table, frames, find_dwells(table, frames), (), COMMON_PRACTICE))


def hold(width_us, count=HELD):
    return np.full(count, float(width_us))


def move(first_us, last_us, count=40):
    return np.linspace(first_us, last_us, count + 2)[1:-1]


def test_returns_that_lie_apart_leave_the_weights_of_the_stays_in_doubt():
    """Twice at neutral, 4 us apart: the mean moves with how many pulses each stay is taken to have.

    Noise is taken as 0.05 us at least, so a movement hides for 0.6 s (0.6 0.05/1000)^(1/3), 3.7
    frames; with 1.5 pulses besides, each stay's number is known to 4.0; the mean lies 2 us
    from each. In step with the analyser sampling leaves Ts / sqrt(6).
    """
    neutral = travel_of(
        np.concatenate([hold(1498), move(1498, 1900), hold(1900), move(1900, 1502), hold(1502)])
    ).neutral
    hidden = 0.6 * (0.6 * 0.05 / 1000.0) ** (1.0 / 3.0) / PERIOD_S
    by_weight_us = math.hypot(hidden, 1.5) * 2.0 * math.sqrt(2.0) / (2 * HELD)
    assert neutral.width_us == pytest.approx(1500.0, abs=0.02)
    assert neutral.own_us == pytest.approx(math.hypot(by_weight_us, 0.04 / 6**0.5), rel=0.05)


def test_returns_to_the_same_width_leave_no_such_doubt():
    neutral = travel_of(
        np.concatenate([hold(1500), move(1500, 1900), hold(1900), move(1900, 1500), hold(1500)])
    ).neutral
    assert neutral.own_us < 0.02


def test_a_stray_width_more_may_be_among_the_pulses_cut_off():
    """Of 800 pulses 8 are 50 us off; among the 8 in doubt one more is likelier than 1 in 40."""
    held = hold(1500, 400)
    held[25::50] += 50.0
    moves = [move(1500, 1900), hold(1900), move(1900, 1500)]
    neutral = travel_of(np.concatenate([held, *moves, hold(1500, 400)])).neutral
    assert neutral.width_us == pytest.approx(1500.0 + 8 * 50.0 / 800, abs=0.01)
    assert neutral.own_us >= 0.95 * 50.0 / 800 / 1.96


def test_pulses_between_two_dwells_of_one_level_count_as_held():
    """A level that wanders by a microsecond for a while is one stay; none of its pulses is lost."""
    wander = np.concatenate([hold(1500, 300), hold(1503, 60), hold(1500, 300)])
    high = [move(1500, 1900), hold(1900), move(1900, 1500), hold(1500, 300)]
    neutral = travel_of(np.concatenate([wander, *high])).neutral
    assert neutral.width_us == pytest.approx((900 * 1500 + 60 * 1503) / 960, abs=0.03)
