"""Robots as built: what their sheets may say, and one sentence for each contradiction."""

import pytest

from pwmscope.bench import (
    AXES,
    SheetError,
    make_marker_plan,
    make_plan,
    make_table_plan,
    parse_plan,
    parse_sheet,
    plan_toml,
)
from pwmscope.errors import HintError

PAIR = '[channels.A]\nrole = "drive-forward"\n{}\n[channels.B]\nrole = "drive-turn"\n{}\n'


def fault_of(text):
    with pytest.raises(SheetError) as caught:
        parse_sheet(text)
    return str(caught.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[channels.A]\nrole = "kill"\nguards = ["A"]', "no kill channel guards itself"),
        ('[channels.A]\nrole = "kill"\nguards = ["B"]', "lines of devices of this sheet"),
        ('[channels.A]\nrole = "servo"\nguards = ["B"]', 'without role = "kill"'),
        ('[channels.A]\nrole = "drive-forward"', "role drive-turn beside it"),
        (PAIR.format('mixed_in = "transmitter"', ""), "mixed behind its pin"),
        (PAIR.format('mixed_in = "gyro"', 'mixed_in = "ESC"'), "or mixing is twice"),
        ('[channels.A]\nrole = "drive-left"\nmixed_in = "ESC"', "takes drive-forward"),
        ('[channels.A]\nrole = "weapon"\nmixed_in = "ESC"', "a weapon is not mixed"),
        ('[marker]\nline = "m"\nkind = "light"', "the most that it may be late"),
        ('[channels.A]\nrole = "weapon"\nturns = "one way"\nneutral_us = 1500', "no neutral"),
        ('[channels.A]\nrole = "weapon"\nbelow_neutral = "brake"', "a motor with a neutral"),
        ('[channels.A]\nrole = "servo"\nturns = "one way"', "no motor of its own"),
        ('[channels.A]\nrole = "weapon"\npositions = 3', 'without control = "switch"'),
        ('[channels.A]\nrole = "spare"\nstop_us = 1500', "a spare line has nothing on it"),
    ],
)
def test_what_contradicts_is_one_sentence_with_the_mend(text, words):
    said = fault_of(text)
    assert words in said
    assert said.count("\n") == 0
    assert "expected" in said


def band(text):
    found = parse_sheet(f"[channels.A]\n{text}").stop_band("A")
    return found and (found.low_us, found.high_us)


def test_an_esc_that_brakes_below_neutral_stands_still_there():
    text = 'role = "drive-left"\nneutral_us = 1500\ndeadband_us = 60'
    assert band(text) == (1470.0, 1530.0)
    assert band(f'{text}\nbelow_neutral = "reverse"') == (1470.0, 1530.0)
    assert band(f'{text}\nbelow_neutral = "brake"') == (980.0, 1530.0)


def test_a_drive_that_turns_one_way_stops_at_its_low_end():
    assert band('role = "drive-left"\nturns = "one way"') == (0.0, 1020.0)
    assert band('role = "weapon"\nturns = "both ways"') == (1480.0, 1520.0)


def test_a_kill_channel_needs_its_widths_and_what_it_guards():
    keys = [gap.key for gap in parse_sheet('[channels.K]\nrole = "kill"').gaps]
    assert keys == ["marker", "channels.K.stop_us", "channels.K.guards"]
    assert band('role = "kill"') is None


def test_the_one_place_that_mixes_is_known():
    assert parse_sheet(PAIR.format("", "")).mixer is None
    assert parse_sheet(PAIR.format('mixed_in = "ESC"', 'mixed_in = "ESC"')).mixer == "ESC"


DRIVE = '[channels.L]\nrole = "drive-left"\n[channels.R]\nrole = "drive-right"\n'
FOUR = DRIVE + (
    '[channels.W]\nrole = "weapon"\ncontrol = "switch"\n'
    '[channels.K]\nrole = "kill"\nguards = ["W"]\nstop_us = [900, 1200]\n'
)


def test_a_plan_moves_only_what_is_wired():
    """No rudder that nobody wired; a servo of which the sheet says nothing may be on any stick."""
    plan = make_plan(parse_sheet(DRIVE + '[channels.W]\nrole = "weapon"'), losses=1)
    assert {axis for step in plan.steps for axis in step.sticks} == {
        "aileron", "elevator", "throttle",
    }  # fmt: skip
    any_stick = make_plan(parse_sheet('[channels.S]\nrole = "servo"'), losses=1)
    assert {axis for step in any_stick.steps for axis in step.sticks} == set(AXES)
    dial = make_plan(parse_sheet('[channels.S]\nrole = "servo"\ncontrol = "dial"'), losses=1)
    assert {axis for step in dial.steps for axis in step.sticks} == set()
    assert {step.controls.get("S") for step in dial.steps} == {None, 0.5, 1.0}


def test_a_weapon_on_a_switch_steps_between_two_widths_and_is_held_on_in_a_loss():
    plan = make_plan(parse_sheet(FOUR), losses=2)
    names = [step.name for step in plan.steps]
    assert "switch of W on" in names
    assert "switch of K off" in names
    assert not any("weapon high" in name for name in names)
    for step in plan.steps:
        if not step.transmitter_on:
            assert step.controls == {"W": 1.0, "K": 1.0}
    three = make_plan(parse_sheet(FOUR.replace('"switch"\n', '"switch"\npositions = 3\n', 1)))
    assert [s.controls["W"] for s in three.steps if set(s.controls) == {"W"}] == [0.25, 1.0]


