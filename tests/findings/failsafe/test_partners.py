"""Which lines bear witness for one another: given these changes and sticks, these partners."""

import math
from dataclasses import dataclass

import numpy as np
import pytest

from pwmscope.findings.failsafe.coincidence import (
    JUMPS,
    MOVES,
    STARTS,
    STOPS,
    ChangeColumns,
    are_apart,
    count_alike,
    find_own_sticks,
    find_partners,
    with_wandering,
)
from pwmscope.findings.failsafe.delays import (
    beat_odds,
    find_pauses,
    goes_through,
)
from pwmscope.findings.failsafe.losses import Known, Loss, Moment, Output
from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.response import Change, ChangeKind, LossClass, Response
from pwmscope.findings.failsafe.segments import Kind, Stretch
from pwmscope.findings.failsafe.watched import (
    Watched,
)
from pwmscope.findings.segmentation import Dwells
from pwmscope.model import Span
from pwmscope.pulses import STANDARD_SERVO, PulseTable

FRAME_S = 0.02
NAN = math.nan


@dataclass
class Table:
    rise_s: np.ndarray
    convention = STANDARD_SERVO

    @property
    def measured(self):
        return np.ones(self.rise_s.size, dtype=bool)


def watched(places=(0,), frame_s=FRAME_S, rise_s=(), responses=(), losses=()):
    output = Output(Table(np.asarray(rise_s)), None, frame_s * 1e6)
    return Watched(output, Expectation(), losses, places, responses, 4.0)


def change(by_s, kind=ChangeKind.JUMP, far_us=200.0, took_s=0.0):
    return Change(kind, by_s - FRAME_S, by_s, 1500.0, 1500.0 + far_us, by_s + took_s, 1)


def partners(*changes, apart=True, frames_s=(FRAME_S, FRAME_S)):
    """Each line's partner at its own changes in one loss."""
    lines = [watched(frame_s=frame_s) for frame_s in frames_s]
    columns = ChangeColumns.of(lines, 1, [[own] for own in changes])
    matrix = np.full((len(lines), len(lines)), apart)
    found = find_partners(columns, lines, matrix)
    return [row[: len(own)].tolist() for row, own in zip(found[:, 0], changes, strict=True)]


BOTH, NONE = [[1], [0]], [[-1], [-1]]


@pytest.mark.parametrize(
    ("later_s", "found"), [(0.0249, BOTH), (0.0251, NONE), (-0.0249, BOTH), (-0.0251, NONE)]
)
def test_changes_come_together_that_leave_room_for_one_moment(later_s, found):
    """One frame, give or take a quarter."""
    assert partners([change(10.6)], [change(10.6 + later_s)]) == found


def test_the_slack_is_that_of_the_slower_line():
    slow = {"frames_s": (FRAME_S, 0.04)}
    assert partners([change(10.6)], [change(10.6299)], **slow) == BOTH
    assert partners([change(10.6)], [change(10.6301)], **slow) == NONE


KINDS = {1: ChangeKind.JUMP, 2: ChangeKind.MOVE, 3: ChangeKind.STOP, 4: ChangeKind.START}


@pytest.mark.parametrize("apart", [True, False])
@pytest.mark.parametrize("first", KINDS)
@pytest.mark.parametrize("second", KINDS)
def test_what_bears_witness_for_what(first, second, apart):
    """Jumps with jumps, movements with movements, of two sticks; ends of pulses with any jump."""
    found = partners([change(10.6, KINDS[first])], [change(10.6, KINDS[second])], apart=apart)
    ended = {first, second} & {STOPS, STARTS} and MOVES not in {first, second}
    alike = first == second and first in {JUMPS, MOVES} and apart
    assert found == (BOTH if alike or ended else NONE)


@pytest.mark.parametrize(("far_us", "found"), [(40.0, BOTH), (39.9, NONE)])
def test_a_small_jump_bears_no_witness_nor_has_one(far_us, found):
    assert partners([change(10.6, far_us=far_us)], [change(10.6)]) == found


