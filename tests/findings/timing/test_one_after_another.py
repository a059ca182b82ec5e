"""Bench notes: outputs one after another move with the widths before, not with the clock."""

import numpy as np
import pytest

import pwmscope

CLOCK = ("frame clock offset", "period jitter", "cycle-to-cycle jitter", "time interval error")


def receiver(*, sequential, seed=6, rate_hz=4e6):
    """Three outputs of one crystal, good to 0.4 us; the sticks move by some 400 us all the time."""
    rng = np.random.default_rng(seed)
    t_s = 0.018 * np.arange(1500)
    clock_us = 900.0 + 18_000.09 * np.arange(1500) + rng.normal(0, 0.4, 1500)
    lines, start_us = {}, clock_us
    for k, turn_s in enumerate((3.1, 4.7, 2.3)):
        swing = np.clip(1.4 * np.sin(2 * np.pi * t_s / turn_s), -1, 1)
        width_us = 1500.0 + 400.0 * swing + rng.normal(0, 0.3, 1500)
        edges_us = np.stack([start_us, start_us + width_us], axis=1).ravel()
        edges_ps = np.ceil(edges_us * rate_hz / 1e6).astype(np.int64) * round(1e12 / rate_hz)
        lines[f"RX{k + 1}"] = pwmscope.Line(f"RX{k + 1}", edges_ps, 0)
        start_us = start_us + width_us + 8.0 if sequential else clock_us + 30.0 * (k + 1)
    end_ps = max(int(line.edges_ps[-1]) for line in lines.values()) + 10**9
    return pwmscope.examine(pwmscope.Capture(lines, end_ps, 1e12 / rate_hz, "x"))


@pytest.mark.parametrize("line", ["RX2", "RX3"])
@pytest.mark.parametrize("name", CLOCK)
def test_a_later_output_is_told_its_receivers_clock(line, name):
    found = receiver(sequential=True)
    first, later = found["RX1"][name], found[line][name]
    assert later.value == first.value
    assert later.interval == first.interval
    assert "RX1" in later.sentence
    if later.unit == "us":
        assert later.value < 1.5  # its own edges move by some hundred microseconds


def test_outputs_side_by_side_have_each_their_own_edges_jitter():
    found = receiver(sequential=False)
    assert found["RX2"]["period jitter"].value < 1.0
    assert "RX1" not in found["RX2"]["period jitter"].sentence
