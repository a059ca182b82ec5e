"""What an output did in a loss: given these stretches, these changes, this class, these steps."""

import math
from dataclasses import replace

import numpy as np
import pytest

from pwmscope.bench import StopBand
from pwmscope.findings.failsafe import Known, Loss, LossClass, PhaseKind
from pwmscope.findings.failsafe.losses import Moment
from pwmscope.findings.failsafe.response import (
    ChangeKind,
    Rest,
    Scale,
    changes_of,
    find_rest,
    phases_of,
    respond,
)
from pwmscope.findings.failsafe.segments import Kind, Stretch
from pwmscope.findings.segmentation import Dwells
from pwmscope.pulses import STANDARD_SERVO

NAN = math.nan
SCALE = Scale(0.02, 5.0, 40.0)
JUMP, MOVE, STOP, START = ChangeKind
S, M, W, Q = Kind.STANDS, Kind.MOVES, Kind.WANDERS, Kind.QUIET


def stands(start_s, end_s, level_us, *, jumped=False, pulses=50):
    return Stretch(S, start_s, end_s, level_us, level_us, level_us, 0.5, pulses, jumped)


def jumps(start_s, end_s, level_us):
    return stands(start_s, end_s, level_us, jumped=True)


def moves(start_s, end_s, from_us, to_us, *, pace_us=12.0, kind=M, pulses=20):
    mean_us = 0.5 * (from_us + to_us)
    return Stretch(kind, start_s, end_s, from_us, to_us, mean_us, pace_us, pulses, jumped=False)


def wanders(start_s, end_s, pulses=100):
    return moves(start_s, end_s, 1620.0, 1480.0, kind=W, pulses=pulses)


def quiet(start_s, end_s):
    return Stretch(Q, start_s, end_s, NAN, NAN, NAN, NAN, 0, jumped=False)


HELD = stands(9.5, 10.58, 1700.0)


def told(*stretches, scale=SCALE):
    return [
        (c.kind, c.after_s, c.by_s, c.from_us, c.to_us, c.end_s, c.place)
        for c in changes_of(stretches, scale)
    ]


# --- single changes ---


def test_a_jump_from_level_to_level():
    assert told(HELD, jumps(10.6, 14.0, 1500.0)) == [(JUMP, 10.58, 10.6, 1700.0, 1500.0, 10.6, 1)]
    assert changes_of((HELD, jumps(10.6, 14.0, 1500.0)), SCALE)[0].far_us == 200.0


@pytest.mark.parametrize(("level_us", "kind"), [(1660.0, JUMP), (1660.1, MOVE), (1740.0, JUMP)])
def test_a_step_smaller_than_a_jump_is_a_smooth_movement(level_us, kind):
    (change,) = changes_of((HELD, jumps(10.6, 14.0, level_us)), SCALE)
    assert (change.kind, change.end_s) == (kind, 10.6)


@pytest.mark.parametrize(("level_us", "count"), [(1695.0, 0), (1694.9, 1), (1705.1, 1)])
def test_levels_within_the_range_are_one(level_us, count):
    assert len(told(HELD, stands(10.6, 14.0, level_us))) == count


def test_pulses_end_and_begin_again():
    assert told(HELD, quiet(10.6, 12.0), stands(12.0, 14.0, 1500.0))[0][:3] == (STOP, 10.58, 10.6)
    stop, start = changes_of((HELD, quiet(10.6, 12.0), moves(12.0, 14.0, 1400.0, 1500.0)), SCALE)
    assert (stop.from_us, math.isnan(stop.to_us), stop.far_us) == (
        1700.0,
        True,
        pytest.approx(NAN, nan_ok=True),
    )
    assert (start.kind, start.after_s, start.by_s) == (START, pytest.approx(11.98), 12.0)
    assert (math.isnan(start.from_us), start.to_us, start.place, start.far_us) == (
        True,
        1400.0,
        2,
        0.0,
    )


def test_a_smooth_movement_has_a_begin_and_an_end():
    way = moves(10.6, 11.0, 1690.0, 1510.0), stands(11.02, 14.0, 1500.0)
    assert told(HELD, *way) == [(MOVE, 10.58, 10.6, 1700.0, 1500.0, 11.02, 2)]
    assert told(HELD, way[0]) == [(MOVE, 10.58, 10.6, 1700.0, 1510.0, 11.0, 1)]


