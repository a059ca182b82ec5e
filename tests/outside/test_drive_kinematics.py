"""Where a robot drives, held against handbook formulae, integrators and a Monte Carlo.

Sources: the closed form for a differential drive about its instantaneous centre
of curvature, R = (l/2)(vl + vr)/(vr - vl) and omega = (vr - vl)/l (Dudek and
Jenkin, "Computational Principles of Mobile Robotics", chapter on wheeled
locomotion; from memory); ``solve_ivp`` and ``linalg.expm`` of SciPy, a
general-purpose library; JCGM 100, 5.1.2, and JCGM 101 (propagation of
distributions by Monte Carlo; both from memory); a fact of the trade, common
practice, on unmixed drive outputs.
"""

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.linalg import expm

import pwmscope
from pwmscope.advice import (
    Outputs,
    Side,
    Throttle,
    differential,
    drive_path,
    integrate,
    straight_line_error,
)
from pwmscope.bench import PlanStep, StepSpan

CAPTURE = Path(__file__).parents[2] / "captures" / "unmixed-drive.csv.gz"
SPEED = st.floats(-3.0, 3.0)


def about_the_centre(pose, left, right, length, seconds):
    """The handbook's step: rotate about the instantaneous centre of curvature."""
    radius, omega = length / 2 * (left + right) / (right - left), (right - left) / length
    x, y, heading = pose
    centre = x - radius * math.sin(heading), y + radius * math.cos(heading)
    turn = omega * seconds
    return np.array(
        [
            math.cos(turn) * (x - centre[0]) - math.sin(turn) * (y - centre[1]) + centre[0],
            math.sin(turn) * (x - centre[0]) + math.cos(turn) * (y - centre[1]) + centre[1],
            heading + turn,
        ]
    )


def by_solver(twist, seconds, start):
    """Integrate the motion numerically, one stretch after the other."""
    pose = np.array(start)
    for (forward, aside, omega), lasts in zip(twist, seconds, strict=True):

        def moves(_, at, forward=forward, aside=aside, omega=omega):
            sine, cosine = math.sin(at[2]), math.cos(at[2])
            return [cosine * forward - sine * aside, sine * forward + cosine * aside, omega]

        found = solve_ivp(moves, (0.0, lasts), pose, method="DOP853", rtol=1e-13, atol=1e-13)
        pose = found.y[:, -1]
    return pose


@given(
    left=SPEED, right=SPEED, length=st.floats(0.05, 1.0), seconds=st.floats(0.01, 4.0),
    heading=st.floats(-3.0, 3.0),
)  # fmt: skip
def test_an_arc_is_the_handbooks(left, right, length, seconds, heading):
    """R = (l/2)(vl + vr)/(vr - vl); where the speeds are alike, a straight line."""
    base = differential(wheel_base_m=length, top_speed_m_s=3.0)
    twist = base.twist(np.array([[left, right]]) / 3.0)
    start = np.array([0.3, -0.2, heading])
    found = integrate(twist, np.array([seconds]), start)[-1]
    if abs(right - left) > 1e-3:
        radius = length / 2 * (left + right) / (right - left)
        expected = about_the_centre(start, left, right, length, seconds)
        np.testing.assert_allclose(found, expected, atol=1e-12 * (1.0 + abs(radius)))
        if abs(radius) > 1e-6:
            assert twist[0, 0] / twist[0, 2] == pytest.approx(radius, rel=1e-9)
    else:
        way = np.array([math.cos(heading), math.sin(heading), 0.0])
        expected = start + left * seconds * way
        assert (
            np.hypot(*(found - expected)[:2]) <= abs(right - left) * seconds * 30.0 / length + 1e-12
        )


@settings(max_examples=25)
@given(seed=st.integers(0, 2**32 - 1), count=st.integers(1, 5))
def test_a_series_of_commands_is_what_solve_ivp_gives(seed, count):
    """SciPy's ``solve_ivp`` (DOP853, tolerances 1e-13): within 1e-9."""
    rng = np.random.default_rng(seed)
    base = differential(wheel_base_m=0.2)
    twist, seconds = base.twist(rng.uniform(-1, 1, (count, 2))), rng.uniform(0.05, 0.8, count)
    start = rng.uniform(-1, 1, 3)
    found = integrate(twist, seconds, start)[-1]
    np.testing.assert_allclose(found, by_solver(twist, seconds, start), atol=1e-9)


def rigid_motion(twist, seconds):
    """The planar rigid motion as a matrix: the exponential of the twist."""
    forward, aside, omega = twist
    return expm(seconds * np.array([[0, -omega, forward], [omega, 0, aside], [0, 0, 0]]))


@settings(max_examples=25)
@given(seed=st.integers(0, 2**32 - 1))
def test_any_planar_motion_is_what_expm_and_solve_ivp_say(seed):
    """SciPy's ``linalg.expm`` within 1e-12, ``solve_ivp`` within 1e-9; also sliding sideways."""
    rng = np.random.default_rng(seed)
    twist, seconds = rng.uniform(-3, 3, (3, 3)), rng.uniform(0.05, 0.8, 3)
    found = integrate(twist, seconds)
    whole = np.eye(3)
    for k in range(3):
        whole = whole @ rigid_motion(twist[k], seconds[k])
        np.testing.assert_allclose(found[k + 1, :2], whole[:2, 2], atol=1e-12)
        assert math.cos(found[k + 1, 2]) == pytest.approx(whole[0, 0], abs=1e-12)
    np.testing.assert_allclose(found[-1], by_solver(twist, seconds, np.zeros(3)), atol=1e-9)


