"""What lines tell together: given what each output did in each loss, this evidence.

No pulses are segmented here: each output's changes are written down, in numbers that a computer
holds exactly, so that what lies at a boundary lies at it.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest

from pwmscope.bench import StopBand
from pwmscope.findings.failsafe import evidence as weighed
from pwmscope.findings.failsafe.delays import (
    MACHINE_ODDS,
    PERSON,
    PULL_SCATTER_S,
    hand_odds,
    pull_odds,
    range_odds,
)
from pwmscope.findings.failsafe.evidence import gather
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

FRAME_S = 1.0 / 64.0
TICK_S = 1.0 / 1024.0
NAN = math.nan
JUMP, MOVE, STOP, START = ChangeKind.JUMP, ChangeKind.MOVE, ChangeKind.STOP, ChangeKind.START
BAND = StopBand(1470.0, 1530.0, "")
EXPECTED = Expectation("drive-left", BAND, True, True, 0.2)
NAMES = ("RX1", "RX2", "RX3")
STICKS = (
    ((0.0, 2.0, 1500.0), (2.5, 6.0, 1700.0), (6.5, 9.0, 1500.0)),
    ((0.0, 4.0, 1500.0), (4.5, 7.5, 1300.0), (8.0, 9.0, 1500.0)),
    ((0.0, 1.0, 1500.0), (1.5, 3.2, 1800.0), (3.5, 5.0, 1500.0), (5.2, 7.0, 1800.0),
     (7.2, 9.0, 1500.0)),
)  # fmt: skip
"""Where each line's own stick was seen to stand before the first loss."""


@dataclass(frozen=True)
class Did:
    """What one output did in one loss; seconds count from the loss.

    ``kind`` None: it held. ``back_s`` None: it was not seen to come back. Pulses that stopped
    may start and stop ``again_s``.
    """

    kind: ChangeKind | None = JUMP
    at_s: float = 0.5
    to_us: float = 1500.0
    from_us: float = 1700.0
    took_s: float = 0.0
    back_s: float | None = 4.5
    back_kind: ChangeKind | None = None
    moved_until_s: float | None = None
    then: tuple = ()
    behaviour: LossClass | None = LossClass.GOES_TO_PRESET
    is_ramp: bool = True
    drifts_s: float | None = None
    again_s: tuple[float, float] | None = None

    def widths(self, lost_s, rise_s, width_us):
        """Write its pulses into a line's."""
        end_s = self.at_s + self.took_s
        ways = [(lost_s - 2.0, self.from_us), (lost_s + self.at_s - FRAME_S, self.from_us)]
        ways += [(lost_s + end_s, self.to_us), (lost_s + (self.back_s or 5.0), self.to_us)]
        here = (rise_s >= lost_s - 2.0) & (rise_s < ways[-1][0])
        if self.kind is STOP:
            return np.where(here & (rise_s >= lost_s + self.at_s), NAN, width_us)
        if self.kind is None:
            return np.where(here, self.from_us, width_us)
        return np.where(here, np.interp(rise_s, *np.array(ways).T), width_us)

    def response(self, lost_s):
        by_s, held = lost_s + self.at_s, stands(lost_s - 0.5, lost_s + 4.0, self.from_us)
        end_s, until_s = by_s + self.took_s, lost_s + (self.back_s or 4.0) - FRAME_S
        later, departures = (), ()
        after = Change(self.kind, by_s - FRAME_S, by_s, self.from_us, self.to_us, end_s, 1)
        before = replace(held, end_s=by_s - FRAME_S)
        if self.kind is None:
            during, changes = (replace(held, end_s=until_s),), ()
        elif self.kind is STOP:
            during = (before, Stretch(Kind.QUIET, by_s, until_s + FRAME_S, *[NAN] * 4, 0, False))
            changes = (replace(after, to_us=NAN),)
        elif self.kind is MOVE:
            moving = Stretch(
                Kind.MOVES, by_s, end_s - FRAME_S, self.from_us, self.to_us, 1600.0, 9.0, 9, False
            )
            during = (before, moving, stands(end_s, until_s, self.to_us))
            changes = (replace(after, place=2),)
        else:
            during, changes = (before, stands(by_s, until_s, self.to_us)), (after,)
        if self.again_s is not None:
            start_s, stop_s = lost_s + self.again_s[0], lost_s + self.again_s[1]
            during = (
                before, replace(during[1], end_s=start_s),
                stands(start_s, stop_s - FRAME_S, self.from_us), replace(during[1], start_s=stop_s),
            )  # fmt: skip
            start = Change(START, start_s - FRAME_S, start_s, NAN, self.from_us, start_s, 2)
            stop = replace(changes[0], after_s=stop_s - FRAME_S, by_s=stop_s, end_s=stop_s, place=3)
            changes = (*changes, start, stop)
        if self.drifts_s is not None:
            drift = Stretch(Kind.MOVES, lost_s + self.drifts_s, until_s, 1500.0, 1500.0, 1500.0,
                            9.0, 9, False)  # fmt: skip
            last = replace(during[-1], end_s=drift.start_s - FRAME_S)
            during = (*during[:-1], last, drift)
        if self.back_s is not None:
            back_s = lost_s + self.back_s
            kind = self.back_kind or (START if self.kind is STOP else JUMP)
            from_us = NAN if kind is START else self.to_us
            back = Change(
                kind, back_s - FRAME_S, back_s, from_us, self.from_us, back_s, len(during)
            )
            later, departures = (stands(back_s, back_s + 1.0, self.from_us),), (back,)
        for kind, then_s, to_us in self.then:
            by_s, place = lost_s + then_s, len(during) + len(departures)
            last_us = departures[-1].to_us if departures else self.to_us
            own = Change(kind, by_s - FRAME_S, by_s, last_us, to_us, by_s, place)
            departures = (*departures, own)
            later = (*later, stands(by_s, by_s + 0.2, to_us))
        moved_s = None if self.moved_until_s is None else lost_s + self.moved_until_s
        ramp_s = (by_s, end_s) if self.kind is MOVE and self.is_ramp else None
        return Response(
            self.behaviour, "", end_s, self.to_us, True, during, moved_s, later, ramp_s,
            changes, departures,
        )  # fmt: skip


