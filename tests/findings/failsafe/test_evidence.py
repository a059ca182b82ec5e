"""What bears on one loss: given these pulses, stretches and other lines, this evidence."""

import math
from dataclasses import replace

import numpy as np
import pytest
from loss_drill import REST, Drill, check, holds, preset, ramps, sheet_of, steps, stops

from pwmscope.bench import StopBand
from pwmscope.findings.failsafe import Known, Loss, LossClass
from pwmscope.findings.failsafe.coincidence import (
    IN_STEP,
    _moving_together,
)
from pwmscope.findings.failsafe.delays import (
    MACHINE_ODDS,
    goes_to_own,
    is_own_width,
    placed_odds,
    pull_odds,
    range_odds,
)
from pwmscope.findings.failsafe.evidence import _entry_at, _has_slowed, _with_ramp
from pwmscope.findings.failsafe.losses import Moment, Output
from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.response import (
    Change,
    ChangeKind,
    Response,
    entry_place,
)
from pwmscope.findings.failsafe.segments import Kind, Stretch
from pwmscope.findings.failsafe.watched import (
    Watched,
)
from pwmscope.pulses import STANDARD_SERVO, PulseTable

BAND = StopBand(1470.0, 1530.0, "")
FRAME_S = 0.02
NAN = math.nan


def line_of(rise_s, width_us, *, range_us=5.0, interval_us=1.0, band=BAND, expected=None):
    rise_s = np.asarray(rise_s, float)
    width_us = np.broadcast_to(np.asarray(width_us, float), rise_s.shape).copy()
    flags = np.zeros(rise_s.size, np.uint8)
    period_us = np.append(np.diff(rise_s) * 1e6, np.nan)
    table = PulseTable(
        "RX1", rise_s, width_us, period_us, flags, False, STANDARD_SERVO, interval_us
    )
    expected = expected or Expectation("drive-left", band, True, True)
    return Watched(Output(table, None, FRAME_S * 1e6), expected, (), (), (), range_us)


def stands(start_s, end_s, level_us, *, jumped=True):
    return Stretch(Kind.STANDS, start_s, end_s, level_us, level_us, level_us, 0.5, 50, jumped)


def quiet(start_s, end_s):
    return Stretch(Kind.QUIET, start_s, end_s, NAN, NAN, NAN, NAN, 0, jumped=False)


def moves(start_s, end_s, from_us, to_us, kind=Kind.MOVES):
    mean_us = 0.5 * (from_us + to_us)
    return Stretch(kind, start_s, end_s, from_us, to_us, mean_us, 12.0, 20, jumped=False)


# --- the frame rate ---


def rates(before_s, with_s, later_s, *, before=20, later=20):
    """Frames of one period up to 10 s, one of another, and frames of a third from there on."""
    early_s = 10.0 - before_s * np.arange(before)[::-1]
    late_s = 10.0 + with_s + later_s * np.arange(later)
    line = line_of(np.concatenate([early_s, late_s]), 1500.0)
    lost = (Loss(10.0, 20.0, True, Moment(Known.MARKED, 0.0, None), frozenset(), ""),)
    return _has_slowed(line, np.array([10.0, NAN]), np.array([10.0 + with_s, NAN]), lost).tolist()


@pytest.mark.parametrize(
    ("with_s", "later_s", "found"),
    [
        (0.0231, 0.0231, True),
        (0.0231, 0.0229, False),
        (0.0229, 0.0231, False),
        (0.0169, 0.0169, True),
        (0.0171, 0.0169, False),
        (0.0169, 0.0171, False),
        (0.0231, 0.0169, False),
        (0.02, 0.02, False),
    ],
)
def test_a_frame_rate_has_changed_that_differs_by_more_than_15_percent(with_s, later_s, found):
    assert rates(0.02, with_s, later_s) == [found, False]


@pytest.mark.parametrize(
    ("before", "later", "found"), [(9, 10, True), (8, 10, False), (9, 9, True), (9, 8, False)]
)
def test_eight_frames_on_either_side_tell_the_rate(before, later, found):
    assert rates(0.02, 0.05, 0.05, before=before, later=later)[0] is found


def test_the_usual_rate_is_that_of_most_frames_outside_the_losses():
    """Six of ten frames before take 20 ms."""
    early_s = 10.0 - np.cumsum([0.0, *[0.04] * 4, *[0.02] * 6])[::-1]
    lost = (Loss(10.0, 20.0, True, Moment(Known.MARKED, 0.0, None), frozenset(), ""),)
    for later_s, found in ((0.0229, False), (0.0231, True)):
        line = line_of(np.concatenate([early_s, 10.0 + later_s * np.arange(1, 20)]), 1500.0)
        told = _has_slowed(line, np.array([10.0]), np.array([10.0 + later_s]), lost)
        assert told.tolist() == [found]


