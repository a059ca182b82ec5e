"""Frame faults: given this edge out of place, this dropped, late or extra frame."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pwmscope.capture import Line
from pwmscope.findings.timing.frame_faults import After, find_faults
from pwmscope.model import Span
from pwmscope.pulses import STANDARD_SERVO, decode_line, find_frames

PATTERNS = [(20_000.0,), (9_000.0, 13_000.0), (7_000.0, 7_000.0, 22_000.0)]
COUNT = 120


def starts(periods_us, count=COUNT, jitter_us=1.0):
    at_us = np.concatenate([[0.0], np.cumsum(np.resize(periods_us, count - 1))])
    return 5_000.0 + at_us + np.random.default_rng(1).normal(0.0, jitter_us, count)


def faults_of(start_us, losses=(), width_us=1_500.0):
    start_us = np.sort(start_us)
    edges_ps = np.rint(np.stack([start_us, start_us + width_us], axis=1).ravel()).astype(np.int64)
    edges_ps *= 10**6
    line = Line("RX1", edges_ps, 0)
    table = decode_line(line, int(edges_ps[-1]) + 10**10, 1.0, STANDARD_SERVO)
    return find_faults(table, find_frames(table), losses)


def nothing_but(faults, **counts):
    found = {
        "dropped": faults.dropped,
        "late": faults.late_row.size,
        "extra": faults.extra_row.size,
    }
    return found == {"dropped": 0, "late": 0, "extra": 0, **counts} and not faults.is_irregular


@pytest.mark.parametrize("periods_us", PATTERNS)
class TestInEveryPattern:
    def test_frames_in_time_are_no_fault(self, periods_us):
        assert nothing_but(faults_of(starts(periods_us)))

    def test_dropped_frames_are_counted_gap_by_gap(self, periods_us):
        faults = faults_of(np.delete(starts(periods_us), [10, 40, 41, 80]))
        assert nothing_but(faults, dropped=4)
        assert faults.dropped_count.tolist() == [1, 2, 1]
        assert faults.dropped_from.tolist() == [9, 38, 76]

    def test_dropped_frames_at_the_very_start_and_end(self, periods_us):
        faults = faults_of(np.delete(starts(periods_us), [1, 2, COUNT - 2]))
        assert nothing_but(faults, dropped=3)

    @pytest.mark.parametrize("late_us", [3_000.0, -3_000.0, 300.0])
    def test_a_late_or_early_frame_that_returns(self, periods_us, late_us):
        start_us = starts(periods_us)
        start_us[20] += late_us
        faults = faults_of(start_us)
        assert nothing_but(faults, late=1)
        assert faults.late_row.tolist() == [20]
        assert faults.late_us[0] == pytest.approx(late_us, abs=10)
        assert faults.late_after.tolist() == [After.RETURNED]

    def test_a_clock_that_stays_shifted(self, periods_us):
        start_us = starts(periods_us)
        start_us[30:] += 2_500.0
        faults = faults_of(start_us)
        assert nothing_but(faults, late=1)
        assert faults.late_us[0] == pytest.approx(2_500, abs=10)
        assert faults.late_after.tolist() == [After.STAYED]
        assert faults.late_row[0] in range(30, 33)  # the first of the pattern that tells

    def test_extra_pulses_do_not_move_the_clock(self, periods_us):
        start_us = starts(periods_us)
        faults = faults_of(np.append(start_us, [start_us[33] + 3_500, start_us[50] + 4_000]))
        assert nothing_but(faults, extra=2)
        assert faults.extra_row.tolist() == [34, 52]

    def test_extra_pulses_in_frames_that_follow_one_another(self, periods_us):
        start_us = starts(periods_us)
        faults = faults_of(np.append(start_us, [start_us[33] + 2_600, start_us[34] + 3_000]))
        assert nothing_but(faults, extra=2)

    def test_all_faults_in_one_recording(self, periods_us):
        start_us = starts(periods_us)
        start_us[70] += 2_500.0
        start_us[90:] += 2_500.0
        faults = faults_of(np.append(np.delete(start_us, 10), start_us[50] + 2_800))
        assert nothing_but(faults, dropped=1, late=2, extra=1)
        assert faults.late_after.tolist() == [After.RETURNED, After.STAYED]

    def test_a_last_frame_out_of_time_tells_nothing_of_the_clock(self, periods_us):
        start_us = starts(periods_us)
        start_us[-1] += 2_000.0
        faults = faults_of(start_us)
        assert nothing_but(faults, late=1)
        assert faults.late_row.tolist() == [COUNT - 1]
        assert faults.late_after.tolist() == [After.UNKNOWN]

    def test_a_first_frame_out_of_time(self, periods_us):
        start_us = starts(periods_us)
        start_us[0] += 2_000.0
        faults = faults_of(start_us)
        assert nothing_but(faults, late=1)
        assert faults.late_us[0] == pytest.approx(2_000, abs=10)

    def test_what_happens_in_a_loss_span_counts_in_nothing(self, periods_us):
        start_us = starts(periods_us)
        lost = Span(start_us[39] / 1e6, start_us[62] / 1e6)
        start_us[50] += 2_500.0
        faults = faults_of(np.delete(start_us, [45, 46]), (lost,))
        assert nothing_but(faults)


def test_a_frame_late_by_more_than_half_a_period_is_late_not_missing():
    start_us = starts((20_000.0,))
    start_us[20] += 12_000.0
    faults = faults_of(start_us)
    assert nothing_but(faults, late=1)
    assert faults.late_us[0] == pytest.approx(12_000, abs=10)


def test_a_change_of_rate_is_no_fault():
    slow = starts((20_000.0,), 60)
    faults = faults_of(np.concatenate([slow, slow[-1] + 9_000 + starts((14_000.0,), 60)]))
    assert nothing_but(faults)


def test_random_periods_have_gaps_but_no_late_or_extra_frames():
    rng = np.random.default_rng(4)
    faults = faults_of(np.cumsum(rng.uniform(5_000, 20_000, 400)))
    assert faults.is_irregular
    assert faults.dropped > 0
    assert not faults.late_row.size
    assert not faults.extra_row.size


@given(
    st.sampled_from(PATTERNS),
    st.lists(st.sampled_from(["dropped", "late", "extra"]), max_size=10),
    st.integers(9, 14),
)
def test_faults_apart_from_one_another_are_each_told(periods_us, kinds, apart):
    start_us = starts(periods_us, 200)
    places = {"dropped": [], "late": [], "extra": []}
    for k, kind in enumerate(kinds):
        places[kind].append(10 + apart * k)
    start_us[places["late"]] += 1_800.0
    added = start_us[places["extra"]] + 2_700.0
    faults = faults_of(np.append(np.delete(start_us, places["dropped"]), added))
    assert nothing_but(faults, **{kind: len(places[kind]) for kind in places})


@pytest.mark.parametrize("count", range(1, 6))
def test_few_frames_give_no_fault_and_no_warning(count):
    assert nothing_but(faults_of(starts((20_000.0,), count)))
