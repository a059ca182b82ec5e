"""When a device was commanded to stand still for good: given these pulses, this instant."""

import math

import numpy as np
import pytest

from pwmscope.bench import StopBand
from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.response import (
    Windows,
    find_stop_times,
    regular_foreign,
    sides,
    width_doubt_us,
)
from pwmscope.pulses import STANDARD_SERVO, Flag, PulseTable

BAND = StopBand(1470.0, 1530.0, "")
FRAME_S = 0.02
END_S = 9.0


def table_of(rise_s, width_us, flags=None, interval_us=1.0):
    rise_s, width_us = np.asarray(rise_s, float), np.asarray(width_us, float)
    flags = np.zeros(rise_s.size, np.uint8) if flags is None else np.asarray(flags, np.uint8)
    period_us = np.append(np.diff(rise_s) * 1e6, np.nan)
    return PulseTable("RX1", rise_s, width_us, period_us, flags, False, STANDARD_SERVO, interval_us)


def train(*parts):
    """Frames of 20 ms from 0 s on: (number, width) of each part; None for a pause."""
    rise_s, width_us, k = [], [], 0
    for count, width in parts:
        if width is not None:
            rise_s += [round(FRAME_S * (k + i), 6) for i in range(count)]
            width_us += [width] * count
        k += count
    return rise_s, width_us


def stop(rise_s, width_us, *, earliest_s=2.0, back_s=6.0, until_s=6.0, flags=None, stops=True,
         after_s=0.3, end_s=END_S):  # fmt: skip
    windows = Windows(*(np.array([value]) for value in (earliest_s, back_s, until_s)))
    found = find_stop_times(
        table_of(rise_s, width_us, flags), FRAME_S * 1e6, windows,
        Expectation("drive-left", BAND, stops, no_pulses_after_s=after_s), end_s,
    )  # fmt: skip
    return (
        found.stopped_s.item(), found.last_outside_s.item(), found.before_us.item(),
        found.was_outside.item(), found.ran_on.item(),
    )  # fmt: skip


# Held at 1700 us to 2.58 s, then at 1500 us from 2.6 s on; back at 1700 us from 6 s on.
GOOD = train((130, 1700.0), (170, 1500.0), (50, 1700.0))


def test_it_is_the_fall_of_the_first_pulse_from_which_on_all_are_inside():
    stopped_s, outside_s, before_us, was_outside, ran_on = stop(*GOOD)
    assert stopped_s == pytest.approx(2.6 + 1500e-6)
    assert outside_s == pytest.approx(2.58 + 1700e-6)
    assert (before_us, was_outside, ran_on) == (1700.0, True, False)


@pytest.mark.parametrize(
    ("width_us", "is_inside", "is_outside"),
    [
        (1471.148, True, False),
        (1471.146, False, False),
        (1468.86, False, False),
        (1468.84, False, True),
        (1528.84, True, False),
        (1528.86, False, False),
        (1531.15, False, False),
        (1531.16, False, True),
    ],
)
def test_a_width_counts_on_a_side_by_more_than_a_sample_and_100_ppm(
    width_us, is_inside, is_outside
):
    is_servo, inside, outside = sides(table_of([1.0], [width_us]), BAND)
    assert (is_servo.item(), inside.item(), outside.item()) == (True, is_inside, is_outside)
    assert width_doubt_us(np.array([1500.0]), None).item() == pytest.approx(0.15)


def test_one_pulse_that_is_not_inside_for_certain_sets_it_back():
    rise_s, width_us = train((130, 1700.0), (60, 1500.0), (1, 1530.5), (109, 1500.0), (9, 1700.0))
    stopped_s, outside_s, *_ = stop(rise_s, width_us)
    assert stopped_s == pytest.approx(3.82 + 1500e-6)
    assert outside_s == pytest.approx(2.58 + 1700e-6)


@pytest.mark.parametrize("flag", [Flag.GLITCH, Flag.NOTCHED, Flag.FOREIGN])
def test_a_pulse_that_is_no_servo_pulse_counts_too(flag):
    rise_s, width_us = GOOD
    flags = [0] * len(rise_s)
    flags[190] = flag
    stopped_s, *_ = stop(rise_s, width_us, flags=flags)
    assert stopped_s == pytest.approx(3.82 + 1500e-6)