@pytest.mark.parametrize(("back_s", "found"), [(21.0, False), (12.5, True)])
def test_frames_before_a_late_return_are_not_the_usual_ones(back_s, found):
    """The switch is on at 12 s, the link back at 21 s: slow frames between are the loss's.

    A hand moved the output at 10.7 s, in frames as usual; with most frames slow they seemed fast.
    """
    rise_s = np.concatenate([np.arange(9.5, 11.0, 0.02), np.arange(11.0, 21.0, 0.06),
                             np.arange(21.0, 22.5, 0.02)])  # fmt: skip
    back = Change(ChangeKind.JUMP, back_s - 0.06, back_s, 1500.0, 1700.0, back_s, 2)
    response = Response(
        LossClass.GOES_TO_PRESET, "", 10.7, 1500.0, True, (), None, (), None, (), (back,)
    )
    line = replace(line_of(rise_s, 1500.0), places=(0,), responses=(response,))
    lost = (Loss(10.0, 12.0, True, Moment(Known.MARKED, 0.0, None), frozenset(), ""),)
    told = _has_slowed(line, np.array([10.68]), np.array([10.7]), lost)
    assert told.tolist() == [found]


# --- a width of its own ---


def own_at_once(width_us, resting_us=(1500.0,), *, end_s=10.0, after_us=None, **more):
    """Pulses from 10 s on, and from 10.25 s on perhaps others."""
    rise_s = np.arange(9.0, 12.0, FRAME_S) + 1e-4
    widths_us = np.where(rise_s < 10.0, 1700.0, width_us)
    if after_us is not None:
        widths_us[rise_s > 10.25] = after_us
    line = line_of(rise_s, widths_us, **more)
    return goes_to_own(line, np.array([end_s, NAN]), np.array(resting_us)).tolist()


# 13 pulses in a quarter of a second: 1 us + 4 * 0.5 us * sqrt(1.3 / 13) = 1.63 us, less than 3 us.
@pytest.mark.parametrize(
    ("width_us", "found"),
    [(1503.1, True), (1502.9, False), (1496.9, True), (1529.9, True), (1531.0, False),
     (1470.1, True), (1469.0, False)],
)  # fmt: skip
def test_a_line_goes_at_once_to_a_width_of_its_own_in_the_stop_range(width_us, found):
    assert own_at_once(width_us) == [found, False]


def test_it_is_compared_with_the_nearest_width_of_its_stick():
    assert own_at_once(1510.0, (1500.0, 1512.0)) == [False, False]
    assert own_at_once(1510.0, (1500.0, 1520.0)) == [True, False]
    assert own_at_once(1510.0, ()) == [False, False]


def test_only_a_quarter_of_a_second_after_the_change_counts():
    assert own_at_once(1510.0, after_us=1490.0)[0]
    assert not own_at_once(1500.0, after_us=1520.0)[0]


def test_doubt_is_a_sample_and_four_deviations_of_the_mean():
    """Range 85 us at 5 us a sample: noise 10 us, 4 * 10 * sqrt(1.3 / 13) + 5 = 17.65 us."""
    noisy = {"range_us": 85.0, "interval_us": 5.0}
    assert own_at_once(1517.9, **noisy)[0]
    assert not own_at_once(1517.4, **noisy)[0]
    assert own_at_once(1516.0, range_us=85.0, interval_us=None)[0] is (16.0 > 4 * 10.625 * 0.3163)


@pytest.mark.parametrize(("end_s", "found"), [(11.98, True), (12.5, False)])
def test_a_pulse_is_needed_after_the_change(end_s, found):
    assert own_at_once(1510.0, end_s=end_s)[0] is found


def test_without_a_stop_range_any_width_of_its_own_counts():
    bare = Expectation()
    assert own_at_once(1600.0, expected=bare)[0]
    assert not own_at_once(1600.0)[0]


LOSS = Loss(10.0, 14.0, True, Moment(Known.MARKED, 0.0, None), frozenset({"RX1"}), "")
HELD, IN = stands(9.5, 10.58, 1700.0, jumped=False), stands(10.6, 13.98, 1510.0)
ENTRY = Change(ChangeKind.JUMP, 10.58, 10.6, 1700.0, 1510.0, 10.6, 1)
RESPONSE = Response(LossClass.GOES_TO_PRESET, "", 10.6, 1510.0, True, (HELD, IN), None)


def own_width(
    points, *, resting_us=(1500.0,), loss=LOSS, entry=ENTRY, during=(HELD, IN), limit_s=2.0, **more
):
    """Whether it stands at a width of its own that goes along points of time and width."""
    rise_s = np.arange(9.0, 14.0, FRAME_S)
    line = line_of(rise_s, np.interp(rise_s, *np.array(points).T), **more)
    response = replace(RESPONSE, during=during)
    return is_own_width(line, loss, response, entry, np.array(resting_us), limit_s)


def at(width_us):
    return ((9.0, 1700.0), (10.58, 1700.0), (10.6, width_us), (14.0, width_us))


@pytest.mark.parametrize(("width_us", "found"), [(1503.1, True), (1502.9, False), (1496.9, True)])
def test_a_width_of_its_own_is_three_thousandths_of_the_span_from_the_sticks(width_us, found):
    assert own_width(at(width_us)) is found


