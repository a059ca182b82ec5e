"""From power-up on: what an ESC learns as neutral, and whether stop came before run."""

import numpy as np
import pytest

import pwmscope
from pwmscope.bench import parse_sheet
from pwmscope.findings.failsafe import check_failsafe, listen_to
from pwmscope.findings.failsafe.power import _rest_us
from pwmscope.model import Verdict

PS = 10**12
SHEET = """
[marker]
line = "tx"
on = "high"
kind = "switch"
[channels.RX1]
role = "drive-left"
neutral_us = 1500
deadband_us = 60
no_pulses = "stops"
no_pulses_after_s = 0.2
[channels.RX3]
role = "weapon"
stop_us = [980, 1030]
no_pulses = "stops"
no_pulses_after_s = 0.2
"""


def start(drive_us, weapon_us, boot_s=4.0):
    """A recording from power-up on: before the link these widths, with it the sticks at rest."""
    rise_s = 0.5 + 0.02 * np.arange(1500)
    marked_s = 3.0
    linked = rise_s >= marked_s + boot_s
    lines = {}
    for name, before, rest in (("RX1", drive_us, 1500.0), ("RX3", weapon_us, 1000.0)):
        width = np.where(linked, rest, np.nan if before is None else before)
        width += np.interp(rise_s, [16.0, 16.4, 24.0, 24.4], [0.0, 300.0, 300.0, 0.0])
        sent = ~np.isnan(width)
        edges = np.sort(np.concatenate([rise_s[sent], rise_s[sent] + 1e-6 * width[sent]]))
        lines[name] = pwmscope.Line(name, np.round(edges * 1e6).astype(np.int64) * 10**6, 0)
    lines["tx"] = pwmscope.Line("tx", np.array([int(marked_s * PS)]), 0)
    return pwmscope.Capture(lines, 31 * PS, 1e6, "start")


def told(drive_us, weapon_us, boot_s=4.0):
    sheet = parse_sheet(SHEET)
    check = check_failsafe(
        [listen_to(start(drive_us, weapon_us, boot_s), sheet=sheet, limits=sheet.limits)],
        sheet, sheet.limits,
    )  # fmt: skip
    return check, {
        line.line: line.recordings[0].finding("start-up width")
        for line in check.lines
        if line.recordings
    }


def test_a_preset_beside_the_rest_is_what_an_esc_learns():
    _, found = told(1450.0, 1000.0)
    assert found["RX1"].value == pytest.approx(-50.0, abs=1.5)
    assert "learns neutral" in found["RX1"].sentence
    assert abs(found["RX3"].value) < 1.5
    assert "learns" not in found["RX3"].sentence


def test_a_device_commanded_to_run_before_it_was_told_to_stop_is_said_to_be():
    check, found = told(1500.0, 1400.0)
    assert "is commanded to run" in found["RX3"].sentence
    assert check.verdict is Verdict.DOES_NOT_MEET
    _, silent = told(1500.0, None)
    assert silent["RX3"].value == "no pulses"


@pytest.mark.parametrize("boot_s", [1.0, 5.0, 12.0])
@pytest.mark.parametrize("weapon_us", [1300.0, 1800.0])
def test_however_long_a_transmitter_boots_an_active_width_never_meets(boot_s, weapon_us):
    """The outputs leap when the link comes, seconds after the mark."""
    check, _ = told(1500.0, weapon_us, boot_s)
    weapon = next(line for line in check.lines if line.line == "RX3")
    assert weapon.verdict is Verdict.DOES_NOT_MEET


@pytest.mark.parametrize("boot_s", [0.3, 5.0, 9.0])
def test_every_leap_is_told_however_late_the_link_comes(boot_s):
    _, found = told(1450.0, 1000.0, boot_s)
    assert found["RX1"].value == pytest.approx(-50.0, abs=1.5)


def test_a_stick_moved_by_hand_is_no_leap():
    """The width moves on: the link was there, and the start's width was the rest."""
    rise_s = 0.02 * np.arange(600)
    width = 1500.0 + np.interp(rise_s, [6.0, 7.0], [0.0, 400.0])
    assert _rest_us(rise_s, width, 1500.0) == 1500.0
    assert _rest_us(rise_s, np.full(600, 1500.0), 1500.0) is None
    assert _rest_us(3.0 * rise_s, np.full(600, 1500.0), 1500.0) == 1500.0
