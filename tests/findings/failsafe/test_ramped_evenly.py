"""Which ways are a receiver's ramp: given these widths from one level to another, this line."""

import math
from dataclasses import replace

import numpy as np
import pytest

from pwmscope.bench import StopBand
from pwmscope.findings.failsafe.coincidence import (
    find_ramps,
    fit_ramp,
)
from pwmscope.findings.failsafe.losses import Known, Loss, Moment, Output
from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.response import LossClass, Response
from pwmscope.findings.failsafe.segments import Kind, Stretch
from pwmscope.findings.failsafe.watched import (
    Watched,
)
from pwmscope.pulses import STANDARD_SERVO, PulseTable

FRAME_S = 1.0 / 64.0
NAN = math.nan
EXPECTED = Expectation("drive-left", StopBand(1470.0, 1530.0, ""), True, True, 0.2)


def loss_at(lost_s, known=Known.MARKED):
    return Loss(lost_s, lost_s + 4.0, True, Moment(known, 0.0, None), frozenset({"RX1"}), "")


def stands(start_s, end_s, level_us):
    return Stretch(Kind.STANDS, start_s, end_s, level_us, level_us, level_us, 0.5, 50, False)


def line_of(*points, frame_s=FRAME_S, fro_us=0.0, losses=(10.0,), stretches=3, interval_us=0.125):
    """Widths along points of time and width, to and fro by a little."""
    rise_s = np.arange(0.0, points[-1][0], frame_s)
    width_us = np.interp(rise_s, *np.array(points).T)
    width_us = width_us + fro_us * (-1.0) ** np.arange(rise_s.size)
    period_us = np.append(np.diff(rise_s) * 1e6, NAN)
    flags = np.zeros(rise_s.size, np.uint8)
    table = PulseTable(
        "RX1", rise_s, width_us, period_us, flags, False, STANDARD_SERVO, interval_us
    )
    during = (stands(9.5, 10.5, 1700.0), stands(10.5, 13.9, 1500.0), stands(13.9, 14.0, 1500.0))
    own = Response(LossClass.GOES_TO_PRESET, "", 10.5, 1500.0, True, during[:stretches], None)
    every = tuple(range(len(losses)))
    return Watched(
        Output(table, None, frame_s * 1e6), EXPECTED, tuple(map(loss_at, losses)), every,
        (own,) * len(losses), 5.0,
    )  # fmt: skip


def ramp(begin_s=10.5, took_s=1.0, from_us=1700.0, to_us=1500.0):
    return (0.0, from_us), (begin_s, from_us), (begin_s + took_s, to_us), (14.25, to_us)


def fit(*points, **more):
    return fit_ramp(line_of(*points, **more), loss_at(10.0))


def test_a_ramp_is_laid_through_its_inner_widths():
    """Its doubt: a frame, and four deviations of the mean of the pulses on its way.

    The deviation of a width is a third of a sample of 1/8 us; 51 pulses lie between a tenth
    and nine tenths of the way.
    """
    found = fit(*ramp())
    assert (found.begin_s, found.end_s) == pytest.approx((10.5, 11.5), abs=1e-9)
    assert found.far_us == -200.0
    assert found.doubt_s == pytest.approx(
        FRAME_S + 4.0 * (0.125 / 3.0 / 200.0) / math.sqrt(51), abs=1e-9
    )
    slow = fit(*ramp(took_s=2.0, to_us=1900.0))
    assert slow.end_s == pytest.approx(12.5, abs=1e-9)
    # Half as steep, with 103 pulses.
    assert slow.doubt_s == pytest.approx(
        FRAME_S + 2.0 * 4.0 * (0.125 / 3.0 / 200.0) / math.sqrt(103), abs=1e-6
    )


@pytest.mark.parametrize(("frames", "found"), [(7.5, True), (6.0, False)])
def test_six_pulses_on_its_way_tell_a_ramp(frames, found):
    assert (fit(*ramp(took_s=frames * FRAME_S)) is not None) is found


def test_what_jumps_or_stays_is_no_ramp():
    assert fit(*ramp(took_s=0.001)) is None
    assert fit((0.0, 1700.0), (14.25, 1700.0)) is None


@pytest.mark.parametrize(("frame_s", "found"), [(5 / 64, True), (6 / 64, False)])
def test_five_pulses_on_either_side_tell_a_level(frame_s, found):
    assert (fit(*ramp(took_s=2.0), frame_s=frame_s) is not None) is found


@pytest.mark.parametrize(("far_us", "found"), [(41.0, True), (39.0, False)])
def test_a_ramp_goes_forty_microseconds_far(far_us, found):
    assert (fit(*ramp(to_us=1700.0 - far_us)) is not None) is found


def test_a_hand_neither_goes_evenly_nor_stops_at_once():
    bent = (0.0, 1700.0), (10.5, 1700.0), (11.0, 1620.0), (11.5, 1500.0), (14.25, 1500.0)
    assert fit(*bent) is None
    soft_end = (0.0, 1700.0), (10.5, 1700.0), (11.47, 1506.0), (11.75, 1500.0), (14.25, 1500.0)
    assert fit(*soft_end) is None
    soft_begin = (0.0, 1700.0), (10.25, 1700.0), (10.53, 1694.0), (11.5, 1500.0), (14.25, 1500.0)
    assert fit(*soft_begin) is None


