"""Every other cause of a loss: given this evidence, this refutes it, and only this."""

import math
from dataclasses import fields, replace

import pytest

from pwmscope.bench import StopBand
from pwmscope.findings.failsafe import Polarity
from pwmscope.findings.failsafe.alternatives import (
    ASKED,
    Case,
    Cause,
    Ground,
    Setting,
    alternatives_of,
    back_early,
    by_hand,
    first_open,
    frames_damaged,
    held,
    left_early,
    marker_late,
    marker_reversed,
    never_lost,
    read_upside_down,
    supply_failed,
    unplugged,
)
from pwmscope.findings.failsafe.evidence import Evidence
from pwmscope.findings.failsafe.losses import Known, Loss, Moment
from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.response import Change, ChangeKind, LossClass, Response
from pwmscope.findings.failsafe.returns import Leap
from pwmscope.findings.failsafe.segments import Kind, Stretch

BAND = StopBand(1470.0, 1530.0, "")
NAN = math.nan


def stands(start_s, end_s, level_us, jumped=False):
    pulses = round((end_s - start_s) / 0.02) + 1
    return Stretch(Kind.STANDS, start_s, end_s, level_us, level_us, level_us, 0.5, pulses, jumped)


def quiet(start_s, end_s):
    return Stretch(Kind.QUIET, start_s, end_s, NAN, NAN, NAN, NAN, 0, jumped=False)


HELD, IN = stands(9.5, 10.58, 1700.0), stands(10.6, 13.98, 1500.0, jumped=True)
ENTRY = Change(ChangeKind.JUMP, 10.58, 10.6, 1700.0, 1500.0, 10.6, 1)
BACK = Change(ChangeKind.JUMP, 14.28, 14.3, 1500.0, 1700.0, 14.3, 2)
EVIDENCE = Evidence(
    entry=ENTRY, is_close=False, partner="RX2", ended_with=False, own_width=False, owned=0,
    placed_odds=1.0, slowed=0, is_ramp=False, ramped=0, ramped_s=NAN,
    back_partner="RX2", back_s=14.3,
    back_lines=("RX1", "RX2"),
    gone_s=10.6, gone_lines=("RX1", "RX2"), together=10, both=10, odds=1e-9, pull_odds=1.0,
    follows="", stop_partner="RX2", goes_on="", restarted=False, restart_odds=1.0,
    beat_odds=1.0,
    alone_back=False, leaps=(), until_s=14.28, follow_s=0.8, spread_s=0.02, stays_s=2.0,
    own_until_s=-math.inf, is_still=False, undriven=0, one_clock=("RX1", "RX2"), left_before=(),
)  # fmt: skip
RESPONSE = Response(
    LossClass.GOES_TO_PRESET, "", 10.6, 1500.0, True, (HELD, IN), None,
    (stands(14.3, 15.1, 1700.0, jumped=True),), None, (ENTRY,), (BACK,),
)  # fmt: skip
SETTING = Setting(
    "RX1", Expectation("drive-left", BAND, True, True, 0.2), 2.0, 0.02, 1000.0, 4.0, 60.0,
    Polarity.STATED,
)  # fmt: skip
MARKED = Moment(Known.MARKED, 1e-6, None)


def loss_of(moment=MARKED, lost_s=10.0, back_s=14.0, **changes):
    return Loss(lost_s, back_s, True, moment, frozenset({"RX1", "RX2"}), "", **changes)


GOOD = Case(loss_of(), RESPONSE, EVIDENCE, SETTING, 1e-5, 10.6015, 10.5817, 1700.0, True, False)


def changed(case=GOOD, **changes):
    """Change what bears on a case: its own fields, or those of its parts."""
    parts = {"evidence": EVIDENCE, "response": RESPONSE, "setting": SETTING}
    for name in parts:
        own = {f.name for f in fields(getattr(case, name))} & changes.keys()
        told = {key: changes.pop(key) for key in own}
        case = replace(case, **{name: replace(getattr(case, name), **told)})
    return replace(case, **changes)