def stands(start_s, end_s, level_us):
    return Stretch(Kind.STANDS, start_s, end_s, level_us, level_us, level_us, 0.5, 50, jumped=True)


def dwells_of(points):
    start_s, end_s, level_us = np.array(points, float).T
    zero, count = np.zeros(start_s.size), np.full(start_s.size, 50)
    return Dwells(
        count, count, start_s, end_s, level_us, zero, zero, count, count, 0.5, np.zeros(0, np.int64)
    )


def line_of(
    name,
    did,
    losses,
    *,
    sticks=None,
    frame_s=FRAME_S,
    expected=EXPECTED,
    beat=1.0,
    lacks=(),
    interval_us=1.0,
):
    """One line; ``beat`` stretches its frames, as another receiver's clock does.

    Losses that it ``lacks`` do not concern it.
    """
    rise_s = np.arange(0.0, losses[-1].back_s + 3.0, frame_s) * beat
    width_us = np.full(rise_s.size, 1500.0)
    for loss, own in zip(losses, did, strict=True):
        width_us = own.widths(loss.lost_s, rise_s, width_us)
    rise_s, width_us = rise_s[np.isfinite(width_us)], width_us[np.isfinite(width_us)]
    period_us = np.append(np.diff(rise_s) * 1e6, NAN)
    flags = np.zeros(rise_s.size, np.uint8)
    table = PulseTable(name, rise_s, width_us, period_us, flags, False, STANDARD_SERVO, interval_us)
    stood = dwells_of(sticks or STICKS[NAMES.index(name)])
    places = tuple(k for k in range(len(losses)) if k not in lacks)
    responses = tuple(did[k].response(losses[k].lost_s) for k in places)
    own = tuple(losses[k] for k in places)
    return Watched(Output(table, stood, frame_s * 1e6), expected, own, places, responses, 5.0)


def losses_of(count, moment=None):
    moment = moment or Moment(Known.MARKED, 0.0, None)
    lost_s = [10.0 * (k + 1) for k in range(count)]
    return tuple(Loss(s, s + 4.0, True, moment, frozenset(NAMES), "") for s in lost_s)


def told(*did, losses=1, moment=None, limit_s=2.0, of=None, **more):
    """The evidence of each line in each loss; a line may do something else in each."""
    own = losses_of(losses, moment)
    lines = {
        name: line_of(
            name, did if isinstance(did, tuple) else (did,) * losses, own, **more,
            **(of or {}).get(name, {}),
        )
        for name, did in zip(NAMES, did, strict=False)
    }  # fmt: skip
    _, found = gather(lines, own, Span(0.0, own[-1].back_s + 3.0), limit_s)
    return [found[name] for name in lines]


HOLDS = Did(None, back_s=None)
QUARTER_S = 1.25 * FRAME_S
"""A frame and a quarter: so far apart two lines may show one moment."""


# --- what came together ---


@pytest.mark.parametrize(("over_s", "found"), [(0.0, True), (TICK_S, False)])
def test_pulses_that_end_up_to_a_frame_and_a_quarter_apart_ended_with_it(over_s, found):
    for later_s in (QUARTER_S + over_s, -QUARTER_S - over_s):
        jumped, stopped = told(Did(at_s=1.0), Did(STOP, at_s=1.0 + later_s))
        assert jumped[0].ended_with is found
        assert jumped[0].partner == ("RX2" if found else "")
        assert (stopped[0].stop_partner, stopped[0].goes_on) == (
            ("RX1",) * 2 if found else ("",) * 2
        )


def test_a_line_that_stops_and_one_that_jumps_ended_with_it_both():
    jumped, stopped, held = told(Did(), Did(STOP), HOLDS)
    assert jumped[0].ended_with
    assert not stopped[0].ended_with  # the other's pulses went on
    assert not held[0].ended_with


def test_of_pulses_that_end_twice_the_last_end_is_asked_about():
    twice = Did(STOP, again_s=(1.0, 2.0))
    stopped = told(twice, Did(at_s=2.0), HOLDS)[0][0]
    assert (stopped.stop_partner, stopped.goes_on) == ("RX2", "RX2")
    stopped = told(twice, Did(at_s=0.5), HOLDS)[0][0]
    assert (stopped.stop_partner, stopped.goes_on) == ("", "")


def test_the_line_that_goes_on_is_one_that_changed():
    stopped = told(Did(STOP), HOLDS, Did())[0][0]
    assert (stopped.stop_partner, stopped.goes_on) == ("RX3", "RX3")
    far = told(Did(STOP, at_s=1.0), Did(at_s=1.0 + 2.0 * FRAME_S), Did(at_s=1.0))[0][0]
    assert (far.stop_partner, far.goes_on) == ("RX3", "RX3")


def test_pulses_that_end_together_go_on_nowhere():
    first, second = told(Did(STOP), Did(STOP))
    assert (first[0].stop_partner, first[0].goes_on) == ("RX2", "")
    assert (second[0].stop_partner, second[0].goes_on) == ("RX1", "")
    lone, _ = told(Did(STOP), HOLDS)
    assert (lone[0].stop_partner, lone[0].goes_on) == ("", "")
    third = told(Did(STOP), Did(STOP), Did())
    assert [own[0].goes_on for own in third] == ["RX3", "RX3", ""]