def test_a_slow_movement_begins_later_than_it_does():
    """By 50 ms, and by the widths that count as one level over its slope; at most 0.3 s."""
    slow = change(10.6, ChangeKind.MOVE, 40.0, took_s=0.98)  # 40 us in 1 s: 4 us in 0.1 s
    fast = change(10.6, ChangeKind.MOVE, 4000.0, took_s=0.98)  # 1 ms
    assert partners([slow], [slow]) == BOTH

    def later(own, other_s):
        other = change(10.6 + other_s, ChangeKind.MOVE, 4000.0, took_s=0.98)
        return partners([own], [other])

    # own doubt, the other's 51 ms, a frame, a quarter
    assert later(fast, 0.051 + 0.051 + 0.0249) == BOTH
    assert later(fast, 0.051 + 0.051 + 0.0251) == NONE
    assert later(slow, 0.150 + 0.051 + 0.0249) == BOTH
    assert later(slow, 0.150 + 0.051 + 0.0251) == NONE
    crawls = change(10.6, ChangeKind.MOVE, 4.0, took_s=0.98)
    assert later(crawls, 0.300 + 0.051 + 0.0249) == BOTH
    assert later(crawls, 0.300 + 0.051 + 0.0251) == NONE


def test_a_jump_has_no_such_doubt():
    assert partners([change(10.6)], [change(10.7, took_s=0.0)]) == NONE


def test_each_change_of_a_loss_is_looked_at():
    first = [change(10.6), change(12.0), change(13.0)]
    second = [change(11.0), change(13.0)]
    assert partners(first, second) == [[-1, -1, 1], [-1, 0]]


def test_the_first_line_found_is_the_partner():
    three = (FRAME_S,) * 3
    told = partners([change(10.6)], [change(10.6)], [change(10.6)], frames_s=three)
    assert told == [[1], [0], [0]]


def test_a_line_that_lacks_a_loss_has_no_change_there():
    lines = [watched((0, 1)), watched((1,))]
    columns = ChangeColumns.of(lines, 2, [[[change(10.6)], [change(20.6)]], [[change(20.6)]]])
    found = find_partners(columns, lines, np.full((2, 2), True))
    assert found[0, :, 0].tolist() == [-1, 1]
    assert found[1, :, 0].tolist() == [-1, 0]
    assert columns.kind[1, 0].tolist() == [0, 0, 0, 0]
    assert np.isnan(columns.by_s[1, 0]).all()
    assert columns.far[0, 0, 0] == pytest.approx(0.2)
    assert columns.to_us[0, 0, 0] == 1700.0
    assert columns.doubt_s[0, 0, 0] == 0.0


def test_delays_alike_are_counted_within_reach_on_either_side():
    delays_s = np.array([0.6, 0.65, 0.7, 1.0, NAN])
    counted = np.array([True, True, True, True, True])
    assert count_alike(delays_s, counted, 0.0501).tolist() == [2, 3, 2, 1, 0]
    assert count_alike(delays_s, counted, 0.0499).tolist() == [1, 1, 1, 1, 0]
    counted[1] = False
    assert count_alike(delays_s, counted, 0.0501).tolist() == [1, 2, 1, 1, 0]


# --- sticks of their own ---


