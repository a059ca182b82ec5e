"""Where the head of a file allows several readings, the hint that settles it is named."""

import pytest

from pwmscope import PwmscopeError, load


def write(tmp_path, text):
    file = tmp_path / "a.csv"
    file.write_text(text)
    return file


def samples(heading, times):
    return f"{heading},RX1\n" + "".join(f"{t},{int(5 < i < 9)}\n" for i, t in enumerate(times))


def test_two_columns_headed_as_time(tmp_path):
    """Where they tell other times one must be named; where they tell the same, either will do."""
    file = write(tmp_path, "time_s,t_ms,RX1\n0,0,0\n10,10000,1\n30,30000,0\n")
    assert any("tell the same times" in said for said in load(file).assumptions)
    file = write(tmp_path, "time_s,t_ms,RX1\n0,0,0\n1,1000,1\n3,3000,0\n")
    with pytest.raises(PwmscopeError, match=r"time_s and t_ms\); name one of them with `time_col"):
        load(file)
    capture = load(file, time_column="t_ms")
    assert list(capture.lines) == ["RX1"]
    assert capture.duration_s == 3
    assert any("'time_s'" in said and "left out" in said for said in capture.assumptions)


def test_two_rising_columns_without_header(tmp_path):
    file = write(tmp_path, "".join(f"{k},{0.1 * k:.1f},{k % 2}\n" for k in range(9)))
    with pytest.raises(PwmscopeError, match=r"column1 and column2\).*`time_column`"):
        load(file)
    with pytest.raises(PwmscopeError, match="no column 'seconds' for `time_column`"):
        load(file, time_column="seconds")
    assert load(file, time_column="column2", lines="column3").duration_ps == 800_000_000_000


def test_whole_numbers_of_no_stated_unit(tmp_path):
    file = write(tmp_path, samples("time", range(40)))
    with pytest.raises(
        PwmscopeError, match=r"column time: these whole numbers have no unit\. Add `time_unit`"
    ):
        load(file)
    assert load(file, time_unit="ns").lines["RX1"].edges_ps.tolist() == [6000, 9000]
    assert load(file, rate="1MHz").lines["RX1"].edges_ps.tolist() == [6_000_000, 9_000_000]


def test_an_unstated_unit_is_seen_in_the_length_of_pulses_and_said(tmp_path):
    rows = "".join(f"{20_000 * k},1\n{20_000 * k + 1500 + k},0\n" for k in range(1, 20))
    capture = load(write(tmp_path, "time,RX1\n0,0\n" + rows))
    assert capture.lines["RX1"].edges_ps[:2].tolist() == [20_000_000_000, 21_501_000_000]
    assert any("taken as time in us, because levels" in said for said in capture.assumptions)


def test_pulses_that_show_far_into_the_file_still_give_the_unit(tmp_path):
    # The first change comes after 25 ms of samples, far beyond the first 64 KiB.
    times = range(0, 95_000, 2)
    rows = "".join(f"{t},{int(t >= 25_000 and (t - 25_000) % 10_000 < 1500)}\n" for t in times)
    capture = load(write(tmp_path, "time,RX1\n" + rows))
    assert capture.lines["RX1"].edges_ps[0] == 25_000_000_000


def test_a_unit_row_below_the_header(tmp_path):
    capture = load(write(tmp_path, "clock;RX1\n(ms);\n0;0\n2;1\n3;0\n7;0\n"))
    assert capture.lines["RX1"].edges_ps.tolist() == [2 * 10**9, 3 * 10**9]
    assert any("row below the header" in said for said in capture.assumptions)


def test_sample_numbers_need_a_rate(tmp_path):
    file = write(tmp_path, "Sample,RX1\n0,0\n24,1\n36024,0\n480000,0\n")
    with pytest.raises(PwmscopeError, match=r"sample numbers, no time.*rate='1MHz'"):
        load(file)
    capture = load(file, rate="24MHz")
    assert capture.lines["RX1"].edges_ps.tolist() == [1_000_000, 1_501_000_000]
    assert capture.duration_ps == 20_000_000_000


