"""Where one pulse, or one instant, decides: given these pulses, this is told, and no more.

Times and widths are such as a computer holds exactly, so that what lies at a limit lies at it.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from pwmscope.bench import StopBand
from pwmscope.findings.failsafe.losses import Known, Loss, Moment
from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.response import (
    LossClass,
    Rest,
    Scale,
    Windows,
    find_stop_times,
    respond,
)
from pwmscope.findings.failsafe.segments import (
    Kind,
    Stretch,
    Tolerance,
    find_parts,
    find_stretches,
)
from pwmscope.pulses import STANDARD_SERVO, PulseTable

BAND = StopBand(1470.0, 1530.0, "")
FRAME_S = 1.0 / 64.0
NAN = math.nan
MARKED = Moment(Known.MARKED, 0.0, None)


def table_of(rise_s, width_us, interval_us=0.125):
    rise_s = np.asarray(rise_s, float)
    width_us = np.broadcast_to(np.asarray(width_us, float), rise_s.shape).copy()
    period_us = np.append(np.diff(rise_s) * 1e6, NAN)
    flags = np.zeros(rise_s.size, np.uint8)
    return PulseTable("RX1", rise_s, width_us, period_us, flags, False, STANDARD_SERVO, interval_us)


# --- when a device stood still ---


def stop(rise_s, width_us, *, earliest_s=2.0, back_s=6.0, until_s=6.0, end_s=9.0):
    windows = Windows(*(np.array([value]) for value in (earliest_s, back_s, until_s)))
    found = find_stop_times(
        table_of(rise_s, width_us), FRAME_S * 1e6, windows,
        Expectation("drive-left", BAND, no_pulses_stop=True, no_pulses_after_s=0.25), end_s,
    )  # fmt: skip
    return found.stopped_s.item(), found.last_outside_s.item(), found.ran_on.item()


ALL_S = np.arange(0.0, 9.0, FRAME_S)


def test_what_stood_still_all_along_was_stopped_when_the_loss_began():
    assert stop(ALL_S, 1500.0) == (2.0, -math.inf, False)
    assert stop(ALL_S[ALL_S < 4.0], 1500.0) == (2.0, -math.inf, False)


def test_a_single_pulse_before_the_return_is_enough_to_tell():
    """The recording's first pulse comes just before the return; from then on it may run."""
    first = np.where(ALL_S < 6.5, 1500.0, 1700.0)
    rise_s = 5.9375 + ALL_S
    assert stop(rise_s, first, until_s=5.9375 + 0.5 * FRAME_S) == (2.0, -math.inf, False)
    assert stop(rise_s, first, until_s=5.9375)[0] == math.inf


def test_pulses_after_the_return_tell_nothing_of_the_loss():
    """The line is silent until after the transmitter is on again, and then runs."""
    assert stop(6.25 + ALL_S, 1700.0, until_s=6.5)[1] == -math.inf


# --- what is one level ---

TOLERANCE = Tolerance(0.0, 9.0, 2.0, 1.0, FRAME_S, 0.2)
"""Halves of a window may differ by half a sample interval: by 1 us."""


def parts(width_us, *, rise_s=None, parted=(), tolerance=TOLERANCE):
    width_us = np.asarray(width_us, float)
    rise_s = FRAME_S * np.arange(width_us.size) if rise_s is None else np.asarray(rise_s)
    is_parted = np.zeros(width_us.size, dtype=bool)
    is_parted[[0, *parted]] = True
    return find_parts(rise_s, width_us, is_parted, np.zeros(width_us.size, bool), tolerance)


@pytest.mark.parametrize(("step_us", "stands"), [(1.0, True), (1.0625, False)])
def test_halves_may_differ_by_as_much_as_the_limit(step_us, stands):
    found = parts([1500.0] * 3 + [1500.0 + step_us] * 3)
    assert found.stands.tolist() == ([True] if stands else [False])


WAVE = 40.0 * np.abs((np.arange(240) % 12) - 6) + 1400.0
"""To and fro twelve pulses long, by 40 us a pulse."""


def test_a_quick_swing_to_and_fro_is_smooth_from_pulse_to_pulse():
    assert parts(WAVE).smooth.tolist() == [True]
    shuffled = np.random.default_rng(2).permutation(WAVE)
    assert parts(shuffled).smooth.tolist() == [False]


@pytest.mark.parametrize(("noise_us", "smooth"), [(1.0, True), (1.25, False)])
def test_a_step_counts_that_is_more_than_three_deviations(noise_us, smooth):
    """Steps of 3.5 us from pulse to pulse."""
    noisy = replace(TOLERANCE, noise_us=noise_us)
    assert parts(1400.0 + 3.5 / 40.0 * (WAVE - 1400.0), tolerance=noisy).smooth.tolist() == [smooth]


