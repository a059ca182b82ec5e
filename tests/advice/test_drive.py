"""Drive in software: given these widths, this is where the robot goes; bad data say so."""

import numpy as np
import pytest

from pwmscope.advice import (
    DrivePath,
    Hands,
    Outputs,
    Side,
    Throttle,
    differential,
    drive_path,
    straight_line_error,
)
from pwmscope.bench import PlanStep, StepSpan, parse_sheet
from pwmscope.errors import PwmscopeError
from pwmscope.pulses import STANDARD_SERVO, PulseTable


def table(name, rise_s, width_us, flags=0):
    rise_s, width_us = np.asarray(rise_s, float), np.asarray(width_us, float)
    period_us = np.append(np.diff(rise_s) * 1e6, np.nan)
    marks = np.full(rise_s.size, flags, np.uint8)
    return PulseTable(
        name, rise_s, width_us, period_us, marks,
        inverted=False, convention=STANDARD_SERVO, sample_interval_us=1.0,
    )  # fmt: skip


def span(name, start_s, end_s):
    return StepSpan(PlanStep(name, end_s - start_s, {}), start_s, end_s)


def test_a_throttle_from_the_bench_sheet():
    sheet = parse_sheet("""
    [channels.RX1]
    role = "drive-left"
    low_us = 1100
    neutral_us = 1520
    high_us = 1900
    deadband_us = 40
    """)
    throttle = Throttle.of(sheet.channels["RX1"])
    commands = throttle.commands(np.array([1000.0, 1100.0, 1500.0, 1540.0, 1720.0, 1900.0]))
    np.testing.assert_allclose(commands, [-1.0, -1.0, 0.0, 0.0, 0.5, 1.0])
    assert Throttle.of(None) == Throttle(1000.0, 1500.0, 2000.0, 0.0)


@pytest.mark.parametrize(
    "widths", [(1500.0, 1500.0, 2000.0, 0.0), (1000.0, 1500.0, 2000.0, 1000.0)]
)
def test_a_throttle_that_cannot_be_driven(widths):
    with pytest.raises(PwmscopeError, match="Correct the bench sheet"):
        Throttle(*widths)


def test_what_is_not_stated_is_said():
    said = " ".join(differential().assumptions)
    assert "0.2 m apart" in said
    assert "1 m/s" in said
    assert differential(wheel_base_m=0.3, top_speed_m_s=2.0).assumptions == ()


def test_wheels_that_cannot_be():
    with pytest.raises(PwmscopeError, match="wheel base is 0 m"):
        differential(wheel_base_m=0.0)
    with pytest.raises(PwmscopeError, match="top speed is -1 m/s"):
        differential(top_speed_m_s=-1.0)


def test_widths_are_held_until_the_next_pulse_of_each_line():
    left = table("L", [0.00, 0.02, 0.04], [1500.0, 1600.0, 1700.0])
    right = table("R", [0.01, 0.03], [1400.0, 1300.0])
    outputs = Outputs.of([left, right], 0.06)
    np.testing.assert_allclose(outputs.time_s, [0.01, 0.02, 0.03, 0.04, 0.06])
    np.testing.assert_allclose(
        outputs.width_us, [[1500, 1400], [1600, 1400], [1600, 1300], [1700, 1300]]
    )


def test_a_line_without_pulses_has_no_path():
    with pytest.raises(PwmscopeError, match="Line R has no whole servo pulse"):
        Outputs.of([table("L", [0.0], [1500.0]), table("R", [], [])], 1.0)


def test_outputs_that_do_not_fit_together():
    with pytest.raises(PwmscopeError, match="one more instant than rows"):
        Outputs(np.array([0.0]), np.array([[1500.0, 1500.0]]))
    with pytest.raises(PwmscopeError, match="not in order of time"):
        Outputs(np.array([1.0, 0.0]), np.array([[1500.0, 1500.0]]))
    three = Outputs(np.array([0.0, 1.0]), np.array([[1500.0] * 3]))
    with pytest.raises(PwmscopeError, match="3 outputs and 2 motor controllers for 2 wheels"):
        drive_path(three, [Throttle()] * 2, differential())