@pytest.mark.parametrize("omega", [0.0, 1e-300, 1e-12, 1e-7, 9.99e-4, 1.001e-3, 0.1, 6.0])
def test_straight_lines_and_turning_on_the_spot_are_stable_limits(omega):
    """``linalg.expm`` again, from no turn at all through both branches of the series."""
    twist = np.array([[0.7, -0.4, omega], [0.0, 0.0, omega]])
    found = integrate(twist, np.array([1.0, 1.0]))
    np.testing.assert_allclose(found[1, :2], rigid_motion(twist[0], 1.0)[:2, 2], atol=2e-15)
    np.testing.assert_array_equal(found[2, :2], found[1, :2])
    assert found[2, 2] == 2.0 * omega


STICKS = {
    "forward": (1.0, 0.0), "back": (-1.0, 0.0), "left": (0.0, -1.0), "right": (0.0, 1.0),
    "forward right": (1.0, 1.0), "forward left": (1.0, -1.0),
}  # fmt: skip


def unmixed(stick, mixer=None):
    """Left motor on the elevator channel, right motor on the aileron channel."""
    elevator, aileron = STICKS[stick]
    commands = np.array([[elevator, aileron]])
    width_us = 1500.0 + 400.0 * (commands if mixer is None else commands @ mixer)
    throttles = [Throttle(deadband_us=40.0)] * 2
    outputs = Outputs(np.array([0.0, 0.3]), width_us)
    (path,) = drive_path(outputs, throttles, differential())
    return path


def test_unmixed_outputs_drive_as_the_trade_knows():
    """Common practice: stick forward turns the robot right, forward-right drives it straight."""
    assert unmixed("forward").turned_deg < -20.0
    assert unmixed("forward").pose[-1, 0] > 0.0
    assert abs(unmixed("forward right").turned_deg) < 1e-9
    assert unmixed("forward right").pose[-1, 0] > 0.1
    assert unmixed("forward left").turned_deg < -40.0
    assert "to the right" in unmixed("forward").sentence
    assert unmixed("forward right").sentence.endswith("straight.")


def test_mixing_them_puts_it_right():
    """left = elevator + aileron, right = elevator - aileron drives where the stick points."""
    mixed = np.array([[1.0, 1.0], [1.0, -1.0]])
    assert abs(unmixed("forward", mixed).turned_deg) < 1e-9
    assert unmixed("forward", mixed).pose[-1, 0] > 0.1
    assert unmixed("left", mixed).turned_deg > 20.0
    assert unmixed("right", mixed).turned_deg < -20.0
    np.testing.assert_allclose(unmixed("right", mixed).pose[-1, :2], 0.0, atol=1e-12)


def test_the_shipped_unmixed_recording_turns_right_when_the_stick_goes_forward():
    """The same from a recording: drive outputs that each follow one stick."""
    capture = pwmscope.load(CAPTURE)
    tables = pwmscope.decode(capture)
    outputs = Outputs.of([tables["drive-left"], tables["drive-right"]], capture.end_s)
    steps = tuple(
        StepSpan(PlanStep(name, end_s - start_s, {}), start_s, end_s)
        for name, start_s, end_s in (("forward", 1.2, 2.0), ("back", 2.8, 3.6))
    )
    throttles = [Throttle(deadband_us=40.0)] * 2
    forward, back = drive_path(outputs, throttles, differential(), steps=steps)
    assert forward.turned_deg < -90.0
    assert back.turned_deg > 90.0


@pytest.mark.parametrize("command", [0.3, 0.5, 1.0])
def test_the_straight_line_error_by_monte_carlo(command):
    """JCGM 101: 400 000 draws through the closed form; mean and deviation as stated."""
    throttle = Throttle(deadband_us=30.0)
    left = Side(4.0, 1.02, 1.5, 0.004, throttle)
    right = Side(-6.0, 0.99, 2.0, 0.003, throttle)
    found = straight_line_error(
        left, right, wheel_base_m=0.18, command=command, u_wheel_base_m=0.002
    )
    rng = np.random.default_rng(8)
    speeds = []
    for side in (left, right):
        neutral_us = rng.normal(side.neutral_offset_us, side.u_neutral_us, 400_000)
        gain = rng.normal(side.gain, side.u_gain, 400_000)
        speeds.append((gain * command * 500.0 + neutral_us - 15.0) / 485.0)
    length = rng.normal(0.18, 0.002, 400_000)
    radius = length / 2.0 * (speeds[0] + speeds[1]) / (speeds[1] - speeds[0])
    drawn = np.degrees(1.0 / radius)
    assert abs(drawn.mean() - found.deg_per_m) <= 0.02 * found.uncertainty
    assert drawn.std() == pytest.approx(found.uncertainty, rel=0.01)


def test_the_straight_line_error_is_what_the_path_turns():
    """Degrees turned over metres driven along the arc."""
    left, right = Side(gain=1.0), Side(neutral_offset_us=-12.0, gain=0.97)
    found = straight_line_error(left, right, wheel_base_m=0.2, command=0.6)
    widths_us = [
        1500.0 + side.gain * 0.6 * 500.0 + side.neutral_offset_us for side in (left, right)
    ]
    outputs = Outputs(np.array([0.0, 1.0]), np.array([widths_us]))
    (path,) = drive_path(outputs, [Throttle()] * 2, differential())
    driven_m = abs(path.pose[-1, 2]) / math.radians(abs(found.deg_per_m))
    speeds = [left.speed(0.6), right.speed(0.6)]
    assert driven_m == pytest.approx(sum(speeds) / 2.0, rel=1e-12)
    assert path.turned_deg < 0.0