def test_a_short_movement_that_turns_is_not_smooth_whatever_came_before():
    """Down by four pulses; then up and down again by as few."""
    rests = [1500.0] * 10
    down, turned = [1460.0, 1400.0, 1330.0, 1270.0], [1260.0, 1350.0, 1410.0, 1330.0]
    found = parts([*rests, *down, *[1200.0] * 10, *turned, *[1300.0] * 10])
    assert found.count.tolist() == [10, 4, 10, 4, 10]
    assert found.smooth.tolist()[1::2] == [True, False]
    fro = [*rests, *[1530.0, 1590.0, 1640.0, 1690.0], *[1700.0] * 10, *down, *[1200.0] * 10]
    assert parts(fro).smooth.tolist()[1::2] == [True, True]
    up = [1230.0, 1250.0, 1270.0, 1290.0]
    found = parts([*rests, *down, *[1200.0] * 10, *up, *[1310.0] * 10])
    assert found.smooth.tolist()[1::2] == [True, True]


def through(late_after):
    """From 1500 us by one pulse to 1700 us; one frame comes 2/3 of a frame late."""
    rise_s = FRAME_S * 0.5 * np.arange(21)
    rise_s[late_after + 1 :] += FRAME_S / 3.0
    return parts([1500.0] * 10 + [1600.0] + [1700.0] * 10, rise_s=rise_s,
                 tolerance=replace(TOLERANCE, frame_s=FRAME_S * 0.5)).jumped.tolist()  # fmt: skip


def test_a_jump_by_one_pulse_is_one_unless_a_frame_is_late_on_the_way():
    assert through(20) == [False, False, True]
    assert through(10) == [False, False, False]
    assert through(9) == [False, False, False]
    # One that is late before, or after, changes nothing.
    assert through(8) == [False, False, True]
    assert through(11) == [False, False, True]


# --- stretches around a loss ---


def loss_at(lost_s, back_s, came_back=True):
    return Loss(lost_s, back_s, came_back, MARKED, frozenset({"RX1"}), "")


def stretches(rise_s, width_us, *losses, end_s=None):
    end_s = float(rise_s[-1]) + FRAME_S if end_s is None else end_s
    usual_us = float(np.median(np.diff(rise_s))) * 1e6
    return find_stretches(table_of(rise_s, width_us), usual_us, losses, 0.0, end_s)


def test_noise_is_that_of_the_pulses_before_the_first_loss_too():
    """Widths that go to and fro by 1 us bend by 2 us: 1.4826 * 2 / sqrt(6) us. Lost to the end."""
    rise_s = np.arange(0.0, 20.0, FRAME_S)
    fro_us = 0.5 * (-1.0) ** np.arange(rise_s.size)
    wild_us = 5.0 * np.sin(2.4 * np.arange(rise_s.size))
    width_us = 1500.0 + np.where(rise_s < 8.0, fro_us, wild_us)
    calm = 1.4826 * 2.0 / math.sqrt(6.0)
    found = stretches(rise_s, width_us, loss_at(8.0, 21.0, came_back=False))
    assert found.tolerance.noise_us == pytest.approx(calm, rel=1e-9)
    assert stretches(rise_s, width_us).tolerance.noise_us > 2.0 * calm


def test_twelve_frames_before_the_loss_are_looked_at_where_frames_are_slow():
    """Frames of 1/8 s: 12 of them last 1.5 s. One pulse more on either side."""
    rise_s = np.arange(0.0, 20.0, 0.125)
    found = stretches(rise_s, 1500.0, loss_at(10.0, 12.0))
    assert found.around[0][0].start_s == 8.5 - 0.125
    quick_s = np.arange(0.0, 20.0, FRAME_S)
    found = stretches(quick_s, 1500.0, loss_at(10.0, 12.0))
    assert found.around[0][0].start_s == 9.5 - FRAME_S


def test_two_levels_that_differ_by_little_are_one_stretch_of_their_mean():
    """Three quarters of the pulses at 1500 us, a quarter 3 us above it."""
    rise_s = np.arange(0.0, 20.0, FRAME_S)
    fro_us = 0.5 * (-1.0) ** np.arange(rise_s.size)
    width_us = 1500.0 + fro_us + 3.0 * (rise_s >= 15.0)
    found = stretches(rise_s, width_us, loss_at(0.5, 19.0))
    (one,) = found.around[0]
    assert one.kind is Kind.STANDS
    assert (one.start_s, one.end_s, one.pulses) == (0.0, rise_s[-1], rise_s.size)
    assert one.level_us == pytest.approx(np.mean(width_us), abs=1e-6)


def test_a_few_pulses_beside_a_level_are_of_it():
    """Three of 1500.5 us before a jump: their level differs by less than counts, not their mean."""
    rise_s = np.arange(0.0, 20.0, FRAME_S)
    place = np.arange(rise_s.size)
    width_us = np.where(place < 640, 1500.0, np.where(place < 643, 1500.5, 1700.0))
    first, second = stretches(rise_s, width_us, loss_at(0.5, 19.0)).around[0]
    assert (first.pulses, first.end_s, first.last_us) == (643, rise_s[642], 1500.5)
    assert first.level_us == pytest.approx(np.mean(width_us[:643]), abs=1e-9)
    assert (second.kind, second.start_s, second.jumped) == (Kind.STANDS, rise_s[643], True)