@pytest.mark.parametrize(("over_s", "found"), [(0.0, 3), (TICK_S, 0)])
def test_a_line_that_changes_with_one_of_its_own_width_is_counted(over_s, found):
    """RX2 goes to 1515 us, where its stick was never seen; RX1 to where its own rests."""
    first, second = told(Did(at_s=1.0), Did(at_s=1.0 + QUARTER_S + over_s, to_us=1515.0), losses=3)
    assert [own.owned for own in first] == [found] * 3
    assert [own.owned for own in second] == [0] * 3
    assert [own.own_width for own in second] == [True] * 3
    assert [own.own_width for own in first] == [False] * 3


@pytest.mark.parametrize("over_s", [TICK_S, FRAME_S / 2.0, 0.5])
def test_what_another_does_later_is_not_with_a_change_of_two(over_s):
    """RX1 and RX3 change in one frame; RX2 goes to its own width, or ends, after it."""
    later_s = 1.0 + QUARTER_S + over_s
    first, _, third = told(Did(at_s=1.0), Did(at_s=later_s, to_us=1515.0), Did(at_s=1.0), losses=3)
    assert [own.partner for own in first] == ["RX3"] * 3
    assert [own.owned for own in (*first, *third)] == [0] * 6
    first, _, third = told(Did(at_s=1.0), Did(STOP, at_s=later_s), Did(at_s=1.0))
    assert not first[0].ended_with
    assert not third[0].ended_with


def test_pulses_that_end_for_the_second_time_end_with_it_too():
    twice = Did(STOP, again_s=(1.0, 2.0))
    first, _, third = told(Did(at_s=2.0), twice, Did(at_s=2.0))
    assert first[0].ended_with
    assert third[0].ended_with


def test_a_change_with_a_partner_is_needed_to_be_counted():
    """In the third loss RX1 changes with nobody but RX2, which one stick moves as well."""
    one_way = {"RX1": {"sticks": STICKS[0]}, "RX2": {"sticks": STICKS[0]}}
    own = Did(to_us=1515.0)
    third = (Did(), Did(), HOLDS)
    first, _, _ = told(Did(), own, third, losses=3, of=one_way)
    assert [one.owned for one in first] == [2, 2, 0]


def test_only_losses_in_which_it_does_so_are_counted():
    second = (Did(to_us=1515.0), Did(), Did(to_us=1515.0))
    first, _ = told(Did(), second, losses=3)
    assert [own.owned for own in first] == [2, 0, 2]


def test_who_changed_and_who_returned_together():
    """RX2 a little after RX1; RX3 holds, and is back with nobody."""
    later = Did(at_s=0.5 + TICK_S, back_s=4.5 + TICK_S)
    first, second, third = (own[0] for own in told(Did(), later, HOLDS))
    assert (first.partner, second.partner, third.partner) == ("RX2", "RX1", "")
    assert (first.back_partner, second.back_partner, third.back_partner) == ("RX2", "RX1", "")
    assert [(own.both, own.together) for own in (first, second, third)] == [(1, 1), (1, 1), (0, 0)]
    for own in (first, second, third):
        assert (own.gone_s, own.gone_lines) == (10.5, ("RX1", "RX2"))
        assert (own.back_s, own.back_lines) == (14.5, ("RX1", "RX2"))
    earlier = [own[0] for own in told(later, Did())]
    assert [own.gone_lines for own in earlier] == [("RX2", "RX1")] * 2
    assert [own.back_lines for own in earlier] == [("RX2", "RX1")] * 2


def test_nothing_that_came_alone_shows_the_loss_or_the_return():
    for own in told(Did(), HOLDS):
        assert (own[0].gone_s, own[0].gone_lines) == (None, ())
        assert (own[0].back_s, own[0].back_lines) == (None, ())
        assert (own[0].together, own[0].both, own[0].back_partner) == (0, 0, "")


def test_pulses_that_end_or_begin_show_it_beside_a_jump_alone():
    jumped, stopped = told(Did(), Did(STOP, at_s=0.5 - TICK_S, back_s=4.5 - TICK_S))
    for own in (jumped[0], stopped[0]):
        assert (own.gone_s, own.gone_lines) == (10.5 - TICK_S, ("RX2", "RX1"))
        assert (own.back_s, own.back_lines) == (14.5 - TICK_S, ("RX2", "RX1"))
    for own in told(Did(STOP), Did(STOP)):
        assert (own[0].gone_s, own[0].back_s, own[0].back_partner != "") == (None, None, True)


def test_ramps_show_the_loss_but_movements_no_return():
    ramp = Did(MOVE, took_s=0.5, back_kind=MOVE)
    for own in told(ramp, ramp):
        assert (own[0].gone_s, own[0].gone_lines) == (10.5, ("RX1", "RX2"))
        assert (own[0].back_s, own[0].back_partner, own[0].both) == (None, "", 0)


def test_only_the_first_change_after_the_loss_is_a_return():
    """RX1 is back at 4.5 s; its next jump, with RX2's, is its stick's."""
    first, second = told(Did(then=((JUMP, 5.0, 1600.0),)), Did(back_s=5.0))
    assert (first[0].back_partner, second[0].back_partner) == ("", "")
    assert first[0].back_s is None
    first, second = told(Did(then=((JUMP, 5.0, 1600.0),)), Did(STOP, back_s=5.0))
    assert second[0].back_partner == ""


def test_a_line_is_back_alone_that_others_are_not_back_with():
    late = Did(back_s=5.0)
    assert [own[0].alone_back for own in told(Did(), late)] == [True, True]
    assert [own[0].alone_back for own in told(Did(), Did(), late)] == [False, False, True]
    assert [own[0].alone_back for own in told(Did(), HOLDS)] == [False, True]
    for early_s, alone in ((QUARTER_S, False), (QUARTER_S + TICK_S, True), (0.5, True)):
        own = told(late, late, Did(back_s=5.0 - early_s))
        assert [line[0].alone_back for line in own] == [alone] * 3
    moved = replace(late, back_kind=MOVE)
    assert [own[0].alone_back for own in told(Did(), moved)] == [False, True]


