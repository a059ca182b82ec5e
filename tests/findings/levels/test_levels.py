"""Bench notes: a voltage of known level, dips, slope and sag is read so."""

import numpy as np
import polars as pl
import pytest

import pwmscope
from pwmscope.capture import Hints, clip
from pwmscope.capture.columnar import read_columnar

NAMES = ("high level", "lowest high level", "rise time", "sag of the high level")


FRAME = 20_000
"""Samples of 1 us in a frame; its pulse is over within the first 3000."""


def voltage(*, seconds=2.0, high_v=3.3, rise_us=0.0, sag_v=0.0, noise_v=0.0, seed=4):
    """A receiver's output: a straight slope of ``rise_us`` in all, a high level that sags."""
    frames = np.arange(round(seconds * 1e6 / FRAME))[:, None]
    at_us = np.arange(3000.0)
    since_us = at_us - 300.0 - 137.3 * np.sin(frames)
    up = np.clip(since_us / max(rise_us, 1e-6), 0.0, 1.0)
    up -= np.clip((since_us - 1500.0) / 0.5, 0.0, 1.0)
    part = (FRAME * frames + at_us) / (FRAME * frames.size - 1)
    volts = np.zeros((frames.size, FRAME))
    volts[:, :3000] = up * (high_v - sag_v * part)
    if noise_v:
        volts += noise_v * np.random.default_rng(seed).standard_normal(volts.shape, np.float32)
    return volts.ravel()


@pytest.fixture
def load(tmp_path):
    """Write a voltage as a table of samples at 1 MS/s and read it."""

    def written(volts, **more):
        path = tmp_path / "voltage.parquet"
        pl.DataFrame({"RX1": volts}).write_parquet(path, compression="uncompressed")
        return read_columnar(path, Hints(rate_hz=1e6), **more)

    return written


@pytest.fixture
def told(load):
    def examined(volts):
        channel = pwmscope.examine(load(volts)).channels["RX1"]
        return {one.name: one for one in channel.findings if one.name in NAMES}

    return examined


def test_level_rise_and_sag_are_those_of_the_voltage(told):
    found = told(voltage(rise_us=20.0, sag_v=0.4, noise_v=0.01))
    assert found["high level"].value == pytest.approx(3.1, abs=0.005)
    assert found["rise time"].value == pytest.approx(16.0, abs=0.6)  # 80 % of a straight slope
    # Parts lie half a part inside the ends: 15/16 of the sag.
    low_v, high_v = found["sag of the high level"].interval
    assert low_v < 0.4 * 15 / 16 < high_v
    assert "fell by 0.37" in found["sag of the high level"].sentence
    assert all(one.verdict is None and one.limit == "" for one in found.values())


def test_a_steady_voltage_shows_no_sag_and_a_jump_no_rise_time(told):
    found = told(voltage(noise_v=0.02))
    assert found["sag of the high level"].interval[0] == 0.0
    assert found["sag of the high level"].sentence.startswith("No sag of the high level is shown")
    assert found["rise time"].value is None
    assert "two sample intervals" in found["rise time"].sentence


def test_a_single_dip_is_the_lowest_high_level_and_is_placed(told):
    volts = voltage()
    dip = int(1.0e6 + 300 + 700)
    assert volts[dip] == pytest.approx(3.3)
    volts[dip : dip + 20] = 2.2
    lowest = told(volts)["lowest high level"]
    assert lowest.value == pytest.approx(2.2)
    assert lowest.evidence[0].start_s == pytest.approx(1.0003, abs=2e-4)


def test_a_slow_slope_alone_is_no_low_high(told):
    """On the way up 90 % and less are passed; that is the rise, not the state."""
    assert told(voltage(rise_us=100.0))["lowest high level"].value >= 0.98 * 3.3


def test_a_digital_line_has_no_such_findings(told):
    assert told((voltage() > 1.65).astype(np.int8)) == {}


def test_how_the_file_is_cut_into_batches_changes_nothing(load):
    volts = voltage(seconds=0.6, rise_us=30.0, noise_v=0.02)
    whole, parts = (load(volts, batch_rows=rows).lines["RX1"].plateaus for rows in (None, 997))
    assert whole.begin_ps.size == 30
    for name in ("begin_ps", "lasts_ps", "level_v", "lowest_v", "rise_ps"):
        np.testing.assert_array_equal(getattr(whole, name), getattr(parts, name))


def test_a_part_cut_out_keeps_the_high_states_inside_it(load):
    part = clip(load(voltage(seconds=1.0)), 0.2, 0.6)
    assert part.lines["RX1"].plateaus.begin_ps.size == part.lines["RX1"].rises_ps().size == 20


def test_too_few_pulses_say_how_many_are_needed(told):
    found = told(voltage(seconds=0.24))
    assert all(one.value is None for one in found.values())
    assert "Record at least 16 pulses." in found["high level"].sentence
