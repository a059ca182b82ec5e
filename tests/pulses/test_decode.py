"""Edges to pulses: given these edges, these widths, periods and flags."""

import numpy as np
import pytest

from pwmscope.capture import Capture, Line
from pwmscope.pulses import STANDARD_SERVO, UNMEASURED, Flag, decode, decode_line, find_frames


def table_of(edges_us, *, initial_level=0, end_us=None, interval_us=1.0):
    edges = (np.asarray(edges_us, dtype=float) * 1_000_000).astype(np.int64)
    end_ps = int((end_us or edges_us[-1] + 1000) * 1_000_000)
    return decode_line(Line("RX1", edges, initial_level), end_ps, interval_us)


def train(widths_us, period_us=20_000.0, first_us=5_000.0):
    rises = first_us + period_us * np.arange(len(widths_us))
    return np.stack([rises, rises + np.asarray(widths_us)], axis=1).ravel()


def names(table):
    return [Flag(int(f)) for f in table.flags]


def test_whole_pulses_have_width_and_period():
    table = table_of(train([1500, 1510, 1490]))
    assert table.width_us.tolist() == [1500, 1510, 1490]
    assert table.period_us[:2].tolist() == [20_000, 20_000]
    assert np.isnan(table.period_us[2])
    assert table.rise_s.tolist() == pytest.approx([0.005, 0.025, 0.045])
    assert names(table) == [Flag(0)] * 3
    assert table.measured.all()


def test_pulses_cut_by_the_start_and_the_end_are_flagged_and_not_measured():
    table = table_of([700, 20_000, 21_500, 40_000], initial_level=1, end_us=40_900)
    assert names(table) == [Flag.CUT, Flag(0), Flag.CUT]
    assert np.isnan(table.width_us[[0, 2]]).all()
    assert table.width_us[1] == 1500
    # The last pulse's leading edge was seen, so the period before it counts.
    assert np.isnan(table.period_us[0])
    assert table.period_us[1] == 20_000


def test_a_short_high_is_a_glitch_and_does_not_split_the_frame():
    edges = np.sort(np.concatenate([train([1500, 1500, 1500]), [12_000, 12_040]]))
    table = table_of(edges)
    assert names(table) == [Flag(0), Flag.GLITCH, Flag(0), Flag(0)]
    assert table.period_us[0] == 20_000
    assert np.isnan(table.period_us[1])


def test_a_notch_is_bridged_and_the_pulse_left_out():
    edges = np.sort(np.concatenate([train([1500, 1500, 1500]), [25_700, 25_705]]))
    table = table_of(edges)
    assert names(table) == [Flag(0), Flag.NOTCHED, Flag(0)]
    assert table.width_us[1] == 1500
    assert table.measured.tolist() == [True, False, True]
    # Its leading edge may be a glitch's, so no period rests on it.
    assert np.isnan(table.period_us).all()


def test_a_pulse_out_of_the_accepted_range_is_foreign():
    table = table_of(train([1500, 500, 1500, 3000, 1500]))
    assert names(table) == [
        Flag(0),
        Flag.FOREIGN | Flag.OUTSIDE,
        Flag(0),
        Flag.FOREIGN | Flag.OUTSIDE,
        Flag(0),
    ]
    assert table.period_us[0] == 40_000


@pytest.mark.parametrize(
    ("width_us", "is_outside"),
    [(998.9, True), (999.1, False), (1000, False), (2000, False), (2000.9, False), (2001.1, True)],
)
def test_outside_means_by_more_than_one_sample_interval(width_us, is_outside):
    table = table_of(train([1500, width_us, 1500]), interval_us=1.0)
    assert bool(table.has(Flag.OUTSIDE)[1]) is is_outside
    assert table.measured.all()


def test_a_line_that_idles_high_is_read_inverted_and_said():
    table = table_of(train([1500, 1600, 1400]), initial_level=1)
    assert table.inverted
    assert table.width_us.tolist() == [1500, 1600, 1400]
    assert "idles high" in table.notes[0]


def test_a_line_without_edges_has_no_pulses():
    capture = Capture({"RX1": Line("RX1", np.zeros(0, np.int64), 0)}, 10**12, 1e6, "test")
    table = decode(capture)["RX1"]
    assert len(table) == 0
    assert find_frames(table).usual_us is None


def test_a_line_stuck_high_is_one_cut_pulse():
    table = decode_line(Line("RX1", np.zeros(0, np.int64), 1), 10**12, 1.0)
    assert names(table) == [Flag.CUT]
    assert not table.measured.any()


def test_missing_frames_are_counted_in_the_gap():
    edges = np.concatenate([train([1500] * 5), train([1500] * 5, first_us=5_000 + 8 * 20_000)])
    frames = find_frames(table_of(edges))
    assert frames.usual_us == 20_000
    assert frames.missing.sum() == 3
    assert frames.is_gap.sum() == 1
    assert (frames.steady_us == 20_000).all()


def test_the_table_is_available_as_pandas_and_polars():
    table = table_of(train([1500, 1510]))
    assert table.to_pandas()["width_us"].tolist() == [1500, 1510]
    assert table.to_polars().columns == ["rise_s", "width_us", "period_us", "flags"]


def test_the_conventions_own_figures_are_consistent():
    c = STANDARD_SERVO
    assert c.glitch_us < c.accepted_low_us < c.low_us < c.neutral_us < c.high_us
    assert c.high_us < c.accepted_high_us
    assert c.period_low_us < c.period_us < c.period_high_us
    assert c.span_us == 1000


def test_an_outside_pulse_is_still_measured():
    assert not UNMEASURED & Flag.OUTSIDE


@pytest.mark.parametrize("seen_us", [5, 300, 2600])
def test_a_spike_or_a_stuck_line_cut_by_the_end_marks_no_frame(seen_us):
    edges = [*train([1500] * 5), 97_000]
    table = table_of(edges, end_us=97_000 + seen_us)
    assert names(table)[-1] == Flag.CUT
    assert np.nanmax(table.period_us) == np.nanmin(table.period_us) == 20_000
