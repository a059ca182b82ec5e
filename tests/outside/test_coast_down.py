"""Spin-down and speed against sources outside the project.

The closed forms of three friction laws (elementary mechanics) are held against
`scipy.integrate.solve_ivp`; marks are made from the numerical solution, and the moment at which
the speed falls below a stated one must be found within one mark's interval. The uncertainty of
reciprocal counting is held against JCGM 100, 5.1.2, worked by hand.
"""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from pwmscope.capture import Line
from pwmscope.findings.sensors import count_speeds, fall_below, find_marks
from tests.adversary.coast_bench import LAWS, Coast

PS = 10**12
SLOW_HZ = 2.5


def solved(coast, end_s):
    """Angle and speed by numerical integration: dn/dt = -a, -n/tau or -k n^2."""
    slows = {
        "coulomb": lambda n: -coast.rate if n > 0 else 0.0,
        "viscous": lambda n: -coast.rate * n,
        "aerodynamic": lambda n: -coast.rate * n * n,
    }[coast.law]

    def stands(_t, state):
        return state[1]

    stands.terminal, stands.direction = True, -1
    return solve_ivp(
        lambda _t, state: (state[1], slows(state[1])), (0.0, end_s), (0.0, coast.speed),
        rtol=1e-10, atol=1e-12, dense_output=True, events=stands,
    )  # fmt: skip


COASTS = [
    Coast("coulomb", 40.0, 9.0),
    Coast("viscous", 40.0, 0.8),
    Coast("aerodynamic", 40.0, 0.08),
]


@pytest.mark.parametrize("coast", COASTS, ids=LAWS)
def test_the_closed_forms_are_the_solutions(coast):
    end_s = 0.99 * float(coast.slow_after(0.05)) if coast.law == "coulomb" else 6.0
    numeric = solved(coast, end_s)
    time_s = np.linspace(0.0, end_s, 200)
    angle, speed = numeric.sol(time_s)
    assert coast.turns_at(time_s) == pytest.approx(angle, rel=1e-7, abs=1e-7)
    assert coast.speed_at(time_s) == pytest.approx(speed, rel=1e-6, abs=1e-6)
    assert coast.time_of(coast.turns_at(time_s[:-1])) == pytest.approx(time_s[:-1], abs=1e-6)


@pytest.mark.parametrize("per_turn", [1, 2, 5, 12])
@pytest.mark.parametrize("coast", COASTS, ids=LAWS)
def test_the_fall_is_found_within_one_marks_interval(coast, per_turn):
    numeric = solved(coast, 9.0)
    grid_s = np.linspace(0.0, float(numeric.t[-1]), 2_000_001)
    angle, speed = numeric.sol(grid_s)
    truth_s = 1.0 + float(np.interp(-SLOW_HZ, -speed, grid_s))
    marks = np.arange(1, int(angle[-1] * per_turn)) / per_turn
    before_s = 1.0 + np.arange(-int(0.9 * 40 * per_turn), 1) / (40.0 * per_turn)
    at_s = np.concatenate([before_s, 1.0 + np.interp(marks, angle, grid_s)])
    edges = np.sort(np.concatenate([at_s, at_s + 2e-5]))
    line = Line("D6", np.rint(np.ceil(edges * 1e6) * 1e6).astype(np.int64), 0)
    found = fall_below(find_marks(line, "rising", 1e6), per_turn, SLOW_HZ, 1.0, 60.0)
    assert found is not None
    pitch_s = 1.0 / (per_turn * SLOW_HZ)
    assert abs(0.5 * (found.least_s + found.most_s) - truth_s) < pitch_s
    assert found.least_s - 0.02 * pitch_s <= truth_s <= found.most_s + 0.02 * pitch_s


def test_reciprocal_counting_has_the_uncertainty_worked_by_hand():
    """24 marks, 6 in a turn, in 0.1 s at 1 MS/s.

    n = 24/(6 * 0.1 s) = 40 turns a second = 2400 a minute. Each end is quantised to Ts = 1 us,
    rectangular: u = Ts/sqrt(12), both: u(t) = Ts/sqrt(6) = 0.408 us, so u(t)/t = 4.08e-6. The
    clock, rectangular within 100 ppm: 1e-4/sqrt(3) = 57.7e-6. Together 57.9e-6, so u(n) = 0.1389
    turns a minute (JCGM 100, 4.3.7 and 5.1.2).
    """
    at_s = 0.001 + np.arange(241) / 240.0
    edges = np.sort(np.concatenate([at_s, at_s + 1e-4]))
    speeds = count_speeds(
        find_marks(Line("D6", np.rint(edges * PS).astype(np.int64), 0), "rising", 1e6), 6
    )
    assert 60.0 * speeds.hz[0] == pytest.approx(2400.0)
    by_hand = 2400.0 * math.hypot(0.408e-6 / 0.1, 57.7e-6)
    assert by_hand == pytest.approx(0.1389, abs=5e-4)
    assert 60.0 * speeds.u_hz[0] == pytest.approx(by_hand, rel=2e-3)
