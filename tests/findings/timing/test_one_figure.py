"""Bench notes: one jitter is one number wherever it is told, and a limit told is the limit held."""

import numpy as np
import pytest

import pwmscope


def recording(seconds, *, period_us=20_000.0, jitter_us=0.6, rate_hz=1e6, seed=8):
    rng = np.random.default_rng(seed)
    rise_us = 500.0 + period_us * np.arange(int(seconds * 1e6 / period_us) + 1)
    rise_us = rise_us + rng.normal(0, jitter_us, rise_us.size)
    width_us = 1500.3 + rng.normal(0, jitter_us, rise_us.size)
    edges_us = np.stack([rise_us, rise_us + width_us], axis=1).ravel()
    edges_ps = np.ceil(edges_us * rate_hz / 1e6).astype(np.int64) * round(1e12 / rate_hz)
    line = pwmscope.Line("RX1", edges_ps, 0)
    return pwmscope.Capture({"RX1": line}, int(edges_ps[-1]) + 10**9, 1e12 / rate_hz, "x")


def test_the_jitter_in_the_table_is_that_of_the_finding():
    channel = pwmscope.examine(recording(20.0)).channels["RX1"]
    timing = channel.timing
    assert timing.own_width_jitter_us.rms == channel["width jitter"].value
    assert timing.own_period_jitter_us.rms == channel["period jitter"].value
    # The readings' own scatter holds the sampling too and is another, larger figure.
    assert timing.width_jitter_us.rms > channel["width jitter"].value


@pytest.mark.parametrize(("seconds", "is_told"), [(29.98, True), (30.0, True), (29.0, False)])
def test_a_recording_of_the_length_asked_for_is_long_enough(seconds, is_told):
    """1500 frames of 20 ms last 29.98 s from the first edge to the last."""
    found = pwmscope.examine(recording(seconds)).channels["RX1"]["frame clock stability"]
    assert (found.value is not None or found.interval is not None) is is_told, found.sentence


def test_the_mean_period_is_known_by_its_two_outermost_edges():
    """The sum of the periods telescopes: u = Ts / (sqrt(6) n), beside the clock's 100 ppm."""
    channel = pwmscope.examine(recording(20.0)).channels["RX1"]
    period = channel["frame period"]
    own_us = 1.0 / (6**0.5 * 1000)
    clock_us = 1e-4 * 20_000.0 / 3**0.5
    assert period.uncertainty * 1000.0 == pytest.approx(np.hypot(own_us, clock_us), rel=1e-3) or (
        period.uncertainty == pytest.approx(np.hypot(own_us, clock_us), rel=1e-3)
    )
    low, high = period.interval
    scale = 1000.0 if period.unit == "ms" else 1.0
    # A rectangle's 95 % are 0.95 of its bound, never beyond it as k = 2 would be.
    assert (high - low) / 2 * scale == pytest.approx(0.95 * 2.0, rel=0.01)
