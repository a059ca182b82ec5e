"""What an output does when the link is back, and what one loss is told as: given this, this."""

import importlib.util
import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pwmscope.bench import StopBand
from pwmscope.findings import Verdict
from pwmscope.findings.failsafe import (
    LossClass,
    LossEvent,
    Recovery,
    failure_rate_bound,
    needed_trials,
)
from pwmscope.findings.failsafe.event import examine_trials
from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.recovery import (
    count_odd,
    hazards_of,
    jump_us,
    recovered_s,
    recovery_finding,
)
from pwmscope.findings.failsafe.response import ChangeKind
from pwmscope.findings.failsafe.returns import Leap
from pwmscope.model import HazardKind
from pwmscope.pulses import STANDARD_SERVO, Flag, PulseTable

_spec = importlib.util.spec_from_file_location(
    "recovery_cases", Path(__file__).with_name("test_alternatives.py")
)
cases = importlib.util.module_from_spec(_spec)
sys.modules["recovery_cases"] = cases
_spec.loader.exec_module(cases)
GOOD, RESPONSE, SETTING, changed = cases.GOOD, cases.RESPONSE, cases.SETTING, cases.changed

EXPECTED = SETTING.expected
LOSS = GOOD.loss
SILENT = replace(RESPONSE, during=(cases.HELD, cases.quiet(10.6, 14.3)))
MEETS, BREAKS, OPEN = Verdict.MEETS, Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN


def jump(response=RESPONSE, *, loss=LOSS, expected=EXPECTED, to_us=None, jumped=True):
    if to_us is not None:
        response = replace(response, later=(cases.stands(14.3, 15.1, to_us, jumped=jumped),))
    return jump_us(loss, response, expected, 1000.0)


def test_a_jump_out_of_the_stop_range():
    assert jump() == (1500.0, 1700.0)
    assert jump(loss=replace(LOSS, came_back=False)) is None
    assert jump(replace(RESPONSE, later=())) is None
    assert jump(replace(RESPONSE, during=())) is None
    assert jump(to_us=1700.0, jumped=False) is None


@pytest.mark.parametrize(
    ("to_us", "jumped"), [(1540.0, True), (1539.0, False), (1460.0, True), (1461.0, False)]
)
def test_it_jumps_by_more_than_a_hand_does_in_a_frame(to_us, jumped):
    assert (jump(to_us=to_us) is not None) is jumped


@pytest.mark.parametrize(("from_us", "to_us", "jumped"), [
    (1475.0, 1530.0, False), (1475.0, 1530.1, True), (1525.0, 1470.0, False),
    (1525.0, 1469.9, True), (1540.0, 1700.0, False),
])  # fmt: skip
def test_it_leaves_the_stop_range_that_it_stood_in(from_us, to_us, jumped):
    stood = replace(RESPONSE, during=(cases.HELD, cases.stands(10.6, 13.98, from_us)))
    assert (jump(stood, to_us=to_us) is not None) is jumped


@pytest.mark.parametrize(("to_us", "jumped"), [
    (1570.0, True), (1569.9, False), (1430.0, True), (1430.1, False), (1500.0, False),
])  # fmt: skip
def test_a_first_pulse_well_outside_is_a_jump_of_a_device_that_stood_still(to_us, jumped):
    found = jump(SILENT, to_us=to_us)
    assert found == ((None, to_us) if jumped else None)
    for stops in (None, False):
        assert jump(SILENT, to_us=to_us, expected=replace(EXPECTED, no_pulses_stop=stops)) is None


def test_without_a_stop_range_any_jump_from_the_last_width_counts():
    bare = Expectation()
    assert jump(expected=bare) == (1500.0, 1700.0)
    assert jump(to_us=1540.0, expected=bare) == (1500.0, 1540.0)
    assert jump(to_us=1539.9, expected=bare) is None
    assert jump(SILENT, to_us=1500.0, expected=bare) == (None, 1500.0)
    assert jump(to_us=1700.0, jumped=False, expected=bare) is None


def test_when_an_output_that_had_settled_was_seen_again():
    assert recovered_s(RESPONSE, 20.0) == 14.3
    assert recovered_s(replace(RESPONSE, settled_s=None), 20.0) is None
    assert recovered_s(replace(RESPONSE, later=()), 20.0) is None
    assert recovered_s(SILENT, 20.0) == 14.3
    assert recovered_s(SILENT, 14.3) is None


# --- hazards ---


def event(verdict=MEETS, jump=(1500.0, 1700.0), recovered=14.3, **changes):
    recovery = Recovery(0.3, jump, 0, 0)
    return LossEvent(changed(**changes), verdict, "It does so.", recovered, recovery)


def hazards(*events, expected=EXPECTED):
    return hazards_of(events, expected, "a.csv")


