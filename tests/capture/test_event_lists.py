"""Lists of events and of pulses: where time 0 lies, what order they may have, what is refused."""

import numpy as np
import pytest

from pwmscope import PwmscopeError, load
from pwmscope.errors import CaptureError


def write(tmp_path, text):
    file = tmp_path / "a.csv"
    file.write_text(text)
    return file


def test_events_at_time_0_state_the_level_at_the_start(tmp_path):
    text = "time_s,line,level\n0,RX1,0\n0,RX2,1\n0.001,RX1,1\n0.0025,RX1,0\n0.003,RX2,0\n"
    capture = load(write(tmp_path, text))
    assert capture.lines["RX1"].edges_ps.tolist() == [10**9, 2_500_000_000]
    assert capture.lines["RX2"].initial_level == 1
    assert any("column 'line' names the line" in said for said in capture.assumptions)


def test_a_line_that_is_not_listed_at_the_start_had_the_other_level(tmp_path):
    text = "time_ms,signal,state\n3,RX1,high\n4.5,RX1,low\n5,RX2,low\n7,RX2,high\n"
    capture = load(write(tmp_path, text))
    assert [line.initial_level for line in capture.lines.values()] == [0, 1]
    assert capture.lines["RX1"].edges_ps.tolist() == [3 * 10**9, 4_500_000_000]


def test_a_row_that_repeats_the_level_is_no_edge(tmp_path):
    text = "time_ms,signal,state\n0,A,0\n1,A,0\n2,A,1\n3,A,1\n4,A,0\n9,A,0\n"
    capture = load(write(tmp_path, text))
    assert capture.lines["A"].edges_ps.tolist() == [2 * 10**9, 4 * 10**9]
    assert capture.duration_ps == 9 * 10**9


def test_lines_may_be_numbered(tmp_path):
    text = "time_ms,channel,level\n0,1,0\n0,2,0\n1,1,1\n2,2,1\n3,1,0\n"
    assert list(load(write(tmp_path, text)).lines) == ["1", "2"]


def test_a_wide_table_with_one_numbered_channel_is_no_list(tmp_path):
    text = "time_ms,channel 1,RX2\n0,0,0\n1,1,0\n2,1,1\n"
    assert list(load(write(tmp_path, text)).lines) == ["channel 1", "RX2"]


@pytest.mark.parametrize("first", ["-5", "5000", "2031-05-06 07:08:09"])
def test_a_first_event_far_from_the_files_time_0_still_counts_as_an_edge(tmp_path, first):
    later = "2031-05-06 07:08:09.5" if "-05-" in first else str(float(first) + 0.5)
    capture = load(write(tmp_path, f"time_s,line,level\n{first},A,1\n{later},A,0\n{later},B,0\n"))
    assert capture.lines["A"].edges_ps.tolist() == [10**9, 501 * 10**9]
    assert any("1 ms before the first row" in said for said in capture.assumptions)


def test_pulses_of_two_lines(tmp_path):
    text = "time_s,line,high_us\n0.003,RX1,1500\n0.0031,RX2,1200.5\n0.023,RX1,1501\n"
    capture = load(write(tmp_path, text))
    np.testing.assert_array_equal(
        capture.lines["RX1"].edges_ps, np.array([3000, 4500, 23_000, 24_501]) * 10**6
    )
    assert capture.lines["RX2"].edges_ps.tolist() == [3_100_000_000, 4_300_500_000]


def test_pulses_of_a_single_line_need_no_name(tmp_path):
    capture = load(write(tmp_path, "t_ms;width [us]\n3;1500\n23;1501\n43;1502\n"))
    assert capture.lines["line1"].edges_ps[:2].tolist() == [3 * 10**9, 4_500_000_000]


def test_a_duration_of_no_stated_unit(tmp_path):
    file = write(tmp_path, "time_ms,width\n3,1500\n23,1501\n")
    with pytest.raises(
        PwmscopeError, match=r"column width: the durations have no unit.*high_us.*`time_unit`"
    ):
        load(file)


def test_pulses_that_overlap(tmp_path):
    text = "time_ms,line,high_ms\n3,A,1.5\n4,B,1.5\n4.25,A,1.5\n"
    with pytest.raises(PwmscopeError, match="row 4: a pulse of line A begins 250 us before"):
        load(write(tmp_path, text))


def test_a_pulse_of_negative_length(tmp_path):
    text = "time_ms,line,high_ms\n3,A,1.5\n9,A,-1.5\n20,A,1\n"
    with pytest.raises(PwmscopeError, match=r"row 3: a pulse of line A lasts 1\.5 ms less"):
        load(write(tmp_path, text))


