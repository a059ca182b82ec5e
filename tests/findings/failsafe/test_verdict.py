"""The verdict on one loss: what meets, what breaks the limit, what stays open."""

import importlib.util
import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from loss_drill import Drill, check, preset, sheet_of

from pwmscope.bench import Marker
from pwmscope.findings.failsafe import Alternative, Cause, Ground, Polarity
from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.response import ChangeKind, LossClass
from pwmscope.findings.failsafe.verdict import DIES_S, _late_points, format_open, judge_loss
from pwmscope.model import Verdict

_spec = importlib.util.spec_from_file_location(
    "alternative_cases", Path(__file__).with_name("test_alternatives.py")
)
cases = importlib.util.module_from_spec(_spec)
sys.modules["alternative_cases"] = cases
_spec.loader.exec_module(cases)
changed, GOOD, SETTING, SILENT, ENTRY = (
    cases.changed, cases.GOOD, cases.SETTING, cases.SILENT, cases.ENTRY
)  # fmt: skip
MEETS, BREAKS, OPEN = Verdict.MEETS, Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN
EXPECTED = SETTING.expected


def verdict(**changes):
    return judge_loss(changed(**changes))[0]


def reason(**changes):
    return judge_loss(changed(**changes))[1]


def test_a_good_case_meets_and_says_how_fast():
    found, why = judge_loss(GOOD)
    assert found is MEETS
    assert "within 0.602 s of the loss" in why
    assert "for all 4.00 s without the transmitter" in why


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"loss": cases.INFERRED}, "only inferred"),
        ({"error_s": None}, "`rate`"),
        ({"loss": cases.loss_of(back_s=12.0)}, "Keep it off for longer than 2.1 s"),
        (
            {"loss": replace(cases.loss_of(back_s=12.0), came_back=False)},
            "Keep it running",
        ),
        ({"expected": replace(EXPECTED, is_band_assumed=True)}, "only assumed"),
        ({"stopped_s": math.inf}, "for good"),
        ({"stopped_s": 12.0001}, "The limit of 2 s lies between"),
        ({"behaviour": None, "why_not": ""}, ""),
        ({"polarity": Polarity.ASSUMED}, "Which level of the marker means on"),
        ({"polarity": Polarity.CONTRADICTED}, "Check which of its levels"),
        ({"reads_either_way": True}, "either way up"),
        ({"damaged_s": ((11.0, 11.5),)}, "damaged or missing"),
        ({"was_outside": False}, "inside its stop range already"),
        ({"stopped_s": 10.9}, "came after the output had gone into it"),
        ({"behaviour": None, "why_not": "It is not told."}, "It is not told."),
        ({"restarted": True}, "A receiver or supply restart looks the same"),
        ({"spread_s": 0.9}, "later than stated"),
    ],
)
def test_what_leaves_it_open(changes, words):
    found, why = judge_loss(changed(**changes))
    assert found is OPEN
    assert words in why


def test_a_loss_over_before_it_can_have_begun_lasted_for_no_time():
    assert "for only 0.00 s" in reason(loss=replace(cases.STATED, back_s=10.02))


def test_a_stop_at_the_very_limit_meets_and_one_beyond_is_open():
    assert verdict(stopped_s=12.0 - 1.2e-5, entry=replace(ENTRY, end_s=11.98)) is MEETS
    assert verdict(stopped_s=12.0, entry=replace(ENTRY, end_s=11.98)) is OPEN


@pytest.mark.parametrize(("frames", "found"), [(2.9, MEETS), (3.2, OPEN)])
def test_pulses_after_the_change_may_be_late_by_three_frames(frames, found):
    assert verdict(stopped_s=10.6 + 0.02 * frames) is found


def test_what_the_sheet_does_not_ask_has_no_verdict():
    assert verdict(expected=Expectation(None, has_sheet=True)) is None
    assert verdict(expected=Expectation("unused", has_sheet=True)) is None
    assert verdict(expected=Expectation("stick-elevator", has_sheet=True)) is None


def test_a_doubt_or_a_restart_shows_nothing():
    assert judge_loss(changed(loss=cases.loss_of(doubt="It moved."))) == (OPEN, "It moved.")
    restart = replace(cases.loss_of(is_restart=True), sentence="A restart.")
    assert judge_loss(changed(loss=restart)) == (OPEN, "A restart.")


# --- failures ---

HOLDS = {"behaviour": LossClass.HOLDS_LAST, "stopped_s": math.inf}


@pytest.mark.parametrize(
    ("late_s", "found"), [(2.0 + DIES_S + 2e-5, BREAKS), (2.0 + DIES_S, OPEN), (2.05, OPEN)]
)
def test_it_breaks_the_limit_a_tenth_of_a_second_beyond_all_doubt(late_s, found):
    assert verdict(**HOLDS, last_outside_s=10.0 + late_s) is found