def test_it_is_a_width_of_its_own_only_where_a_stick_was_seen_at_rest():
    assert not own_width(at(1510.0), resting_us=())
    assert not own_width(at(1510.0), entry=None)
    assert not own_width(at(1510.0), resting_us=(1500.0, 1511.0))


def test_noise_needs_a_width_further_off():
    """Some 67 pulses from 10.66 to 12 s: 5 + 4 * 10 * sqrt(1.3 / 67) = 10.6 us."""
    noisy = {"range_us": 85.0, "interval_us": 5.0}
    assert own_width(at(1511.0), **noisy)
    assert not own_width(at(1510.2), **noisy)


def test_it_stands_there_when_the_limit_is_over():
    """A stop range left again: 1510 us to 11.5 s, then at the stick's own width."""
    left = (*at(1510.0)[:3], (11.5, 1510.0), (11.52, 1500.0), (14.0, 1500.0))
    during = (HELD, stands(10.6, 11.5, 1510.0), stands(11.52, 13.98, 1500.0))
    assert not own_width(left, during=during)
    assert own_width(left, during=during, limit_s=1.4)


@pytest.mark.parametrize(("slope_us", "found"), [(1.1, True), (1.4, False)])
def test_what_still_moves_towards_a_sticks_width_is_on_its_way(slope_us, found):
    """Halves that differ by 12 % of the way in a second; from 10.66 to 12 s at 1510 us on average.

    The mean of the halves differs by half the time's drift: 0.67 s times the slope.
    """
    drift = ((9.0, 1700.0), (10.58, 1700.0), (10.6, 1510.0 - 0.7 * slope_us * 2),
             (12.0, 1510.0 + 0.7 * slope_us * 2), (14.0, 1580.0))  # fmt: skip
    assert own_width(drift) is found


def test_unless_it_ends_where_it_stood_when_the_limit_was_over():
    swings = (*at(1510.0)[:2], (10.6, 1506.0), (12.0, 1514.0), (13.4, 1510.0), (14.0, 1510.0))
    assert own_width(swings)
    elsewhere = (*swings[:-2], (13.4, 1520.0), (14.0, 1520.0))
    assert not own_width(elsewhere)


def test_a_ramp_settles_before_its_width_counts():
    ramp = replace(ENTRY, kind=ChangeKind.MOVE, end_s=11.9)
    assert not own_width(at(1510.0), entry=ramp)
    assert own_width(at(1510.0), entry=replace(ramp, end_s=11.2))


@pytest.mark.parametrize(
    ("within_s", "found"), [(0.0, True), (0.05, True), (0.5, True), (0.52, False), (2.1, False)]
)
def test_it_stood_there_whenever_the_loss_began(within_s, found):
    """It stands there from 11.2 s on: the limit after the earliest moment must not be before."""
    late = ((9.0, 1700.0), (11.18, 1700.0), (11.2, 1510.0), (14.0, 1510.0))
    entry = replace(ENTRY, after_s=11.18, by_s=11.2, end_s=11.2)
    during = (stands(9.5, 11.18, 1700.0, jumped=False), stands(11.2, 13.98, 1510.0))
    stated = replace(LOSS, moment=Moment(Known.STATED, within_s, None))
    assert own_width(late, loss=stated, entry=entry, during=during) is found


# --- the same width each time ---


def placed_at(*levels_us, resting_us=(1500.0,), interval_us=1.0, kind=Kind.STANDS):
    """The odds where, in as many losses, an output came from 1700 us to these levels."""
    starts_s = 11.0 + 10.0 * np.arange(len(levels_us))
    rise_s = np.add.outer(starts_s, np.arange(0.0, 1.0, FRAME_S))
    width_us = np.repeat(levels_us, rise_s.shape[1])
    line = line_of(rise_s.ravel(), width_us, interval_us=interval_us)
    responses = tuple(
        replace(
            RESPONSE,
            during=(
                HELD,
                replace(IN, start_s=start_s, end_s=start_s + 1.0, level_us=level_us, kind=kind),
            ),
        )
        for start_s, level_us in zip(starts_s, levels_us, strict=True)
    )
    line = replace(line, responses=responses, places=tuple(range(len(levels_us))))
    return placed_odds(line, len(levels_us), np.array(resting_us), BAND).tolist()


def test_a_hand_puts_a_stick_to_one_place_within_a_hundredth_of_the_span():
    """Widths that differ by 4 us and a sample of 1 us, of a hand that scatters by 10 us."""
    odds = placed_at(1515.0, 1517.0, 1519.0)
    assert odds == [range_odds(3, 0.5)] * 3
    assert placed_at(1515.0) == [1.0]
    assert placed_at(1515.0, 1500.0, 1519.0) == [range_odds(2, 0.5), 1.0, range_odds(2, 0.5)]