def answer(ask, **changes):
    found = ask(changed(**changes))
    return found.refuted, found.ground


def test_in_a_good_case_every_cause_is_asked_once_and_refuted():
    found = alternatives_of(GOOD)
    assert [alternative.cause for alternative in found] == list(Cause)
    assert all(alternative.refuted for alternative in found)
    assert first_open(GOOD) is None
    assert len(ASKED) == len(Cause)


def test_the_first_open_cause_is_told():
    found = first_open(changed(odds=1.0, back_lines=(), together=1))
    assert (found.cause, found.ground) == (Cause.NEVER_LOST, Ground.OPEN)


# --- the link was never lost ---


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, (True, Ground.BACK_TOGETHER)),
        ({"behaviour": LossClass.KEEPS_FOLLOWING}, (False, Ground.FOLLOWS)),
        ({"moved_until_s": 11.0}, (False, Ground.FOLLOWS)),
        ({"moved_until_s": 11.0, "is_ramp": True}, (True, Ground.BACK_TOGETHER)),
        ({"follows": "RX3"}, (False, Ground.FOLLOWS)),
        ({"back_lines": (), "entry": None}, (False, Ground.OPEN)),
        (
            {"back_lines": (), "entry": replace(ENTRY, kind=ChangeKind.STOP)},
            (True, Ground.PULSES_ENDED),
        ),
        (
            {"back_lines": (), "entry": replace(ENTRY, kind=ChangeKind.START)},
            (True, Ground.PULSES_ENDED),
        ),
        ({"back_lines": (), "odds": 1.0}, (True, Ground.TOGETHER)),
        ({"back_lines": (), "odds": 1.0, "together": 2}, (True, Ground.TOGETHER)),
        ({"back_lines": (), "odds": 1.0, "together": 1}, (False, Ground.OPEN)),
        ({"back_lines": (), "odds": 1.0, "partner": ""}, (False, Ground.OPEN)),
        ({"back_lines": (), "odds": 1.0, "is_close": True}, (False, Ground.OPEN)),
        ({"back_lines": (), "odds": 1e-4, "partner": ""}, (True, Ground.MACHINE)),
        ({"back_lines": (), "odds": 1.01e-4, "partner": ""}, (False, Ground.OPEN)),
        (
            {"back_lines": (), "odds": 1.0, "partner": "", "placed_odds": 1e-4},
            (True, Ground.PLACED),
        ),
        (
            {"back_lines": (), "odds": 1.0, "partner": "", "placed_odds": 1.01e-4},
            (False, Ground.OPEN),
        ),
    ],
)
def test_that_the_link_was_never_lost(changes, told):
    assert answer(never_lost, **changes) == told


def test_who_still_followed_is_named():
    assert never_lost(changed(follows="RX3")).lines == ("RX3",)
    own = never_lost(changed(moved_until_s=11.0))
    assert (own.lines, own.at_s) == (("RX1",), 11.0)


# --- a hand ---

