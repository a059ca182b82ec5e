"""What lines do before the link: given these first seconds, this must be said."""

import dataclasses

import numpy as np
import pytest

from pwmscope.capture import Capture, Line
from pwmscope.findings import Verdict, examine
from pwmscope.findings.failsafe import check_failsafe, listen_to

LINK_S, END_S, FRAME_S = 4.0, 12.0, 0.02


def pulses(from_s, to_s, width_us):
    rise_us = np.rint(1e6 * np.arange(from_s, to_s, FRAME_S))
    return np.stack([rise_us, rise_us + width_us], axis=1).ravel()


def recording(*spells, marker=True, interval_ps=1e6):
    """Weapon pulses in spells of (from, to, width); the transmitter is on from 4 s."""
    edges_us = np.concatenate([pulses(*spell) for spell in spells])
    lines = {"RX3": Line("RX3", (edges_us * 1e6).astype(np.int64), 0)}
    if marker:
        lines["tx-on"] = Line("tx-on", np.array([int(LINK_S * 1e12)]), 0)
    return Capture(lines, int(END_S * 1e12), interval_ps, "power-up.csv")


def power_up(bench, capture, **changes):
    weapon = {"role": "weapon", "neutral_us": None, "deadband_us": None, "no_pulses": "stops"}
    sheet = bench.sheet(bench.device("RX3", **(weapon | changes)))
    if "tx-on" not in capture.lines:
        sheet = dataclasses.replace(sheet, marker=None)
    check = check_failsafe([listen_to(capture, sheet=sheet)], sheet, sheet.limits)
    (line,) = check.lines
    return check, line.recordings[0].finding("power-up")


AFTER = (LINK_S, END_S, 1000)


def test_a_weapon_with_an_active_width_before_the_link_does_not_meet_and_governs(bench):
    check, finding = power_up(bench, recording((2.0, 2.5, 1700), (2.5, LINK_S, 1000), AFTER))
    assert finding.verdict is Verdict.DOES_NOT_MEET
    assert "the first at 2.000 s" in finding.sentence
    assert "25 of them were outside" in finding.sentence
    assert check.verdict is Verdict.DOES_NOT_MEET
    assert "before the link" in check.lines[0].sentence


def test_a_weapon_that_stays_low_before_the_link_meets(bench):
    check, finding = power_up(bench, recording((2.0, LINK_S, 1000), AFTER))
    assert finding.verdict is Verdict.MEETS
    assert check.verdict is Verdict.NOT_SHOWN  # no signal loss was seen


def test_a_line_without_a_pulse_before_the_link_may_have_had_no_power(bench):
    _, finding = power_up(bench, recording(AFTER))
    assert finding.verdict is Verdict.NOT_SHOWN
    assert "powered" in finding.sentence


def test_a_pause_before_the_link_needs_to_be_known_to_stop_the_device(bench):
    _, finding = power_up(bench, recording((2.0, LINK_S, 1000), AFTER), no_pulses=None)
    assert finding.verdict is Verdict.NOT_SHOWN
    assert "no_pulses" in finding.sentence


def test_without_a_marker_there_is_no_verdict(bench):
    _, finding = power_up(bench, recording((2.0, LINK_S, 1700), AFTER, marker=False))
    assert finding.verdict is Verdict.NOT_SHOWN
    assert "not marked" in finding.sentence


@pytest.mark.parametrize(
    ("until_s", "verdict"), [(1.5, Verdict.NOT_SHOWN), (3.0, Verdict.DOES_NOT_MEET)]
)
def test_pulses_from_the_start_on_have_the_time_of_a_signal_loss(bench, until_s, verdict):
    """A recording may begin just after the transmitter went off: 2 s are allowed then."""
    capture = recording((0.005, until_s, 1700), (until_s, LINK_S, 1000), AFTER)
    finding = power_up(bench, capture)[1]
    assert finding.verdict is verdict
    began = "A loss may have begun just before" in finding.sentence
    assert began == (verdict is Verdict.NOT_SHOWN)


def test_a_recording_that_begins_with_the_link_says_how_to_show_it(bench):
    capture = recording((0.005, END_S, 1000), marker=False)
    _, finding = power_up(bench, capture)
    assert finding.verdict is Verdict.NOT_SHOWN
    assert "start recording before the receiver has power" in finding.sentence


@pytest.mark.parametrize("boots_s", [0.3, 5.0])
def test_what_stood_before_the_link_is_no_place_of_the_stick(bench, boots_s):
    """A preset lasts on while the transmitter boots; the hands then move from 1000 to 1600 us."""
    follows_s = LINK_S + boots_s
    spells = ((0.5, follows_s, 1850), (follows_s, 10.2, 1000), (10.2, 11.2, 1600))
    capture = recording(*spells, (11.2, END_S, 1000))
    found = examine(capture, sheet=bench.sheet(bench.device("RX3", role="weapon"))).channels["RX3"]
    assert found.travel.high.width_us == pytest.approx(1600, abs=1)
    assert found.loss_spans == ()