def test_a_jump_to_a_held_stick_is_a_hazard_counted_over_the_losses():
    (hazard,) = hazards(event(), event(jump=None), event())
    assert (hazard.kind, hazard.lines) == (HazardKind.STICK_HELD, ("RX1",))
    assert (hazard.at_s, hazard.from_us, hazard.width_us) == (14.3, 1500.0, 1700.0)
    assert (hazard.times, hazard.losses, hazard.source) == (2, 3, "a.csv")


def test_the_first_of_several_is_told():
    later = event(jump=(1490.0, 1690.0), later=(cases.stands(24.3, 25.0, 1690.0, jumped=True),))
    (hazard,) = hazards(event(), later)
    assert (hazard.at_s, hazard.from_us, hazard.width_us) == (14.3, 1500.0, 1700.0)
    (hazard,) = hazards(later, event())
    assert (hazard.at_s, hazard.from_us, hazard.width_us) == (24.3, 1490.0, 1690.0)


@pytest.mark.parametrize(("to_us", "held"), [(1750.0, True), (1750.1, False), (1649.9, False)])
def test_a_stick_commanded_a_width_that_it_was_held_at(to_us, held):
    (hazard,) = hazards(event(jump=(1500.0, to_us)))
    assert hazard.kind is (HazardKind.STICK_HELD if held else HazardKind.NO_STICK)


def test_or_from_which_it_was_followed():
    move = replace(cases.BACK, kind=ChangeKind.MOVE)
    followed = event(jump=(1500.0, 1900.0), departures=(cases.BACK, move))
    assert hazards(followed)[0].kind is HazardKind.STICK_HELD
    again = event(jump=(1500.0, 1900.0), departures=(cases.BACK, cases.BACK))
    assert hazards(again)[0].kind is HazardKind.NO_STICK


def test_a_leap_is_told_instead_of_the_jump_that_it_is():
    leapt = event(leaps=(Leap(14.3, 1500.0, 1900.0),))
    (hazard,) = hazards(leapt)
    assert (hazard.kind, hazard.at_s, hazard.width_us) == (HazardKind.LEAP, 14.3, 1900.0)
    both = hazards(event(leaps=(Leap(13.0, math.nan, 1900.0),)))
    assert {own.kind for own in both} == {HazardKind.LEAP, HazardKind.STICK_HELD}
    assert next(own for own in both if own.kind is HazardKind.LEAP).from_us is None


def test_where_nothing_is_driven_nothing_is_a_hazard():
    assert hazards(event(), expected=Expectation("servo", StopBand(1, 2, ""), has_sheet=True)) == ()
    assert hazards(event(), expected=Expectation("unused", has_sheet=True)) == ()
    assert hazards(event(), expected=Expectation(None, has_sheet=True)) == ()
    assert len(hazards(event(), expected=Expectation())) == 1
    assert hazards() == ()
    restart = replace(event(), case=changed(loss=cases.loss_of(is_restart=True)))
    assert hazards(restart) == ()


def test_what_is_said_of_the_return():
    def said(*events):
        return recovery_finding(events, EXPECTED)

    assert said(event()).value == "1 jump"
    told = said(event(), event(jump=None), event())
    assert told.value == "2 jumps"
    assert "jumped from 1500.0 us to 1700.0 us" in told.sentence
    assert "(14.300 s; 2 of 3 losses)" in told.sentence
    assert told.sentence.startswith("Hazard: the output")
    assert "from a silent line to" in said(event(jump=(None, 1700.0))).sentence
    servo = recovery_finding((event(),), Expectation("servo", has_sheet=True))
    assert servo.sentence.startswith("The output jumped")
    none = said(event(jump=None), event(jump=None, recovered=None))
    assert none.value == "no jump"
    assert "again in 1 of 2 losses, 0.300 s after the transmitter was on" in none.sentence
    assert "not seen to follow" in said(event(jump=None, recovered=None)).sentence
    assert "not seen to be lost" in said().sentence
    assert [len(own.evidence) for own in (told, none)] == [2, 0]


# --- odd pulses ---


def test_pulses_that_are_none_or_beyond_the_convention_are_counted_in_each_span():
    flags = [0, Flag.GLITCH, Flag.FOREIGN, Flag.NOTCHED, 0, 0, 0, 0, Flag.CUT]
    widths_us = [1500.0, 100.0, 2700.0, 1500.0, 989.9, 990.1, 2010.1, 2009.9, np.nan]
    rise_s = np.arange(9) * 0.02
    table = PulseTable("RX1", rise_s, np.array(widths_us), np.full(9, 2e4),
                       np.array(flags, np.uint8), False, STANDARD_SERVO, 1.0)  # fmt: skip
    odd, beyond = count_odd(table, np.array([0.0, 0.03, 0.04]), np.array([1.0, 0.1, 0.04]))
    assert odd.tolist() == [3, 2, 0]
    assert beyond.tolist() == [2, 1, 0]