@pytest.mark.parametrize(
    ("level_us", "counts"), [(1508.1, True), (1504.9, False), (1495.1, False), (1491.9, True)]
)
def test_a_stick_let_go_rests_within_five_thousandths_of_the_span(level_us, counts):
    assert (placed_at(level_us, level_us + 0.0)[0] < 1.0) is counts


def test_a_width_is_its_own_only_where_the_stick_was_seen_at_rest():
    assert placed_at(1515.0, 1515.0, resting_us=()) == [1.0, 1.0]
    assert placed_at(1515.0, 1515.0, resting_us=(1500.0, 1512.0)) == [1.0, 1.0]
    assert placed_at(1515.0, 1515.0, kind=Kind.MOVES) == [1.0, 1.0]


@pytest.mark.parametrize("interval_us", [0.1, 1.0, 5.0])
def test_widths_in_one_sample_may_differ_by_it(interval_us):
    """Two hands that put a stick within one sample of 5 us of one another are no machine."""
    least = range_odds(2, round(interval_us / 10.0, 3))
    assert placed_at(1518.0, 1518.0, interval_us=interval_us)[0] >= least > MACHINE_ODDS


# --- where standing still began ---

EXPECTED = Expectation("drive-left", BAND, True, True)


def placed(*during, expected=EXPECTED):
    return entry_place(replace(RESPONSE, during=during), expected)


def test_standing_still_begins_where_the_device_stood_still_from_then_on():
    low, high = stands(11.0, 12.0, 1480.0), stands(12.0, 14.0, 1520.0)
    assert placed(HELD, IN) == 1
    assert placed(HELD, low, high) == 1
    assert placed(low, high) == 0
    assert placed(HELD, quiet(10.6, 11.0), low) == 1
    assert placed(HELD, stands(10.6, 11.0, 1600.0), low) == 2
    assert placed(HELD, moves(10.6, 11.0, 1700.0, 1500.0), low) == 2
    unknown = replace(EXPECTED, no_pulses_stop=None)
    assert placed(HELD, quiet(10.6, 11.0), low, expected=unknown) == 2
    assert placed(HELD, low, high, expected=replace(EXPECTED, band=None)) == 2


def changed(place, kind=ChangeKind.JUMP, after_s=10.58):
    return Change(kind, after_s, after_s + 0.02, 1700.0, 1510.0, after_s + 0.02, place)


@pytest.mark.parametrize(
    ("changes", "found"),
    [
        ((changed(1),), 0),
        ((changed(2),), -1),
        ((changed(2, ChangeKind.MOVE, 10.58),), 0),
        ((changed(2, ChangeKind.MOVE, 10.6),), -1),
        ((), -1),
        ((changed(0), changed(1)), 1),
        ((*[changed(0)] * 5, changed(1)), 3),  # of the last four
    ],
)
def test_which_change_it_began_with(changes, found):
    assert _entry_at(replace(RESPONSE, changes=changes), EXPECTED) == found


def test_no_change_began_what_stood_still_before():
    still = replace(RESPONSE, during=(IN,), changes=(changed(0),))
    assert _entry_at(still, EXPECTED) == -1


# --- ramps, and lines that move as one ---


@pytest.mark.parametrize(("level_us", "found"), [(1694.9, True), (1695.0, False), (1705.1, True)])
def test_a_machines_movement_is_its_way_to_a_preset(level_us, found):
    open_ = Response(
        None, "It moved.", None, None, True,
        (HELD, moves(10.6, 11.0, 1690.0, 1510.0), stands(11.02, 13.98, level_us)), 11.0,
    )  # fmt: skip
    told = _with_ramp(open_, 5.0)
    assert told.moved_until_s is None
    if found:
        assert (told.behaviour, told.why_not) == (LossClass.GOES_TO_PRESET, "")
        assert (told.settled_s, told.level_us) == (11.02, level_us)
    else:
        assert told.behaviour is None


def test_what_is_told_already_or_still_moves_stays_as_it_is():
    holds_on = replace(RESPONSE, behaviour=LossClass.HOLDS_LAST, moved_until_s=11.0)
    assert _with_ramp(holds_on, 5.0).behaviour is LossClass.HOLDS_LAST
    moving = replace(RESPONSE, behaviour=None, during=(HELD, moves(10.6, 13.9, 1690.0, 1510.0)))
    assert _with_ramp(moving, 5.0).behaviour is None


def wave(far_us, noise_us=0.0, seed=1):
    rise_s = np.arange(9.0, 15.0, FRAME_S)
    noise = np.random.default_rng(seed).normal(0.0, 1.0, rise_s.size) * noise_us
    return rise_s, 1500.0 + far_us * np.sin(3.0 * rise_s) + noise