def test_what_moved_from_the_start_on_began_there():
    way = moves(9.6, 10.0, 1690.0, 1510.0), stands(10.02, 14.0, 1500.0)
    assert told(*way) == [(MOVE, 9.6, 9.6, 1690.0, 1500.0, 10.02, 1)]


def test_a_jump_through_a_pulse_or_two_on_the_way_is_one_from_where_it_stood():
    way = moves(10.6, 10.62, 1640.0, 1580.0, pace_us=60.0), jumps(10.64, 14.0, 1500.0)
    assert told(HELD, *way) == [(JUMP, 10.58, 10.64, 1700.0, 1500.0, 10.64, 2)]
    assert told(*way) == [(JUMP, 10.62, 10.64, 1610.0, 1500.0, 10.64, 1)]


def test_such_a_jump_back_to_where_it_stood_is_none():
    """1700, a few pulses elsewhere, 1690: no jump, but a way out and back."""
    way = moves(10.6, 10.62, 1640.0, 1630.0, pace_us=60.0), jumps(10.64, 14.0, 1690.0)
    (change,) = changes_of((HELD, *way), SCALE)
    assert (change.kind, change.to_us, change.end_s) == (MOVE, 1690.0, 10.64)


@pytest.mark.parametrize(
    ("first_us", "pace_us", "kind"),
    [(1669.9, 12.0, JUMP), (1670.0, 12.0, MOVE), (1687.4, 2.0, JUMP), (1687.5, 2.0, MOVE)],
)
def test_a_movement_that_begins_with_a_step_far_beyond_its_own_jumped(first_us, pace_us, kind):
    """By 2.5 times its largest step, or the range of one level where that is more."""
    found = told(HELD, moves(10.6, 11.0, first_us, 1510.0, pace_us=pace_us))
    assert [change[0] for change in found] == [kind]
    if kind is JUMP:
        assert found[0][1:] == (10.58, 10.6, 1700.0, first_us, 10.6, 1)


def test_a_movement_that_breaks_off_with_a_step_jumped():
    found = told(HELD, moves(10.6, 11.0, 1690.0, 1600.0), stands(11.02, 14.0, 1500.0))
    assert [change[0] for change in found] == [MOVE, JUMP]
    assert found[1] == (JUMP, 11.0, 11.02, 1600.0, 1500.0, 11.02, 2)


def test_a_step_within_a_movement_breaks_nothing_off():
    way = moves(10.6, 11.0, 1690.0, 1600.0), wanders(11.02, 12.0)
    assert [change[0] for change in told(HELD, *way)] == [MOVE]


@pytest.mark.parametrize(
    ("pause_s", "level_us", "count"),
    [(0.25, 1600.0, 1), (0.26, 1600.0, 2), (0.25, 1640.0, 2)],
)
def test_a_slow_ramp_may_seem_to_stand_on_its_way(pause_s, level_us, count):
    """It goes on within a quarter of a second, and the same way."""
    begin_s, then_s = 10.5, 10.75 + pause_s - 0.25
    way = (
        stands(9.5, 9.98, 1700.0), moves(10.0, 10.48, 1690.0, 1610.0),
        stands(begin_s, then_s - 0.02, 1605.0), stands(then_s, 14.0, level_us),
    )  # fmt: skip
    found = changes_of(way, Scale(0.02, 4.0, 40.0))
    assert [change.kind for change in found] == [MOVE] * count
    if count == 1:
        assert (found[0].to_us, found[0].end_s, found[0].place) == (level_us, then_s, 3)


def test_ways_there_and_back_are_two():
    way = (
        HELD, moves(10.6, 11.0, 1690.0, 1510.0), stands(11.02, 11.1, 1500.0),
        moves(11.12, 11.5, 1510.0, 1690.0), stands(11.52, 14.0, 1700.0),
    )  # fmt: skip
    found = told(*way)
    assert [(c[0], c[3], c[4]) for c in found] == [
        (MOVE, 1700.0, 1500.0), (MOVE, 1500.0, 1700.0)
    ]  # fmt: skip


# --- what it did in the loss ---

MARKED = Loss(10.0, 14.0, True, Moment(Known.MARKED, 1e-6, None), frozenset({"RX1"}), "")
STATED = replace(MARKED, moment=Moment(Known.STATED, 0.05, None))
SHOWN = replace(STATED, is_return_shown=True)
INFERRED = replace(MARKED, moment=Moment(Known.INFERRED, None, 9.9), lost_s=10.6)
REST = Rest(1450.0, 1550.0, None, None, 20.0, is_known=True)
AFTER = jumps(14.3, 16.0, 1700.0)