FAIR = {"odds": 1e-2}
"""Odds that refute no hand."""


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, (True, Ground.MACHINE)),
        ({"odds": 1e-4}, (True, Ground.MACHINE)),
        ({"odds": 1.01e-4}, (False, Ground.ONE_SWITCH)),
        ({"placed_odds": 1e-4}, (True, Ground.PLACED)),
        ({"placed_odds": 1.01e-4}, (True, Ground.MACHINE)),
        ({"placed_odds": 1e-9, "entry": replace(ENTRY, from_us=1539.9)}, (True, Ground.PLACED)),
        ({**FAIR, "ended_with": True}, (True, Ground.ENDED_WITH)),
        ({**FAIR, "own_width": True}, (True, Ground.OWN_WIDTH)),
        ({**FAIR, "slowed": 3}, (True, Ground.SLOWED)),
        ({**FAIR, "slowed": 2}, (False, Ground.ONE_SWITCH)),
        ({**FAIR, "slowed": 3, "is_close": True}, (False, Ground.ONE_SWITCH)),
        ({**FAIR, "owned": 3}, (True, Ground.OTHER_OWN_WIDTH)),
        ({**FAIR, "owned": 2}, (False, Ground.ONE_SWITCH)),
        ({**FAIR, "own_width": True, "back_lines": ()}, (True, Ground.OWN_WIDTH)),
        ({**FAIR, "own_width": True, "back_lines": (), "together": 2}, (True, Ground.OWN_WIDTH)),
        ({**FAIR, "own_width": True, "back_lines": (), "together": 1}, (False, Ground.OPEN)),
        ({**FAIR, "is_close": True, "own_width": True}, (True, Ground.OWN_WIDTH)),
        ({**FAIR, "is_close": True, "own_width": True, "both": 3}, (True, Ground.OWN_WIDTH)),
        ({**FAIR, "is_close": True, "own_width": True, "both": 2}, (False, Ground.SEEN_CLOSE)),
        (
            {**FAIR, "is_close": True, "own_width": True, "back_partner": ""},
            (False, Ground.SEEN_CLOSE),
        ),
        ({**FAIR, "partner": "", "gone_s": 10.5, "own_width": True}, (True, Ground.GONE_BEFORE)),
        ({**FAIR, "partner": "", "gone_s": 10.5}, (False, Ground.OPEN)),
        ({**FAIR, "partner": "", "gone_s": 10.58, "own_width": True}, (False, Ground.OPEN)),
        ({**FAIR, "partner": "", "gone_s": None, "own_width": True}, (False, Ground.OPEN)),
        (
            {**FAIR, "partner": "", "gone_s": 10.5, "own_width": True, "back_lines": ()},
            (False, Ground.OPEN),
        ),
        (
            {**FAIR, "partner": "", "gone_s": 10.5, "own_width": True, "is_close": True},
            (False, Ground.SEEN_CLOSE),
        ),
        ({"entry": None}, (False, Ground.UNCLEAR)),
        ({"entry": None, "during": (IN,)}, (True, Ground.NO_CHANGE)),
        ({"entry": replace(ENTRY, kind=ChangeKind.STOP)}, (True, Ground.PULSES_ENDED)),
        ({"entry": replace(ENTRY, kind=ChangeKind.START)}, (True, Ground.PULSES_ENDED)),
        ({"entry": replace(ENTRY, from_us=1539.9)}, (False, Ground.SMALL)),
        ({"entry": replace(ENTRY, from_us=1540.0)}, (True, Ground.MACHINE)),
    ],
)
def test_that_a_hand_moved_it(changes, told):
    assert answer(by_hand, **changes) == told


def move(took_s):
    return replace(ENTRY, kind=ChangeKind.MOVE, end_s=ENTRY.after_s + took_s)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"entry": move(0.2), "partner": ""}, (False, Ground.SMOOTH)),
        ({"entry": move(0.2), "partner": "", "is_ramp": True}, (True, Ground.MACHINE)),
        ({"entry": move(0.2)}, (True, Ground.MACHINE)),
        ({"entry": move(0.2), "odds": 2e-4}, (False, Ground.ONE_SWITCH)),
        ({"entry": move(0.31), "odds": 2e-4}, (True, Ground.RAMPED)),
        ({"entry": move(0.29), "odds": 2e-4}, (False, Ground.ONE_SWITCH)),
        ({"entry": move(0.31), "odds": 2e-4, "together": 3}, (True, Ground.RAMPED)),
        ({"entry": move(0.31), "odds": 2e-4, "together": 2}, (False, Ground.ONE_SWITCH)),
    ],
)
def test_that_a_hand_moved_it_smoothly(changes, told):
    assert answer(by_hand, **changes) == told


