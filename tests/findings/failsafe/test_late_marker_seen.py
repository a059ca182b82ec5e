"""Outputs that show a loss before its marker say that the marker is late; edges by hand."""

import numpy as np
import pytest

import pwmscope
from pwmscope.bench import parse_sheet
from pwmscope.capture import Capture, Line
from pwmscope.findings import Verdict

SHEET = """
[limits]
failsafe_s = 2.0
[marker]
line = "tx-on"
on = "high"
kind = "switch"
[channels.RX1]
role = "spare"
[channels.RX2]
role = "spare"
[channels.RX3]
role = "weapon"
stop_us = [980, 1020]
"""
LOSSES, FRAME_S, OFF_S, BOOT_S = 10, 0.014, 4.0, 1.0
STICK_US = {"RX1": 1720.0, "RX2": 1290.0, "RX3": 1640.0}
PRESET_US = {"RX1": 1508.0, "RX2": 1508.0, "RX3": 1007.0}


def bench(before_s=-0.4, moved_s=None):
    """Ten losses; the spares go to their presets so long before the marker, the weapon 1 s after.

    Or a hand moves both spares' sticks before each loss, in so many seconds.
    """
    lost_s = 12.0 + 9.0 * np.arange(LOSSES) + 0.3 * np.sin(5.0 * np.arange(LOSSES))
    on_s, end_s = lost_s + OFF_S, lost_s[-1] + 9.0
    lines = {"tx-on": (np.column_stack([lost_s, on_s]), 1)}
    for nth, (name, stick_us) in enumerate(STICK_US.items()):
        frame_s = np.arange(0.004, end_s - 0.02, FRAME_S)
        rise_s = frame_s + 0.002 * nth
        # At first each stick is moved by itself.
        swing = np.clip((rise_s - 1.0 - 3.0 * nth) / 0.5, 0.0, 1.0)
        swing = swing - np.clip((rise_s - 2.5 - 3.0 * nth) / 0.5, 0.0, 1.0)
        width_us = stick_us - 150.0 * swing
        for lost, on in zip(lost_s, on_s, strict=True):
            if name != "RX3" and moved_s is not None:
                part = np.clip((rise_s - (lost - 1.5)) / moved_s, 0.0, 1.0)
                here = (part > 0.0) & (rise_s < on + BOOT_S + 2.0)
                width_us[here] = stick_us + 80.0 * part[here]
            goes_s = lost + 1.0 if name == "RX3" else lost - before_s
            width_us[(frame_s > goes_s) & (frame_s < on + BOOT_S)] = PRESET_US[name]
        lines[name] = (np.column_stack([rise_s, rise_s + width_us / 1e6]), 0)
    held = {
        name: Line(name, np.rint(at_s.ravel() * 1e6).astype(np.int64) * 10**6, level)
        for name, (at_s, level) in lines.items()
    }
    capture = Capture(held, round(end_s * 1e12), 10**6, "bench.csv")
    return pwmscope.analyse(capture, sheet=parse_sheet(SHEET))["RX3"].failsafe


def test_outputs_that_go_after_the_marker_leave_it_as_it_is():
    assert bench().verdict is Verdict.MEETS


@pytest.mark.parametrize("before_s", [0.07, 0.4, 1.5])
def test_outputs_that_go_together_before_it_say_that_it_is_late(before_s):
    line = bench(before_s)
    assert line.verdict is Verdict.NOT_SHOWN
    marked = [event for _, event in line.losses if event.is_marked]
    assert len(marked) == LOSSES
    assert all("before the marker changed" in event.reason for event in marked)


def test_hands_that_move_two_sticks_before_it_do_not():
    assert bench(moved_s=0.25).verdict is Verdict.MEETS