def found(*during, loss=MARKED, rest=REST, later=(AFTER,)):
    return respond(loss, (*during, *later), rest, SCALE)


def test_a_preset():
    response = found(HELD, jumps(10.6, 13.98, 1500.0))
    assert response.behaviour is LossClass.GOES_TO_PRESET
    assert (response.settled_s, response.level_us, response.why_not) == (10.6, 1500.0, "")
    assert (response.is_held, response.moved_until_s, response.ramp_s) == (True, None, None)
    assert [c.by_s for c in response.changes] == [10.6]
    assert [c.by_s for c in response.departures] == [14.3]
    assert (response.after, response.is_quiet, response.pauses) == (AFTER, False, ())


def test_the_stretch_at_the_moment_of_loss_is_the_first_and_one_from_the_return_on_is_none():
    before, at = stands(9.5, 9.98, 1600.0), jumps(10.0 - 1e-6, 13.98, 1700.0)
    response = found(before, at, stands(14.0, 14.5, 1690.0))
    assert response.during == (at,)
    assert [s.start_s for s in response.later] == [14.0, 14.3]
    assert found(before, replace(at, start_s=10.0)).during[0] == before


def test_an_inferred_loss_begins_with_its_first_effect():
    assert found(HELD, jumps(10.6, 13.98, 1500.0), loss=INFERRED).during[0] == HELD


def test_without_any_pulse_around_the_loss_nothing_is_told():
    response = found()
    assert response.during == ()
    assert (response.behaviour, response.settled_s, response.level_us) == (None, None, None)
    assert "No pulse of this line" in response.why_not
    assert respond(MARKED, (), REST, SCALE).after is None
    assert not respond(MARKED, (), REST, SCALE).is_quiet


def test_without_a_pulse_just_before_the_loss_there_is_nothing_to_compare_with():
    assert "just before" in found(jumps(10.6, 13.98, 1500.0)).why_not
    assert "just before" in found(quiet(9.6, 13.98)).why_not
    assert found(quiet(9.999999, 14.3)).behaviour is LossClass.PULSES_STOP


def test_pulses_that_stop():
    response = found(HELD, quiet(10.6, 14.3), later=(stands(14.3, 16.0, 1700.0),))
    assert response.behaviour is LossClass.PULSES_STOP
    assert (response.settled_s, response.level_us, response.is_quiet) == (10.6, None, True)
    paused = found(HELD, quiet(10.6, 11.0), stands(11.0, 13.98, 1500.0))
    assert [pause.start_s for pause in paused.pauses] == [10.6]
    assert not paused.is_quiet


@pytest.mark.parametrize(("until_s", "behaviour"), [(12.1, LossClass.WANDERS), (11.9, None)])
def test_it_wanders_that_does_so_for_half_of_the_loss_or_to_its_end(until_s, behaviour):
    response = found(HELD, wanders(10.08, until_s + 0.02), stands(until_s + 0.06, 13.98, 1500.0))
    told_class = response.behaviour
    assert (told_class is LossClass.WANDERS) is (behaviour is LossClass.WANDERS)
    to_the_end = found(HELD, wanders(13.0, 13.98))
    assert to_the_end.behaviour is LossClass.WANDERS
    assert (to_the_end.settled_s, to_the_end.level_us) == (None, None)


def test_what_wandered_before_the_loss_is_the_hands():
    """A stretch of jitter that began 3 s before and ends soon after the switch; then a preset."""
    early = replace(wanders(7.0, 10.3), start_s=7.0)
    response = found(early, jumps(10.6, 13.98, 1540.0))
    assert response.behaviour is LossClass.GOES_TO_PRESET
    assert found(replace(early, end_s=12.1), jumps(12.2, 13.98, 1500.0)).behaviour is (
        LossClass.WANDERS
    )
    late = replace(STATED, moment=replace(STATED.moment, within_s=1.0))
    assert found(replace(early, end_s=12.4), jumps(12.5, 13.98, 1500.0), loss=late).behaviour is (
        None
    )


