"""PPM sum trains: given marks of a frame with a pause, one line per channel."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pwmscope import decode, examine
from pwmscope.capture import Capture, Line
from pwmscope.pulses.sum_train import find_sum_train, split_sum_trains

FRAME_US = 22_500.0


def train(widths_us, *, mark_us=300.0, low=False, first_us=4_000.0):
    """Marks for frames of widths, shape (frames, channels)."""
    widths_us = np.asarray(widths_us, dtype=float)
    starts = first_us + FRAME_US * np.arange(widths_us.shape[0])
    offsets = np.concatenate([np.zeros((widths_us.shape[0], 1)), np.cumsum(widths_us, axis=1)], 1)
    marks = (starts[:, None] + offsets).ravel()
    edges = np.stack([marks, marks + mark_us], axis=1).ravel()
    return Line("PPM", np.rint(edges * 1e6).astype(np.int64), int(low))


def capture_of(line):
    return Capture({"PPM": line}, int(line.edges_ps[-1]) + 10**10, 1e6, "test")


@pytest.mark.parametrize("low", [False, True])
@pytest.mark.parametrize("channels", [2, 4, 8])
def test_every_channel_gets_its_own_widths(channels, low):
    widths = np.random.default_rng(3).uniform(1000, 2000, (60, channels))
    found = find_sum_train(train(widths, low=low))
    assert (found.channels, found.marks_are_low, found.damaged) == (channels, low, 0)
    tables = decode(capture_of(train(widths, low=low)))
    assert list(tables) == [f"PPM ch{k + 1}" for k in range(channels)]
    for k, table in enumerate(tables.values()):
        # The first frame is whole only after a pause was seen; the last lacks its pause.
        assert table.width_us == pytest.approx(widths[1:-1, k], abs=1e-5)
        assert table.period_us[:-1] == pytest.approx(
            np.diff(FRAME_US * np.arange(58)) + np.diff(widths[1:-1, :k].sum(axis=1)), abs=1e-5
        )


def test_the_split_is_said():
    split = split_sum_trains(capture_of(train(np.full((20, 6), 1500.0))))
    assert "PPM sum train of 6 channels" in split.assumptions[-1]
    assert split_sum_trains(split) is split


@pytest.mark.parametrize("width_us", [1200.0, 1000.0])  # two of 1000 us pass for one of 2000
def test_a_frame_that_lost_a_mark_is_left_out_and_counted(width_us):
    line = train(np.full((30, 5), width_us))
    mark = 2 * (6 * 10 + 3)  # the fourth mark of the eleventh frame
    damaged = Line("PPM", np.delete(line.edges_ps, [mark, mark + 1]), 0)
    found = find_sum_train(damaged)
    assert (found.channels, found.damaged) == (5, 1)
    assert found.frames == 27


def test_servo_pulses_are_no_sum_train():
    for period_us in (2_500, 5_000, 20_000):
        rise = 1000 + period_us * np.arange(200)
        width = 1500 + 400 * np.sin(np.arange(200) / 7)
        edges = np.stack([rise, rise + width], axis=1).ravel()
        for level in (0, 1):
            assert find_sum_train(Line("RX1", np.rint(edges * 1e6).astype(np.int64), level)) is None


def test_serial_data_are_no_sum_train():
    edges = np.cumsum(np.random.default_rng(5).integers(1, 9, 4000)) * 8_680_555
    assert find_sum_train(Line("TX", edges, 1)) is None


def test_findings_name_the_channels():
    widths = np.full((200, 4), 1500.0) + np.array([0, 10, -10, 400.0])
    found = examine(capture_of(train(widths)))
    offsets = [c.travel.neutral_offset_us for c in found.channels.values()]
    assert offsets[:3] == pytest.approx([0, 10, -10], abs=1e-3)
    assert any("sum train" in sentence for sentence in found.assumptions)
    assert list(found.capture.lines) == list(found.channels)


@given(
    frames=st.integers(4, 12),
    channels=st.integers(2, 10),
    mark_us=st.floats(200, 500),
    low=st.booleans(),
    seed=st.integers(0, 2**32 - 1),
)
def test_any_train_comes_apart(frames, channels, mark_us, low, seed):
    widths = np.random.default_rng(seed).uniform(1000, 1950, (frames, channels))
    widths = np.rint(widths)
    found = find_sum_train(train(widths, mark_us=mark_us, low=low))
    assert found.channels == channels
    for k, line in enumerate(found.lines):
        assert np.diff(line.edges_ps)[::2] / 1e6 == pytest.approx(widths[1:-1, k])