@pytest.mark.parametrize(
    ("first", "second", "apart"),
    [
        ([0.5, 0.7, 0.7, 0.5], [0.5, 0.5, 0.3, 0.3], True),  # each moved while the other stood
        ([0.5, 0.7, 0.9], [0.5, 0.3, 0.1], False),  # one is the other reversed
        ([0.5, 0.7, 0.9], [0.5, 0.55, 0.9], False),  # or on a curve
        ([0.5, 0.5, 0.7], [0.5, 0.3, 0.3], True),
        ([0.5, 0.7, 0.7], [0.5, 0.5, 0.5], False),  # only one of them moved
        ([0.5, 0.7], [0.5, 0.5], False),  # too few
        ([0.5, 0.7, 0.6, 0.3], [0.5, 0.6, 0.8, 0.3], True),  # together, and against each other
        ([0.5, 0.5119, 0.7, 0.7], [0.5, 0.5411, 0.5411, 0.3], True),
        ([0.5, 0.513, 0.7, 0.7], [0.5, 0.5411, 0.8, 0.9], False),
        ([0.5, 0.5, 0.7, 0.7], [0.5, 0.539, 0.8, 0.9], False),
    ],
)
def test_two_sticks_make_neither_line_a_function_of_the_other(first, second, apart):
    first, second = np.array(first), np.array(second)
    assert are_apart(first, second) is apart
    assert are_apart(second, first) is apart


@pytest.mark.parametrize(("step", "apart"), [(0.0401, True), (0.0399, False)])
def test_lines_must_part_by_a_jump(step, apart):
    first = np.array([0.5, 0.5, 0.7, 0.7])
    second = np.array([0.3, 0.3 + step, 0.3, 0.3 + step])
    assert are_apart(first, second) is apart
    # As one rises the other rises and falls.
    rises = np.array([0.3, 0.3 + step, 0.3, 0.3 + step])
    turns = np.array([0.5, 0.5 + 0.02, 0.5 + 0.04, 0.5 + 0.06])
    assert are_apart(turns, rises) is False


def dwells_of(*stands):
    """Dwells of begin, end and width."""
    start_s, end_s, level_us = np.array(stands, float).T if stands else np.zeros((3, 0))
    zero = np.zeros(start_s.size)
    count = np.full(start_s.size, 50)
    return Dwells(
        count, count, start_s, end_s, level_us, zero, zero, count, count, 0.5, np.zeros(0, np.int64)
    )


def own_sticks(first, second, lost=()):
    outputs = [Output(Table(np.zeros(0)), dwells_of(*own), 2e4) for own in (first, second)]
    lines = [Watched(output, Expectation(), (), (), (), 4.0) for output in outputs]
    found = find_own_sticks(lines, tuple(lost))
    assert found[0, 1] == found[1, 0]
    assert not found.diagonal().any()
    return bool(found[0, 1])


RISES = ((0.0, 2.0, 1500.0), (2.5, 6.0, 1700.0), (6.5, 9.0, 1500.0))
LATER = ((0.0, 4.0, 1500.0), (4.5, 7.5, 1300.0), (8.0, 9.0, 1500.0))


def test_sticks_that_are_raised_one_after_the_other_are_two():
    assert own_sticks(RISES, LATER)
    assert not own_sticks(RISES, RISES)
    assert not own_sticks(RISES, ())
    assert not own_sticks((), ())


def test_what_stood_while_the_signal_was_lost_shows_no_stick():
    assert not own_sticks(RISES, LATER, [Span(3.0, 5.0), Span(5.5, 7.8)])
    assert own_sticks(RISES, LATER, [Span(20.0, 21.0)])


def test_only_where_both_stood_it_counts():
    apart = ((0.0, 2.0, 1500.0), (2.4, 2.45, 1300.0), (6.5, 9.0, 1500.0))
    assert not own_sticks(RISES, apart)


# --- lines of one stick that leave its way ---


def wanders(places, off_us):
    """Two lines of one stick, seen together at some places, that move in a loss off that way."""
    rise_s = np.arange(9.0, 15.0, FRAME_S)
    first_us = 1500.0 + 150.0 * np.sin(3.0 * rise_s)
    stood = [(0.5 * k, 0.5 * k + 0.4, 1340.0 + 320.0 * k / (places - 1)) for k in range(places)]
    follows = Response(LossClass.KEEPS_FOLLOWING, "", None, None, True, (), 13.0)
    lines = []
    for width_us in (first_us, first_us + off_us):
        flags = np.zeros(rise_s.size, np.uint8)
        table = PulseTable("RX1", rise_s, width_us, rise_s * 0.0, flags, False, STANDARD_SERVO, 1.0)
        output = Output(table, dwells_of(*stood), FRAME_S * 1e6)
        lines.append(Watched(output, Expectation(), (), (0,), (follows,), 4.0))
    told = with_wandering(lines, (loss_at(10.0),), np.full((2, 2), False), ())
    (found,) = {line.responses[0].behaviour for line in told}
    return found is LossClass.WANDERS