def test_time_of_one_line_going_backwards(tmp_path):
    text = "time_ms,line,level\n0,A,0\n2,A,1\n1,B,1\n1.5,A,0\n"
    with pytest.raises(PwmscopeError, match="row 5: the time of line A goes backwards by 500 us"):
        load(write(tmp_path, text))


def test_a_level_that_is_none_is_refused_with_its_row(tmp_path):
    text = "time_ms,line,level\n0,A,0\n2,A,1\n3,A,2\n4,A,0\n5,A,1\n"
    with pytest.raises(PwmscopeError, match="row 4, column level: the level is '2'"):
        load(write(tmp_path, text), lines="A")


@pytest.mark.parametrize(
    ("text", "last_us"),
    [
        ("time_us,line,level\n0,A,0\n10,A,1\n20,A,0\n30", 20),
        ("time_us,line,high_us\n10,A,5\n20,A,5\n30,A", 25),
        ("t_us A\n0 0\n10 1\n20 0\n30", 20),
        ("time_us,A\n0,L\n10,H\n20,L\n30,", 20),
        ("time_us,D\n0,0x0\n10,0x3\n20,0x0\n3", 20),
        ("time_us,A (V)\n0,0.1\n10,4.9\n20,4.9\n30,4.9\n40,0.1\n50", 35),
    ],
)
def test_a_last_row_that_is_cut_short_is_left_out_and_said(tmp_path, text, last_us):
    capture = load(write(tmp_path, text))
    assert any("cut short" in said for said in capture.assumptions)
    assert next(iter(capture.lines.values())).edges_ps[-1] == last_us * 10**6


def test_more_than_64_named_lines(tmp_path):
    rows = "".join(f"{k // 2},L{k % 70},{k // 70 % 2}\n" for k in range(210))
    with pytest.raises(PwmscopeError, match="at most 64 lines are read"):
        load(write(tmp_path, "time_ms,line,level\n" + rows))


@pytest.mark.parametrize("delimiter", [",", ";", " ", "\t"])
@pytest.mark.parametrize("word", ["0 1", "L H", "0x0 0x1"])
def test_blank_lines_are_no_rows(tmp_path, delimiter, word):
    low, high = word.split()
    rows = [(0, low), (1, high), (), (2, low), (7, low), (), ()]
    text = f"t_ms{delimiter}A\n" + "".join(delimiter.join(map(str, row)) + "\n" for row in rows)
    capture = load(write(tmp_path, text))
    assert next(iter(capture.lines.values())).edges_ps.tolist() == [10**9, 2 * 10**9]
    assert not any("cut short" in said for said in capture.assumptions)


def test_a_wrong_cell_below_a_blank_line_is_named_by_its_line_in_the_file(tmp_path):
    text = "t_ms,A\n0,0\n\n1,1\n2,maybe\n3,0\n"
    with pytest.raises(PwmscopeError, match=r"row 5, column A: the level is 'maybe'"):
        load(write(tmp_path, text))


def test_levels_of_all_lines_listed_at_one_time_are_levels_at_the_start_and_no_edges(tmp_path):
    rows = "86,A,0\n86,B,0\n90,A,1\n91.5,A,0\n96,B,1\n97.5,B,0\n"
    capture = load(write(tmp_path, "time_ms,line,level\n" + rows))
    assert capture.lines["A"].initial_level == 0
    assert capture.lines["A"].edges_ps.tolist() == [4 * 10**9, 5_500_000_000]
    assert any("It lists the levels at the start" in said for said in capture.assumptions)


def test_lines_that_all_rise_first_and_together_have_edges_there(tmp_path):
    rows = "3,A,1\n3,B,1\n4.5,A,0\n4.6,B,0\n23,A,1\n24.5,A,0\n"
    capture = load(write(tmp_path, "time_ms,line,level\n" + rows))
    assert capture.lines["B"].edges_ps.tolist() == [3 * 10**9, 4_600_000_000]


@pytest.mark.parametrize(("first_ms", "origin_ms"), [(500, 0), (0.9, 0), (7250, 7250)])
def test_an_only_line_that_is_first_listed_low_was_not_high_before(tmp_path, first_ms, origin_ms):
    """A line that was high for half a second before its first row would run a device."""
    rows = "".join(f"{first_ms + t},A,{level}\n" for t, level in ((0, 0), (4, 1), (5.5, 0)))
    capture = load(write(tmp_path, "time_ms,line,level\n" + rows))
    at_ps = round((first_ms - origin_ms) * 10**9)
    assert capture.lines["A"].initial_level == 0
    assert capture.lines["A"].edges_ps.tolist() == [at_ps + 4 * 10**9, at_ps + 5_500_000_000]
    assert any("level" in said and "at the start" in said for said in capture.assumptions)


