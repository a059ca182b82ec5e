"""A sample rate that cannot be right: given frames that fit a servo only at another one."""

import numpy as np
import pytest

from pwmscope.capture import PS_PER_US, Capture, Line
from pwmscope.pulses import STANDARD_SERVO, decode


def recorded(lines_us, scale, *, interval_us=0.5, frames=100, period_us=20_000.0):
    """Lines of widths in microseconds whose times were read ``scale`` times too short."""
    lines = {}
    for name, widths_us in lines_us.items():
        widths = np.resize(np.asarray(widths_us, float), frames)
        start_us = 4_000.0 + period_us * np.arange(frames)
        edges_us = np.stack([start_us, start_us + widths], axis=1).ravel() / scale
        lines[name] = Line(name, np.rint(edges_us * PS_PER_US).astype(np.int64), 0)
    duration_ps = int(frames * period_us / scale) * PS_PER_US
    interval_ps = None if interval_us is None else interval_us * PS_PER_US
    return Capture(lines, duration_ps, interval_ps, "test")


@pytest.mark.parametrize("scale", [2.0, 2.5, 4.0, 5.0, 0.5, 0.4, 0.25, 0.1])
def test_the_likely_rate_is_named_on_every_line(scale):
    lines = {"RX1": [1500], "RX2": np.linspace(1000, 2000, 60), "RX3": [1000]}
    for table in decode(recorded(lines, scale)).values():
        assert table.time_scale == scale
        assert table.likely_rate_hz == pytest.approx(2e6 / scale)
        assert sum("Check the sample rate." in note for note in table.notes) == 1


def test_frames_of_750_us_a_hundred_a_second():
    table = decode(recorded({"RX1": [1500]}, 2.0, interval_us=1.0))["RX1"]
    assert np.median(table.width_us) == 750.0
    assert table.likely_rate_hz == 500_000.0
    assert "at 500 kS/s instead of 1 MS/s (2 times as long)" in table.notes[-1]


def test_without_a_known_rate_the_times_are_doubted_all_the_same():
    table = decode(recorded({"RX1": [1500]}, 4.0, interval_us=None))["RX1"]
    assert (table.time_scale, table.likely_rate_hz) == (4.0, None)


@pytest.mark.parametrize(
    ("lines", "period_us"),
    [
        ({"RX1": [1500], "RX2": [1000], "RX3": [2000]}, 20_000.0),
        ({"RX1": [900]}, 10_000.0),  # a weapon that rests below its low end
        ({"RX1": np.linspace(800, 2200, 90)}, 14_000.0),
        ({"RX1": [1500], "RX2": [750]}, 10_000.0),  # one line fits as it stands
        ({"RX1": [187.5]}, 1_000.0),  # a shorter convention
        ({"RX1": [62.5]}, 500.0),
        ({"RX1": [1500]}, 3_000.0),
        ({"RX1": [500], "RX2": [700]}, 1_000.0),  # no servo line at any rate
        ({"RX1": [10_000]}, 20_000.0),
    ],
)
def test_what_fits_as_it_stands_or_at_no_rate_is_not_doubted(lines, period_us):
    for table in decode(recorded(lines, 1.0, period_us=period_us)).values():
        assert table.time_scale is None


def test_few_pulses_are_not_doubted_but_a_stated_convention_is():
    few = recorded({"RX1": [1500]}, 2.0, frames=10)
    assert decode(few)["RX1"].time_scale is None
    stated = decode(recorded({"RX1": [1500]}, 2.0), STANDARD_SERVO)
    assert stated["RX1"].time_scale == 2.0
