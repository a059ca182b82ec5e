"""A receiver whose timer counts in steps: a width between two comes out as either."""

from dataclasses import dataclass

import numpy as np
import pytest
from loss_drill import REST, Drill, check, preset, verdicts

from pwmscope.findings.failsafe import LossClass
from pwmscope.findings.failsafe.segments import _dither_us

STILL = {"RX1": preset(1510.0), "RX2": preset(1490.0), "RX3": preset(1010.0)}


@dataclass(frozen=True)
class Stepped(Drill):
    """Each pulse begins and ends at a tick of the receiver's own timer, 40 ppm fast."""

    tick_us: float = 4.0
    jitter_us: float = 0.0
    interval_us: float = 0.0625

    def pulses(self, line):
        rise_s, width_us = Drill.pulses(self, line)
        rng = np.random.default_rng([self.seed, list(REST).index(line)])
        start_us = rise_s * 1e6 + rng.uniform(0.0, self.tick_us, rise_s.size)
        begin = np.floor(start_us / self.tick_us)
        end = np.floor((start_us + width_us) / self.tick_us)
        own_us = self.tick_us * (1.0 - 40e-6)
        return begin * own_us / 1e6 + 0.001, (end - begin) * own_us


def behaviours(found, line):
    (own,) = (each for each in found.lines if each.line == line)
    return {event.behaviour for _, event in own.losses}


@pytest.mark.parametrize("tick_us", [2.0, 4.0, 8.0])
def test_an_output_between_two_ticks_of_its_timer_stands(tick_us):
    """1010 us comes out as 1008 and 1012 us: inside 900 to 1030 us from 0.6 s on, each time."""
    off_us = tick_us / 2.0
    behave = {"RX1": preset(1504.0 + off_us), "RX2": preset(1496.0 + off_us),
              "RX3": preset(1008.0 + off_us)}  # fmt: skip
    found = check(Stepped(behave, tick_us=tick_us))
    assert set(verdicts(found).values()) == {"meets"}
    assert behaviours(found, "RX3") == {LossClass.GOES_TO_PRESET}


def test_one_that_now_and_then_comes_a_tick_short_stands_as_well():
    """Of the widths of 1491.8 us one in twenty is 1488 us, the others 1492 us."""
    behave = {**STILL, "RX2": preset(1491.8)}
    found = check(Stepped(behave))
    assert set(verdicts(found).values()) == {"meets"}


def test_it_meets_nothing_outside_its_stop_range():
    """1530 to 1534 us: some of them outside 1470 to 1530 us."""
    found = check(Stepped({**STILL, "RX1": preset(1530.0)}))
    assert verdicts(found)["RX1"] != "meets"
    assert verdicts(check(Stepped({**STILL, "RX1": preset(1540.0)})))["RX1"] == "does not meet"


@pytest.mark.parametrize("interval_us", [0.1, 0.25])
def test_a_quiet_receiver_one_tick_off_now_and_then_is_no_stick(interval_us):
    """Of the pulses of a 1 us timer every tenth or so is one tick off, whatever it does."""
    behave = {"RX1": preset(1507.9), "RX2": preset(1492.1), "RX3": preset(1007.9)}
    found = check(Stepped(behave, tick_us=1.0, interval_us=interval_us))
    assert set(verdicts(found).values()) == {"meets"}


def rows(*widths_us, of=50):
    return np.tile(np.array(widths_us), of)


def test_the_step_is_told_by_widths_that_go_to_and_fro_between_two():
    assert _dither_us(rows(1008.0, 1012.0, 1012.0, 1008.0), 0.06, 8.0) == 4.0
    # Two values that are not near each other, a step, a stair and noise are none.
    assert _dither_us(rows(1008.0, 1020.0), 0.06, 8.0) == 0.0
    assert _dither_us(np.repeat([1008.0, 1012.0], 200), 0.06, 8.0) == 0.0
    assert _dither_us(1000.0 + 4.0 * (np.arange(400) // 3), 0.06, 8.0) == 0.0
    assert _dither_us(np.random.default_rng(1).normal(1000.0, 1.5, 20_000), 0.06, 8.0) == 0.0
    # A sample interval may make as much.
    assert _dither_us(rows(1008.0, 1012.0), 2.0, 8.0) == 0.0
