"""Ramps that a receiver makes: given these pulses of two sticks' outputs, evenly or not."""

import math

import numpy as np
import pytest
from loss_drill import REST, Drill, check, holds, ramps, verdicts

from pwmscope.findings.failsafe import Cause, Ground
from pwmscope.findings.failsafe.coincidence import (
    find_ramps,
    fit_ramp,
)
from pwmscope.findings.failsafe.losses import Known, Loss, Moment, Output
from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.response import LossClass, Response
from pwmscope.findings.failsafe.segments import Kind, Stretch
from pwmscope.findings.failsafe.watched import (
    Watched,
)
from pwmscope.pulses import STANDARD_SERVO, PulseTable

FRAME_S = 0.02
STANDS = Stretch(Kind.STANDS, 9.0, 13.9, 1700.0, 1700.0, 1700.0, 0.5, 200, jumped=False)
MOVED = Response(
    LossClass.GOES_TO_PRESET, "", 11.0, 1500.0, True, (STANDS, STANDS), None, (), None, (), ()
)


def loss_at(lost_s):
    return Loss(lost_s, lost_s + 4.0, True, Moment(Known.MARKED, 0.0, None), frozenset(), "")


LOSSES = tuple(loss_at(10.0 + 10.0 * k) for k in range(4))


def line_of(ways, *, noise_us=0.5, interval_us=1.0, shape=None, odd=()):
    """A line whose width goes in each loss from one level to another: (from, to, after, over)."""
    rise_s = np.arange(8.0, 52.0, FRAME_S)
    width_us = np.full(rise_s.size, 1500.0)
    for loss, (from_us, to_us, after_s, over_s) in zip(LOSSES, ways, strict=False):
        here = (rise_s > loss.lost_s - 1.5) & (rise_s < loss.lost_s + 5.0)
        part = np.clip((rise_s[here] - loss.lost_s - after_s) / over_s, 0.0, 1.0)
        part = part if shape is None else shape(part)
        width_us[here] = from_us + part * (to_us - from_us)
    for at_s, us in odd:
        width_us[np.abs(rise_s - at_s) < 0.5 * FRAME_S] = us
    width_us += np.random.default_rng(2).normal(0.0, noise_us, rise_s.size)
    width_us = np.round(width_us / interval_us) * interval_us
    table = PulseTable(
        "RX1", rise_s, width_us, np.append(np.diff(rise_s) * 1e6, math.nan),
        np.zeros(rise_s.size, np.uint8), False, STANDARD_SERVO, interval_us,
    )  # fmt: skip
    places = tuple(range(len(LOSSES)))
    output = Output(table, None, FRAME_S * 1e6)
    return Watched(output, Expectation(), LOSSES, places, (MOVED,) * len(places), 4.0)


WAY = (1700.0, 1500.0, 0.4, 0.6)


def test_a_ramps_begin_and_end_are_known_to_a_frame():
    ramp = fit_ramp(line_of([WAY]), LOSSES[0])
    assert ramp.begin_s == pytest.approx(10.4, abs=FRAME_S)
    assert ramp.end_s == pytest.approx(11.0, abs=FRAME_S)
    assert ramp.far_us == pytest.approx(-200.0, abs=1.0)
    assert FRAME_S <= ramp.doubt_s < 1.5 * FRAME_S


@pytest.mark.parametrize(("noise_us", "interval_us"), [(6.0, 1.0), (0.2, 10.0)])
def test_noise_and_coarse_sampling_leave_it_so(noise_us, interval_us):
    ramp = fit_ramp(line_of([WAY], noise_us=noise_us, interval_us=interval_us), LOSSES[0])
    assert abs(ramp.begin_s - 10.4) <= ramp.doubt_s + FRAME_S
    assert abs(ramp.end_s - 11.0) <= ramp.doubt_s + FRAME_S


@pytest.mark.parametrize(
    "line",
    [
        line_of([(1700.0, 1500.0, 0.4, 0.001)]),  # a jump
        line_of([(1530.0, 1500.0, 0.4, 0.6)]),  # too little
        line_of([WAY], shape=lambda p: 10 * p**3 - 15 * p**4 + 6 * p**5),  # as a hand goes
        line_of([WAY], shape=lambda p: np.minimum(p, 0.5) + 0.5 * (p >= 1.0)),  # with a halt
        line_of([WAY], odd=[(12.0, 1700.0), (12.4, 1700.0), (12.8, 1700.0), (13.2, 1700.0),
                            (13.3, 1700.0)]),  # left again
        line_of([(1700.0, 1700.0, 0.4, 0.6)]),  # held
    ],
    ids=["jump", "little", "hand", "halt", "left", "held"],
)  # fmt: skip
def test_what_is_no_even_way_is_no_ramp(line):
    assert fit_ramp(line, LOSSES[0]) is None