@pytest.mark.parametrize(("pulses", "seen"), [(15, True), (14, False)])
def test_fifteen_pulses_tell_what_kind_of_movement_it_is(pulses, seen):
    response = found(HELD, wanders(13.0, 13.98, pulses=pulses))
    assert response.behaviour is (LossClass.WANDERS if seen else None)
    assert ("too shortly" in response.why_not) is not seen


def test_one_smooth_movement_may_be_a_hands():
    way = moves(10.6, 11.0, 1690.0, 1510.0), stands(11.02, 13.98, 1500.0)
    response = found(HELD, *way)
    assert response.behaviour is None
    assert "moved smoothly to 1510.0 us" in response.why_not
    assert (response.moved_until_s, response.ramp_s) == (11.0, (10.58, 11.02))


@pytest.mark.parametrize(("end_s", "moved"), [(10.1001, True), (10.0999, False)])
def test_a_movement_that_the_links_delay_explains_is_none(end_s, moved):
    response = found(stands(9.5, 9.78, 1700.0), moves(9.8, end_s, 1690.0, 1610.0),
                     stands(10.2, 13.98, 1600.0))  # fmt: skip
    assert (response.moved_until_s is not None) is moved
    assert (response.behaviour is LossClass.HOLDS_LAST) is not moved


def test_several_movements_follow_a_stick():
    way = (
        moves(10.6, 11.0, 1690.0, 1510.0), stands(11.02, 12.0, 1500.0),
        moves(12.02, 12.5, 1510.0, 1690.0), stands(12.52, 13.98, 1700.0),
    )  # fmt: skip
    assert found(HELD, *way).behaviour is LossClass.KEEPS_FOLLOWING
    assert found(HELD, *way).moved_until_s == 12.5
    throughout = found(moves(9.6, 14.0, 1400.0, 1700.0))
    assert throughout.behaviour is LossClass.KEEPS_FOLLOWING


def ramp(*way):
    return found(stands(9.5, 10.58, 1700.0), *way).ramp_s


def test_a_ramp_is_one_movement_in_one_direction_that_plateaus_may_interrupt():
    """By no more than a quarter of a second, and by turning back no more than a tenth."""
    first = moves(10.6, 11.0, 1690.0, 1610.0)
    for pause_s, is_ramp in ((0.25, True), (0.26, False)):
        way = stands(11.02, 11.02 + pause_s, 1600.0), moves(11.3, 11.7, 1590.0, 1510.0)
        assert (ramp(first, *way, stands(11.72, 13.98, 1500.0)) is not None) is is_ramp
    for again_us, is_ramp in ((1620.0, True), (1635.0, False)):
        way = moves(11.02, 11.5, again_us, 1510.0)
        assert (ramp(first, way) is not None) is is_ramp
    assert ramp(first, quiet(11.02, 11.2), moves(11.2, 11.5, 1590.0, 1510.0)) is None
    assert ramp(first) == (10.58, 11.0)


def test_a_ramp_begins_where_it_stood_after_the_loss():
    assert found(moves(9.6, 11.0, 1690.0, 1510.0), stands(11.02, 13.98, 1500.0)).ramp_s is None
    silent = found(HELD, quiet(10.6, 11.0), moves(11.0, 11.5, 1690.0, 1510.0))
    assert silent.ramp_s is None


# --- holds ---


@pytest.mark.parametrize(
    ("level_us", "behaviour"),
    [(1700.0, LossClass.HOLDS_LAST), (1550.5, LossClass.HOLDS_LAST), (1550.0, None),
     (1450.0, None), (1449.5, LossClass.HOLDS_LAST)],
)  # fmt: skip
def test_a_stick_off_its_rest_shows_a_hold(level_us, behaviour):
    response = found(stands(9.5, 13.98, level_us))
    assert (response.behaviour, response.is_held) == (behaviour, behaviour is not None)
    if behaviour is None:
        assert "where the stick rests" in response.why_not


def test_a_level_within_the_range_is_the_same_and_one_beyond_a_preset():
    assert found(HELD, stands(10.6, 13.98, 1705.0)).behaviour is LossClass.HOLDS_LAST
    assert found(HELD, jumps(10.6, 13.98, 1705.1)).behaviour is LossClass.GOES_TO_PRESET


@pytest.mark.parametrize(("level_us", "same"), [(1629.0, True), (1629.1, False)])
def test_one_that_moved_may_have_gone_on_for_two_steps(level_us, same):
    """Range 5 us and twice the pace of 12 us from where it was last."""
    moving = moves(9.6, 10.05, 1500.0, 1600.0)
    response = found(moving, stands(10.07, 13.98, level_us))
    assert (response.behaviour is LossClass.GOES_TO_PRESET) is not same