OUT = {**HOLDS, "last_outside_s": 13.9}


@pytest.mark.parametrize(
    ("changes", "found"),
    [
        ({}, BREAKS),
        ({"polarity": Polarity.ASSUMED}, OPEN),
        ({"polarity": Polarity.SHOWN}, BREAKS),
        ({"error_s": None}, OPEN),
        ({"reads_either_way": True}, OPEN),
        ({"loss": cases.INFERRED}, OPEN),
        ({"follows": "RX3"}, BREAKS),
        ({"follows": "RX3", "back_lines": ()}, OPEN),
        ({"behaviour": LossClass.KEEPS_FOLLOWING, "back_lines": ()}, OPEN),
        ({"behaviour": LossClass.KEEPS_FOLLOWING}, BREAKS),
        ({"moved_until_s": 12.0, "back_lines": ()}, OPEN),
        ({"moved_until_s": 12.0, "back_lines": (), "is_ramp": True}, BREAKS),
        ({"behaviour": None}, BREAKS),
        ({"behaviour": None, "loss": cases.STATED, "is_held": False}, OPEN),
        (
            {"behaviour": None, "loss": cases.STATED, "is_held": False, "during": (cases.HELD,)},
            OPEN,
        ),
        ({"behaviour": None, "loss": cases.STATED, "during": (cases.HELD,)}, BREAKS),
        ({"loss": cases.STATED}, OPEN),
        ({"loss": cases.STATED, "during": (cases.HELD,)}, BREAKS),
    ],
)
def test_when_an_output_outside_its_range_breaks_the_limit(changes, found):
    assert verdict(**{**OUT, "is_held": True, **changes}) is found


def test_one_that_stood_in_too_late_breaks_a_stated_limit():
    late = (cases.HELD, cases.stands(12.2, 13.98, 1500.0))
    assert verdict(**OUT, loss=cases.STATED, during=late) is BREAKS
    soon = (cases.HELD, cases.stands(12.04, 13.98, 1500.0))
    assert verdict(**OUT, loss=cases.STATED, during=soon) is OPEN


def test_an_output_that_wanders_breaks_it_where_it_is_long_enough():
    wanders = {"behaviour": LossClass.WANDERS, "stopped_s": math.inf}
    assert verdict(**wanders) is BREAKS
    assert verdict(**wanders, loss=cases.INFERRED) is BREAKS
    assert verdict(**wanders, loss=cases.loss_of(back_s=12.0)) is OPEN


def test_an_output_that_wanders_in_its_stop_range_alone_breaks_nothing():
    assert verdict(behaviour=LossClass.WANDERS, stopped_s=10.5) is not BREAKS


def sheet(**changes):
    return {"expected": replace(EXPECTED, **changes)}


@pytest.mark.parametrize(
    ("changes", "found"),
    [
        ({"goes_on": "RX2"}, MEETS),
        ({"goes_on": "RX2", "ran_on": True}, MEETS),
        ({"goes_on": "RX2", "ran_on": True, **sheet(no_pulses_after_s=None)}, OPEN),
        ({"goes_on": "RX2", **sheet(no_pulses_stop=None, no_pulses_after_s=None)}, OPEN),
        ({"goes_on": "RX2", **sheet(no_pulses_stop=False)}, BREAKS),
        ({"goes_on": "RX2", **sheet(is_band_assumed=True)}, MEETS),
        ({"together": 3, **sheet(no_pulses_stop=False)}, BREAKS),
        ({"together": 2, **sheet(no_pulses_stop=False)}, OPEN),
        ({"together": 10, "stop_partner": "", **sheet(no_pulses_stop=False)}, OPEN),
        (
            {"goes_on": "RX2", **sheet(no_pulses_stop=False), "loss": cases.loss_of(back_s=12.0)},
            OPEN,
        ),
        ({"goes_on": "RX2", "ran_on": True, "stopped_s": 12.1001}, BREAKS),
        ({"goes_on": "RX2", "ran_on": True, "stopped_s": 12.0999}, OPEN),
        ({"goes_on": "RX2", "ran_on": True, "stopped_s": math.inf}, OPEN),
        ({"goes_on": "RX2", "stopped_s": 12.2}, OPEN),
        (
            {"goes_on": "RX2", "ran_on": True, "stopped_s": 12.2, **sheet(no_pulses_after_s=None)},
            OPEN,
        ),
    ],
)
def test_pulses_that_end_are_judged_by_what_the_device_does_then(changes, found):
    assert verdict(**{**SILENT, "stopped_s": 10.8, **changes}) is found


