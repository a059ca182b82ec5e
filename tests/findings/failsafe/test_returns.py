"""When the link was back, and where an output ran before it was: given these stretches, this."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from pwmscope.bench import StopBand
from pwmscope.findings.failsafe.losses import Known, Loss, Moment, Output
from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.response import Change, ChangeKind, LossClass, Response, Scale
from pwmscope.findings.failsafe.returns import (
    Leap,
    LinkSeen,
    _from,
    find_leaps,
    is_where_it_was,
    judged_until_s,
    steps_with,
    with_return,
)
from pwmscope.findings.failsafe.segments import Kind, Stretch
from pwmscope.findings.failsafe.watched import (
    Watched,
)
from pwmscope.pulses import STANDARD_SERVO

NAN, INF = math.nan, math.inf
FRAME_S = 0.02
SCALE = Scale(FRAME_S, 4.0, 40.0)


def stands(start_s, end_s, level_us, jumped=True):
    return Stretch(Kind.STANDS, start_s, end_s, level_us, level_us, level_us, 0.5, 50, jumped)


def moves(start_s, end_s, from_us, to_us):
    mean_us = 0.5 * (from_us + to_us)
    return Stretch(Kind.MOVES, start_s, end_s, from_us, to_us, mean_us, 12.0, 20, jumped=False)


def quiet(start_s, end_s):
    return Stretch(Kind.QUIET, start_s, end_s, NAN, NAN, NAN, NAN, 0, jumped=False)


# --- stated losses ---

STATED = Loss(10.0, 30.0, False, Moment(Known.STATED, 0.05, None), frozenset({"RX1", "RX2"}), "")


def back(around, same_us=50.0):
    names = dict.fromkeys(around)
    return with_return(
        STATED, around, FRAME_S, dict.fromkeys(names, SCALE), dict.fromkeys(names, same_us)
    )


def goes(back_s=14.0, rest_us=1500.0, was_us=1700.0, again_us=1700.0):
    """Held, at its preset from 10.6 s on, and back."""
    return (
        stands(9.0, 10.58, was_us, jumped=False),
        stands(10.6, back_s - FRAME_S, rest_us),
        stands(back_s, 29.0, again_us),
    )


def test_two_lines_back_in_one_frame_where_their_sticks_were_show_the_return():
    told = back({"RX1": goes(14.0), "RX2": goes(14.003)})
    assert (told.came_back, told.is_return_shown, told.doubt) == (True, True, "")
    assert told.back_s == pytest.approx(13.98)


@pytest.mark.parametrize(("later_s", "shown"), [(0.0249, True), (0.0251, False)])
def test_they_are_back_in_one_frame_give_or_take_a_quarter(later_s, shown):
    told = back({"RX1": goes(14.0), "RX2": goes(14.0 + later_s)})
    assert told.is_return_shown is shown
    assert told.came_back is shown


@pytest.mark.parametrize(("off_us", "shown"), [(50.0, True), (50.5, False), (-50.5, False)])
def test_a_line_that_goes_elsewhere_is_not_back(off_us, shown):
    assert back({"RX1": goes(), "RX2": goes(again_us=1700.0 + off_us)}).is_return_shown is shown


def test_a_lone_line_shows_its_own_return():
    told = back({"RX1": goes(14.0)})
    assert told.is_return_shown
    assert told.back_s == pytest.approx(13.98)


def test_first_pulses_after_a_pause_are_a_return_too():
    silent = (
        stands(9.0, 10.58, 1700.0, False),
        quiet(10.6, 14.0),
        stands(14.0, 29.0, 1700.0, False),
    )
    assert back({"RX1": silent, "RX2": silent}).back_s == pytest.approx(13.98)
    assert back({"RX1": silent, "RX2": goes(14.001)}).is_return_shown


def test_a_first_change_is_no_return_though_it_goes_back_to_where_the_line_was():
    """Two jumps to within the reach of where they were, and nothing else."""
    small = (stands(9.0, 13.98, 1700.0, False), stands(14.0, 29.0, 1745.0))
    assert not back({"RX1": small, "RX2": small}).came_back


def test_failing_that_the_first_smooth_movement_shows_that_it_was_back_by_then():
    moved = (
        stands(9.0, 10.58, 1700.0, False), stands(10.6, 13.98, 1500.0),
        moves(14.0, 14.3, 1512.0, 1690.0), stands(14.32, 29.0, 1700.0, False),
    )  # fmt: skip
    told = back({"RX1": moved, "RX2": moved[:2]})
    assert (told.came_back, told.is_return_shown) == (True, False)
    assert told.back_s == pytest.approx(13.98)


@pytest.mark.parametrize(("begin_s", "came_back"), [(10.1501, True), (10.1499, False)])
def test_a_movement_that_is_still_on_its_way_after_the_loss_is_no_return(begin_s, came_back):
    way = (
        stands(9.0, begin_s - 0.02, 1700.0, False), moves(begin_s, 10.4, 1688.0, 1510.0),
        stands(10.42, 29.0, 1500.0, False),
    )  # fmt: skip
    assert back({"RX1": way, "RX2": (way[0],)}).came_back is came_back


def test_a_return_soon_after_the_loss_is_not_before_the_latest_moment():
    soon = (
        stands(9.0, 10.0, 1700.0, False), stands(10.02, 10.04, 1500.0), stands(10.06, 29.0, 1700.0)
    )  # fmt: skip
    assert back({"RX1": soon, "RX2": soon}).back_s == 10.05


def test_where_nothing_changes_it_did_not_come_back():
    told = back({"RX1": goes()[:2], "RX2": goes()[:2]})
    assert (told.back_s, told.came_back) == (30.0, False)
    assert not back({"RX1": (), "RX2": ()}).came_back


def test_a_line_that_was_quiet_before_the_loss_shows_no_return():
    silent = (quiet(9.0, 12.0), stands(12.0, 13.98, 1500.0), stands(14.0, 29.0, 1700.0))
    assert not back({"RX1": silent, "RX2": silent}).came_back


@pytest.mark.parametrize(
    ("start_s", "end_s", "doubts"),
    [
        (9.8, 10.1501, True),
        (9.8, 10.1499, False),
        (10.14, 10.6, True),
        (10.16, 10.6, False),
        (9.8, 29.99, True),
        (9.8, 30.0, False),
    ],
)
def test_a_stick_followed_across_the_stated_time_contradicts_it(start_s, end_s, doubts):
    around = (
        stands(9.0, start_s - 0.02, 1700.0, False), moves(start_s, end_s, 1690.0, 1510.0),
        stands(end_s + 0.02, 29.0, 1500.0, False),
    )  # fmt: skip
    doubt = back({"RX1": goes(), "RX2": around}).doubt
    assert bool(doubt) is doubts
    if doubts:
        assert doubt.startswith(f"Line RX2 still moved smoothly until {end_s:.3f} s")


def test_what_moves_after_a_pause_contradicts_nothing():
    around = (quiet(9.5, 10.1), moves(10.12, 10.6, 1690.0, 1510.0))
    assert back({"RX1": around}).doubt == ""


def test_what_is_looked_at_begins_where_the_loss_may_have_begun_and_ends_where_it_may():
    first, second, third = (
        stands(9.0, 9.5, 1700.0),
        stands(9.9, 12.0, 1700.0),
        stands(31.0, 32.0, 1),
    )
    assert _from(STATED, (first, second, third)) == (second,)
    late = stands(11.0, 12.0, 1700.0), stands(12.02, 13.0, 1500.0)
    assert _from(STATED, late) == late
    at_once = replace(second, start_s=STATED.earliest_s)
    assert _from(STATED, (first, at_once)) == (at_once,)
    assert _from(STATED, (second, replace(third, start_s=30.0))) == (second,)


# --- leaps before the link was back ---

BAND = StopBand(1470.0, 1530.0, "")
HELD, IN = stands(9.5, 10.58, 1700.0, False), stands(10.6, 13.98, 1500.0)


class _Table:
    convention = STANDARD_SERVO


def line_with(band=BAND, stood=()):
    """A line, and where its output stood: (from, to, width)."""
    start_s, end_s, level_us = np.array(stood, float).reshape(-1, 3).T
    dwells = SimpleNamespace(start_s=start_s, end_s=end_s, level_us=level_us)
    output = Output(_Table(), dwells, FRAME_S * 1e6)
    return Watched(output, Expectation("drive-left", band, True, True), (), (), (), 4.0)


def jump(at_s, to_us, from_us=1500.0, *, place=2, kind=ChangeKind.JUMP, end_s=None):
    return Change(kind, at_s - FRAME_S, at_s, from_us, to_us, end_s or at_s, place)


def response(*departures, later=()):
    return Response(
        LossClass.GOES_TO_PRESET, "", 10.6, 1500.0, True, (HELD, IN), None, later, None, (),
        departures,
    )  # fmt: skip


def seen(linked_s=14.0, any_s=None, moves_s=16.0, window_s=20.0, returned=False):
    return LinkSeen(linked_s, linked_s if any_s is None else any_s, moves_s, window_s, returned)


def leaps(*departures, band=BAND, later=(), **link):
    return find_leaps(line_with(band), response(*departures, later=later), seen(**link))


@pytest.mark.parametrize(("at_s", "found"), [(13.994, 1), (13.996, 0), (14.1, 0)])
def test_an_output_that_left_before_two_others_returned_has_leapt(at_s, found):
    told = leaps(jump(at_s, 1900.0))
    assert len(told) == found
    if found:
        assert told == (Leap(at_s, 1500.0, 1900.0),)


def test_one_that_returned_with_the_others_has_not():
    assert leaps(jump(13.0, 1700.0), returned=True) == ()
    assert leaps() == ()
    assert leaps(jump(13.0, 1900.0, kind=ChangeKind.MOVE)) == ()


def test_within_the_stop_range_or_into_silence_is_no_leap():
    assert leaps(jump(13.0, 1520.0)) == ()
    assert leaps(jump(13.0, NAN, kind=ChangeKind.STOP)) == ()
    assert len(leaps(jump(13.0, 1520.0), band=None)) == 1
    assert len(leaps(jump(13.0, 1900.0, from_us=NAN, kind=ChangeKind.START))) == 1


def test_all_that_came_before_the_others_is_told():
    told = leaps(jump(12.0, 1900.0), jump(13.0, 1100.0), jump(14.0, 1700.0))
    assert [leap.at_s for leap in told] == [12.0, 13.0]


def test_without_the_others_a_width_left_again_before_any_stick_was_followed_is_a_leap():
    apart = {"linked_s": INF}
    assert [x.to_us for x in leaps(jump(12.0, 1900.0), jump(13.0, 1600.0), **apart)] == [1900.0]
    assert leaps(jump(12.0, 1900.0), **apart) == ()
    assert leaps(jump(12.0, 1700.0), jump(13.0, 1600.0), **apart) == ()
    assert leaps(jump(12.0, 1900.0), jump(13.0, 1600.0), moves_s=12.5, **apart) == ()
    assert leaps(jump(12.0, 1900.0), jump(13.0, 1600.0), moves_s=11.5, **apart) == ()
    # As well for one that returned with another: a transmitter may start with other widths.
    assert len(leaps(jump(12.0, 1900.0), jump(13.0, 1600.0), returned=True)) == 1


@pytest.mark.parametrize(
    ("steps", "since_s", "found"),
    [
        ({13.0: 1494.0}, 12.0, True),  # The link comes with the jump
        ({12.5: 1494.0}, 12.0, False),
        ({12.5: 1494.0, 13.0: 1488.0}, 12.0, False),  # From its stick's place
        ({11.5: 1494.0, 13.0: 1488.0}, 12.0, True),
        ({13.0: 1494.0}, 11.05, False),  # Hardly recorded before
        ({13.0: 1498.0}, 12.0, False),  # Less than the widths scatter by
        ({13.0: 1300.0}, 12.0, False),  # Two switches, or sticks
        ({}, 12.0, False),
    ],
)
def test_a_line_that_steps_from_its_preset_as_another_jumps_shows_the_link(steps, since_s, found):
    """Once the transmitter is on the weapon runs on, until the link comes; found by a study."""
    rise_s = np.arange(11.0, 15.0, FRAME_S)
    width_us = 1500.0 + np.resize([0.0, 0.5], rise_s.size)
    for at_s, to_us in steps.items():
        width_us[rise_s > at_s - FRAME_S / 2] = to_us
    width_us += np.resize([0.0, 1.0], rise_s.size)
    table = SimpleNamespace(
        rise_s=rise_s, width_us=width_us, measured=np.ones(rise_s.size, bool),
        convention=STANDARD_SERVO,
    )  # fmt: skip
    other = line_with()
    other = replace(other, output=replace(other.output, table=table))
    assert steps_with(other, jump(13.0, 1600.0, 1700.0), since_s) is found


@pytest.mark.parametrize(
    ("again_s", "moves_s", "found"),
    [(13.0, 14.0, 1), (14.0, 14.0, 1), (14.5, 14.0, 0), (12.0, 14.0, 0), (INF, INF, 0)],
)
def test_a_width_that_ran_before_others_show_that_the_link_came_is_a_leap(again_s, moves_s, found):
    link = replace(seen(returned=True, moves_s=moves_s), again_s=again_s)
    told = find_leaps(line_with(), response(jump(12.0, 1700.0)), link)
    assert [leap.to_us for leap in told] == [1700.0] * found


@pytest.mark.parametrize(("near_us", "found"), [(1749.0, 1), (1711.0, 1), (1710.0, 0), (1700.0, 0)])
def test_a_jump_near_its_stick_and_a_step_to_its_very_width_is_a_leap(near_us, found):
    """A receiver alone in its return, found by a study: 49 us off for 0.24 s, then the stick's."""
    apart = {"linked_s": INF}
    assert len(leaps(jump(12.0, near_us), jump(12.24, 1700.0), **apart)) == found
    step = jump(12.24, 1700.0, near_us, place=3, kind=ChangeKind.MOVE)
    assert len(leaps(jump(12.0, near_us), step, **apart, moves_s=12.22)) == found
    # A hand's movement takes longer, and what does not come to the width was no return either.
    assert leaps(jump(12.0, near_us), replace(step, end_s=12.3), **apart) == ()
    assert leaps(jump(12.0, near_us), replace(step, after_s=12.2), **apart) == ()
    assert leaps(jump(12.0, near_us), jump(12.24, 1600.0), **apart) == ()
    assert leaps(jump(12.0, near_us), **apart) == ()