# --- one delay each time ---

SLOW_S = 1.0 / 32.0
"""Two such frames are more than 50 ms."""


@pytest.mark.parametrize(("over_s", "found"), [(0.0, [3, 3, 3]), (TICK_S, [2, 3, 2])])
def test_delays_two_frames_apart_are_alike(over_s, found):
    delays_s = (0.5, 0.5 + SLOW_S, 0.5 + 2.0 * SLOW_S + over_s)
    did = tuple(Did(at_s=at_s) for at_s in delays_s)
    for own in told(did, did, losses=3, frame_s=SLOW_S):
        assert [one.together for one in own] == found
        assert own[0].spread_s == delays_s[2] - delays_s[0]


def test_a_late_marker_makes_more_of_them_alike():
    did = (Did(at_s=0.5), Did(at_s=0.5 + 2.0 * SLOW_S + 0.25), Did(at_s=3.0))
    late = Moment(Known.MARKED, 0.0, None, 0.25)
    own, _ = told(did, did, losses=3, frame_s=SLOW_S, moment=late)
    assert [one.together for one in own] == [2, 2, 1]
    own, _ = told(did, did, losses=3, frame_s=SLOW_S)
    assert [one.together for one in own] == [1, 1, 1]


def test_of_quick_frames_fifty_milliseconds_are_alike():
    did = (Did(at_s=0.5), Did(at_s=0.549))
    assert [one.together for one in told(did, did, losses=2)[0]] == [2, 2]
    did = (Did(at_s=0.5), Did(at_s=0.551))
    assert [one.together for one in told(did, did, losses=2)[0]] == [1, 1]


def test_losses_count_in_which_another_changed_with_it():
    own, _ = told(Did(), (Did(), HOLDS, Did()), losses=3)
    assert [one.together for one in own] == [2, 0, 2]
    assert [one.both for one in own] == [2, 2, 2]


def test_the_odds_of_a_delay_are_those_from_the_marker_to_the_change():
    delays_s = np.array([1.0, 1.0, 1.25])
    jumps = tuple(Did(at_s=at_s) for at_s in delays_s)
    own = told(jumps, losses=3)[0]
    assert [one.odds for one in own] == hand_odds(delays_s, FRAME_S).tolist()
    assert [one.pull_odds for one in own] == [1.0] * 3
    # Of a ramp, to the last pulse before it, which is sure to be before.
    ramps = tuple(Did(MOVE, at_s=at_s, took_s=0.5) for at_s in delays_s)
    own = told(ramps, losses=3)[0]
    assert [one.odds for one in own] == hand_odds(delays_s - FRAME_S, FRAME_S).tolist()
    assert [one.pull_odds for one in own] == [1.0] * 3
    assert own[0].spread_s == 0.0
    stops = tuple(Did(STOP, at_s=at_s) for at_s in delays_s)
    own = told(stops, losses=3)[0]
    assert [one.pull_odds for one in own] == pull_odds(delays_s, FRAME_S).tolist()
    assert own[0].odds < 1.0
    stated = told(stops, losses=3, moment=Moment(Known.STATED, 0.0, None))[0]
    assert (stated[0].odds, stated[0].pull_odds, stated[0].spread_s) == (1.0, 1.0, 0.25)
    # What a person states may be wrong both ways.
    stated = told(stops, losses=3, moment=Moment(Known.STATED, 0.1, None))[0]
    assert stated[0].spread_s == pytest.approx(0.05)
    inferred = told(stops, losses=3, moment=Moment(Known.INFERRED, None, 0.0))[0]
    assert inferred[0].spread_s == 0.0


def test_times_from_change_to_return_are_told_of_three_or_more():
    backs = (Did(back_s=4.5), Did(back_s=5.0), Did(back_s=4.25))
    assert told(backs, losses=3)[0][0].stays_s == 0.75
    assert told(backs[:2], losses=2)[0][0].stays_s == 0.0
    assert told((*backs, replace(HOLDS)), losses=4)[0][0].stays_s == 0.75


# --- ramps ---

RAMP = Did(MOVE, took_s=0.5)


def are_ramps(*did, losses=3, line=0, **more):
    return [own.is_ramp for own in told(*did, losses=losses, **more)[line]]


def test_two_sticks_lines_that_ramp_together_are_a_machines_at_once():
    assert [own[0].is_ramp for own in told(RAMP, RAMP, HOLDS)] == [True, True, False]
    assert [own[0].is_ramp for own in told(RAMP, HOLDS)] == [False, False]
    assert [own[0].is_ramp for own in told(RAMP, Did())] == [False, False]
    one_way = {name: {"sticks": STICKS[0]} for name in NAMES}
    assert [own[0].is_ramp for own in told(RAMP, RAMP, of=one_way)] == [False, False]
    assert [own[0].is_ramp for own in told(replace(RAMP, is_ramp=False), RAMP)] == [False, True]


def test_even_ways_in_step_are_counted():
    three = (RAMP, RAMP, RAMP, Did())
    own = told(three, three, losses=4)
    assert [one.ramped for one in own[0]] == [3, 3, 3, 0]
    assert own[0][0].ramped_s == pytest.approx(11.0, abs=0.05)
    # The fourth changes suddenly, and so its delay alone is told.
    assert own[0][0].spread_s == 0.0
    assert [one.ramped for one in told(RAMP, HOLDS, losses=3)[0]] == [0, 0, 0]


def test_three_lone_ramps_that_begin_alike_are_a_machines():
    """However long each takes."""
    longer = (RAMP, replace(RAMP, took_s=1.0), replace(RAMP, took_s=1.5))
    assert are_ramps(longer) == [True] * 3
    assert are_ramps(longer[:2], losses=2) == [False] * 2
    assert are_ramps((RAMP, Did(), RAMP, RAMP), losses=4) == [True, False, True, True]
    assert are_ramps((RAMP, Did(), Did(), RAMP), losses=4) == [False] * 4
    assert are_ramps(longer, moment=Moment(Known.STATED, 0.0, None)) == [False] * 3


