"""PPM sum trains: given marks of a frame with a pause, one line per channel."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pwmscope import decode, examine
from pwmscope.capture import Capture, Line
from pwmscope.pulses import Flag, find_line_states, find_sum_train, split_sum_trains

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


def frames_of(*frames_us, mark_us=300.0, frame_us=FRAME_US):
    """Marks for frames of any number of widths, one frame each 22.5 ms."""
    marks = [4_000.0 + frame_us * n + np.cumsum([0, *w]) for n, w in enumerate(frames_us)]
    starts = np.concatenate(marks)
    edges = np.stack([starts, starts + mark_us], axis=1).ravel()
    return Line("PPM", np.rint(edges * 1e6).astype(np.int64), 0)


@pytest.mark.parametrize("foreign_us", [600.0, 720.0, 2300.0, 2450.0, 2600.0, 4000.0])
@pytest.mark.parametrize("at", [0, 2, 5])
def test_a_channel_outside_the_accepted_widths_costs_no_frame(foreign_us, at):
    """A receiver that holds full drive on the others must not be told that its pulses stop."""
    usual = [1500.0, 1600.0, 1900.0, 1500.0, 1500.0, 1500.0]
    odd = [*usual]
    odd[at] = foreign_us
    line = frames_of(*[usual] * 20, *[odd] * 15, *[usual] * 20)
    found = find_sum_train(line)
    assert (found.channels, found.frames, found.damaged) == (6, 53, 0)
    tables = list(decode(capture_of(line)).values())
    for k, table in enumerate(tables):
        assert len(table) == 53
        foreign = table.has(Flag.FOREIGN)
        assert foreign.sum() == (15 if k == at else 0)
        assert table.width_us[foreign] == pytest.approx(foreign_us)
        assert table.width_us[~foreign] == pytest.approx(usual[k])


def test_a_channel_that_is_always_outside_is_a_channel():
    line = frames_of(*[[1500.0, 2300.0, 1900.0, 700.0]] * 40)
    found = find_sum_train(line)
    assert (found.channels, found.frames, found.damaged) == (4, 38, 0)


def test_frames_with_another_number_of_channels_are_listed_with_span_and_reason():
    usual, fewer = [1500.0] * 8, [2000.0] * 6
    line = frames_of(*[usual] * 30, *[fewer] * 12, *[usual] * 5, [1500.0] * 9, *[usual] * 10)
    found = find_sum_train(line)
    assert (found.channels, found.damaged) == (8, 13)
    runs = [(d.frames, d.channels, d.usual_channels) for d in found.lines[0].damaged]
    assert runs == [(12, 6, 8), (1, 9, 8)]
    first = found.lines[0].damaged[0]
    assert first.start_s == pytest.approx((4_000 + 30 * FRAME_US) / 1e6)
    assert first.end_s == pytest.approx((4_000 + 41 * FRAME_US + 12_000) / 1e6)
    assert first.reason == "12 frames hold 6 channels instead of 8"
    for table in decode(capture_of(line)).values():
        assert table.damaged == found.lines[0].damaged
        # The frames that are missing in each channel lie in the spans that are listed.
        gaps = np.flatnonzero(np.diff(table.rise_s) > 1.5 * FRAME_US / 1e6)
        assert len(gaps) == 2
        for gap, damaged in zip(gaps, table.damaged, strict=True):
            assert table.rise_s[gap] < damaged.start_s < damaged.end_s < table.rise_s[gap + 1]


def test_a_channel_is_not_stuck_where_frames_could_not_be_read():
    usual, fewer = [1500.0] * 8, [2000.0] * 6
    line = frames_of(*[usual] * 80, *[fewer] * 60, *[usual] * 20)
    quiet = Line("PPM", line.edges_ps + 2 * 10**12 * (line.edges_ps > 3 * 10**12), 0)
    channel = split_sum_trains(capture_of(quiet)).lines["PPM ch1"]
    states = find_line_states(channel, 0.1, 5.4)
    assert [s.kind for s in states] == ["stuck low"]
    assert (states[0].since_s, states[0].until_s) == pytest.approx((3.0, 5.0), abs=0.2)


def test_a_train_of_whole_frames_lists_none():
    tables = decode(capture_of(train(np.full((20, 6), 1500.0))))
    assert all(table.damaged == () for table in tables.values())