def test_a_device_at_rest_before_still_has_its_own_time():
    """Nothing changed on the line; had the device run, it would have gone on for its own time."""
    at_rest = {**SILENT, "stopped_s": 10.0, "goes_on": "RX2", "entry": None}
    said = [
        list(_late_points(changed(**at_rest, **sheet(no_pulses_after_s=own_s)), EXPECTED.band))
        for own_s in (1.3, 1.5)
    ]
    assert said[0] == []
    assert "Running, it would go on for 2.10 s" in said[1][0]
    moved = {**at_rest, "entry": ENTRY, **sheet(no_pulses_after_s=1.5)}
    assert "stood still before" not in " ".join(_late_points(changed(**moved), EXPECTED.band))


@pytest.mark.parametrize("state", [LossClass.STUCK_HIGH, LossClass.STUCK_LOW, LossClass.NOISE])
def test_a_stuck_or_undriven_line_commands_no_stop(state):
    silent = {**SILENT, "behaviour": state, "stopped_s": 10.8, "settled_s": 10.6}
    found, why = judge_loss(changed(**silent))
    assert found is BREAKS
    assert f"{state.value} from 10.600 s on" in why
    assert verdict(**{**silent, "together": 2}) is OPEN
    assert verdict(**{**silent, "stop_partner": ""}) is OPEN
    assert verdict(**{**silent, "loss": cases.loss_of(back_s=12.0)}) is OPEN
    assert verdict(**{**silent, "reads_either_way": True}) is BREAKS


@pytest.mark.parametrize(("undriven", "found"), [(3, BREAKS), (2, OPEN)])
def test_lines_that_end_undriven_in_three_losses_are_no_plug(undriven, found):
    state = {**SILENT, "behaviour": LossClass.NOISE, "stopped_s": 10.8, "settled_s": 10.6}
    assert verdict(**{**state, "stop_partner": "", "together": 0, "undriven": undriven}) is found


# --- without a stop range ---

BARE = {"expected": Expectation()}


@pytest.mark.parametrize(
    ("changes", "found", "words"),
    [
        ({}, OPEN, "is not known"),
        ({"behaviour": LossClass.HOLDS_LAST}, BREAKS, "holds last"),
        ({"behaviour": LossClass.WANDERS}, BREAKS, "wanders"),
        (
            {"behaviour": LossClass.HOLDS_LAST, "loss": cases.loss_of(back_s=12.0)},
            OPEN,
            "is not known",
        ),
        ({"settled_s": 12.1 + 2e-5}, BREAKS, "settled 2.10 s after"),
        ({"settled_s": 12.1}, OPEN, "is not known"),
        ({"settled_s": 12.2, "loss": cases.INFERRED}, OPEN, "is not known"),
        ({"settled_s": 12.2, "behaviour": LossClass.KEEPS_FOLLOWING}, OPEN, "is not known"),
        ({"settled_s": 12.2, "behaviour": LossClass.PULSES_STOP}, BREAKS, "settled"),
        ({"behaviour": None, "why_not": "It is not told."}, OPEN, "It is not told."),
        (
            {"polarity": Polarity.ASSUMED, "behaviour": LossClass.HOLDS_LAST},
            OPEN,
            "`off_line=LINE=high`",
        ),
    ],
)
def test_without_a_sheet_a_hold_still_fails(changes, found, words):
    got, why = judge_loss(changed(**{**BARE, **changes}))
    assert got is found
    assert words in why


def test_a_servo_of_the_sheet_without_a_position_is_open():
    found, why = judge_loss(changed(expected=Expectation("servo", has_sheet=True)))
    assert found is OPEN
    assert "stop_us" in why


# --- at the very boundary, in numbers that a computer holds exactly ---

EXACT = cases.loss_of(cases.Moment(cases.Known.MARKED, 0.0, None))
SLOW = {"frame_s": 0.25, "error_s": 0.0}
BEGUN = cases.loss_of(cases.Moment(cases.Known.MARKED, 0.0, None), lost_s=0.0, back_s=4.0)


def test_a_stop_at_the_limit_meets_it():
    entry = replace(ENTRY, end_s=11.98)
    assert verdict(loss=EXACT, error_s=0.0, stopped_s=12.0, entry=entry) is MEETS
    assert verdict(loss=EXACT, error_s=0.0, stopped_s=math.nextafter(12.0, 13), entry=entry) is OPEN


@pytest.mark.parametrize(("frames", "found"), [(3.0, MEETS), (3.001, OPEN)])
def test_the_last_pulse_of_a_change_may_come_three_frames_later(frames, found):
    entry = replace(ENTRY, end_s=10.5, by_s=10.5)
    assert verdict(**SLOW, loss=EXACT, entry=entry, stopped_s=10.5 + 0.25 * frames) is found


