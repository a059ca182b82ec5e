"""The three shapes of table: given these rows, these edges."""

import gzip

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pwmscope import PwmscopeError, load
from pwmscope.capture import Hints
from pwmscope.capture.text import read_table


def write(path, text):
    path.write_text(text)
    return path


def test_one_row_per_sample_gives_edges_at_the_sample_that_shows_them(tmp_path):
    rows = "".join(f"{k / 1e6:.6f},{int(100 <= k < 1600)}\n" for k in range(5000))
    capture = load(write(tmp_path / "a.csv", "time_s,RX1\n" + rows))
    assert capture.lines["RX1"].edges_ps.tolist() == [100_000_000, 1_600_000_000]
    assert capture.sample_interval_ps == 1e6
    assert capture.duration_ps == 4_999_000_000
    assert any("1 us apart (1 MS/s)" in sentence for sentence in capture.assumptions)


def test_one_row_per_change_keeps_every_listed_time_to_the_picosecond(tmp_path):
    text = "time_s,RX1,RX2\n0,0,1\n0.000000041667,1,1\n0.001500041667,0,0\n0.02,0,0\n"
    capture = load(write(tmp_path / "a.csv", text))
    assert capture.lines["RX1"].edges_ps.tolist() == [41_667, 1_500_041_667]
    assert capture.lines["RX2"].edges_ps.tolist() == [1_500_041_667]
    assert capture.lines["RX2"].initial_level == 1
    assert capture.duration_ps == 20_000_000_000
    assert capture.sample_interval_ps is None


def test_samples_without_time_are_placed_by_the_stated_rate(tmp_path):
    file = write(tmp_path / "a.csv", "RX1,RX2\n" + "0,1\n" * 3 + "1,1\n" * 4 + "0,0\n")
    capture = load(file, rate="24MHz")
    assert capture.lines["RX1"].edges_ps.tolist() == [125_000, 291_667]
    assert capture.lines["RX2"].edges_ps.tolist() == [291_667]
    assert capture.sample_interval_ps == pytest.approx(1e12 / 24e6)


def test_a_gzip_file_reads_like_the_plain_one(tmp_path):
    text = "time_s,RX1\n0,0\n0.001,1\n0.0025,0\n0.02,0\n"
    plain = load(write(tmp_path / "a.csv", text))
    packed = tmp_path / "a.csv.gz"
    packed.write_bytes(gzip.compress(text.encode()))
    assert load(packed).lines["RX1"].edges_ps.tolist() == plain.lines["RX1"].edges_ps.tolist()


@pytest.mark.parametrize(
    ("heading", "scale_ps"),
    [("time_s", 10**12), ("Time [ms]", 10**9), ("time(us)", 10**6), ("t_ns", 10**3), ("t ps", 1)],
)
def test_the_heading_states_the_unit_of_time(tmp_path, heading, scale_ps):
    text = f"{heading},RX1\n0,0\n3,1\n7,0\n9,0\n"
    capture = load(write(tmp_path / "a.csv", text))
    assert capture.lines["RX1"].edges_ps.tolist() == [3 * scale_ps, 7 * scale_ps]
    assert capture.duration_ps == 9 * scale_ps


def test_an_unstated_unit_is_taken_as_seconds_and_said(tmp_path):
    capture = load(write(tmp_path / "a.csv", "time,RX1\n0,0\n10,1\n30,0\n"))
    assert capture.duration_s == 30
    assert any("no unit is stated" in sentence for sentence in capture.assumptions)


@pytest.mark.parametrize("times", ["0 2 3.5", "0.0e0 2.0e0 3.5e0", "0 2000 3500.5"])
def test_a_few_rows_that_hold_a_servo_pulse_in_another_unit_need_theirs(tmp_path, times):
    """1.5 may be ms, and 1500 us, as well as seconds."""
    rows = zip(times.split(), "010", strict=True)
    text = "time,RX1\n" + "".join(f"{t},{v}\n" for t, v in rows)
    with pytest.raises(PwmscopeError, match=r"numbers have no unit\. Add `time_unit`"):
        load(write(tmp_path / "a.csv", text))


def test_a_few_rows_one_of_which_has_no_time_are_refused_by_that_row(tmp_path):
    with pytest.raises(PwmscopeError, match=r"row 3, column time: '\?'"):
        load(write(tmp_path / "a.csv", "time,RX1\n0,0\n?,1\n10,1\n30,0\n40,1\n"))


def test_a_first_row_with_a_cell_too_few_is_refused(tmp_path):
    """Found by fuzzing: the column that rises lies beyond the first row's end."""
    rows = "l00,23750\nRX1,42000,43600\nRX2,42500,44000\nRX1,22000,63650\nRX2,62500,64250\n"
    with pytest.raises(PwmscopeError):
        load(write(tmp_path / "a.csv", rows + "RX1,82000,83700\nRX2,82500,84500\n"))


