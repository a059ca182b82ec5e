"""Frames: given these leading edges, these patterns, these gaps."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pwmscope.capture import Line
from pwmscope.pulses import decode_line, find_frames
from pwmscope.pulses.frames import Pattern, closing_rows, describe, multiples, recognise
from pwmscope.pulses.table import excerpt

FAST, SLOW = 9_000.0, 13_000.0


def starts(periods_us, count, jitter_us=0.0, seed=1):
    """Leading edges of so many frames whose periods repeat."""
    at_us = np.concatenate([[0.0], np.cumsum(np.resize(periods_us, count - 1))])
    return 5_000.0 + at_us + np.random.default_rng(seed).normal(0.0, jitter_us, count)


def table_of(start_us, interval_us=1.0, width_us=1_500.0):
    edges_us = np.stack([np.sort(start_us), np.sort(start_us) + width_us], axis=1).ravel()
    edges_us = np.ceil(edges_us / interval_us) * interval_us
    edges_ps = np.rint(edges_us * 1e6).astype(np.int64)
    return decode_line(Line("RX1", edges_ps, 0), int(edges_ps[-1]) + 10**10, interval_us)


def frames_of(start_us, **more):
    return find_frames(table_of(start_us, **more))


def test_steady_frames_repeat_one_period():
    frames = frames_of(starts([20_000], 500, jitter_us=1.0))
    assert frames.is_steady
    assert frames.patterns[0].mean_us == pytest.approx(20_000, abs=0.01)
    assert frames.usual_us == 20_000
    assert not frames.odd.size
    assert not frames.is_gap.any()


@pytest.mark.parametrize(
    "periods_us",
    [
        (FAST, SLOW),
        (7_000.0, 22_000.0),
        (7_000.0, 14_000.0),
        (7_000.0, 7_000.0, 22_000.0),
        (7_000.0, 8_000.0, 9_000.0, 8_000.0, 7_000.0, 10_000.0, 7_500.0, 9_500.0),
        (5_000.0,) * 7 + (9_000.0,),
    ],
)
@pytest.mark.parametrize("jitter_us", [0.0, 20.0])
def test_periods_by_turns_are_a_pattern_without_missing_frames(periods_us, jitter_us):
    frames = frames_of(starts(periods_us, 400, jitter_us))
    (pattern,) = frames.patterns
    assert len(pattern) == len(periods_us)
    turned = [pattern.periods_us[k:] + pattern.periods_us[:k] for k in range(len(pattern))]
    tolerance_us = 1.0 + jitter_us / 2
    assert any(np.allclose(turn, periods_us, atol=tolerance_us, rtol=0) for turn in turned)
    assert frames.missing.sum() == 0
    assert not frames.odd.size
    assert frames.usual_us == pytest.approx(np.mean(periods_us), abs=tolerance_us)
    expected_us = np.array(pattern.periods_us)[frames.place]
    assert np.abs(frames.period_us - expected_us).max() < 1.0 + 8 * jitter_us


def test_a_dropped_frame_in_a_pattern_is_one_missing_frame():
    start_us = np.delete(starts((7_000.0, 22_000.0), 300, jitter_us=1.0), [50, 121, 200, 201])
    frames = frames_of(start_us)
    assert [round(p, -2) for p in frames.patterns[0].periods_us] == [7_000, 22_000]
    assert frames.missing.sum() == 4


def test_a_change_of_rate_is_two_patterns():
    slow = starts([20_000], 250, jitter_us=1.0)
    fast = starts([7_000], 300, jitter_us=1.0, seed=2)
    frames = frames_of(np.concatenate([slow, fast + slow[-1] + 3_000.0]))
    assert [round(pattern.mean_us, -1) for pattern in frames.patterns] == [20_000, 7_000]
    assert frames.usual_us == pytest.approx(7_000, abs=0.1)
    assert (np.diff(frames.pattern) != 0).sum() == 1
    assert frames.missing.sum() == 0


def test_a_short_stretch_at_another_rate_is_found_in_a_long_record():
    slow = starts([20_000], 5_000, jitter_us=1.0)
    fast = slow[-1] + starts([11_000], 20, jitter_us=1.0)
    again = fast[-1] + starts([20_000], 3_000, jitter_us=1.0)
    frames = frames_of(np.concatenate([slow, fast, again]))
    assert [round(pattern.mean_us, -1) for pattern in frames.patterns] == [20_000, 11_000]
    assert np.count_nonzero(frames.pattern == 1) in range(19, 22)


def test_half_the_rate_for_a_while_is_missing_frames_not_another_pattern():
    start_us = starts([20_000], 400)
    keep = np.ones(400, bool)
    keep[101:161:2] = False
    frames = frames_of(start_us[keep])
    assert frames.is_steady
    assert frames.missing.sum() == 30


@pytest.mark.parametrize("share", [0.02, 0.1, 0.3])
def test_scattered_missing_frames_leave_the_period(share):
    rng = np.random.default_rng(5)
    keep = rng.random(2_000) >= share
    keep[[0, -1]] = True
    frames = frames_of(starts([20_000], 2_000, jitter_us=2.0)[keep])
    assert frames.is_steady
    assert frames.patterns[0].mean_us == pytest.approx(20_000, abs=0.5)
    assert frames.missing.sum() == np.count_nonzero(~keep)


@pytest.mark.parametrize(
    ("period_us", "interval_us"), [(20_000.5, 1.0), (20_000.4, 1.0), (20_004.0, 10.0)]
)
def test_the_beat_of_frame_clock_and_sampling_is_no_pattern(period_us, interval_us):
    assert frames_of(starts([period_us], 500), interval_us=interval_us).is_steady


def test_random_periods_repeat_nothing():
    rng = np.random.default_rng(4)
    frames = frames_of(np.cumsum(rng.uniform(5_000, 20_000, 400)))
    assert 2 * frames.odd.size > frames.period_us.size


@pytest.mark.parametrize("count", range(6))
def test_few_frames_give_no_warning(count):
    start_us = starts([20_000], count) if count else np.array([])
    table = (
        table_of(start_us) if count else decode_line(Line("RX1", np.zeros(0, np.int64), 0), 10, 1.0)
    )
    frames = find_frames(table)
    assert frames.period_us.size == max(count - 1, 0)
    assert frames.usual_us == (20_000 if count > 1 else None)


def test_closing_rows_pass_over_glitches():
    edges_us = [5_000, 6_500, 9_000, 9_010, 25_000, 26_500, 45_000, 46_500]
    line = Line("RX1", np.array(edges_us, np.int64) * 10**6, 0)
    table = decode_line(line, 60 * 10**9, 1.0)
    frames = find_frames(table)
    assert frames.index.tolist() == [0, 2]
    assert closing_rows(table, frames, np.array([0, 1])).tolist() == [2, 3]


@given(
    st.lists(st.floats(3_000, 30_000), min_size=1, max_size=8),
    st.integers(0, 40),
    st.integers(0, 7),
)
def test_counting_undoes_elapsing(periods_us, count, place):
    pattern = Pattern(tuple(periods_us))
    start = np.array([place % len(pattern)])
    frames = np.array([count])
    elapsed_us = pattern.elapsed_us(frames, start)
    counted, late_us = pattern.count(elapsed_us, start)
    assert counted.tolist() == [count]
    assert abs(late_us[0]) < 1e-6
    assert pattern.reversed().reversed() == pattern


@given(st.lists(st.floats(100.0, 40_000.0), min_size=1, max_size=60), st.sampled_from([None, 1.0]))
def test_any_periods_are_recognised_somehow(periods_us, interval_us):
    found = recognise(np.array(periods_us), interval_us)
    assert found.which.size == found.place.size == len(periods_us)
    assert found.patterns
    regular = np.setdiff1d(np.arange(len(periods_us)), found.odd)
    for k in regular:
        pattern = found.patterns[found.which[k]]
        assert abs(periods_us[k] - pattern.periods_us[found.place[k]]) <= found.reach_us * 2


def test_patterns_in_words():
    assert describe((Pattern((20_000.0,)),)) == "20 ms"
    assert describe((Pattern((FAST, SLOW)),)) == "9 and 13 ms by turns"
    assert describe((Pattern((5_000.0,) * 3 + (9_000.0,)),)) == "5 (3 times) and 9 ms by turns"
    assert multiples(Pattern((FAST, SLOW))) == ()


def test_parts_of_a_long_record():
    values = np.arange(70_000)
    parts = excerpt(values)
    assert parts.shape == (64, 1024)
    assert parts[0, 0] == 0
    assert parts[-1, -1] == 69_999
    assert excerpt(values[:100]).shape == (1, 100)