@pytest.mark.parametrize(("first_us", "found"), [(1649.0, 1), (1651.0, 0), (2151.0, 1)])
def test_a_movement_that_begins_far_from_where_the_output_went_shows_a_leap(first_us, found):
    """No stick gets a quarter of the span in a frame."""
    later = stands(12.0, 12.5, 1900.0), moves(12.52, 13.0, first_us, 1600.0)
    move = jump(12.52, 1600.0, 1900.0, place=3, kind=ChangeKind.MOVE, end_s=13.0)
    told = leaps(jump(12.0, 1900.0), move, later=later, linked_s=INF, moves_s=12.5)
    assert len(told) == found
    assert leaps(jump(12.0, 1900.0), replace(move, place=4), later=later, linked_s=INF) == ()


@pytest.mark.parametrize(
    ("to_us", "found"), [(1750.0, True), (1750.1, False), (1650.0, True), (1649.9, False)]
)
def test_it_is_where_it_was_within_a_twentieth_of_the_span(to_us, found):
    assert is_where_it_was(line_with(), response(), jump(14.0, to_us)) is found


def test_where_it_was_is_the_last_width_of_one_that_moved():
    moving = replace(response(), during=(moves(9.5, 10.4, 1400.0, 1700.0), IN))
    assert is_where_it_was(line_with(), moving, jump(14.0, 1740.0))
    assert not is_where_it_was(line_with(), moving, jump(14.0, 1550.0))
    coarse = replace(line_with(), range_us=40.0)
    assert is_where_it_was(coarse, moving, jump(14.0, 1780.0))
    assert not is_where_it_was(coarse, moving, jump(14.0, 1781.0))