def test_forty_seconds_after_the_return_are_looked_at():
    """And one pulse more."""
    rise_s = np.arange(0.0, 60.0, 0.0625)
    width_us = 1500.0 + 40.0 * (np.floor(rise_s) % 2)
    last = stretches(rise_s, width_us, loss_at(3.0, 5.5)).around[0][-1]
    assert (last.start_s, last.level_us) == (45.0, 1540.0)


def test_a_movement_about_the_level_that_follows_is_no_part_of_it():
    rise_s = np.arange(0.0, 20.0, FRAME_S)
    swing_us = 200.0 * np.sin(4.0 * rise_s * math.pi)
    width_us = 1500.0 + np.where((rise_s >= 10.0) & (rise_s < 11.0), swing_us, 0.0)
    found = stretches(rise_s, width_us, loss_at(9.0, 14.0))
    kinds = [stretch.kind for stretch in found.around[0]]
    assert kinds[0] is kinds[-1] is Kind.STANDS
    assert Kind.MOVES in kinds
    assert sum(stretch.pulses for stretch in found.around[0]) == rise_s[rise_s >= 8.5].size + 1


# --- what an output did ---

SCALE = Scale(FRAME_S, 5.0, 40.0)
REST = Rest(1470.0, 1530.0, None, None, 20.0, True)
LOSS = loss_at(10.0, 14.0)


def stands(start_s, end_s, level_us, pulses=50):
    return Stretch(Kind.STANDS, start_s, end_s, level_us, level_us, level_us, 0.5, pulses, False)


def moves(start_s, end_s, from_us, to_us, kind=Kind.MOVES):
    mean_us = 0.5 * (from_us + to_us)
    return Stretch(kind, start_s, end_s, from_us, to_us, mean_us, 12.0, 20, False)


def found(*around, loss=LOSS):
    return respond(loss, around, REST, SCALE)


HELD = stands(9.0, 10.5, 1700.0)


def test_one_movement_to_the_very_end_may_be_a_released_sticks():
    told = found(HELD, moves(10.5, 13.9, 1690.0, 1510.0))
    assert told.behaviour is None
    assert "moved smoothly to 1510.0 us" in told.why_not
    throughout = found(moves(9.0, 13.9, 1690.0, 1510.0))
    assert throughout.behaviour is LossClass.KEEPS_FOLLOWING


def test_a_stick_raised_before_the_loss_is_no_part_of_a_ramp():
    raised = moves(9.0, 9.9, 1500.0, 1690.0), stands(9.9, 10.5, 1700.0)
    told = found(*raised, moves(10.5, 11.5, 1690.0, 1510.0), stands(11.5, 13.9, 1500.0),
                 loss=replace(LOSS, lost_s=9.25))  # fmt: skip
    assert told.ramp_s is None
    late = loss_at(9.875, 14.0)
    told = found(*raised, moves(10.5, 11.5, 1690.0, 1510.0), stands(11.5, 13.9, 1500.0), loss=late)
    assert told.ramp_s == (10.5, 11.5)


def test_a_short_wandering_is_as_long_as_it_is():
    """0.3 s of a loss of 1.5 s, and then a preset."""
    wander = moves(10.5, 10.8, 1690.0, 1510.0, kind=Kind.WANDERS)
    told = found(HELD, wander, stands(10.8, 11.4, 1500.0), loss=loss_at(10.0, 11.5))
    assert told.behaviour is LossClass.GOES_TO_PRESET


@pytest.mark.parametrize(("back_us", "is_ramp"), [(10.0, True), (10.5, False)])
def test_a_ramp_may_go_back_by_a_tenth_of_its_way(back_us, is_ramp):
    """From 1700 us by 100 us and that much to and fro: at most 1.2 times the way."""
    low_us = 1600.0 - back_us
    told = found(HELD, moves(10.5, 11.0, 1700.0, low_us), moves(11.0, 11.5, low_us, 1600.0),
                 stands(11.5, 13.9, 1600.0))  # fmt: skip
    assert (told.ramp_s is not None) is is_ramp


def test_a_ramp_that_lasts_to_the_end_is_over_with_its_last_pulse():
    way = HELD, moves(10.5, 11.0, 1690.0, 1650.0), moves(11.0, 13.9, 1650.0, 1510.0)
    assert found(*way).ramp_s == (10.5, 13.9)
    then = *way[:-1], replace(way[-1], end_s=12.0), stands(12.125, 13.9, 1500.0)
    assert found(*then).ramp_s == (10.5, 12.125)


@pytest.mark.parametrize(("at_s", "held"), [(0.1, True), (0.1001, False), (-0.1001, False)])
def test_a_movement_froze_at_the_loss_within_a_tenth_of_a_second(at_s, held):
    """Stated to the instant."""
    stated = Loss(0.0, 4.0, True, Moment(Known.STATED, 0.0, None), frozenset({"RX1"}), "")
    around = moves(-1.0, at_s, 1500.0, 1690.0), stands(at_s, 3.9, 1700.0)
    assert found(*around, loss=stated).is_held is held
