"""Given marks of known instants, their speed, bounces and gaps are told."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pwmscope.capture import Line
from pwmscope.findings.sensors import below_per_minute, count_speeds, fall_below, find_marks

PS = 10**12


def line_of(at_s, high_s=1e-4, extra_s=()):
    at_s, extra_s = np.asarray(at_s), np.asarray(extra_s)
    edges = np.concatenate([at_s, at_s + high_s, extra_s, extra_s + 1e-5])
    return Line("D6", np.sort(np.rint(edges * PS).astype(np.int64)), 0)


def even(per_second, seconds=2.0, start_s=0.01):
    return start_s + np.arange(int(per_second * seconds)) / per_second


def test_an_even_speed_is_counted_over_whole_turns():
    marks = find_marks(line_of(even(600.0)), "rising", 1e6)
    speeds = count_speeds(marks, 6)
    assert 60.0 * speeds.hz == pytest.approx(6000.0, rel=1e-6)
    assert np.all(speeds.turns == np.round(speeds.turns))
    # u(t) = 1 us / sqrt(6) over 0.1 s, and the clock's 100 ppm / sqrt(3) (JCGM 100, 4.3.7).
    expected = 100.0 * np.hypot(1e-6 / 0.1 / np.sqrt(6.0), 1e-4 / np.sqrt(3.0))
    assert speeds.u_hz == pytest.approx(expected, rel=0.02)


def test_marks_out_of_place_do_not_count_over_whole_turns():
    at_s = even(60.0, 3.0).reshape(-1, 3) + np.array([0.0, 2e-3, -1e-3])
    speeds = count_speeds(find_marks(line_of(at_s.ravel()), "rising", 1e6), 3)
    assert 60.0 * speeds.hz == pytest.approx(1200.0, rel=1e-6)


def test_a_bounce_is_no_mark():
    at_s = even(100.0)
    marks = find_marks(line_of(at_s, extra_s=at_s[5::7] + 6e-4), "rising", 1e6)
    assert len(marks) == at_s.size
    assert marks.bounced == at_s[5::7].size
    assert marks.skipped == 0


def test_a_bounce_at_every_mark_is_no_mark():
    at_s = even(100.0)
    marks = find_marks(line_of(at_s, extra_s=at_s + 6e-4), "rising", 1e6)
    assert abs(len(marks) - at_s.size) <= 2
    assert count_speeds(marks, 1).hz[2:-2] == pytest.approx(100.0, rel=0.02)


def test_a_mark_that_was_not_seen_is_counted_all_the_same():
    at_s = np.delete(even(100.0), [40, 80, 81])
    marks = find_marks(line_of(at_s), "rising", 1e6)
    assert marks.skipped == 3
    assert marks.number[-1] == 199
    assert count_speeds(marks, 1).hz == pytest.approx(100.0, rel=1e-6)


def test_the_falling_edge_is_the_mark_where_the_sheet_says_so():
    at_s = even(50.0)
    marks = find_marks(line_of(at_s, high_s=3e-3), "falling", 1e6)
    assert marks.seconds(0, 3) == pytest.approx(at_s[:3] + 3e-3)


def test_no_mark_for_so_long_bounds_the_speed():
    assert below_per_minute(0.4, 1) == pytest.approx(150.0)
    assert below_per_minute(0.4, 6) == pytest.approx(25.0)


@given(
    speed=st.floats(8.0, 60.0), rate=st.floats(2.0, 60.0), per_turn=st.integers(1, 12),
    phase=st.floats(0.0, 0.99),
)  # fmt: skip
def test_constant_friction_is_below_the_stated_speed_within_a_mark(speed, rate, per_turn, phase):
    """Coulomb friction: n = n0 - a t, turned n0 t - a t^2 / 2 (elementary mechanics)."""
    slow = 3.0
    count = int(per_turn * speed**2 / (2 * rate) - phase)
    turns = (np.arange(-20, max(count, 0)) + phase) / per_turn
    left = np.maximum(speed**2 - 2 * rate * np.maximum(turns, 0.0), 0.0)
    at_s = 5.0 + np.where(turns < 0, turns / speed, (speed - np.sqrt(left)) / rate)
    marks = find_marks(line_of(at_s, high_s=1e-5), "rising", 1.0)
    end_s = 5.0 + speed / rate + 2.0
    found = fall_below(marks, per_turn, slow, 5.0, end_s)
    truth_s = 5.0 + (speed - slow) / rate
    pitch_s = 1.0 / (per_turn * slow)
    assert found is not None
    assert found.most_s >= truth_s - pitch_s
    assert found.least_s <= truth_s + 2 * pitch_s
    assert found.most_s - found.least_s < 4 * pitch_s