@pytest.mark.parametrize(("off_us", "found"), [(0.0, False), (39.0, False), (41.0, True)])
def test_lines_of_one_stick_that_are_not_where_it_puts_them_wander(off_us, found):
    assert wanders(6, off_us) is found


def test_a_way_is_known_by_enough_places():
    assert wanders(6, 100.0)
    assert not wanders(5, 100.0)


# --- pauses as in a restart ---


@pytest.mark.parametrize(
    ("rise_s", "goes"),
    [
        (np.arange(9.0, 13.0, 0.02), True),
        (np.append(np.arange(9.0, 10.6, 0.02), np.arange(10.611, 13.0, 0.02)), True),
        (np.append(np.arange(9.0, 10.6, 0.02), np.arange(10.613, 13.0, 0.02)), False),
        (np.arange(9.0, 10.9, 0.02), False),
        (np.arange(10.2, 13.0, 0.02), False),
        (np.arange(10.03, 13.0, 0.02), False),
        (np.arange(9.99, 11.02, 0.02), True),
        (np.arange(9.99, 10.99, 0.02), False),
        (np.zeros(0), False),
    ],
)
def test_a_lines_pulses_went_on_through_anothers_pause(rise_s, goes):
    pause = Stretch(Kind.QUIET, 10.02, 11.0, NAN, NAN, NAN, NAN, 0, jumped=False)
    assert goes_through(rise_s, FRAME_S, pause) is goes


def loss_at(lost_s, known=Known.MARKED, late_s=0.0):
    return Loss(lost_s, lost_s + 4.0, True, Moment(known, 1e-6, None, late_s), frozenset(), "")


def paused(begin_s, end_s):
    """A response that stood, was quiet, and stood again."""
    during = tuple(
        Stretch(kind, start_s, stop_s, 1500.0, 1500.0, 1500.0, 0.5, 9, jumped=False)
        for kind, start_s, stop_s in (
            (Kind.STANDS, begin_s - 1.0, begin_s - 0.02),
            (Kind.QUIET, begin_s, end_s),
            (Kind.STANDS, end_s, end_s + 3.0),
        )
    )
    return Response(LossClass.GOES_TO_PRESET, "", end_s, 1500.0, True, during, None)


def pauses(delays_s, *, lasted_s=0.4, known=Known.MARKED, late_s=0.0, other_goes_on=False):
    """Find pauses at these delays after losses every 10 s, of one line or beside another."""
    losses = tuple(loss_at(10.0 * (k + 1), known, late_s) for k in range(len(delays_s)))
    lasted = np.broadcast_to(lasted_s, len(delays_s)).tolist()
    own = [
        paused(loss.lost_s + delay_s, loss.lost_s + delay_s + lasts_s)
        for loss, delay_s, lasts_s in zip(losses, delays_s, lasted, strict=True)
    ]
    every = tuple(range(len(losses)))
    lines = [watched(every, responses=tuple(own), losses=losses)]
    if other_goes_on:
        still = Response(LossClass.HOLDS_LAST, "", 0.0, 1500.0, True, own[0].during[:1], None)
        rise_s = np.arange(0.0, 100.0, FRAME_S)
        lines.append(watched(every, rise_s=rise_s, responses=(still,) * len(losses), losses=losses))
    return find_pauses(lines, losses)


def test_pauses_look_like_a_restart_unless_another_line_went_on():
    looks, odds = pauses([0.3, 0.3])
    assert looks.tolist() == [True, True]
    assert odds.tolist() == [1.0]
    looks, odds = pauses([0.3, 0.3], other_goes_on=True)
    assert looks.tolist() == [False, False]
    assert odds.tolist() == [1.0, 1.0]