APART = ~np.eye(2, dtype=bool)


def ramped(*lines, apart=APART):
    return np.isfinite(find_ramps(lines, LOSSES, apart)).tolist()


def others(after_s=0.4, over_s=0.6, far=1.0):
    return line_of([(1300.0, 1300.0 + far * 200.0, after_s, over_s)] * 4)


def test_outputs_of_two_sticks_that_ramp_in_step_in_loss_after_loss():
    assert ramped(line_of([WAY] * 4), others()) == [[True] * 4] * 2
    ends_s = find_ramps((line_of([WAY] * 4), others()), LOSSES, APART)
    assert ends_s[0] == pytest.approx([loss.lost_s + 1.0 for loss in LOSSES], abs=3 * FRAME_S)


@pytest.mark.parametrize(
    ("after_s", "over_s", "found"),
    [(0.4, 0.6, True), (0.44, 0.6, False), (0.4, 0.66, False), (0.36, 0.6, False),
     (0.41, 0.6, True)],
)  # fmt: skip
def test_both_begin_and_both_end_at_one_time(after_s, over_s, found):
    assert ramped(line_of([WAY] * 4), others(after_s, over_s)) == [[found] * 4] * 2


def test_lines_of_one_stick_are_no_witnesses():
    assert (
        ramped(line_of([WAY] * 4), others(), apart=np.zeros((2, 2), dtype=bool))
        == [[False] * 4] * 2
    )


@pytest.mark.parametrize(("over_s", "found"), [(0.22, False), (0.27, True)])
def test_hands_keep_in_step_for_a_quarter_of_a_second(over_s, found):
    ways = [(1700.0, 1500.0, 0.4, over_s)] * 4
    assert ramped(line_of(ways), others(0.4, over_s)) == [[found] * 4] * 2


def test_three_losses_must_be_alike_in_how_long_or_how_steep_they_are():
    lasts = [0.4, 0.55, 0.75, 1.0]  # each loss as long as it likes: hands
    one = line_of([(1700.0, 1500.0, 0.4, over_s) for over_s in lasts])
    two = line_of([(1300.0, 1500.0, 0.4, over_s) for over_s in lasts])
    assert ramped(one, two) == [[False] * 4] * 2
    # A receiver that goes 200 us in 0.6 s from wherever it is.
    far_us = [140.0, 200.0, 260.0, 330.0]
    steep = line_of([(1500.0 + us, 1500.0, 0.4, 0.003 * us) for us in far_us])
    beside = line_of([(1500.0 - us, 1500.0, 0.4, 0.003 * us) for us in far_us])
    assert ramped(steep, beside) == [[True] * 4] * 2


def test_only_a_marked_loss_in_which_the_output_changed_is_looked_at():
    stated = tuple(
        Loss(loss.lost_s, loss.back_s, True, Moment(Known.STATED, 0.05, None), frozenset(), "")
        for loss in LOSSES
    )
    lines = (line_of([WAY] * 4), others())
    assert not np.isfinite(find_ramps(lines, stated, APART)).any()


def test_a_ramp_by_coarse_samples_is_answered_as_one_by_fine_samples():
    """Ten microseconds a sample make steps of a ramp that goes 8 us a frame."""
    behave = {name: ramps(rest, 0.4, 0.7) for name, rest in REST.items()}
    for interval_us in (1.0, 10.0):
        found = check(Drill(behave, interval_us=interval_us, frame_s=0.0271))
        assert set(verdicts(found).values()) == {"meets"}
        told = {
            a.ground
            for line in found.lines
            for _, event in line.losses
            for a in event.alternatives
            if a.cause is Cause.HAND
        }
        assert told <= {Ground.RAMPED, Ground.MACHINE, Ground.PLACED}


def test_a_line_that_holds_beside_lines_that_ramp_never_meets():
    behave = {name: ramps(rest, 0.4, 0.7) for name, rest in REST.items()}
    assert verdicts(check(Drill({**behave, "RX3": holds})))["RX3"] == "does not meet"