@pytest.mark.parametrize(
    ("first_us", "second_us", "noise_us", "found"),
    [
        (200.0, 100.0, 0.0, True),
        (200.0, -100.0, 0.0, True),
        (200.0, 26.0, 0.0, False),  # 18.9 us of deviation
        (200.0, 30.0, 0.0, True),
        (200.0, 100.0, 20.0, True),  # correlation 0.96
        (200.0, 100.0, 30.0, False),  # 0.92
    ],
)
def test_two_lines_move_as_one_whose_widths_keep_in_step(first_us, second_us, noise_us, found):
    first, second = line_of(*wave(first_us)), line_of(*wave(second_us, noise_us))
    assert _move_as_one(first, second, LOSS) is found
    assert _move_as_one(second, first, LOSS) is found


def _move_as_one(first, second, loss):
    widths = _moving_together(first, second, loss)
    return widths is not None and bool(abs(np.corrcoef(*widths)[0, 1]) >= IN_STEP)


@pytest.mark.parametrize(("back_s", "found"), [(10.85, True), (10.83, False)])
def test_thirty_pulses_of_both_must_be_seen(back_s, found):
    """The first that counts comes at 10.26 s."""
    short = replace(LOSS, back_s=back_s)
    assert _move_as_one(line_of(*wave(200.0)), line_of(*wave(100.0)), short) is found


def test_only_what_is_between_the_loss_and_the_return_counts():
    rise_s, width_us = wave(200.0)
    noise_us = np.random.default_rng(5).normal(1500.0, 100.0, rise_s.size)
    outside = (rise_s <= LOSS.latest_s + 0.25) | (rise_s >= LOSS.back_s)
    mixed = line_of(rise_s, np.where(outside, noise_us, width_us))
    assert _move_as_one(line_of(rise_s, width_us), mixed, LOSS)


# --- whole drills ---


def all_lines(behave):
    return {name: behave(rest_us) for name, rest_us in REST.items()}


def evidence(drill, line="RX1", loss=0, **more):
    found = check(drill, **more)
    return next(own for own in found.lines if own.line == line).losses[loss][1].case.evidence


def case(drill, line="RX1", loss=0, **more):
    found = check(drill, **more)
    return next(own for own in found.lines if own.line == line).losses[loss][1].case


@pytest.mark.parametrize("after_s", [0.21, 0.235, 0.25, 0.258, 0.266, 0.274, 0.282, 0.3])
def test_a_change_within_a_quarter_of_a_second_of_the_marker_is_close(after_s):
    found = check(Drill(all_lines(lambda rest: preset(rest, after_s)), losses=3))
    for line in found.lines:
        for _, event in line.losses:
            own, loss = event.case.evidence, event.case.loss
            assert own.is_close is (own.entry.after_s < loss.latest_s + 0.25)


def test_a_ramp_is_close_that_ends_close():
    own = evidence(Drill(all_lines(lambda rest: ramps(rest, 0.05, 0.6)), losses=3))
    assert own.entry.kind is ChangeKind.MOVE
    assert not own.is_close
    assert own.is_ramp
    quick = evidence(Drill(all_lines(lambda rest: ramps(rest, 0.0, 0.14)), losses=3))
    assert quick.is_close


def test_who_changed_and_returned_with_whom():
    found = evidence(Drill(losses=4))
    assert (found.partner, found.back_partner) == ("RX2", "RX2")
    assert found.gone_lines == ("RX1", "RX2")
    assert set(found.back_lines) <= set(REST)
    assert (found.together, found.both) == (4, 4)
    assert found.gone_s == found.entry.by_s
    assert found.back_s == pytest.approx(5.9, abs=0.03)
    assert (found.follows, found.restarted, found.alone_back, found.leaps) == ("", False, False, ())
    assert found.until_s == pytest.approx(5.9, abs=0.03)
    assert 0.5 < found.follow_s < 1.0


def test_a_lone_line_that_changes_has_no_partner():
    drill = Drill({"RX1": preset(1500.0), "RX2": holds, "RX3": holds}, losses=3)
    own = evidence(drill)
    assert (own.partner, own.gone_s, own.gone_lines, own.together) == ("", None, (), 0)
    assert own.back_partner == ""
    assert own.odds < 1.0


def delays_by_loss(line, rest_us, delays_s):
    """Go to rest after a delay of its own in each loss, told by where the stick was held."""
    from loss_drill import OUT  # noqa: PLC0415

    held = dict(zip(OUT[line], delays_s, strict=False))

    def behave(since_s, held_us):
        return rest_us if since_s >= held[round(held_us)] else held_us

    return behave


def test_losses_with_one_delay_are_counted_and_their_spread_told():
    delays_s = (0.6, 0.6, 0.6, 1.2, 0.61)
    behave = {line: delays_by_loss(line, rest_us, delays_s) for line, rest_us in REST.items()}
    found = check(Drill(behave, losses=5))
    own = [event.case.evidence for _, event in found.lines[0].losses]
    assert [one.together for one in own] == [4, 4, 4, 1, 4]
    assert own[0].spread_s == pytest.approx(0.6, abs=0.03)
    assert own[3].odds > own[0].odds
    assert [one.both for one in own] == [5] * 5


def test_a_spread_is_that_of_sudden_changes():
    """Ramps are seen to begin at different times."""
    own = evidence(Drill(all_lines(lambda rest: ramps(rest, 0.4, 0.6)), losses=4))
    assert own.spread_s == 0.0