def test_a_ramp_settles_before_its_last_pulse_counts():
    """A way of 200 us in 0.1 s: 400 us of range would take 0.2 s; 0.75 s of frames beside it."""
    ramp = replace(ENTRY, kind=ChangeKind.MOVE, after_s=10.5, by_s=10.5, end_s=10.6)
    told = {**SLOW, "loss": EXACT, "entry": ramp, "range_us": 400.0}
    assert verdict(**told, stopped_s=11.54) is MEETS
    assert verdict(**told, stopped_s=11.56) is OPEN


@pytest.mark.parametrize(("back_s", "found"), [(13.25, MEETS), (13.249, OPEN)])
def test_a_loss_lasts_five_frames_longer_than_the_limit(back_s, found):
    assert verdict(**SLOW, loss=replace(EXACT, back_s=back_s)) is found


@pytest.mark.parametrize(
    ("late_s", "found"), [(2.0 + DIES_S, BREAKS), (math.nextafter(2.0 + DIES_S, 0.0), OPEN)]
)
def test_a_transmitter_may_send_on_for_a_tenth_of_a_second(late_s, found):
    exact = {"loss": BEGUN, "error_s": 0.0}
    assert verdict(**{**HOLDS, **exact, "last_outside_s": late_s}) is found
    assert verdict(**exact, expected=Expectation(), settled_s=late_s) is found
    ran_on = {**SILENT, **exact, "ran_on": True, "goes_on": "RX2", "last_outside_s": 0.0}
    assert verdict(**{**ran_on, "stopped_s": late_s}) is found


@pytest.mark.parametrize(("start_s", "found"), [(12.0, BREAKS), (11.99, OPEN)])
def test_one_that_stood_in_before_the_stated_limit_may_have_left_with_the_link(start_s, found):
    stated = replace(cases.STATED, moment=cases.Moment(cases.Known.STATED, 0.0, None))
    during = (cases.HELD, cases.stands(start_s, 13.98, 1500.0))
    assert verdict(**OUT, loss=stated, during=during) is found
    outside = (cases.HELD, cases.stands(start_s, 13.98, 1540.0))
    assert verdict(**OUT, loss=stated, during=outside) is BREAKS


# --- words ---


def test_every_ground_that_leaves_a_cause_open_has_words():
    for ground in list(Ground)[list(Ground).index(Ground.OPEN) :]:
        for cause in Cause:
            said = format_open(GOOD, Alternative(cause, ground, (), 14.0))
            assert said.endswith(".")
            assert said[0].isupper()


def test_words_for_other_lines_that_follow():
    assert "Another line still followed" in reason(follows="RX3", stopped_s=10.6)
    assert "its link was not lost" in reason(behaviour=LossClass.KEEPS_FOLLOWING)
    smooth = replace(ENTRY, kind=ChangeKind.MOVE)
    assert "moved smoothly" in reason(entry=smooth, partner="", odds=1.0)


# --- what to record: written as edges ---


def asked(drill, line="RX1", **sheet):
    """What is to be done so that a line's losses show something."""
    found = check(drill, sheet=sheet_of(*drill.behave, **sheet))
    (own,) = (each for each in found.lines if each.line == line)
    assert own.verdict is OPEN
    return {event.reason.to_do for _, event in own.losses}


BUTTON = Marker("tx-on", "high", "button")
ENOUGH = "; here are 4."


def test_losses_are_asked_for_by_their_number_where_only_that_is_wanting():
    """Presets at rest, the sticks held off it until the link is back, the switch marked."""
    assert asked(Drill(losses=4)) == {f"Record 10 losses{ENOUGH}"}
    marked = {f'Record 10 losses with a marker of kind "switch"{ENOUGH}'}
    assert asked(Drill(losses=4), marker=BUTTON) == marked


def test_one_output_is_not_asked_to_hold_a_stick_that_was_held():
    alone = Drill({"RX1": preset(1500.0)}, losses=4)
    assert asked(alone) == {f"Record 10 losses{ENOUGH}"}
    assert check(replace(alone, losses=10), sheet=sheet_of("RX1")).verdict is MEETS


def test_ten_losses_whose_delays_scatter_are_asked_for_another_output():
    """A hand's switch, up to 0.4 s after the marker's: no more of the same would show anything."""
    draws_s = iter(np.random.default_rng(5).uniform(0.6, 1.0, 10_000))
    late_s = 0.8

    def behave(since_s, held_us):
        nonlocal late_s
        late_s = next(draws_s) if since_s < 0.1 else late_s
        return 1500.0 if since_s >= late_s else held_us

    assert asked(Drill({"RX1": behave})) <= {
        "Record another stick's output as well.",
        "Put a wire of the transmitter's own switch on it.",
    }