def test_a_pulse_of_unknown_width_is_taken_to_last_3_ms():
    rise_s, width_us = train((130, 1700.0), (1, math.nan))
    flags = [0] * 130 + [Flag.GLITCH]
    stopped_s, *_, ran_on = stop(rise_s, width_us, flags=flags)
    assert stopped_s == pytest.approx(2.6 + 0.003 + 0.3)
    assert ran_on


def test_a_pulse_cut_by_the_recordings_end_leaves_the_one_before_in_force():
    rise_s, width_us = train((130, 1700.0), (100, 1500.0), (1, math.nan))
    flags = [0] * 230 + [Flag.CUT]
    stopped_s, *_ = stop(rise_s, width_us, flags=flags, end_s=4.601)
    assert stopped_s == pytest.approx(2.6 + 1500e-6)
    lone = stop([2.5], [math.nan], flags=[Flag.CUT], end_s=2.502)
    assert lone[0] == math.inf


@pytest.mark.parametrize(("until_s", "stopped_s"), [(6.0, 2.6015), (6.0 + 1e-6, math.inf)])
def test_a_pulse_up_to_the_return_counts_and_one_at_it_does_not(until_s, stopped_s):
    assert stop(*GOOD, until_s=until_s)[0] == pytest.approx(stopped_s)


@pytest.mark.parametrize(("until_s", "stopped_s"), [(2.6016, 2.6015), (2.6014, math.inf)])
def test_a_stop_after_the_return_is_none(until_s, stopped_s):
    assert stop(*GOOD, until_s=until_s)[0] == pytest.approx(stopped_s)


def test_a_device_that_stood_still_throughout_did_so_from_the_earliest_moment_on():
    stopped_s, outside_s, before_us, was_outside, ran_on = stop(*train((350, 1500.0)))
    assert (stopped_s, outside_s, before_us) == (2.0, -math.inf, 1500.0)
    assert (was_outside, ran_on) == (False, False)
    still_s = stop(*train((50, 1700.0), (300, 1500.0)))
    assert still_s[0] == 2.0
    assert still_s[1] == -math.inf


def test_pulses_that_end_outside_count_from_the_last_ones_fall_by_the_devices_own_time():
    ended = train((130, 1700.0))
    stopped_s, outside_s, _, _, ran_on = stop(*ended)
    assert stopped_s == pytest.approx(2.58 + 1700e-6 + 0.3)
    assert outside_s == pytest.approx(2.58 + 1700e-6)
    assert ran_on
    assert stop(*ended, after_s=None)[0] == pytest.approx(2.58 + 1700e-6)
    assert stop(*ended, after_s=None)[4]
    never = stop(*ended, stops=None)
    assert (never[0], never[4]) == (math.inf, False)
    assert stop(*ended, stops=False)[0] == math.inf


def test_pulses_that_end_inside_stop_it_at_the_first_one_inside():
    ended = train((130, 1700.0), (40, 1500.0))
    stopped_s, *_, ran_on = stop(*ended)
    assert stopped_s == pytest.approx(2.6015)
    assert not ran_on
    assert stop(*ended, stops=None)[0] == math.inf


@pytest.mark.parametrize(("frames", "stopped_s"), [(8, 3.2 + 1.5e-3), (10, 3.8 + 1.5e-3)])
def test_a_pause_longer_than_the_quiet_limit_is_outside_where_no_pulses_do_not_stop_it(
    frames, stopped_s
):
    """0.2 s without pulses are quiet: ten frames of 20 ms from one pulse to the next."""
    parts = (30 - frames, 1500.0), (frames, None), (110, 1500.0), (50, 1700.0)
    rise_s, width_us = train((160, 1700.0), *parts)
    found = stop(rise_s, width_us, stops=None)
    assert found[0] == pytest.approx(stopped_s)
    assert stop(rise_s, width_us, stops=True)[0] == pytest.approx(3.2 + 1.5e-3)


def test_after_a_pause_the_devices_own_time_or_the_next_good_pulse_stops_it_whichever_is_first():
    rise_s, width_us = train((130, 1700.0), (30, None), (140, 1500.0))
    own = stop(rise_s, width_us, after_s=0.3)
    assert own[0] == pytest.approx(2.58 + 1.7e-3 + 0.3)
    assert own[4]
    long = stop(rise_s, width_us, after_s=0.9)
    assert long[0] == pytest.approx(3.2 + 1.5e-3)
    assert not long[4]
    unknown = stop(rise_s, width_us, after_s=None)
    assert unknown[0] == pytest.approx(3.2 + 1.5e-3)
    assert not unknown[4]