# --- several losses ---


def stopped(at_s, verdict=MEETS, **changes):
    return event(verdict, stopped_s=10.0 + at_s, last_outside_s=9.9 + at_s, **changes)


def test_losses_are_counted_and_timed_by_their_most():
    told = examine_trials([stopped(0.6), stopped(0.9), stopped(2.5, BREAKS), stopped(0.4, OPEN)])
    assert (told.meets, told.fails, told.not_shown) == (2, 1, 1)
    assert told.bound == failure_rate_bound(3, 1)
    assert told.stop_s == pytest.approx((0.6, 0.9, 2.5), abs=1e-4)
    assert "2 of 3 losses met the limit, 1 more showed neither" in told.finding.sentence
    assert told.finding.value == pytest.approx(100 * told.bound)
    none = examine_trials([stopped(0.4, OPEN), stopped(0.4, None)])
    assert (none.bound, none.stop_s, none.not_shown) == (None, None, 2)
    only = examine_trials([stopped(0.4, BREAKS)])
    assert only.bound == 1.0
    assert "failure rate" not in only.finding.sentence


def test_the_bound_is_that_of_clopper_and_pearson():
    # Clopper and Pearson 1934; for no failure 1 - 0.05^(1/n), and the rule of three.
    for n in (1, 10, 59, 300):
        assert failure_rate_bound(n) == pytest.approx(1.0 - 0.05 ** (1.0 / n))
    assert failure_rate_bound(4, 4) == 1.0
    assert needed_trials(0.05) == 59
    for wrong in ((0, 0, 0.95), (3, 4, 0.95), (3, -1, 0.95), (3, 0, 1.0), (3, 0, 0.0)):
        with pytest.raises(ValueError, match="make no sense"):
            failure_rate_bound(*wrong)


# --- one loss in figures ---


def test_a_loss_is_timed_from_its_least_to_its_most():
    own = event()
    assert own.settle_s == pytest.approx(0.6)
    assert own.settle_bounds_s == pytest.approx((0.6, 0.6 + 1e-6 + 1e-5))
    assert own.stop_s == pytest.approx(0.6015)
    assert own.stop_bounds_s == pytest.approx((0.5817, 0.6015 + 1e-6 + 1e-5))
    assert own.preset_us == 1500.0
    assert own.behaviour is LossClass.GOES_TO_PRESET
    assert len(own.alternatives) == 11
    inferred = event(loss=cases.INFERRED)
    assert (inferred.settle_s, inferred.stop_s) == (None, None)
    assert inferred.settle_bounds_s[0] == inferred.stop_bounds_s[0] == 0.0


def test_what_is_not_known_says_why():
    restart = event(loss=cases.loss_of(is_restart=True))
    assert (restart.behaviour, restart.settle_s, restart.stop_s, restart.preset_us) == (None,) * 4
    assert restart.alternatives == ()
    assert restart.sentence.startswith(
        "Quiet at 10.000 s: supply or receiver restart, pulses again"
    )
    still = event(was_outside=False)
    assert still.stop_s is None
    assert "inside its stop range already" in still.reasons["stop_s"]
    never = event(stopped_s=math.inf)
    assert "for good, before the loss ended" in never.reasons["stop_s"]
    own_time = event(ran_on=True, expected=replace(EXPECTED, no_pulses_after_s=None))
    assert "no_pulses_after_s" in own_time.reasons["stop_s"]
    bare = event(expected=Expectation(), was_outside=False)
    assert "No bench sheet states" in bare.reasons["stop_s"]
    lasting = event(recovered=None, settled_s=None)
    assert {"recovered_s", "settle_s", "settle_bounds_s"} <= lasting.reasons.keys()
    assert "stop_s" not in event().reasons
    assert "verdict" not in event().reasons
    assert event(None).reasons["verdict"] == "It does so."
    assert "is not marked" in event(loss=cases.INFERRED).reasons["stop_s"]


def test_one_loss_in_a_sentence():
    assert event().sentence == (
        "Lost at 10.000 s: goes to preset (1500.0 us) (before that holds for 0.60 s), settled "
        "0.600 s later, stopped after 0.602 s at most, seen to move again at 14.300 s."
    )
    assert "stopped after" not in event(OPEN).sentence
    assert "what the output did is not shown" in event(behaviour=None).sentence
    silent = event(during=SILENT.during, behaviour=LossClass.PULSES_STOP, level_us=None)
    assert "pulses stop" in silent.sentence
    assert "pulses again at 14.300 s" in silent.sentence