@pytest.mark.parametrize(("over_s", "found"), [(0.0, True), (TICK_S, False)])
def test_ramps_begin_alike_within_two_frames_or_fifty_milliseconds(over_s, found):
    begin_s = (0.5, 0.5 + 2.0 * SLOW_S, 0.5 + 4.0 * SLOW_S + over_s)
    did = tuple(replace(RAMP, at_s=at_s) for at_s in begin_s)
    assert are_ramps(did, frame_s=SLOW_S) == [False, found, False]
    late = Moment(Known.MARKED, 0.0, None, 0.25)
    assert are_ramps(did, frame_s=SLOW_S, moment=late) == [True] * 3
    assert are_ramps(tuple(replace(RAMP, at_s=at_s) for at_s in (0.5, 0.549, 0.5))) == [True] * 3
    assert are_ramps(tuple(replace(RAMP, at_s=at_s) for at_s in (0.5, 0.551, 0.5))) == [False] * 3


RAMPED = replace(RAMP, to_us=1515.0)
MOVED = replace(RAMPED, is_ramp=False, moved_until_s=1.0)


def test_what_moved_to_one_and_the_same_width_each_time_was_a_machines():
    later = replace(MOVED, at_s=MOVED.at_s + 0.125)  # not in step, which three losses would show
    assert are_ramps(MOVED, later, losses=5) == [True] * 5
    assert are_ramps(MOVED, later, losses=3) == [False] * 3
    assert are_ramps(MOVED, MOVED, losses=3) == [True] * 3
    assert are_ramps(MOVED, MOVED, losses=2) == [False] * 2
    assert are_ramps(replace(MOVED, moved_until_s=None), later, losses=5) == [False] * 5
    assert are_ramps(Did(to_us=1515.0), Did(to_us=1515.0), losses=5) == [False] * 5
    # One that jumped there, and moved on to the end, did not end there.
    drifts = Did(to_us=1515.0, drifts_s=2.0, moved_until_s=4.0)
    own = told(drifts, drifts, losses=5)
    assert own[0][0].placed_odds <= MACHINE_ODDS
    assert not own[0][0].is_ramp
    assert own[0][0].own_until_s == 12.0 - FRAME_S


def test_such_movement_is_told_as_a_way_to_a_preset():
    losses = losses_of(5)
    moved = (replace(MOVED, behaviour=None),) * 5
    lines = {name: line_of(name, moved, losses) for name in NAMES[:2]}
    responses, _ = gather(lines, losses, Span(0.0, 60.0), 2.0)
    for own in (*responses["RX1"], *responses["RX2"]):
        assert (own.behaviour, own.moved_until_s) == (LossClass.GOES_TO_PRESET, None)
        assert own.level_us == 1515.0
    lone, _ = gather({"RX1": lines["RX1"]}, losses, Span(0.0, 60.0), 2.0)
    assert {own.behaviour for own in lone["RX1"]} == {None}


def test_a_machines_odds_at_the_very_limit_make_it_one(monkeypatch):
    monkeypatch.setattr(weighed, "MACHINE_ODDS", places(4))
    assert are_ramps(MOVED, MOVED, losses=4) == [True] * 4
    later = replace(MOVED, at_s=MOVED.at_s + 0.125)
    assert are_ramps(MOVED, later, losses=4) == [True] * 4


# --- what is no entry ---

INSIDE = Did(from_us=1480.0, to_us=1520.0)
"""A jump from one place in the stop range to another."""


def test_a_device_that_stood_still_before_has_no_entry():
    first, second = told(INSIDE, Did())
    assert (first[0].entry, first[0].partner, first[0].together) == (None, "", 0)
    assert (first[0].odds, first[0].spread_s, first[0].is_close) == (1.0, 0.0, True)
    assert second[0].partner == "RX1"
    assert second[0].gone_s == 10.5


def test_pulses_that_end_with_such_a_jump_alone_show_no_loss():
    _, stopped = told(INSIDE, Did(STOP))
    assert stopped[0].partner == "RX1"
    assert stopped[0].gone_s is None


def test_a_loss_that_does_not_concern_a_line_says_nothing_of_it():
    first, second = told(Did(), Did(), losses=3, of={"RX2": {"lacks": (1,)}})
    assert [own.partner for own in first] == ["RX2", "", "RX2"]
    assert [own.together for own in first] == [2, 0, 2]
    assert [own.back_partner for own in first] == ["RX2", "", "RX2"]
    assert len(second) == 2
    assert [own.partner for own in second] == ["RX1", "RX1"]


# --- undriven, still, followed ---


def test_lines_left_undriven_together_are_counted():
    noise = Did(STOP, behaviour=LossClass.NOISE)
    stuck = Did(STOP, behaviour=LossClass.STUCK_HIGH)
    assert [own[0].undriven for own in told(noise, Did(), HOLDS)] == [0, 0, 0]
    assert [own[0].undriven for own in told(noise, stuck, HOLDS)] == [1, 1, 0]
    first, second = told((noise, noise, noise, Did()), (stuck, Did(), stuck, Did()), losses=4)
    assert [own.undriven for own in first] == [2, 0, 2, 0]
    assert [own.undriven for own in second] == [2, 0, 2, 0]


def test_a_loss_is_still_in_which_no_line_moved():
    moves = Did(None, moved_until_s=1.0)
    first, second = told(Did(), (HOLDS, moves), losses=2)
    assert [own.is_still for own in first] == [True, False]
    assert [own.is_still for own in second] == [True, False]