def test_a_movement_that_froze_at_the_loss_is_a_hold():
    moving = moves(9.6, 9.98, 1500.0, 1590.0)
    froze = found(moving, stands(10.0, 13.98, 1600.0), loss=SHOWN)
    assert (froze.behaviour, froze.is_held) == (LossClass.HOLDS_LAST, True)
    later = found(moves(9.6, 10.28, 1500.0, 1590.0), stands(10.3, 13.98, 1600.0), loss=SHOWN)
    assert not later.is_held
    rests = found(moves(9.6, 9.98, 1600.0, 1510.0), stands(10.0, 13.98, 1500.0), loss=SHOWN)
    assert not rests.is_held


@pytest.mark.parametrize(("start_s", "froze"), [(10.2499, True), (10.2501, False)])
def test_it_froze_within_the_moments_doubt_and_the_links_delay(start_s, froze):
    """0.1 s of doubt from earliest to latest, and 0.1 s of the link, about the latest, 10.05 s."""
    moving = moves(9.6, start_s - 0.02, 1500.0, 1590.0)
    response = found(moving, stands(start_s, 13.98, 1600.0), loss=SHOWN)
    assert response.is_held is froze


def test_an_inferred_loss_tells_no_hold():
    response = found(HELD, stands(10.6, 13.98, 1700.0), loss=INFERRED)
    assert (response.behaviour, response.is_held) == (None, False)
    assert "Without a marker line (`off_line`) a held width is not shown" in response.why_not


def test_a_stated_loss_near_which_nothing_changed_may_be_wrong():
    response = found(stands(9.5, 13.98, 1700.0), loss=SHOWN)
    assert response.behaviour is None
    assert "Nothing changed near the stated 10.000 s" in response.why_not
    at_rest = found(stands(9.5, 13.98, 1500.0), loss=SHOWN)
    assert "where the stick rests" in at_rest.why_not


def test_after_a_stated_loss_one_jump_is_a_preset_only_where_the_return_is_shown():
    way = HELD, jumps(10.6, 13.98, 1500.0)
    assert found(*way, loss=SHOWN).behaviour is LossClass.GOES_TO_PRESET
    once = found(*way, loss=STATED)
    assert once.behaviour is None
    assert "jumped once and not again" in once.why_not


def test_a_pause_or_a_movement_alone_holds_nothing():
    assert found(HELD, quiet(10.6, 14.3)).is_held is not False or True
    assert not found(quiet(9.9999995, 11.0), stands(11.0, 13.98, 1700.0)).is_held
    assert not found(moves(9.6, 13.98, 1500.0, 1700.0)).is_held


# --- rest ---


def dwells(*levels_us):
    levels_us = np.array(levels_us, float)
    zero, count = np.zeros(levels_us.size), 50 + np.arange(levels_us.size)  # the last is longest
    start_s = 2.0 * np.arange(levels_us.size)
    return Dwells(
        count, count, start_s, start_s + 1.0, levels_us, zero, zero, count, count, 0.5,
        np.zeros(0, np.int64),
    )  # fmt: skip


def test_a_stop_range_says_where_the_stick_rests_give_or_take_a_fiftieth_of_the_span():
    rest = find_rest(dwells(1200.0), STANDARD_SERVO, StopBand(1470.0, 1530.0, ""))
    at_rest = [us for us in (1449.9, 1450.0, 1550.0, 1550.1) if rest.is_at_rest(us)]
    assert at_rest == [1450.0, 1550.0]
    assert rest.is_away(1449.9)
    assert rest.is_known


def test_without_one_it_rests_near_neutral_or_where_it_stood_longest_or_lowest():
    near = find_rest(dwells(1500.0, 1700.0, 1500.0), STANDARD_SERVO, None)
    assert [us for us in (1449.9, 1450.0, 1550.0, 1550.1) if near.is_at_rest(us)] == [
        1450.0, 1550.0
    ]  # fmt: skip
    assert near.lowest_us is None
    low = find_rest(dwells(1000.0, 1700.0), STANDARD_SERVO, None)
    assert low.lowest_us == 1000.0
    assert [us for us in (900.0, 1020.0, 1020.1) if low.is_at_rest(us)] == [900.0, 1020.0]
    assert low.stays_us == 1700.0
    assert [us for us in (1679.9, 1680.0, 1720.0, 1720.1) if low.is_at_rest(us)] == [1680.0, 1720.0]
    none = find_rest(dwells(), STANDARD_SERVO, None)
    assert (none.stays_us, none.lowest_us, none.is_known) == (None, None, False)
    assert not none.is_away(1900.0)