@pytest.mark.parametrize(
    ("before_s", "into_s", "told"),
    [(0.1001, 1.0, Ground.MACHINE), (0.0999, 1.0, Ground.UNCLEAR), (1.0, 0.0999, Ground.UNCLEAR)],
)
def test_a_lone_change_must_stand_before_and_after(before_s, into_s, told):
    during = (stands(10.0, 10.0 + before_s, 1700.0), stands(11.0, 11.0 + into_s, 1500.0))
    assert by_hand(changed(during=during, partner="")).ground is told
    assert by_hand(changed(during=during)).ground is Ground.MACHINE


@pytest.mark.parametrize(("stands_s", "told"), [(0.1, Ground.MACHINE), (0.0999, Ground.UNCLEAR)])
def test_a_lone_change_stands_for_a_tenth_of_a_second(stands_s, told):
    during = (stands(0.0, stands_s, 1700.0), stands(1.0, 2.0, 1500.0))
    assert by_hand(changed(during=during, partner="")).ground is told


@pytest.mark.parametrize(("took_s", "told"), [(0.3, Ground.RAMPED), (0.2999, Ground.ONE_SWITCH)])
def test_two_hands_keep_in_step_for_three_tenths_of_a_second(took_s, told):
    entry = replace(ENTRY, kind=ChangeKind.MOVE, after_s=0.0, by_s=0.0, end_s=took_s)
    assert by_hand(changed(entry=entry, odds=2e-4)).ground is told


@pytest.mark.parametrize(("took_s", "told"), [(0.08, Ground.STAYED), (0.0799, Ground.QUICK_RETURN)])
def test_a_hand_takes_eight_hundredths_of_a_second(took_s, told):
    first = Change(ChangeKind.MOVE, 0.0, 0.02, 1500.0, 1700.0, took_s, 2)
    assert left_early(changed(departures=(first,), back_partner="")).ground is told


def test_what_is_named_beside_each_ground():
    pair = ("RX1", "RX2")
    for changes, lines, at_s, odds, count in (
        ({}, (), 10.6, 1e-9, None),
        ({**FAIR, "ended_with": True}, pair, 10.6, None, None),
        ({**FAIR, "slowed": 4}, (), 10.6, None, 4),
        ({**FAIR, "own_width": True}, pair, 10.6, None, None),
        ({**FAIR, "owned": 5}, pair, 10.6, None, 5),
        (FAIR, pair, 10.6, None, None),
        ({"entry": move(0.31), "odds": 2e-4}, pair, 10.6, None, 10),
        ({**FAIR, "partner": "", "gone_s": 10.5, "own_width": True}, pair, 10.5, None, None),
    ):
        found = by_hand(changed(**changes))
        assert (found.lines, found.at_s, found.odds, found.losses) == (lines, at_s, odds, count)
    gone = never_lost(changed(back_lines=(), odds=1.0))
    assert (gone.lines, gone.at_s, gone.losses) == (pair, 10.6, 10)
    assert never_lost(GOOD).lines == pair
    assert never_lost(GOOD).at_s == 14.3
    assert left_early(changed(leaps=(Leap(14.1, 1500.0, 1900.0),))).at_s == 14.1
    assert frames_damaged(changed(damaged_s=((9.0, 9.5), (11.0, 11.1)))).at_s == 11.0
    assert back_early(GOOD).at_s == 14.0
    assert unplugged(changed(**SILENT)).lines == ("RX2",)


# --- a plug, a probe, the supply ---

