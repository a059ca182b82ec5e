"""Bench notes: what a receiver sends in a loss, and a stick held through one, at edge level."""

import numpy as np
import pytest

import pwmscope
from pwmscope.bench import parse_sheet

PERIOD_US, TICK_US = 20_000.0, 0.1
MOVE_S = 0.3
SERVO = """
[marker]
line = "MK"
on = "high"
kind = "switch"
[channels.S]
role = "servo"
device = "arm servo"
control = "throttle"
stop_us = [1000, 1250]
no_pulses = "keeps going"
"""
ARM = SERVO.replace("throttle", "rudder").replace("[1000, 1250]", "[1460, 1540]")


def recording(script, seed=1):
    """Read rows of seconds, width and whether the transmitter is on; widths move in 0.3 s."""
    widths, on = [], []
    for seconds, width_us, is_on in script:
        frames = round(seconds * 1e6 / PERIOD_US)
        before_us = widths[-1] if widths and is_on and on[-1] else width_us
        moving = min(round(MOVE_S * 1e6 / PERIOD_US), frames)
        way = np.concatenate([np.linspace(0, 1, moving, endpoint=False), np.ones(frames - moving)])
        widths += list(before_us + (width_us - before_us) * way)
        on += [is_on] * frames
    noise_us = np.random.default_rng(seed).normal(0.0, 0.4, len(widths))
    rise_us = 3_000.3 + PERIOD_US * np.arange(len(widths))
    edges_us = np.column_stack([rise_us, rise_us + np.array(widths) + noise_us]).ravel()
    edges_ps = np.round(edges_us / TICK_US).astype(np.int64) * round(1e6 * TICK_US)
    on = np.array(on)
    changed = np.flatnonzero(on[1:] != on[:-1]) + 1
    marks_ps = (changed * PERIOD_US * 1e6).astype(np.int64)
    lines = {
        "S": pwmscope.Line("S", edges_ps, 0),
        "MK": pwmscope.Line("MK", marks_ps, int(on[0])),
    }
    return pwmscope.Capture(lines, round(len(on) * PERIOD_US * 1e6), TICK_US * 1e6, "own.csv")


def held_through(losses, held_us, rest_us, ends_us):
    """Rest, both ends, then losses with the stick held off its rest, and rest again."""
    script = [(6.0, rest_us, True)]
    for end_us in ends_us:
        script += [(2.0, end_us, True), (2.0, rest_us, True)]
    for number in range(losses):
        off_s = 3.0 + 0.31 * (number * 7 % 10)
        script += [(1.2, held_us, True), (off_s, rest_us, False), (1.2, held_us, True)]
        script += [(3.0, rest_us, True)]
    return recording([*script, (4.0, rest_us, True)])


def test_a_preset_beside_the_rest_is_no_part_of_the_low_end():
    """The stick gave 1150.0 us, the receiver sent 1155 us in each loss, the stick being low."""
    script = [(6.0, 1150.0, True), (2.0, 1750.0, True)]
    for number in range(4):
        script += [(2.0, 1150.0, True), (3.0 + 0.7 * number, 1155.0, False)]
    findings = pwmscope.examine(recording([*script, (6.0, 1150.0, True)]), sheet=parse_sheet(SERVO))
    low = findings["S"]["low endpoint"]
    assert low.value == pytest.approx(1150.0, abs=0.1)
    assert findings["S"]["rest position"].value == pytest.approx(1150.0, abs=0.1)


@pytest.mark.parametrize("losses", [4, 10])
def test_a_stick_held_through_a_loss_was_held_there_once(losses):
    """First, last and longest say 1500 us; each loss parts one hold at 1690 us in two."""
    found = pwmscope.examine(
        held_through(losses, 1690.0, 1500.0, (1850.0, 1150.0)), sheet=parse_sheet(ARM)
    )["S"]
    rest = found["rest position"]
    assert rest.value == pytest.approx(1500.0, abs=0.1)
    assert rest.verdict is pwmscope.Verdict.MEETS


def test_where_a_stick_came_back_to_most_often_still_counts_against_its_rest():
    """Held at 1690 us through two losses, and six times more without one."""
    script = [(6.0, 1500.0, True)]
    for number in range(8):
        script += [(1.0, 1690.0, True)]
        script += [(3.0, 1690.0, False), (1.0, 1690.0, True)] if number < 2 else []
        script += [(0.6, 1600.0 + 20.0 * number, True)]
    found = pwmscope.examine(recording([*script, (4.0, 1500.0, True)]), sheet=parse_sheet(ARM))["S"]
    assert found["rest position"].verdict is pwmscope.Verdict.NOT_SHOWN
