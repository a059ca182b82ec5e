"""The spectrum of a channel's jitter: drawn where a rhythm stands out, and only there."""

import numpy as np

import pwmscope
from pwmscope.capture import Capture, Line
from pwmscope.findings.timing.rhythm import MAX_BANDS, find_lines
from pwmscope.plot import draw_channel, draw_jitter_spectra


def channel(swing_us, seconds=40, rate_hz=3.0):
    rng = np.random.default_rng(4)
    rise_us = 5_000 + 20_000 * np.arange(50 * seconds)
    width_us = 1500 + rng.normal(0.0, 0.5, rise_us.size)
    width_us += swing_us * np.sin(2.0 * np.pi * rate_hz * rise_us / 1e6)
    edges_us = np.stack([rise_us, rise_us + width_us], axis=1).ravel()
    line = Line("RX1", np.rint(edges_us * 1e6).astype(np.int64), 0)
    capture = Capture({"RX1": line}, seconds * 10**12, 1.0, "made")
    return pwmscope.examine(capture), capture


def test_a_rhythm_of_3_hz_is_drawn_with_its_numbers():
    found, capture = channel(2.0)
    (picture,) = draw_jitter_spectra(found.channels["RX1"])
    assert picture.name == "width-spectrum"
    assert "3.00 Hz, 2.0" in picture.svg
    assert "2.0" in picture.alt
    assert "at 3.00 Hz" in picture.alt
    names = [drawn.name for drawn in draw_channel(found.channels["RX1"], capture)]
    assert names == ["first-frames", "width-over-time", "width-histogram", "width-spectrum"]


def test_noise_alone_draws_none():
    found, _ = channel(0.0)
    assert draw_jitter_spectra(found.channels["RX1"]) == ()


def test_the_bands_keep_the_largest_amplitude_of_a_long_record():
    """More bins than bands: the line must not vanish, nor lose its height."""
    frame = np.arange(20_000)
    values_us = np.sin(2.0 * np.pi * 3.0 * 0.02 * frame)
    values_us += np.random.default_rng(1).normal(0.0, 0.2, frame.size)
    found = find_lines(frame, 0.02 * frame, values_us)
    spectrum = found.spectrum
    assert spectrum.frequency_hz.size <= MAX_BANDS
    top = int(spectrum.amplitude_us.argmax())
    assert abs(spectrum.frequency_hz[top] - 3.0) < 25.0 / MAX_BANDS
    assert abs(spectrum.amplitude_us[top] - 1.0) < 0.02