def test_where_it_was_is_where_it_stood_last_before_the_loss_although_it_ramped_on():
    """A slow ramp after a short stand is one movement; the stick was held all the same."""
    ramping = replace(response(), during=(moves(9.3, 11.4, 1720.0, 1540.0), IN))
    stood = ((8.0, 9.0, 1500.0), (9.4, 10.3, 1700.0), (11.5, 14.0, 1500.0))
    line, back = line_with(stood=stood), jump(14.0, 1702.0)
    assert is_where_it_was(line, ramping, back, 10.0)
    assert not is_where_it_was(line, ramping, jump(14.0, 1540.0), 10.0)
    # What stood before the stretch, or after the moment of loss, is not where it was.
    assert not is_where_it_was(line, ramping, back, 9.4)
    assert not is_where_it_was(line_with(stood=stood[:1]), ramping, back, 10.0)
    assert not is_where_it_was(line_with(stood=((8.0, 9.3, 1700.0),)), ramping, back, 10.0)
    last = jump(14.0, 1540.0)
    assert is_where_it_was(line_with(stood=stood[:1]), ramping, last, 10.0)


@pytest.mark.parametrize(("earliest_s", "count"), [(10.0, 0), (9.4, 1)])
def test_one_that_ramped_and_went_back_to_its_stick_has_not_leapt(earliest_s, count):
    ramping = replace(response(), during=(moves(9.3, 11.4, 1720.0, 1540.0), IN))
    line = line_with(stood=((9.4, 10.3, 1700.0),))
    back = replace(ramping, departures=(jump(14.0, 1702.0), jump(15.0, 1300.0)))
    link = LinkSeen(14.0, 14.0, 16.0, 20.0, True, earliest_s)
    assert len(find_leaps(line, back, link)) == count