def test_sample_numbers_beside_a_time_are_left_out(tmp_path):
    capture = load(write(tmp_path, "Sample,Time (us),RX1\n0,0,0\n1,2,1\n2,4,0\n3,6,0\n"))
    assert list(capture.lines) == ["RX1"]
    assert capture.lines["RX1"].edges_ps.tolist() == [2_000_000, 4_000_000]


def test_lines_are_read_in_the_order_asked_for(tmp_path):
    file = write(tmp_path, "time_s,A,B,cue\n0,0,0,x\n1,1,0,y\n2,1,1,z\n3,0,0,x\n")
    with pytest.raises(PwmscopeError, match=r"column cue: the level is 'x'.*`lines`"):
        load(file)
    assert list(load(file, lines="B, A").lines) == ["B", "A"]
    with pytest.raises(PwmscopeError, match="there is no line 'C' for `lines`"):
        load(file, lines="C")


def test_a_bus_gives_the_bits_that_were_asked_for(tmp_path):
    file = write(tmp_path, "time_s,D[7:4],E\n0,0x0,0\n1,0x9,1\n2,0x1,1\n3,0x0,0\n")
    assert list(load(file).lines) == ["D[4]", "D[5]", "D[6]", "D[7]", "E"]
    capture = load(file, lines=["D[7]", "E"])
    assert list(capture.lines) == ["D[7]", "E"]
    assert capture.lines["D[7]"].edges_ps.tolist() == [10**12, 2 * 10**12]
    with pytest.raises(PwmscopeError, match="there is no line 'D\\[1\\]'"):
        load(file, lines="D[1]")


def test_a_bus_value_that_does_not_fit_its_stated_width(tmp_path):
    file = write(tmp_path, "time_s,D[3:0]\n0,0x0\n1,0x1F\n2,0x1\n3,0x0\n")
    with pytest.raises(PwmscopeError, match=r"row 3, column D.*'0x1F'"):
        load(file)


def test_three_digit_rates_in_remarks(tmp_path):
    for remark, interval_ps in (
        ("Sample rate (kHz): 500", 2e6),
        ("# Sampling Interval = 4 us", 4e6),
        ('"Sample Interval","2.5E-06"', 2.5e6),
        ("Samplerate;24 MS/s;", 1e12 / 24e6),
    ):
        rows = "".join(f"{int(5 < k < 9)}\n" for k in range(30))
        capture = load(write(tmp_path, f"{remark}\nRX1\n{rows}"))
        assert capture.sample_interval_ps == pytest.approx(interval_ps)
        assert any("as the file states" in said for said in capture.assumptions)


def test_the_persons_rate_wins_over_the_remark(tmp_path):
    file = write(tmp_path, "Sample rate: 1 MHz\nRX1\n" + "0\n1\n0\n" * 9)
    assert load(file, rate="2MHz").sample_interval_ps == 500_000


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("1e-99999999999999999999,1", "row 4, column time_s"),
        ('"2,1\n3,0\n4,1', r"row 4, column time_s: '\"2' stands"),
        ('2,1\n3,"1', "row 5, column A: the level is"),
    ],
)
def test_odd_cells_are_refused_in_one_line(tmp_path, row, words):
    file = write(tmp_path, f"time_s,A\n0,0\n1,1\n{row}\n5,0\n6,1\n")
    with pytest.raises(PwmscopeError, match=words) as caught:
        load(file)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("quote", ["", '"'])
def test_a_lone_quote_at_the_end_loses_no_rows(tmp_path, quote):
    rows = "".join(f"{k},{quote}{k // 3 % 2}.0{quote}\n" for k in range(30))
    file = write(tmp_path, f'time_us,A\n{rows}30,"')
    with pytest.raises(PwmscopeError, match=r"row 32, column A|not closed"):
        load(file)