STOPPED = Change(ChangeKind.STOP, 10.58, 10.6, 1700.0, NAN, 10.6, 1)
AGAIN = Change(ChangeKind.START, 14.28, 14.3, NAN, 1700.0, 14.3, 2)
SILENT = {
    "entry": STOPPED,
    "during": (HELD, quiet(10.6, 14.3)),
    "changes": (STOPPED,),
    "departures": (AGAIN,),
    "behaviour": LossClass.PULSES_STOP,
}
PAUSED = {"during": (HELD, quiet(10.6, 11.0), stands(11.0, 13.98, 1500.0))}


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, (True, Ground.PULSES_SEEN)),
        (SILENT, (False, Ground.ALL_ENDED)),
        ({**SILENT, "pull_odds": 1e-3}, (True, Ground.MACHINE)),
        ({**SILENT, "pull_odds": 1.01e-3}, (False, Ground.ALL_ENDED)),
        ({**SILENT, "pull_odds": 1e-3, "back_lines": ()}, (False, Ground.ALL_ENDED)),
        ({**SILENT, "goes_on": "RX2"}, (True, Ground.CHANGED_WITH)),
        ({**SILENT, "stop_partner": ""}, (False, Ground.OPEN)),
        ({**SILENT, "stop_partner": "", "pull_odds": 1e-4}, (True, Ground.MACHINE)),
        ({**SILENT, "stop_partner": "", "pull_odds": 1.01e-4}, (False, Ground.OPEN)),
        (
            {**SILENT, "stop_partner": "", "pull_odds": 1e-4, "back_lines": ()},
            (False, Ground.OFF_IN_SILENCE),
        ),
        ({**SILENT, "departures": ()}, (False, Ground.NOT_BACK)),
        ({**SILENT, "departures": (BACK,)}, (False, Ground.NOT_BACK)),
        ({**SILENT, "alone_back": True}, (False, Ground.NOT_BACK)),
        ({**SILENT, "loss": replace(loss_of(), came_back=False)}, (False, Ground.NOT_BACK)),
        (PAUSED, (True, Ground.CHANGED_WITH)),
        ({**PAUSED, "stop_partner": ""}, (False, Ground.OPEN)),
        ({**PAUSED, "entry": None, "stop_partner": ""}, (False, Ground.OPEN)),
    ],
)
def test_that_a_plug_came_off(changes, told):
    assert answer(unplugged, **changes) == told


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, (True, Ground.PULSES_SEEN)),
        ({"restarted": True}, (False, Ground.PAUSED)),
        ({"restarted": True, "restart_odds": 1e-4}, (True, Ground.EVERY_TIME)),
        ({"restarted": True, "restart_odds": 1.01e-4}, (False, Ground.PAUSED)),
        ({"restarted": True, "beat_odds": 1e-4}, (True, Ground.KEPT_BEAT)),
        ({"restarted": True, "beat_odds": 1.01e-4}, (False, Ground.PAUSED)),
        ({**SILENT, "beat_odds": 1e-4}, (True, Ground.KEPT_BEAT)),
        ({**SILENT, "beat_odds": 1.01e-4}, (False, Ground.OPEN)),
        ({**SILENT, "pull_odds": 1e-9, "is_close": True}, (False, Ground.OPEN)),
        (SILENT, (False, Ground.OPEN)),
        ({**SILENT, "goes_on": "RX3"}, (True, Ground.OTHER_WENT_ON)),
        # A relay goes off with a machine's delay too.
        ({**SILENT, "pull_odds": 1e-9}, (False, Ground.OPEN)),
        ({**SILENT, "pull_odds": 1e-9, "entry": ENTRY}, (False, Ground.OPEN)),
        ({**SILENT, "pull_odds": 1e-9, "entry": None}, (False, Ground.OPEN)),
    ],
)
def test_that_the_supply_failed(changes, told):
    assert answer(supply_failed, **changes) == told


# --- the marker, the return, the rest ---

STATED = loss_of(Moment(Known.STATED, 0.05, None), is_return_shown=True)
INFERRED = loss_of(Moment(Known.INFERRED, None, 9.0))