def test_pulses_that_ended_long_before_the_loss_ran_on_for_nobody():
    rise_s, width_us = train((45, 1700.0))
    assert not stop(rise_s, width_us)[4]
    rise_s, width_us = train((55, 1700.0))
    assert stop(rise_s, width_us)[4]


def test_a_loss_before_the_first_pulse_shows_no_stop():
    rise_s, width_us = train((100, None), (200, 1500.0))
    found = stop(rise_s, width_us, earliest_s=0.5, back_s=1.5, until_s=1.5)
    assert found[0] == math.inf
    assert math.isnan(found[2])
    assert found[3:] == (False, False)
    assert found[1] == -math.inf


def test_a_pulse_outside_counts_for_the_limit_only_up_to_the_earliest_return():
    rise_s, width_us = train((130, 1700.0), (120, 1500.0), (100, 1700.0))
    assert stop(rise_s, width_us, back_s=5.0)[1] == pytest.approx(2.58 + 1.7e-3)
    assert stop(rise_s, width_us, back_s=5.0 + 1e-6)[1] == pytest.approx(5.0 + 1.7e-3)
    assert stop(rise_s, width_us, earliest_s=2.58 + 1e-6, back_s=5.0)[1] == -math.inf
    assert stop(rise_s, width_us, earliest_s=2.58, back_s=5.0)[1] == pytest.approx(2.5817)


def test_a_line_without_any_pulse_stops_at_once_only_where_that_is_known():
    assert stop([], [], stops=True)[0] == 2.0
    for stops in (None, False):
        found = stop([], [], stops=stops)
        assert found[:2] == (math.inf, -math.inf)
        assert math.isnan(found[2])
        assert found[3:] == (False, False)


def test_a_line_of_odd_pulses_only_has_no_width_before():
    rise_s, width_us = train((300, 100.0))
    found = stop(rise_s, width_us, flags=[Flag.GLITCH] * 300)
    assert math.isnan(found[2])
    assert found[0] == math.inf
    assert not found[3]


def test_without_a_stop_range_nothing_is_said():
    windows = Windows(*np.array([[2.0, 3.0]] * 3))
    none = find_stop_times(table_of(*GOOD), FRAME_S * 1e6, windows, Expectation(), END_S)
    assert np.isnan([none.stopped_s, none.last_outside_s, none.before_us]).all()
    assert none.was_outside.tolist() == none.ran_on.tolist() == [False, False]


@pytest.mark.parametrize(
    ("widths_us", "rise_s", "found"),
    [
        ([2600, 2640, 2600], [1.0, 1.2, 1.4], [True, True, True]),
        ([2600, 2641, 2700], [1.0, 1.1, 1.2], [False, False, False]),
        ([2600, 2600, 2600], [1.0, 1.1, 1.301], [True, True, False]),
        ([2600, 2600, 1500], [1.0, 1.1, 1.2], [True, True, False]),
    ],
)
def test_pulses_beyond_what_servos_take_are_a_command_where_they_come_alike(
    widths_us, rise_s, found
):
    flags = [Flag.FOREIGN if width_us > 2500 else 0 for width_us in widths_us]
    assert regular_foreign(table_of(rise_s, widths_us, flags)).tolist() == found


def test_cut_pulses_are_no_command():
    flags = [Flag.FOREIGN, Flag.FOREIGN | Flag.CUT]
    assert regular_foreign(table_of([1.0, 1.02], [2600, 2600], flags)).tolist() == [False, False]
    assert not regular_foreign(table_of([1.0, 1.02], [1500, 1500])).any()


def test_a_command_beyond_the_range_is_outside_the_stop_range():
    rise_s, width_us = train((130, 1500.0), (100, 2600.0), (20, 1500.0))
    flags = [0] * 130 + [Flag.FOREIGN] * 100 + [0] * 20
    assert stop(rise_s, width_us, flags=flags)[1] == pytest.approx(4.58 + 2.6e-3)