# --- up to when no pulse may be outside ---

MARKED = Loss(10.0, 13.5, True, Moment(Known.MARKED, 1e-6, None), frozenset({"RX1"}), "")


def until(*departures, told=(), **link):
    return judged_until_s(MARKED, response(*departures), seen(**link), told)


def test_it_is_judged_to_its_own_return():
    assert until(jump(14.0, 1700.0), returned=True) == pytest.approx(13.98 + 1e-9, abs=1e-12)
    assert until(jump(13.9, 1700.0)) == pytest.approx(13.88 + 1e-9, abs=1e-12)


def test_one_that_never_left_or_left_later_is_judged_to_the_others_return():
    assert until() == 14.0
    assert until(moves_s=13.8) == 13.8
    assert until(linked_s=INF, window_s=15.0) == 15.0
    assert until(any_s=13.7) == 13.7
    assert until(any_s=13.2) == 13.5  # not before the transmitter can have been back
    assert until(jump(15.0, 1700.0)) == 14.0
    assert until(jump(15.0, 1700.0), returned=True) == pytest.approx(14.98)
    assert until(jump(14.02, 1700.0)) == pytest.approx(14.0)


def test_a_leap_is_judged_too():
    leap = Leap(12.0, 1500.0, 1900.0)
    assert until(jump(12.0, 1900.0), told=(leap,)) == 14.0
    late = until(jump(14.01, 1900.0), told=(leap,), linked_s=14.0)
    assert late == pytest.approx(14.01 + 1e-9, abs=1e-12)
    assert until(jump(12.0, 1900.0), told=(leap,), returned=True) == pytest.approx(11.98)


def test_it_is_never_judged_up_to_before_the_loss():
    assert until(jump(10.01, 1700.0), returned=True) == 10.0
