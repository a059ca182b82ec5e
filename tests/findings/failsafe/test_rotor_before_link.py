"""A rotor that turns again before another output of its board shows the link; edges by hand."""

import numpy as np
import pytest

import pwmscope
from pwmscope.bench import parse_sheet
from pwmscope.capture import Capture, Line
from pwmscope.findings import Verdict
from pwmscope.model import HazardKind

SHEET = """
[limits]
failsafe_s = 2.0
drive_motion_s = 2.0
[marker]
line = "tx-on"
on = "high"
kind = "switch"
[channels.M1]
role = "drive-left"
no_pin = true
[channels.D6]
role = "rotation"
of = "M1"
marks_per_turn = 4
slow_per_minute = 60
[channels.RX9]
role = "spare"
"""
LOSSES, FRAME_S, BOOT_S, OFF_S = 10, 0.02, 1.5, 3.5


def board(early=(), spare_us=1700.0):
    """Ten losses, 9 s apart; the rotor's command comes back with the link, or 0.05 s after on."""
    step_s = 1e-3
    lost_s = 4.0 + 9.0 * np.arange(LOSSES)
    on_s = lost_s + OFF_S
    time_s = np.arange(0.0, lost_s[-1] + 9.0, step_s)
    turns_hz, hz = np.zeros(time_s.size), 0.0
    asked = time_s > 0.5
    for k in range(LOSSES):
        begins_s = on_s[k] + (0.05 if k in early else BOOT_S)
        asked &= ~((time_s > lost_s[k] + 0.5) & (time_s < begins_s))
        # Its stick is let go for a second while the link is there.
        asked &= ~((time_s > lost_s[k] + 6.2) & (time_s < lost_s[k] + 7.2))
    for i, is_asked in enumerate(asked):
        hz += ((20.0 if is_asked else 0.0) - hz) * step_s / (0.1 if is_asked else 0.15)
        turns_hz[i] = hz if hz > 0.05 else 0.0
    angle = np.cumsum(turns_hz) * step_s * 4
    marks_s = time_s[np.searchsorted(angle, np.arange(1, int(angle[-1])))]
    rise_s = np.arange(0.004, time_s[-1] - 0.01, FRAME_S)
    width_us = np.full(rise_s.size, spare_us)
    for k in range(LOSSES):
        width_us[(rise_s > lost_s[k] + 0.3) & (rise_s < on_s[k] + BOOT_S)] = 1500.0
    edges = {
        "D6": np.column_stack([marks_s, marks_s + 2e-3]),
        "RX9": np.column_stack([rise_s, rise_s + width_us / 1e6]),
        "tx-on": np.column_stack([lost_s, on_s]),
    }
    lines = {
        name: Line(name, np.rint(at_s.ravel() * 1e6).astype(np.int64) * 10**6, name == "tx-on")
        for name, at_s in edges.items()
    }
    capture = Capture(lines, round(time_s[-1] * 1e12), 10**6, "board.csv")
    return pwmscope.analyse(capture, sheet=parse_sheet(SHEET))


def test_a_rotor_that_begins_with_the_link_meets():
    found = board()
    assert found["M1"].failsafe.verdict is Verdict.MEETS
    assert {hazard.kind for hazard in found.hazards} <= {HazardKind.STICK_HELD}


@pytest.mark.parametrize("early", [(4,), tuple(range(LOSSES))])
def test_one_that_begins_before_another_output_shows_the_link_does_not(early):
    found = board(early)
    assert found["M1"].failsafe.verdict is Verdict.NOT_SHOWN
    leap = next(hazard for hazard in found.hazards if hazard.kind is HazardKind.LEAP)
    assert (leap.lines, leap.times) == (("M1",), len(early))
    assert leap.at_s == pytest.approx(4.0 + 9.0 * early[0] + OFF_S + 0.05, abs=0.1)
    assert "before RX9 showed the link" in found["M1"].failsafe.governing.sentence


def test_an_output_whose_preset_is_its_sticks_place_shows_nothing_of_it():
    """The spare stands at 1500 us all the time: whether a rotor was early can't be told by it."""
    kinds = {hazard.kind for hazard in board((4,), spare_us=1500.0).hazards}
    assert HazardKind.LEAP not in kinds
