"""Lines that carry no servo pulses: each is told for what it looks like, without a warning."""

import numpy as np
import pytest

from pwmscope import examine
from pwmscope.capture import Capture, Line


def line(edges_us, level=0):
    edges = np.unique(np.rint(np.asarray(edges_us, dtype=float) * 1e6).astype(np.int64))
    return Line("L", edges, level)


def told(found_line, **others):
    lines = {"L": found_line, **others}
    return examine(Capture(lines, 10_100_000_000_000, 1e6, "test")).channels["L"]


def serial():
    return line(np.cumsum(np.random.default_rng(3).integers(1, 9, 20_000) * 8.68), 1)


@pytest.mark.parametrize(
    ("found_line", "words"),
    [
        (serial(), "Serial data or a clock do that"),
        (line(np.arange(1, 20_000) * 5.0), "levels last under 5 us"),
        (line([]), "no whole pulse"),
        (line([], 1), "no whole pulse"),
        (line([3e6]), "no whole pulse"),
        (line([1e6, 2e6, 3e6, 4e6]), "`marker='L'`"),
        (line([1e6, 1e6 + 1500]), "Only 1 whole servo pulse"),
        (line(np.arange(1, 200) * 40_000.0), "not 750 to 2250 us wide"),
        (line(np.arange(1, 40) * 50.0), "half of its 38 levels last under 50 us"),
    ],
)
def test_what_it_looks_like(found_line, words):
    channel = told(found_line)
    assert words in channel.not_servo
    assert channel.findings == ()
    assert channel.verdict.value == "not shown"


def test_a_receiver_that_starts_late_lost_nothing():
    rise = 5e6 + 20_000 * np.arange(250)
    channel = told(line(np.stack([rise, rise + 1500], axis=1).ravel()))
    assert channel.not_servo is None
    assert channel.losses.events == ()