def test_losses_differ_in_length():
    own = evidence(Drill(losses=4))
    assert own.stays_s == pytest.approx(4.1 - 2.6, abs=0.05)
    assert evidence(Drill(losses=2)).stays_s == 0.0


def test_pulses_that_end_with_anothers_change():
    drill = Drill({**all_lines(preset), "RX3": stops(0.6)}, losses=3)
    assert evidence(drill).ended_with
    weapon = evidence(drill, "RX3")
    assert weapon.partner in {"RX1", "RX2"}
    assert weapon.goes_on == weapon.partner
    assert weapon.pull_odds < 1.0
    assert evidence(drill).pull_odds == 1.0
    assert not evidence(Drill(losses=3)).ended_with
    assert evidence(Drill(all_lines(lambda _: stops(0.6)), losses=3)).goes_on == ""


def test_a_preset_where_no_stick_was_seen_is_a_width_of_its_own():
    own = Drill(all_lines(lambda rest: preset(rest + 7.0)), losses=3)
    assert evidence(own).own_width
    assert evidence(own).owned == 3
    rests = Drill(losses=3)
    assert not evidence(rests).own_width
    assert evidence(rests).owned == 0
    mixed = Drill({"RX1": preset(1500.0), "RX2": preset(1507.0), "RX3": preset(1000.0)}, losses=3)
    assert not evidence(mixed).own_width
    assert evidence(mixed).owned == 3


def test_frames_that_slow_down_with_the_change():
    slow = Drill(all_lines(lambda rest: preset(rest, 0.325)), losses=3, lost_frame_s=0.05)
    assert evidence(slow).slowed == 3
    assert evidence(Drill(losses=3)).slowed == 0


def test_a_line_that_still_follows_another_stick():
    """RX2 goes on with its stick, moved 1 s after the loss; RX1 changed before."""
    drill = Drill(losses=2)
    way = np.array(drill.way("RX2")).T.tolist()
    off_s = drill.spans[0][0]
    way = [point for point in way if not off_s < point[0] < off_s + 2.6]
    moved = [(off_s + 1.0, 1350.0), (off_s + 1.5, 1650.0), (off_s + 2.5, 1650.0)]
    way = sorted([*map(tuple, way), *moved])

    def follows(since_s, _held_us):
        return float(np.interp(off_s + since_s, *np.array(way).T))

    hands = {"RX2": way}
    found = evidence(Drill({**drill.behave, "RX2": follows}, losses=1, hands=hands))
    assert found.follows == "RX2"


def test_a_line_back_alone_is_told():
    """RX3 pulses again by itself, one second before the others are back."""
    early = steps((0.6, 1000.0))
    drill = Drill({**all_lines(preset), "RX3": early}, losses=3)
    assert not evidence(drill, "RX3").alone_back
    lone = Drill({**all_lines(preset), "RX3": holds}, losses=3)
    assert evidence(lone, "RX3").alone_back


def test_without_stop_ranges_the_lines_bear_witness_all_the_same():
    sheet = sheet_of(stop_us=None, role="servo")
    own = evidence(Drill(losses=3), sheet=sheet)
    assert own.partner == "RX2"


def test_a_stated_loss_has_no_delay():
    drill = Drill(marker=False, losses=4)
    stated = [(span[0], 0.05) for span in drill.spans]
    own = evidence(drill, off_at_s=stated)
    assert (own.odds, own.pull_odds, own.spread_s) == (1.0, 1.0, 0.0)
    assert own.together == 4


# --- the drill's own truth ---

SKEW_S = {"RX1": 0.004, "RX2": 0.0, "RX3": 0.0023}


def seen(drill, line, loss):
    """When a line left its stick, by the pulses as they were written, and when it was back on it.

    Last pulse before the change, first after it, last before the return, first after it.
    """
    rise_s, width_us = drill.pulses(line)
    off_s, _, follows_s = drill.spans[loss]
    held_us = float(np.interp(off_s, *drill.way(line)))
    away = (np.abs(width_us - held_us) > 20.0) & (rise_s > off_s)
    left = int(away.argmax())
    back = int(np.searchsorted(rise_s, follows_s + drill.skew_s.get(line, 0.0) - 1e-9))
    return rise_s[left - 1], rise_s[left], rise_s[back - 1], rise_s[back]