def test_a_stick_is_followed_from_its_first_movement_after_the_return():
    """To the last pulse before it moved; from the line's own return, or from the others'."""
    follows = Did(then=((MOVE, 5.5, 1600.0),))
    own = told(Did(), follows, HOLDS)
    assert [line[0].follow_s for line in own] == [1.0 - FRAME_S] * 3
    late = told(follows, Did(back_s=4.5 + TICK_S))
    assert [line[0].follow_s for line in late] == [1.0 - FRAME_S, 1.0 - FRAME_S - TICK_S]
    assert told(Did(), Did())[0][0].follow_s == math.inf
    assert told(Did(back_s=None), HOLDS)[0][0].follow_s == math.inf
    # What wanders or is undriven moves as no stick does.
    for kind in (LossClass.WANDERS, LossClass.NOISE):
        restless = replace(follows, behaviour=kind)
        assert told(Did(), Did(), restless)[0][0].follow_s == math.inf
    # Nobody moved before: it took no time at all.
    early = Did(back_kind=MOVE, back_s=4.25)
    assert told(Did(), Did(), early)[0][0].follow_s == 0.0


def test_it_is_judged_up_to_its_own_return():
    own = told(Did(), Did(), Did(None, back_s=None))
    assert own[0][0].until_s == pytest.approx(14.5 - FRAME_S, abs=1e-8)
    assert own[2][0].until_s == 14.5
    # Nothing came back: to the end of what was recorded, or to the next loss.
    first, _ = told(Did(back_s=None), HOLDS, losses=2)
    assert first[0].until_s == 20.0
    assert first[1].until_s == 24.0 + 3.0 + 1.0


# --- where levels are the failsafe's ---


@pytest.mark.parametrize(
    ("middle_s", "apart"),
    [(9.5, True), (10.0 - TICK_S, True), (10.0 + TICK_S, False), (12.0, False),
     (14.5 - TICK_S, False), (14.5 + TICK_S, True)],
)  # fmt: skip
def test_sticks_are_told_apart_outside_the_losses_up_to_the_last_return(middle_s, apart):
    """RX1 and RX2 go one way but for one dwell; RX3, which goes RX1's way, is back last."""
    way = ((0.0, 2.0, 1500.0), (2.5, 4.0, 1700.0), (4.5, 6.0, 1500.0), (6.5, 8.0, 1700.0))
    span_s = middle_s - 0.125, middle_s + 0.125
    third = {"RX1": 1700.0, "RX2": 1300.0, "RX3": 1700.0}
    sticks = {name: {"sticks": (*way, (*span_s, third[name]))} for name in third}
    own = told(Did(back_s=4.25), Did(back_s=4.25), Did(back_s=4.5), of=sticks)
    assert own[0][0].partner == ("RX2" if apart else "")
    assert own[1][0].partner == ("RX1" if apart else "")


def test_sticks_are_told_apart_after_a_loss_from_which_one_line_was_not_seen_back():
    way = ((0.0, 2.0, 1500.0), (2.5, 4.0, 1700.0), (4.5, 6.0, 1500.0), (6.5, 9.5, 1700.0))
    levels = {"RX1": 1700.0, "RX2": 1300.0, "RX3": 1700.0}
    for middle_s, apart in ((14.25, False), (16.0, True)):
        span_s = middle_s - 0.125, middle_s + 0.125
        sticks = {name: {"sticks": (*way, (*span_s, us))} for name, us in levels.items()}
        own = told(Did(), Did(), HOLDS, of=sticks)
        assert own[0][0].partner == ("RX2" if apart else "")


# --- who followed, and until when ---


@pytest.mark.parametrize(("moved_s", "follows"), [(1.0, ""), (1.0 + TICK_S, "RX2")])
def test_another_line_follows_that_moved_on_after_the_change(moved_s, follows):
    first, second = told(Did(at_s=1.0), Did(None, moved_until_s=moved_s))
    assert first[0].follows == follows
    assert second[0].follows == ""


@pytest.mark.parametrize(("moved_s", "follows"), [(0.25, ""), (0.25 + TICK_S, "RX1")])
def test_a_line_without_a_change_counts_from_a_quarter_of_a_second_on(moved_s, follows):
    _, second = told(Did(at_s=1.0, moved_until_s=moved_s), HOLDS)
    assert second[0].follows == follows


def test_the_line_that_followed_longest_is_named():
    own = told(Did(), Did(None, moved_until_s=1.5), Did(None, moved_until_s=2.0))
    assert [one[0].follows for one in own] == ["RX3", "RX3", "RX2"]


@pytest.mark.parametrize(("at_s", "close"), [(0.25, False), (0.25 - TICK_S, True)])
def test_a_change_is_close_until_a_quarter_of_a_second_after_the_loss(at_s, close):
    """The last pulse before it decides; of a ramp, its end."""
    assert told(Did(at_s=at_s + FRAME_S))[0][0].is_close is close
    assert told(Did(MOVE, at_s=0.0625, took_s=at_s - 0.0625))[0][0].is_close is close


# --- one width each time ---

PLACED = Did(to_us=1515.0)
ONE_FRAME = round(FRAME_S / PULL_SCATTER_S, 3)


def places(count):
    """The odds that a hand that scatters by 10 us puts so many within one sample of 1 us."""
    return range_odds(count, 0.1)


def odds(*did, losses=3, **more):
    return [line[0].placed_odds for line in told(*did, losses=losses, **more)]


def test_a_lone_line_put_to_one_width_may_be_a_switchs():
    assert odds(PLACED, HOLDS) == [1.0, 1.0]
    assert odds(PLACED) == [1.0]


def test_two_lines_put_there_in_one_frame_are_a_receivers():
    """Each the other's witness: a person acts in one frame again and again by such odds."""
    once = places(3) + PERSON * range_odds(3, ONE_FRAME)
    assert odds(PLACED, PLACED) == pytest.approx([once] * 2)
    assert odds(PLACED, Did()) == pytest.approx([once, once + PERSON * range_odds(3, ONE_FRAME)])