@pytest.mark.parametrize(
    ("heading", "words", "first_level"),
    [
        ("edge", ("falling", "rising"), 1),
        ("state", ("fall", "rise"), 1),
        ("event", ("down", "up"), 1),
        ("edge", ("0", "1"), 1),
        ("state", ("down", "up"), 0),
        ("event", ("low", "high"), 0),
    ],
)
def test_an_only_line_that_first_falls_was_high_where_rows_are_edges(
    tmp_path, heading, words, first_level
):
    """A list of edges has no level at its start; a list of levels may begin with one."""
    rows = "".join(f"{t},A,{words[v]}\n" for t, v in ((500, 0), (504, 1), (505.5, 0)))
    capture = load(write(tmp_path, f"time_ms,line,{heading}\n" + rows))
    assert capture.lines["A"].initial_level == first_level
    assert capture.lines["A"].edges_ps.size == 2 + first_level


RUNS_US = {0: [4300, 1872, 18128, 1872, 18128, 1872, 9000], 1: [9788, 1852, 14812, 1856, 26864]}


@pytest.mark.parametrize("names", ["AB", "XY", "YX", "RL", "LR", "NS", "TB", "HF"])
@pytest.mark.parametrize("heading", ["line", "Channel", "signal"])
def test_a_line_called_like_a_level_or_a_time_is_still_a_line(tmp_path, names, heading):
    """Y and N, L and R, T and H are words for levels elsewhere; here they name lines."""
    rows = [
        f"{name},{place % 2},{lasts}"
        for name, runs in zip(names, RUNS_US.values(), strict=True)
        for place, lasts in enumerate(runs)
    ]
    file = tmp_path / "runs.csv"
    file.write_text("\n".join([f"{heading},level,duration_us", *rows]) + "\n")
    lines = load(file).lines
    assert list(lines) == list(names)
    for line, runs in zip(lines.values(), RUNS_US.values(), strict=True):
        assert line.edges_ps.tolist() == (np.cumsum(runs[:-1]) * 1_000_000).tolist()


def test_two_lines_and_a_length_are_two_lines_whatever_they_are_called(tmp_path):
    rows = "".join(f"{k // 2 % 2},{k % 2},{1000 + k % 7}\n" for k in range(40))
    file = tmp_path / "runs.csv"
    file.write_text(f"ch,gate,duration_us\n{rows}")
    assert list(load(file).lines) == ["ch", "gate"]


@pytest.mark.parametrize(("time", "step"), [("time_us", 1000), ("duration_us", 0)])
@pytest.mark.parametrize("names", ["RL", "HL", "TF"])
def test_names_that_are_words_for_levels_under_another_heading_are_refused(
    tmp_path, time, step, names
):
    file = tmp_path / "a.csv"
    rows = [f"{900 + step * k + k % 7},{names[k % 2]},{k // 2 % 2}" for k in range(60)]
    file.write_text("\n".join([f"{time},which,level", *rows]) + "\n")
    with pytest.raises(CaptureError, match=rf"row 2, column which: '{names[0]}' may be the name"):
        load(file)
    assert [*load(file, lines="which,level").lines] == ["which", "level"]
    file.write_text("\n".join([f"{time},line,level", *rows]) + "\n")
    assert {*load(file).lines} == {*names}


def test_two_lines_that_write_the_same_words_are_two_lines(tmp_path):
    file = tmp_path / "a.csv"
    rows = [f"{1000 * k},{'HL'[k % 2]},{'HL'[k // 2 % 2]}" for k in range(60)]
    file.write_text("\n".join(["time_us,which,level", *rows]) + "\n")
    assert [*load(file).lines] == ["which", "level"]


@pytest.mark.parametrize("levels", ["01", "LH"])
@pytest.mark.parametrize("others", ["", ",R"])
def test_a_line_called_t_in_a_list_of_runs_is_no_time(tmp_path, levels, others):
    file = tmp_path / "a.csv"
    rows = [f"{levels[k % 2]}{',01'[::2] if others else ''},{1500 + k % 7}" for k in range(60)]
    file.write_text("\n".join([f"T{others},duration_us", *rows]) + "\n")
    line = load(file).lines["T"]
    lengths = np.diff(line.edges_ps) // 10**6
    assert line.initial_level == 0
    assert lengths.tolist() == [1500 + k % 7 for k in range(1, 59)]


def test_a_t_that_only_rises_beside_lengths_may_be_a_time(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text("T,duration_us\n" + "".join(f"{k // 30},{1500 + k}\n" for k in range(60)))
    with pytest.raises(PwmscopeError, match="column T: these numbers have no unit"):
        load(file)