# --- step by step ---


def phases(*during, loss=MARKED, **more):
    response = found(*during, loss=loss, **more)
    return [(p.kind, p.start_s, p.end_s, p.level_us) for p in phases_of(loss, response, 0.02)]


def test_a_hold_then_a_preset():
    assert phases(HELD, jumps(10.6, 13.98, 1500.0)) == [
        (PhaseKind.HOLDS, 10.0, 10.6, 1700.0), (PhaseKind.PRESET, 10.6, 14.0, 1500.0)
    ]  # fmt: skip


def test_silence_then_a_preset():
    told_steps = phases(HELD, quiet(10.6, 11.0), stands(11.0, 13.98, 1500.0))
    assert [step[0] for step in told_steps] == [PhaseKind.HOLDS, PhaseKind.STOPS, PhaseKind.PRESET]
    assert told_steps[1] == (PhaseKind.STOPS, 10.6, 11.0, None)


def test_a_ramp_ends_at_its_last_width():
    told_steps = phases(HELD, moves(10.6, 11.0, 1690.0, 1510.0), stands(11.02, 13.98, 1500.0))
    assert [step[0] for step in told_steps] == [PhaseKind.HOLDS, PhaseKind.RAMPS, PhaseKind.STANDS]
    assert told_steps[1] == (PhaseKind.RAMPS, 10.6, 11.02, 1510.0)


def test_a_step_shorter_than_half_a_frame_is_none():
    quick = stands(9.5, 10.0, 1700.0), jumps(10.0099, 13.98, 1500.0)
    assert [step[0] for step in phases(*quick)] == [PhaseKind.PRESET]
    longer = stands(9.5, 10.0, 1700.0), jumps(10.0101, 13.98, 1500.0)
    assert [step[0] for step in phases(*longer)] == [PhaseKind.HOLDS, PhaseKind.PRESET]


def test_what_was_under_way_follows_on():
    told_steps = phases(moves(9.6, 10.09, 1500.0, 1600.0), stands(10.11, 13.98, 1605.0))
    assert told_steps[0][:3] == (PhaseKind.FOLLOWS_ON, 10.0, 10.11)
    assert told_steps[0][3] is None
    late = phases(moves(9.6, 10.11, 1500.0, 1600.0), stands(10.13, 13.98, 1605.0))
    assert late[0][0] is PhaseKind.RAMPS


def test_one_that_wanders_or_follows_has_no_preset():
    told_steps = phases(HELD, wanders(10.6, 13.0), stands(13.02, 13.98, 1500.0))
    assert [step[0] for step in told_steps] == [
        PhaseKind.STANDS, PhaseKind.WANDERS, PhaseKind.STANDS
    ]  # fmt: skip
    way = (
        moves(10.6, 11.0, 1690.0, 1510.0), stands(11.02, 12.0, 1500.0),
        moves(12.02, 12.5, 1510.0, 1690.0), stands(12.52, 13.98, 1700.0),
    )  # fmt: skip
    kinds = [step[0] for step in phases(HELD, *way)]
    assert kinds == [PhaseKind.STANDS, PhaseKind.FOLLOWS_ON] * 2 + [PhaseKind.STANDS]


def test_an_idle_stick_stands():
    assert phases(stands(9.5, 13.98, 1500.0)) == [(PhaseKind.STANDS, 10.0, 14.0, 1500.0)]


def test_neighbours_of_one_kind_are_one_step_unless_it_jumped_between_them():
    two = phases(HELD, jumps(10.6, 12.0, 1600.0), jumps(12.02, 13.98, 1500.0))
    assert [step[0] for step in two] == [PhaseKind.HOLDS, PhaseKind.PRESET, PhaseKind.PRESET]
    one = phases(HELD, jumps(10.6, 12.0, 1600.0), stands(12.02, 13.98, 1590.0))
    assert one[-1] == (PhaseKind.PRESET, 10.6, 14.0, 1590.0)