def test_a_line_put_less_surely_takes_the_odds_of_the_one_beside_it():
    """RX1 goes to widths 12 us apart, RX2 to one: whoever moved RX2 moved RX1 in its frame."""
    scattered = tuple(Did(to_us=own_us) for own_us in (1510.0, 1515.0, 1522.0))
    alike = PERSON * range_odds(3, ONE_FRAME)
    assert range_odds(3, 1.3) > 10 * places(3)
    assert odds(scattered, PLACED) == pytest.approx([places(3) + 2 * alike, places(3) + alike])


def test_losses_in_which_neither_was_put_there_tell_nothing_of_those_in_which_one_was():
    """They change in one frame in all five, but go to a width of their own in three."""
    three = (PLACED, PLACED, PLACED, Did(), Did())
    alike = PERSON * range_odds(3, ONE_FRAME)
    once = places(3) + alike
    assert odds(three, three, losses=5) == pytest.approx([once] * 2)
    assert odds(three, Did(), losses=5) == pytest.approx([once, once + alike])


def test_twice_is_enough_to_have_odds():
    once = places(2) + PERSON * range_odds(2, ONE_FRAME)
    assert odds(PLACED, PLACED, losses=2) == pytest.approx([once] * 2)


@pytest.mark.parametrize(("later_s", "found"), [(0.0, True), (0.296875, True), (0.3125, False)])
def test_ramps_begin_within_three_tenths_of_a_second(later_s, found):
    late = replace(RAMPED, at_s=0.5 + later_s)
    once = places(3) + PERSON * range_odds(3, ONE_FRAME)
    assert odds(RAMPED, late) == pytest.approx([once if found else 1.0] * 2)


@pytest.mark.parametrize(("apart_frames", "found"), [(0.5, True), (0.75, False)])
def test_outputs_of_one_receiver_change_within_most_of_a_frame(apart_frames, found):
    late = replace(PLACED, at_s=0.5 + apart_frames * FRAME_S)
    assert (odds(PLACED, late)[0] < 1.0) is found


def test_six_tenths_of_a_frame_are_still_one_frame():
    """A frame of 26.04 ms, of which six tenths are 1/64 s."""
    frame_s = FRAME_S / 0.6
    assert frame_s * 0.6 == FRAME_S
    late = replace(PLACED, at_s=0.5 + FRAME_S)
    assert odds(PLACED, late, frame_s=frame_s)[0] < 1.0
    later = replace(PLACED, at_s=0.5 + FRAME_S + TICK_S)
    assert odds(PLACED, later, frame_s=frame_s)[0] == 1.0


def test_the_times_between_them_scatter_with_a_person():
    """Half a frame before, with, and half a frame after it: within a frame; a person's 25 ms."""
    shifts = (-0.5, 0.0, 0.5)
    late = tuple(replace(PLACED, at_s=0.5 + k * FRAME_S) for k in shifts)
    assert odds(PLACED, late)[0] == pytest.approx(places(3) + PERSON * range_odds(3, ONE_FRAME))


@pytest.mark.parametrize(("over_s", "found"), [(0.0, True), (TICK_S, False)])
def test_ramps_to_widths_of_their_own_that_overlap_bear_witness(over_s, found):
    """The one begins as the other ends."""
    assert places(5) <= MACHINE_ODDS < places(3)
    later = replace(RAMPED, at_s=1.0 + FRAME_S + over_s)
    for pair in ((RAMPED, later), (later, RAMPED)):
        assert odds(*pair, losses=5) == pytest.approx([places(5) if found else 1.0] * 2)


def test_a_second_line_put_as_surely_needs_no_more_witness():
    assert odds(PLACED, PLACED, losses=5) == pytest.approx([places(5)] * 2)


def test_a_ramp_and_a_jump_bear_no_witness_for_one_another():
    assert odds(RAMPED, PLACED, losses=5) == [1.0, 1.0]


def test_what_changes_once_another_was_put_there_is_the_receivers():
    both = (PLACED, PLACED)
    later, before = Did(at_s=0.5 + FRAME_S), Did(at_s=0.5 + FRAME_S - TICK_S)
    sure = pytest.approx(places(5))
    assert odds(*both, later, losses=5) == [sure] * 3
    assert odds(*both, before, losses=5) == [sure, sure, 1.0]
    # A ramp counts from where it ends.
    ramp = Did(MOVE, at_s=0.25, took_s=0.25)
    assert odds(*both, ramp, losses=5) == [sure] * 3
    assert odds(*both, replace(ramp, took_s=0.25 - TICK_S), losses=5)[2] == 1.0


@pytest.mark.parametrize("back", [{"back_kind": MOVE}, {"back_s": None}, {"back_s": 4.0}])
def test_a_way_to_rest_that_does_not_jump_back_with_the_others_may_follow_a_stick(back):
    """A hand lets go as the others go to their presets, and takes hold again in its own time."""
    let_go = Did(MOVE, at_s=0.25, took_s=0.25)
    assert odds(PLACED, PLACED, let_go, losses=5)[2] == pytest.approx(places(5))
    assert odds(PLACED, PLACED, replace(let_go, **back), losses=5)[2] == 1.0
    own = replace(RAMPED, **back)
    assert odds(PLACED, PLACED, own, losses=5)[2] == pytest.approx(places(5))


def test_a_ramp_put_there_is_seen_later_than_it_begins():
    """From 50 ms after its first pulse on, the link was gone."""
    later = Did(at_s=0.5 + 0.051)
    ramps = (RAMPED, RAMPED)
    assert odds(*ramps, later, losses=5)[2] == pytest.approx(places(5))
    assert odds(*ramps, replace(later, at_s=0.5 + 0.049), losses=5)[2] == 1.0


