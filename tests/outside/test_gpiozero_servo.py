"""Pulses commanded by a general-purpose robotics library, decoded by pwmscope.

Source: gpiozero (from the registry), whose ``Servo`` drives a hobby servo; its
mock pins stand in for the hardware, so no pin is touched and nothing is
powered. Its defaults are a second statement of common practice: 1 to 2 ms
every 20 ms, neutral in the middle.
"""

import numpy as np
import pytest
from gpiozero import Servo
from gpiozero.pins.mock import MockFactory, MockPWMPin
from hypothesis import given
from hypothesis import strategies as st

from pwmscope import STANDARD_SERVO, Capture, Line, decode

PS_PER_S = 10**12
LEAD_PS = 4_321_000_000
GRID = [k / 20 for k in range(-20, 21)]


@pytest.fixture(scope="module")
def servo():
    factory = MockFactory(pin_class=MockPWMPin)
    with Servo(17, pin_factory=factory) as device:
        yield device
    factory.close()


def command(servo, values):
    """Move the servo to each value; give the widths its pin then carries, in seconds."""
    duties, widths_s = [], []
    for value in values:
        servo.value = value
        duties.append(servo.pwm_device.pin.state)
        widths_s.append(servo.pulse_width)
    return np.array(duties) * servo.frame_width, np.array(widths_s)


def record(high_s, frame_s, interval_ps):
    """One frame per width, its edges seen at the next sample of an analyser."""
    rise_ps = LEAD_PS + np.arange(high_s.size) * round(frame_s * PS_PER_S)
    fall_ps = rise_ps + np.rint(high_s * PS_PER_S).astype(np.int64)
    edges_ps = np.stack([rise_ps, fall_ps], axis=1).ravel()
    seen_ps = -(-edges_ps // interval_ps) * interval_ps
    end_ps = int(seen_ps[-1]) + 10_000_000_000
    line = Line("servo", seen_ps, initial_level=0)
    return Capture({"servo": line}, end_ps, float(interval_ps), "mock pins of gpiozero")


def test_the_librarys_defaults_are_our_convention(servo):
    """gpiozero's documented defaults: 1 ms, 2 ms and 20 ms (common practice)."""
    assert servo.min_pulse_width * 1e6 == pytest.approx(STANDARD_SERVO.low_us, rel=1e-12)
    assert servo.max_pulse_width * 1e6 == pytest.approx(STANDARD_SERVO.high_us, rel=1e-12)
    assert servo.frame_width * 1e6 == pytest.approx(STANDARD_SERVO.period_us, rel=1e-12)
    assert servo.pwm_device.frequency == pytest.approx(1e6 / STANDARD_SERVO.period_us)


@pytest.mark.parametrize(
    ("move", "width_us"),
    [
        ("min", STANDARD_SERVO.low_us),
        ("mid", STANDARD_SERVO.neutral_us),
        ("max", STANDARD_SERVO.high_us),
    ],
)
def test_its_named_positions_are_our_endpoints_and_neutral(servo, move, width_us):
    """gpiozero's ``min``, ``mid`` and ``max`` positions."""
    getattr(servo, move)()
    assert servo.pulse_width * 1e6 == pytest.approx(width_us, rel=1e-12)


@pytest.mark.parametrize("interval_ps", [1, 41_667, 250_000, 1_000_000])
def test_a_grid_of_commands_is_read_back(servo, interval_ps):
    """gpiozero's ``pulse_width`` for 41 positions, recorded at four sampling intervals."""
    high_s, widths_s = command(servo, GRID)
    table = decode(record(high_s, servo.frame_width, interval_ps))["servo"]
    assert len(table) == len(GRID)
    assert not table.flags.any()
    error_us = np.abs(table.width_us - widths_s * 1e6)
    assert error_us.max() <= interval_ps / 1e6 + 1e-6
    period_error_us = np.abs(table.period_us[:-1] - servo.frame_width * 1e6)
    assert period_error_us.max() <= interval_ps / 1e6 + 1e-6


@given(
    values=st.lists(st.floats(-1, 1), min_size=3, max_size=30),
    interval_ps=st.integers(1, 2_000_000),
)
def test_any_commands_are_read_back(servo, values, interval_ps):
    """gpiozero's ``pulse_width`` for any positions, at any interval up to 2 us."""
    high_s, widths_s = command(servo, values)
    table = decode(record(high_s, servo.frame_width, interval_ps))["servo"]
    assert len(table) == len(values)
    assert not table.flags.any()
    assert np.abs(table.width_us - widths_s * 1e6).max() <= interval_ps / 1e6 + 1e-6
    # Position and width are related by a straight line through the endpoints.
    from_position_us = STANDARD_SERVO.neutral_us + np.array(values) * STANDARD_SERVO.span_us / 2
    assert np.abs(table.width_us - from_position_us).max() <= interval_ps / 1e6 + 1e-6