def test_the_plan_at_the_table_takes_25_seconds_for_four_channels():
    plan = make_table_plan(parse_sheet(FOUR))
    assert plan.seconds <= 25.0
    assert [step.name for step in plan.steps] == [
        "rest", "hold", "transmitter off", "link back with sticks up", "let go",
    ]  # fmt: skip
    assert all(step.who for step in plan.steps)
    assert parse_plan(plan_toml(plan)) == plan


def test_who_does_it_depends_on_what_springs_back():
    """A thumb holds one stick and the other hand switches; two sprung sticks take a helper."""
    sheet = parse_sheet(DRIVE)
    assert {step.who for step in make_table_plan(sheet, mode=2).steps} == {
        "one person, no hand", "one person, one hand", "one person, two hands",
    }  # fmt: skip
    assert "two people" in {step.who for step in make_table_plan(sheet, mode=1).steps}


@pytest.mark.parametrize("boot_s", [0.0, 5.0, 12.0, 30.0])
def test_a_slow_transmitter_gets_its_time(boot_s):
    sheet = parse_sheet(f"{DRIVE}[transmitter]\nboot_s = {boot_s}")
    for plan in (make_plan(sheet, losses=2), make_table_plan(sheet)):
        back = [s for b, s in zip(plan.steps, plan.steps[1:], strict=False)
                if s.transmitter_on and not b.transmitter_on]  # fmt: skip
        assert back
        assert all(step.seconds >= boot_s + 4.0 for step in back)


def test_a_transmitter_that_refuses_sticks_up_gets_them_at_rest_first():
    sheet = parse_sheet(f"{DRIVE}[transmitter]\nstarts_with_sticks_up = false")
    for plan in (make_plan(sheet, losses=2), make_table_plan(sheet)):
        for before, step in zip(plan.steps, plan.steps[1:], strict=False):
            if step.transmitter_on and not before.transmitter_on:
                assert step.is_at_rest
                assert before.is_at_rest


SWITCHED = (
    DRIVE
    + """
[channels.RX3]
role = "weapon"
control = "switch"
positions = 2
[channels.RX4]
role = "servo"
control = "dial"
"""
)


def test_every_step_says_who_does_it():
    for plan in (make_plan(parse_sheet(SWITCHED)), make_table_plan(parse_sheet(SWITCHED))):
        assert all(step.who for step in plan.steps)
        for step in plan.steps:
            assert step.sticks == {} or step.who != "one person, no hand", step


def test_a_weapon_on_a_switch_is_stepped_and_a_dial_held_half_way():
    steps = {step.name: step for step in make_plan(parse_sheet(SWITCHED), losses=1).steps}
    assert steps["switch of RX3 on"].controls == {"RX3": 1.0}
    assert steps["dial of RX4 half way"].controls == {"RX4": 0.5}
    assert steps["transmitter off 1"].controls == {"RX3": 1.0, "RX4": 0.5}
    assert not any("throttle" in step.sticks for step in steps.values())


LIT = (
    DRIVE
    + """
[marker]
line = "light"
on = "high"
kind = "light"
late_s = 5
"""
)


@pytest.mark.parametrize("mode", [1, 2])
def test_a_calibration_circles_a_drive_stick_through_every_loss(mode):
    plan = make_marker_plan(parse_sheet(LIT), mode=mode, losses=10)
    off = [step for step in plan.steps if not step.transmitter_on]
    assert len(off) == 10
    assert all(step.moves and step.who == "one person, two hands" for step in off)
    assert "elevator" in off[0].moves
    assert plan.is_marker_calibration
    assert parse_plan(plan_toml(plan)) == plan


def test_a_calibration_waits_for_a_transmitter_that_boots():
    text = LIT + "[transmitter]\nboot_s = 12\nstarts_with_sticks_up = false\n"
    steps = {step.name: step for step in make_marker_plan(parse_sheet(text)).steps}
    assert steps["transmitter on 3"].seconds >= 15.0
    assert "let go" in steps["transmitter on 3"].hands


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (DRIVE, "names no marker"),
        (LIT.replace('on = "high"\n', ""), "which level of light means on"),
        (LIT[LIT.index("[marker]"):] + """
[channels.RX1]
role = "kill"
stop_us = [900, 1300]
no_pulses = "stops"
guards = ["RX2"]
[channels.RX2]
role = "weapon"
control = "switch"
""", "No stick of this sheet moves"),
    ],
)  # fmt: skip
def test_what_cannot_be_calibrated_is_refused_with_the_mend(text, said):
    with pytest.raises(HintError, match=said):
        make_marker_plan(parse_sheet(text))


@pytest.mark.parametrize(
    ("text", "key", "said"),
    [
        ('kind = "light"', "late_s", "from 0 to 5 for a light"),
        ('kind = "light"\nlate_s = 1\nlate_least_s = 2', "late_least_s", "no more than late_s"),
        ('kind = "light"\nlate_s = 1\nback_late_s = 2', "back_late_s", "no more than late_s"),
        ('kind = "button"\nlate_least_s = 0.1', "late_least_s", "no such key"),
    ],
)
def test_bounds_of_a_delay_that_cross_are_refused(text, key, said):
    with pytest.raises(SheetError, match=said) as error:
        parse_sheet(f'[marker]\nline = "light"\n{text}\n[channels.RX1]\nrole = "servo"\n')
    assert key in str(error.value)