def test_each_step_has_its_own_start_and_only_its_own_time():
    time_s = np.array([0.0, 1.0, 2.0, 3.0])
    width_us = np.array([[2000.0, 2000.0], [1500.0, 1500.0], [1000.0, 1000.0]])
    steps = (span("forward", 0.0, 1.0), span("rest", 1.2, 1.8), span("late", 1.5, 2.5))
    paths = drive_path(
        Outputs(time_s, width_us), [Throttle()] * 2, differential(top_speed_m_s=2.0), steps=steps
    )
    assert [path.name for path in paths] == ["forward", "rest", "late"]
    np.testing.assert_allclose(paths[0].pose[-1], [2.0, 0.0, 0.0], atol=1e-12)
    np.testing.assert_allclose(paths[1].pose[-1], 0.0, atol=1e-12)
    np.testing.assert_allclose(paths[2].pose[-1], [-1.0, 0.0, 0.0], atol=1e-12)
    assert paths[2].seconds == pytest.approx(1.0)


def test_an_arc_is_cut_so_that_it_is_drawn_as_one():
    outputs = Outputs(np.array([0.0, 2.0]), np.array([[2000.0, 1000.0]]))
    (path,) = drive_path(outputs, [Throttle()] * 2, differential())
    assert np.abs(np.diff(path.pose[:, 2])).max() <= 0.05 + 1e-12
    assert path.pose[-1, 2] == pytest.approx(-20.0)
    half = Outputs(np.array([0.0, 1.0]), np.array([[2000.0, 1500.0]]))
    (path,) = drive_path(half, [Throttle()] * 2, differential())
    assert path.length_m == pytest.approx(0.5, rel=1e-3)  # the middle goes at half the speed


def test_a_step_outside_the_recording_is_refused():
    outputs = Outputs(np.array([0.0, 1.0]), np.array([[1500.0, 1500.0]]))
    with pytest.raises(PwmscopeError, match=r"step 'spin' lasts from 0\.5 to 3 s"):
        drive_path(outputs, [Throttle()] * 2, differential(), steps=(span("spin", 0.5, 3.0),))


def test_a_path_in_words():
    pose = np.array([[0.0, 0.0, 0.0], [-0.5, 0.25, 0.0]])
    assert DrivePath("back", pose, 1.0).sentence == (
        "back: 0.50 m back and 0.25 m to the left in 1 s, straight."
    )
    still = DrivePath("rest", np.zeros((2, 3)), 1.0)
    assert still.sentence == "rest: stands still for 1 s."
    assert DrivePath("", pose, 1.0).length_m == pytest.approx(0.559, abs=1e-3)


def test_like_sides_drive_straight():
    found = straight_line_error(Side(u_gain=0.01), Side(u_gain=0.01), wheel_base_m=0.2)
    assert found.deg_per_m == 0.0
    assert "not shown to turn" in found.sentence
    weak = straight_line_error(Side(), Side(gain=0.9), wheel_base_m=0.2)
    assert weak.deg_per_m < 0.0
    assert "to the right" in weak.sentence


def test_a_side_that_does_not_drive_has_no_straight_line():
    with pytest.raises(PwmscopeError, match="the right side does not drive ahead"):
        straight_line_error(Side(), Side(neutral_offset_us=-300.0), wheel_base_m=0.2)
    with pytest.raises(PwmscopeError, match="command is 0"):
        straight_line_error(Side(), Side(), wheel_base_m=0.2, command=0.0)
    with pytest.raises(PwmscopeError, match="wheel base is 0 m"):
        straight_line_error(Side(), Side(), wheel_base_m=0.0)


def test_hands_are_read_off_stick_lines():
    hands = Hands.of(
        {
            "elevator": table("S1", [0.0, 0.02], [1500.0, 2000.0]),
            "aileron": table("S2", [0.001, 0.021], [1500.0, 1250.0]),
        },
        0.04,
    )
    np.testing.assert_allclose(hands.time_s, [0.001, 0.02, 0.021])
    np.testing.assert_allclose(hands.position["elevator"], [0.0, 1.0, 1.0])
    np.testing.assert_allclose(hands.position["aileron"], [0.0, 0.0, -0.5])
    with pytest.raises(PwmscopeError, match="No stick line is named"):
        Hands.of({}, 1.0)