@pytest.mark.parametrize("frame_s", [0.009, 0.02])
def test_instants_are_those_of_the_pulses_that_show_them(frame_s):
    drill = Drill(all_lines(lambda rest: preset(rest + 7.0, 0.7)), losses=4, skew_s=SKEW_S,
                  frame_s=frame_s)  # fmt: skip
    found = check(drill)
    times = {(name, k): seen(drill, name, k) for name in REST for k in range(4)}
    for line in found.lines:
        delays_s = [times[line.line, k][1] - drill.spans[k][0] for k in range(4)]
        stays_s = [times[line.line, k][3] - times[line.line, k][1] for k in range(4)]
        for k, (_, event) in enumerate(line.losses):
            own = event.case.evidence
            after_s, by_s, last_s, back_s = times[line.line, k]
            first_back_s = min(times[name, k][3] for name in REST)
            assert (own.entry.after_s, own.entry.by_s) == pytest.approx((after_s, by_s), abs=2e-6)
            assert own.gone_s == pytest.approx(min(times[n, k][1] for n in REST), abs=2e-6)
            assert own.gone_lines[0] == "RX2"
            assert own.back_s == pytest.approx(first_back_s, abs=2e-6)
            assert own.back_lines[0] == "RX2"
            assert own.until_s == pytest.approx(last_s, abs=2e-6)
            assert own.spread_s == pytest.approx(np.ptp(delays_s), abs=4e-6)
            assert own.stays_s == pytest.approx(np.ptp(stays_s), abs=4e-6)
            assert (own.together, own.both, own.owned) == (4, 4, 4)
            # The first stick is let go 0.8 s after the link is back.
            moves_s = drill.spans[k][2] + 0.8
            assert own.follow_s == pytest.approx(moves_s - back_s, abs=0.06)
            assert event.case.loss.lost_s == pytest.approx(drill.spans[k][0], abs=1e-6)
            assert event.case.loss.back_s == pytest.approx(drill.spans[k][1], abs=1e-6)


def test_pulses_that_end_are_gone_with_the_first_that_changed_beside_them():
    """The weapon's pulses end with the drives' jumps, and its frame comes first."""
    drill = Drill({**all_lines(preset), "RX3": stops(0.6)}, losses=3,
                  skew_s={"RX1": 0.003, "RX2": 0.004})  # fmt: skip
    own = evidence(drill, "RX1")
    rise_s, _ = drill.pulses("RX3")
    last = int((np.diff(rise_s) > 0.2).argmax())
    assert own.gone_s == pytest.approx(rise_s[last] + 0.02, abs=1e-3)
    assert own.gone_lines[0] == "RX3"
    assert own.back_lines[0] == "RX3"
    assert own.ended_with
    # Pulses that begin again show the return only beside a jump.
    only = Drill(all_lines(lambda _: stops(0.6)), losses=3)
    quiet_all = evidence(only)
    assert (quiet_all.back_s, quiet_all.back_lines) == (None, ())
    assert quiet_all.back_partner == "RX2"
    assert math.isfinite(quiet_all.follow_s)
    assert quiet_all.until_s == pytest.approx(only.spans[0][2], abs=0.03)


def wandering(since_s, _held_us):
    return 1500.0 + 180.0 * min(max(1.6 * math.sin(4.0 * since_s), -1.0), 1.0)


def test_two_sticks_lines_that_move_as_one_wander_and_follow_no_stick():
    drill = Drill({"RX1": wandering, "RX2": wandering, "RX3": preset(1000.0)}, losses=2)
    found = check(drill)
    for line in found.lines[:2]:
        for _, event in line.losses:
            assert event.case.response.behaviour is LossClass.WANDERS
            assert event.case.response.moved_until_s is None
    weapon = found.lines[2].losses[0][1].case.evidence
    assert weapon.follows == ""
    apart = Drill({"RX1": wandering, "RX2": preset(1500.0), "RX3": preset(1000.0)}, losses=2)
    lone = check(apart).lines[0].losses[0][1].case.response
    assert lone.behaviour is LossClass.KEEPS_FOLLOWING
    assert evidence(apart, "RX3").follows == "RX1"


def test_a_ramp_is_a_machines_that_two_sticks_lines_make_or_that_begins_alike_three_times():
    assert evidence(Drill(all_lines(lambda rest: ramps(rest, 0.4, 0.6)), losses=1)).is_ramp
    lone = {"RX1": ramps(1500.0, 0.4, 0.6), "RX2": holds, "RX3": holds}
    assert evidence(Drill(lone, losses=3)).is_ramp
    assert not evidence(Drill(lone, losses=2)).is_ramp
    delays_s = (0.4, 0.8, 1.2, 1.6)

    def slow(since_s, held_us):
        from loss_drill import OUT  # noqa: PLC0415

        begin_s = delays_s[OUT["RX1"].index(round(held_us))]
        return ramps(1500.0, begin_s, 0.6)(since_s, held_us)

    assert not evidence(Drill({**lone, "RX1": slow}, losses=4)).is_ramp


@pytest.mark.parametrize(
    ("rest_us", "own_width"), [(1526.0, True), (1533.0, True), (1536.0, False)]
)
def test_a_stick_rests_within_the_stop_range_give_or_take_one_level(rest_us, own_width):
    """A preset of 1510 us: where the stick was never seen inside the range, nothing is known."""
    drill = Drill(all_lines(lambda rest: preset(rest + 10.0)), losses=3)
    way = np.array(drill.way("RX1"))
    way[1, way[1] == 1500.0] = rest_us
    hands = {"RX1": [tuple(point) for point in way.T]}
    own = evidence(Drill(drill.behave, losses=3, hands=hands, jitter_us=0.3))
    assert own.own_width is own_width