def test_the_same_pause_in_three_marked_losses_or_more_is_no_chance():
    assert pauses([0.3] * 2)[1] == 1.0
    assert pauses([0.3] * 3)[1] < 1e-2
    assert pauses([0.3] * 10)[1] < 1e-6
    assert pauses([0.3] * 10, known=Known.STATED)[1] == 1.0
    assert pauses([0.3, 0.9, 1.7, 2.2, 1.1, 0.5])[1] > 1e-2
    # A hand that pulls and plugs keeps neither the moment nor the length.
    varied = 0.4 + 0.15 * np.arange(10) % 0.9
    assert pauses([0.3] * 10, lasted_s=varied)[1] > pauses([0.3] * 10)[1]


def test_a_late_marker_hides_how_close_the_pauses_are():
    assert pauses([0.3] * 6, late_s=1.0)[1] > 100 * pauses([0.3] * 6)[1]


def test_a_pause_that_goes_on_after_the_return_is_none_of_the_loss():
    looks, _ = pauses([3.7, 3.7])
    assert looks.tolist() == [False, False]


# --- the beat of the frames ---


def beat(offset, *, losses=3, frame_s=FRAME_S, silent_s=0.5, frames=400, spread=0.0):
    """Odds where frames come on so many frames, by a part of one, after each silence.

    A loss every 4 s from 2 s on; the silence begins 0.5 s after it.
    """
    rng = np.random.default_rng(4)
    rise_s, time_s, found = [], 0.0, []
    for k in range(losses):
        lost_s = 2.0 + 4.0 * k
        rise_s.append(np.arange(time_s, lost_s + 0.5, frame_s))
        last_s = rise_s[-1][-1]
        time_s = last_s + (round(silent_s / frame_s) + offset) * frame_s
        found.append(Loss(lost_s, time_s, True, Moment(Known.MARKED, 1e-6, None), frozenset(), ""))
    rise_s.append(time_s + frame_s * np.arange(frames))
    rises_s = np.concatenate(rise_s) + rng.uniform(-spread, spread, np.concatenate(rise_s).size)
    departures = [Change(ChangeKind.START, loss.back_s - frame_s, loss.back_s, NAN, 1500.0,
                         loss.back_s, 1) for loss in found]  # fmt: skip
    responses = tuple(
        Response(LossClass.PULSES_STOP, "", 0.0, None, True, (), None, (), None, (), (start,))
        for start in departures
    )
    every = tuple(range(losses))
    line = watched(every, frame_s, rises_s, responses, tuple(found))
    return beat_odds(line, found)


def test_a_frame_clock_that_runs_on_brings_the_next_pulse_whole_frames_later():
    """Within a hundredth of a frame on either side, three times: (2 * 0.01) ** 3."""
    assert beat(0.0) == pytest.approx(8e-6)
    assert beat(0.0, losses=5) == pytest.approx(0.02**5)
    assert beat(0.1) == pytest.approx(0.2**3, rel=1e-3)
    assert beat(-0.1) == pytest.approx(0.2**3, rel=1e-3)
    assert beat(0.5) == pytest.approx(1.0)
    assert beat(0.0, losses=2) == 1.0


@pytest.mark.parametrize(("silent_s", "is_long"), [(0.06, True), (0.04, False)])
def test_a_gap_counts_that_a_receiver_may_start_in(silent_s, is_long):
    """A frame and 30 ms."""
    assert (beat(0.0, silent_s=silent_s) < 1.0) is is_long


def test_fifty_frames_tell_the_beat():
    few = {"losses": 3, "frame_s": 0.1, "silent_s": 0.5, "frames": 2}
    assert beat(0.0, **few, spread=0.0) < 1.0
    rises = watched((0,), FRAME_S, np.arange(0.0, 0.9, FRAME_S))
    assert beat_odds(rises, ()) == 1.0