# --- as another stick's line did, and as in other losses ---

OFF_S = (10.0, 20.0, 30.0)


def drill(*ways, from_us=1700.0, **more):
    """One line's ramps in losses every ten seconds: begin after the loss, length, width gone to."""
    points = [(0.0, from_us)]
    for off_s, (after_s, took_s, to_us) in zip(OFF_S, ways, strict=False):
        begin_s = off_s + after_s
        points += [(begin_s, from_us), (begin_s + took_s, to_us), (off_s + 4.25, to_us)]
        points += [(off_s + 4.3, from_us)]
    return line_of(*points, (40.0, from_us), losses=OFF_S[: len(ways)], **more)


def ends(*lines, apart=True, known=Known.MARKED):
    losses = [loss_at(off_s, known) for off_s in OFF_S[: len(lines[0].places)]]
    matrix = np.full((len(lines), len(lines)), apart) & ~np.eye(len(lines), dtype=bool)
    found = find_ramps(lines, losses, matrix)
    return np.isfinite(found).tolist(), found


STEADY = ((0.5, 1.0, 1500.0),) * 3
ALL, NONE = [True] * 3, [False] * 3


def test_two_sticks_lines_that_ramp_in_step_three_times_are_a_receivers():
    found, ends_s = ends(drill(*STEADY), drill(*STEADY))
    assert found == [ALL, ALL]
    doubt_s = fit(*ramp()).doubt_s
    assert ends_s[0] == pytest.approx(np.array([11.5, 21.5, 31.5]) + doubt_s, abs=1e-6)
    assert ends(drill(*STEADY[:2]), drill(*STEADY[:2]))[0] == [[False] * 2] * 2
    assert ends(drill(*STEADY), drill(*STEADY), apart=False)[0] == [NONE, NONE]
    assert ends(drill(*STEADY))[0] == [NONE]
    assert ends(drill(*STEADY), drill(*STEADY), known=Known.STATED)[0] == [NONE, NONE]


def test_a_third_line_that_holds_changes_nothing():
    holds = drill(*[(0.5, 1.0, 1700.0)] * 3)
    assert ends(drill(*STEADY), holds, drill(*STEADY))[0] == [ALL, NONE, ALL]


def test_ramps_in_step_begin_and_end_at_one_time():
    for other in ((0.6, 1.0, 1500.0), (0.5, 1.1, 1500.0), (0.6, 0.9, 1500.0)):
        assert ends(drill(*STEADY), drill(*[other] * 3))[0] == [NONE, NONE]


def test_hands_keep_in_step_for_a_quarter_of_a_second():
    for took_s, found in ((0.22, NONE), (0.28, ALL)):
        own = drill(*[(0.5, took_s, 1500.0)] * 3)
        assert ends(own, own)[0] == [found, found]


def test_ramps_last_alike_or_are_alike_steep():
    steep = drill((0.5, 1.0, 1500.0), (0.5, 1.5, 1400.0), (0.5, 0.5, 1600.0))
    long = drill((0.5, 1.0, 1500.0), (0.5, 1.0, 1400.0), (0.5, 1.0, 1600.0))
    neither = drill((0.5, 1.0, 1500.0), (0.5, 1.5, 1600.0), (0.5, 0.5, 1400.0))
    assert ends(steep, steep)[0] == [ALL, ALL]
    assert ends(long, long)[0] == [ALL, ALL]
    assert ends(neither, neither)[0] == [NONE, NONE]
    nearly = drill((0.5, 1.0, 1500.0), (0.5, 1.08, 1400.0), (0.5, 0.92, 1600.0))
    assert ends(nearly, nearly)[0] == [ALL, ALL]
    slow = drill((0.5, 2.0, 1500.0), (0.5, 2.4, 1600.0), (0.5, 1.6, 1400.0))
    assert ends(slow, slow)[0] == [NONE, NONE]
    apart = drill((0.5, 1.0, 1500.0), (0.5, 1.25, 1600.0), (0.5, 0.75, 1400.0))
    assert ends(apart, apart)[0] == [NONE, NONE]


def test_an_output_told_as_one_stretch_did_not_ramp():
    assert ends(drill(*STEADY, stretches=2), drill(*STEADY))[0] == [ALL, ALL]
    assert ends(drill(*STEADY, stretches=1), drill(*STEADY))[0] == [NONE, NONE]


def test_what_was_silent_in_the_end_did_not_ramp():
    silent = drill(*STEADY)
    quiet = Stretch(Kind.QUIET, 13.0, 14.0, NAN, NAN, NAN, NAN, 0, False)
    own = replace(silent.responses[0], during=(*silent.responses[0].during[:2], quiet))
    silent = replace(silent, responses=(own,) * 3)
    assert ends(silent, drill(*STEADY))[0] == [NONE, NONE]