def placed_with(delay_s, *, losses=10, frame_s=0.02, preset_us=1515.0):
    """RX1 goes to a width of its own after 0.6 s, RX2 to its stick's rest after a delay."""
    behave = {"RX1": preset(preset_us, 0.6), "RX2": preset(1500.0, delay_s), "RX3": holds}
    found = check(Drill(behave, losses=losses, frame_s=frame_s))
    return [line.losses[0][1].case.evidence.placed_odds for line in found.lines]


@pytest.mark.parametrize("losses", [3, 10])
def test_a_line_that_changes_in_one_frame_with_one_of_its_own_width_is_no_hands(losses):
    """A person is taken to be a tenth as likely; the same frame has 0.5 * 20 ms / 25 ms."""
    first, second, third = placed_with(0.6, losses=losses)
    assert first <= (1e-4 if losses == 10 else 3e-2)
    assert first < second <= 2.0 * first
    assert third == 1.0


def test_once_one_was_put_there_the_link_was_gone_and_what_changes_later_is_the_receivers():
    first, second, _ = placed_with(0.9)
    assert second == first
    assert placed_with(0.3)[1] == 1.0
    assert placed_with(0.6, preset_us=1500.0)[:2] == [1.0, 1.0]


def test_an_own_width_shows_the_loss_for_as_long_as_it_stands():
    drill = Drill({"RX1": preset(1515.0, 0.6), "RX2": holds, "RX3": holds}, losses=10)
    own = evidence(drill)
    assert own.own_until_s == pytest.approx(drill.spans[0][2], abs=0.03)
    assert evidence(drill, "RX2").own_until_s == -math.inf


def test_the_times_at_which_one_plug_with_all_lines_is_pulled_by_habit():
    """Its odds are those of the delays after off, and of such a person.

    A plug put back while the receiver is silent shows nothing: the return is the receiver's.
    """
    drill = Drill(all_lines(lambda _: stops(0.6)), losses=5)
    found = check(drill)
    for line in found.lines:
        begun_s = [e.case.evidence.entry.by_s - e.lost_s for _, e in line.losses]
        pulls = pull_odds(np.array(begun_s), FRAME_S)
        told = [e.case.evidence for _, e in line.losses]
        assert [own.pull_odds for own in told] == pytest.approx(pulls)
        assert told[0].stop_partner
        assert told[0].beat_odds < 1e-4


def test_every_line_counts_the_losses_in_which_one_of_its_frame_went_to_its_own_width():
    drill = Drill({"RX1": preset(1507.0), "RX2": preset(1500.0), "RX3": preset(1000.0)}, losses=3)
    assert [evidence(drill, name).owned for name in REST] == [0, 3, 3]
    ends = Drill({"RX1": stops(0.6), "RX2": preset(1500.0), "RX3": preset(1000.0)}, losses=3)
    assert [evidence(ends, name).ended_with for name in REST] == [False, True, True]
    assert [evidence(ends, name).stop_partner for name in REST] == ["RX2", "", ""]
    assert [evidence(ends, name).goes_on for name in REST] == ["RX2", "", ""]


def test_lines_that_go_to_a_preset_are_neither_stuck_nor_ramps():
    own = evidence(Drill(losses=3))
    assert (own.undriven, own.is_ramp) == (0, False)


def test_a_line_that_stood_still_throughout_has_no_change_that_counts():
    """Its stick rests, and its preset is another width of the stop range."""
    rests = {"RX3": [(0.0, 1000.0), (99.0, 1000.0)]}
    drill = Drill({**all_lines(preset), "RX3": preset(1020.0)}, losses=4, hands=rests)
    own = case(drill, "RX3")
    assert len(own.response.changes) == 1
    told = own.evidence
    assert (told.entry, told.partner, told.odds, told.stays_s) == (None, "", 1.0, 0.0)


def test_a_weapon_that_stops_with_one_drive_shows_that_the_link_was_gone():
    drill = Drill({"RX1": preset(1500.0), "RX2": holds, "RX3": stops(0.6)}, losses=3,
                  skew_s={"RX1": 0.003})  # fmt: skip
    assert evidence(drill).gone_lines == ("RX3", "RX1")


@pytest.mark.parametrize(("ends_s", "found"), [(0.58, True), (0.56, False)])
def test_pulses_end_with_a_change_within_a_frame_and_a_quarter(ends_s, found):
    drill = Drill({**all_lines(preset), "RX3": stops(ends_s)}, losses=3)
    assert evidence(drill).ended_with is found


def test_one_loss_shows_an_own_width_until_it_is_left():
    drill = Drill({**all_lines(preset), "RX1": preset(1515.0)}, losses=1)
    own = evidence(drill)
    assert (own.own_width, own.placed_odds) == (True, 1.0)
    assert own.own_until_s == pytest.approx(drill.spans[0][2], abs=0.03)
