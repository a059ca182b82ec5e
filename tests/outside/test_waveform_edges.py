"""Square waves of a general-purpose signal library, recorded and measured.

Source: ``scipy.signal.square`` (period and duty cycle as its documentation
defines them), sampled on an even time grid. A square wave of 50 Hz and duty
0.075 is a servo at neutral: 1500 us every 20 ms (common practice).
"""

import numpy as np
import polars as pl
import pytest
from scipy import signal

import pwmscope


def record(path, *, duty, frequency_hz, rate_hz, frames, delay_s):
    """Sample a delayed square wave into a CSV file with a time column in seconds."""
    time_s = np.arange(round(frames / frequency_hz * rate_hz)) / rate_hz
    wave = signal.square(2 * np.pi * frequency_hz * (time_s - delay_s), duty=duty)
    level = ((wave > 0) & (time_s >= delay_s)).astype(np.uint8)
    pl.DataFrame({"time_s": time_s, "RX1": level}).write_csv(path, float_precision=9)
    return pwmscope.load(path)


@pytest.mark.parametrize("rate_hz", [1_000_000, 312_500, 96_000])
@pytest.mark.parametrize(
    ("duty", "frequency_hz"),
    [(0.075, 50.0), (0.05, 50.0), (0.1, 50.0), (0.0615, 41.0), (0.3, 200.0)],
)
def test_width_and_period_are_those_of_the_wave(tmp_path, duty, frequency_hz, rate_hz):
    """scipy.signal.square: width is duty over frequency, period its inverse, to one sample."""
    frames, delay_s = 12, 0.0023457
    wave = {"duty": duty, "frequency_hz": frequency_hz, "delay_s": delay_s}
    capture = record(tmp_path / "square.csv", rate_hz=rate_hz, frames=frames, **wave)
    interval_us = 1e6 / rate_hz
    assert capture.sample_interval_us == pytest.approx(interval_us, rel=1e-9)
    table = pwmscope.decode(capture)["RX1"]
    assert not table.inverted
    assert len(table) == frames
    # An edge that falls on a sample may be shown by it or, rounded, by the next.
    most_us = interval_us * (1 + 1e-9) + 2e-6
    assert np.abs(table.width_us - 1e6 * duty / frequency_hz).max() <= most_us
    assert np.abs(table.period_us[:-1] - 1e6 / frequency_hz).max() <= most_us
    rises_s = delay_s + np.arange(frames) / frequency_hz
    assert np.abs(table.rise_s - rises_s).max() * 1e6 <= most_us


def test_a_neutral_servo_wave_is_found_at_neutral(tmp_path):
    """The whole analysis on 1500 us every 20 ms: frame period, rate and neutral."""
    capture = record(
        tmp_path / "neutral.csv",
        duty=0.075, frequency_hz=50.0, rate_hz=250_000, frames=100, delay_s=0.0023457,
    )  # fmt: skip
    channel = pwmscope.examine(capture).channels["RX1"]
    assert channel.timing.frame_rate_hz == pytest.approx(50.0, abs=0.001)
    assert channel.timing.missing_frames == 0
    assert abs(channel.travel.neutral_offset_us) <= 4.0
    assert channel.travel.outside_convention == 0
