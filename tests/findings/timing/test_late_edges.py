"""Bench notes: a receiver whose interrupts push edges, at frames of 5 to 20 ms."""

import numpy as np
import pytest

import pwmscope


def interrupted(period_us, late_us, share=0.02, count=3000, rate_hz=24e6):
    """A line whose pulses now and then start late; returns the recording and its true starts."""
    rng = np.random.default_rng(9)
    pushed = (rng.uniform(size=count) < share) * rng.uniform(0, late_us, count)
    rise_us = 1000.0 + period_us * np.arange(count) + pushed + rng.normal(0, 0.3, count)
    edges_us = np.stack([rise_us, rise_us + 1500.0 + rng.normal(0, 0.3, count)], axis=1).ravel()
    edges_ps = np.rint(np.ceil(edges_us * rate_hz / 1e6) * 1e12 / rate_hz).astype(np.int64)
    line = pwmscope.Line("RX1", edges_ps, 0)
    return pwmscope.Capture({"RX1": line}, int(edges_ps[-1]) + 10**9, 1e12 / rate_hz, "x"), rise_us


@pytest.mark.parametrize("period_us", [5_000.0, 10_000.0, 20_000.0])
def test_an_edge_that_an_interrupt_pushes_is_jitter_however_fast_the_frames(period_us):
    """80 us is more than 1 % of a 5 ms frame, yet no frame came out of time."""
    recording, rise_us = interrupted(period_us, 80.0)
    channel = pwmscope.examine(recording).channels["RX1"]
    told = {one.name: one for one in channel.findings}
    period = np.diff(rise_us)
    change = np.diff(period)
    number = np.arange(rise_us.size)
    rest = rise_us - np.polyval(np.polyfit(number, rise_us, 1), number)
    truth_us = {
        "period jitter": period.std(ddof=1),
        "cycle-to-cycle jitter": np.sqrt(np.mean(change**2)),
        "time interval error": np.sqrt(rest @ rest / (rise_us.size - 2)),
    }
    for name, true_us in truth_us.items():
        assert told[name].value == pytest.approx(true_us, abs=0.003), name
    assert told["late frames"].value == 0