def test_a_hint_wins_over_the_heading(tmp_path):
    capture = load(write(tmp_path / "a.csv", "time_s,RX1\n0,0\n1,1\n3,0\n"), time_unit="us")
    assert capture.duration_ps == 3_000_000


def test_a_hint_against_the_heading_is_refused_where_pulses_show_the_heading_right(tmp_path):
    rows = "".join(f"{20 * k + 5},1\n{20 * k + 6.5},0\n" for k in range(30))
    file = write(tmp_path / "a.csv", "time_ms,RX1\n0,0\n" + rows)
    with pytest.raises(
        PwmscopeError,
        match="column time_ms: the heading says ms, and only then do levels "
        "last like servo pulses; leave `time_unit` out",
    ):
        load(file, time_unit="us")
    wrong = write(tmp_path / "b.csv", "time_us,RX1\n0,0\n" + rows)
    said = [a for a in load(wrong, time_unit="ms").assumptions if a.what == "time unit"]
    assert said[0] == "Column 'time_us' is time in ms, as you said, though its heading says us."


def test_time_before_the_trigger_moves_the_origin_and_is_said(tmp_path):
    capture = load(write(tmp_path / "a.csv", "time_s,RX1\n-0.5,0\n-0.25,1\n0.5,0\n"))
    assert capture.lines["RX1"].edges_ps.tolist() == [250_000_000_000, 1_000_000_000_000]
    assert any("-0.5 s" in sentence for sentence in capture.assumptions)


def test_semicolons_comments_quotes_and_windows_line_ends(tmp_path):
    text = '# bench 3\r\n"time_ms";"RX 1"\r\n0;0\r\n1;1\r\n2.5;0\r\n20;0\r\n'
    capture = load(write(tmp_path / "a.csv", text))
    assert capture.lines["RX 1"].edges_ps.tolist() == [10**9, 2_500_000_000]


def test_without_a_header_the_columns_are_numbered_and_the_first_is_time(tmp_path):
    capture = load(write(tmp_path / "a.csv", "0.0,0,1\n0.1,1,1\n0.2,0,0\n"))
    assert list(capture.lines) == ["column2", "column3"]
    assert any("no header" in sentence for sentence in capture.assumptions)


def test_a_last_row_that_is_cut_short_is_left_out_and_said(tmp_path):
    capture = load(write(tmp_path / "a.csv", "time_s,RX1\n0,0\n1,1\n2,0\n2.5"))
    assert capture.lines["RX1"].edges_ps.size == 2
    assert any("cut short" in sentence for sentence in capture.assumptions)


def test_coarsely_printed_times_are_replaced_by_the_row_number(tmp_path):
    # 3 MS/s printed to the microsecond: steps of 0, 0 and 1 us in the file.
    rows = "".join(f"{k / 3e6:.6f},{int(30 <= k < 4530)}\n" for k in range(9001))
    capture = load(write(tmp_path / "a.csv", "time_s,RX1\n" + rows))
    assert capture.sample_interval_ps == pytest.approx(1e12 / 3e6, rel=1e-6)
    edges = capture.lines["RX1"].edges_ps
    assert edges[1] - edges[0] == pytest.approx(1_500_000_000, abs=1000)


def test_uneven_samples_are_said_and_take_the_longest_step_as_interval(tmp_path):
    times = [k * 1e-3 for k in range(60)] + [0.5 + k * 1e-3 for k in range(60)]
    rows = "".join(f"{t:.3f},{int(10 <= i < 40)}\n" for i, t in enumerate(times))
    capture = load(write(tmp_path / "a.csv", "time_s,RX1\n" + rows))
    assert capture.sample_interval_ps == pytest.approx(0.441e12)
    assert any("uneven" in s and "row 62" in s for s in capture.assumptions)


@given(
    levels=st.lists(st.tuples(st.integers(0, 1), st.integers(0, 1)), min_size=3, max_size=80),
    batch_rows=st.integers(1, 90),
)
def test_how_rows_are_cut_into_batches_has_no_effect(tmp_path_factory, levels, batch_rows):
    if len(set(levels)) == 1:
        levels = [*levels, (1 - levels[0][0], levels[0][1])]
    file = tmp_path_factory.mktemp("batch") / "a.csv"
    file.write_text("RX1,RX2\n" + "".join(f"{a},{b}\n" for a, b in levels))
    hints = Hints(rate_hz=1e6)
    whole, cut = read_table(file, hints), read_table(file, hints, batch_rows=batch_rows)
    for i, name in enumerate(("RX1", "RX2")):
        column = np.array([row[i] for row in levels])
        expected = (np.flatnonzero(np.diff(column)) + 1) * 1_000_000
        assert whole.lines[name].edges_ps.tolist() == expected.tolist()
        assert cut.lines[name].edges_ps.tolist() == expected.tolist()
        assert cut.lines[name].initial_level == column[0]