@pytest.mark.parametrize(
    ("polarity", "told"),
    [
        (Polarity.STATED, (True, Ground.STATED)),
        (Polarity.SHOWN, (True, Ground.SHOWN)),
        (Polarity.ASSUMED, (False, Ground.POLARITY)),
        (Polarity.CONTRADICTED, (False, Ground.CONTRADICTED)),
    ],
)
def test_that_the_marker_is_upside_down(polarity, told):
    assert answer(marker_reversed, polarity=polarity) == told
    assert answer(marker_reversed, polarity=polarity, loss=STATED) == (True, Ground.NO_MARKER)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, (True, Ground.COUNTED)),
        ({"loss": STATED}, (True, Ground.COUNTED)),
        ({"loss": INFERRED}, (False, Ground.OPEN)),
        ({"spread_s": 0.25}, (True, Ground.COUNTED)),
        ({"spread_s": 0.2501}, (False, Ground.SPREAD)),
        # One plug with all lines, pulled by hand and put back in the silence, found by a study.
        ({"spread_s": 0.25, "loss": STATED}, (True, Ground.COUNTED)),
        ({"spread_s": 0.2501, "loss": STATED}, (False, Ground.STATED_SPREAD)),
        ({"spread_s": 0.55, "loss": loss_of(replace(MARKED, late_s=0.3))}, (True, Ground.COUNTED)),
        ({"spread_s": 0.56, "loss": loss_of(replace(MARKED, late_s=0.3))}, (False, Ground.SPREAD)),
    ],
)
def test_that_the_marker_is_late(changes, told):
    assert answer(marker_late, **changes) == told


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, (True, Ground.LASTED)),
        ({"loss": loss_of(back_s=12.1001)}, (True, Ground.LASTED)),
        ({"loss": loss_of(back_s=12.099)}, (False, Ground.SHORT)),
        ({"loss": STATED}, (True, Ground.FOLLOWED_SOON)),
        ({"loss": STATED, "follow_s": 3.0}, (True, Ground.FOLLOWED_SOON)),
        ({"loss": STATED, "follow_s": 3.01}, (False, Ground.UNMARKED_RETURN)),
        ({"loss": STATED, "stays_s": 0.5}, (True, Ground.FOLLOWED_SOON)),
        ({"loss": STATED, "stays_s": 0.49}, (False, Ground.UNMARKED_RETURN)),
        ({"loss": STATED, "back_lines": ()}, (False, Ground.UNMARKED_RETURN)),
        ({"loss": replace(STATED, is_return_shown=False)}, (False, Ground.UNMARKED_RETURN)),
    ],
)
def test_that_the_link_was_back_early(changes, told):
    assert answer(back_early, **changes) == told


def test_pulses_that_come_again_may_be_the_links_unless_a_jump_to_a_held_stick_follows():
    again = replace(AGAIN, after_s=11.0, by_s=11.02)
    moved = replace(BACK, kind=ChangeKind.MOVE)
    resumed = {"changes": (STOPPED, again)}
    assert answer(back_early, **resumed, departures=(BACK,)) == (True, Ground.LASTED)
    for departures in ((), (moved,)):
        assert answer(back_early, **resumed, departures=departures) == (False, Ground.RESUMED)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, (True, Ground.WAS_OUTSIDE)),
        ({"was_outside": False}, (False, Ground.INSIDE)),
        ({"entry": None}, (False, Ground.NEVER_IN)),
        ({"entry": None, "was_outside": False}, (False, Ground.INSIDE)),
        ({"entry": None, "expected": Expectation()}, (False, Ground.NO_RANGE)),
        ({**SILENT, "was_outside": False}, (True, Ground.PULSES_ENDED)),
    ],
)
def test_that_it_stood_still_before(changes, told):
    assert answer(held, **changes) == told