def test_a_line_on_another_clock_is_another_receivers():
    """Frames 10 millionths longer."""
    later = Did(at_s=0.75)
    one = odds(PLACED, PLACED, later, losses=5)
    two = odds(PLACED, PLACED, later, losses=5, of={"RX3": {"beat": 1.00001}})
    assert one[2] == pytest.approx(places(5))
    assert two[2] == 1.0


def test_coarse_samples_leave_room_for_one_clock():
    """4 millionths apart, of which samples of 10 us over some 10 s explain 3; crystals, 3."""
    apart = {"RX3": {"beat": 1.000004}}
    assert odds(PLACED, PLACED, Did(at_s=0.75), losses=5, of=apart)[2] == 1.0
    coarse = odds(PLACED, PLACED, Did(at_s=0.75), losses=5, of=apart, interval_us=10.0)
    assert coarse[2] == coarse[0] < 1.0


BEYOND = Did(to_us=1600.0)
"""One width each time, outside the stop range."""


def test_a_width_at_which_the_stick_was_seen_anywhere_is_no_receivers():
    """Then RX2 alone was put there, and RX1 changed in its frame."""
    alike = PERSON * range_odds(3, ONE_FRAME)
    once = places(3) + alike
    assert odds(BEYOND, BEYOND) == pytest.approx([once, once])
    seen = (*STICKS[0], (9.2, 9.6, 1603.0))
    found = odds(BEYOND, BEYOND, of={"RX1": {"sticks": seen}})
    assert found == pytest.approx([once + alike, once])


def test_a_stick_never_seen_at_rest_says_nothing_of_where_it_rests():
    never = ((0.0, 2.0, 1700.0), (2.5, 6.0, 1300.0), (6.5, 9.0, 1700.0))
    found = odds(PLACED, PLACED, of={"RX1": {"sticks": never}})
    alike = PERSON * range_odds(3, ONE_FRAME)
    assert found == pytest.approx([places(3) + 2 * alike, places(3) + alike])


def test_a_loss_in_which_it_went_elsewhere_hides_no_others():
    elsewhere = (BEYOND, *[PLACED] * 4)
    own = told(elsewhere, elsewhere, losses=5)[0]
    four = places(4) + PERSON * range_odds(5, ONE_FRAME)
    assert [one.placed_odds for one in own] == pytest.approx([1.0, *[four] * 4])


def test_odds_at_the_very_limit_are_a_machines(monkeypatch):
    assert odds(PLACED, PLACED, losses=4)[0] > places(4)
    monkeypatch.setattr(weighed, "MACHINE_ODDS", places(4))
    assert odds(PLACED, PLACED, losses=4) == pytest.approx([places(4)] * 2)


def test_once_in_one_frame_is_chance():
    """RX2 goes there too, but with RX1 in one loss only."""
    apart = tuple(replace(PLACED, at_s=0.5 + own_s) for own_s in (0.0, 0.25, 0.5))
    assert odds(PLACED, apart) == [1.0, 1.0]


# --- until when an output stood where no stick puts it ---


def test_a_width_of_its_own_shows_the_loss_until_it_leaves_it():
    own = told(replace(PLACED, back_s=4.75), Did(back_s=4.75))
    assert [line[0].own_until_s for line in own] == [14.75 - FRAME_S] * 2


@pytest.mark.parametrize(("over_s", "found"), [(0.0, True), (TICK_S, False)])
def test_and_so_it_does_for_what_returns_in_its_frame(over_s, found):
    for later_s in (QUARTER_S + over_s, -QUARTER_S - over_s):
        own = told(replace(PLACED, back_s=4.75), Did(back_s=4.75 + later_s))
        assert own[1][0].own_until_s == (14.75 - FRAME_S if found else -math.inf)


def test_one_width_each_time_shows_it_as_well(monkeypatch):
    """The limit is over before they go there, so none stands there by then."""
    monkeypatch.setattr(weighed, "MACHINE_ODDS", places(4))
    own = told(PLACED, PLACED, losses=4, limit_s=0.25)
    assert not own[0][0].own_width
    assert own[0][0].own_until_s == 14.5 - FRAME_S
    assert told(PLACED, PLACED, losses=3, limit_s=0.25)[0][0].own_until_s == -math.inf


def test_a_line_that_stood_where_its_stick_rests_shows_nothing():
    assert [line[0].own_until_s for line in told(Did(), Did())] == [-math.inf] * 2


# --- the frame rate, at its very limit ---


@pytest.mark.parametrize(
    ("with_s", "later_s", "found"),
    [
        (20, 20, False), (21, 20, False), (20, 21, False), (21, 21, True),
        (12, 12, False), (11, 12, False), (12, 11, False), (11, 11, True),
    ],
)  # fmt: skip
def test_a_rate_at_the_limit_has_not_changed(monkeypatch, with_s, later_s, found):
    """Frames of 16 ticks, which may differ by a quarter."""
    monkeypatch.setattr(weighed, "RATE_CHANGE", 0.25)
    tick_s = FRAME_S / 16.0
    early_s = 10.0 - FRAME_S * np.arange(20)[::-1]
    late_s = 10.0 + tick_s * (with_s + later_s * np.arange(20))
    rise_s = np.concatenate([early_s, late_s])
    table = PulseTable(
        "RX1", rise_s, np.full(40, 1500.0), np.append(np.diff(rise_s) * 1e6, NAN),
        np.zeros(40, np.uint8), False, STANDARD_SERVO, 1.0,
    )  # fmt: skip
    line = Watched(Output(table, None, FRAME_S * 1e6), EXPECTED, (), (), (), 5.0)
    told_at = np.array([10.0]), np.array([10.0 + tick_s * with_s])
    assert weighed._has_slowed(line, *told_at, losses_of(1)).tolist() == [found]