def left(took_s=0.05, kind=ChangeKind.MOVE, to_us=1700.0):
    return Change(kind, 14.28, 14.3, 1500.0, to_us, 14.28 + took_s, 2)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, (True, Ground.STAYED)),
        ({"departures": ()}, (True, Ground.STAYED)),
        ({"entry": None}, (False, Ground.NEVER_IN)),
        ({"entry": None, "was_outside": False}, (True, Ground.STAYED)),
        ({**SILENT, "entry": None}, (True, Ground.STAYED)),
        ({"leaps": (Leap(14.1, 1500.0, 1900.0),)}, (False, Ground.LEAPT)),
        ({"departures": (left(),), "back_partner": ""}, (False, Ground.QUICK_RETURN)),
        ({"departures": (left(),)}, (True, Ground.STAYED)),
        ({"departures": (left(0.0799),), "back_partner": ""}, (False, Ground.QUICK_RETURN)),
        ({"departures": (left(0.0801),), "back_partner": ""}, (True, Ground.STAYED)),
        ({"departures": (left(to_us=1539.0),), "back_partner": ""}, (True, Ground.STAYED)),
        ({"departures": (left(to_us=1540.0),), "back_partner": ""}, (False, Ground.QUICK_RETURN)),
        ({"departures": (left(kind=ChangeKind.JUMP),), "back_partner": ""}, (True, Ground.STAYED)),
    ],
)
def test_that_it_ran_before_the_link_was_back(changes, told):
    assert answer(left_early, **changes) == told


def test_that_the_line_is_read_upside_down():
    assert answer(read_upside_down) == (True, Ground.READ_ONE_WAY)
    assert answer(read_upside_down, reads_either_way=True) == (False, Ground.EITHER_WAY)


@pytest.mark.parametrize(
    ("span", "refuted"),
    [
        ((9.0, 9.99), True),
        ((9.0, 10.0), False),
        ((9.0, 9.999999), False),  # a sample before it
        ((11.0, 11.1), False),
        ((14.28, 15.0), False),
        ((14.29, 15.0), True),
    ],
)
def test_that_frames_were_damaged(span, refuted):
    assert frames_damaged(changed(damaged_s=(span,))).refuted is refuted


# --- the case itself ---


def test_how_long_a_loss_lasted_and_must_last():
    assert GOOD.lasted_s == 4.0
    assert GOOD.needed_s == pytest.approx(2.1)
    assert not GOOD.is_short
    assert changed(loss=loss_of(back_s=12.0999)).is_short


def test_a_width_of_its_own_shows_a_loss_after_the_marker_shows_on():
    late = changed(loss=loss_of(back_s=12.0), own_until_s=13.5)
    assert late.lasted_s == 3.5
    assert not late.is_short
    assert changed(loss=loss_of(back_s=12.0), own_until_s=11.0).is_short


def test_stop_times_take_the_moments_doubt_and_the_devices_own_time_on_either_side():
    late = changed(loss=loss_of(replace(MARKED, late_s=0.3)), error_s=0.01)
    assert late.stop_most_s == pytest.approx(10.6015 - 9.7 + 1e-6 + 0.01)
    assert late.stop_least_s == pytest.approx(0.5817)
    assert changed(ran_on=True).stop_least_s == pytest.approx(0.7817)
    assert changed(last_outside_s=-math.inf).stop_least_s == 0.0
    unknown = replace(SETTING.expected, no_pulses_after_s=None)
    assert changed(ran_on=True, expected=unknown).stop_least_s == pytest.approx(0.5817)


def test_when_the_devices_own_time_is_needed():
    unknown = replace(SETTING.expected, no_pulses_after_s=None)
    assert changed(ran_on=True, expected=unknown).needs_device_time
    assert not changed(ran_on=True).needs_device_time
    assert not changed(expected=unknown).needs_device_time


def test_a_ramp_may_be_over_later_than_it_seems():
    assert GOOD.settles_s == 0.0
    assert changed(entry=move(0.5)).settles_s == pytest.approx(4.0 / 400.0)
    assert changed(entry=move(0.5), range_us=400.0).settles_s == 0.3


def test_a_restart_has_no_behaviour():
    assert changed(loss=loss_of(is_restart=True)).behaviour is None
    assert GOOD.behaviour is LossClass.GOES_TO_PRESET
