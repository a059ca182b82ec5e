"""Numbers, stamps and tables written in ways of their own: read where one reading is left."""

import numpy as np
import pytest

from pwmscope import load
from pwmscope.capture.text.cells import SPELLINGS
from pwmscope.errors import PwmscopeError

RISE_US, FALL_US, END_US = 12_340, 13_840, 1_300_000


def write(tmp_path, text):
    file = tmp_path / "recording.csv"
    file.write_text(text, encoding="utf-8")
    return file


def grouped(number, mark):
    return f"{number:,}".replace(",", mark)


def table(cell, heading="time_us", sep=";"):
    rows = [(0, 0), (RISE_US, 1), (FALL_US, 0), (END_US, 0)]
    return f"{heading}{sep}RX1\n" + "".join(f"{cell(t)}{sep}{v}\n" for t, v in rows)


def assert_pulse(capture):
    """One pulse of 1.5 ms, 12.34 ms after the start."""
    np.testing.assert_array_equal(capture.lines["RX1"].edges_ps, [RISE_US * 10**6, FALL_US * 10**6])
    assert capture.duration_ps == END_US * 10**6


@pytest.mark.parametrize("mark", [" ", "\u00a0", "\u2009", "\u202f", "'", "\u2019", "_", ",", "."])
def test_thousands_are_read_whatever_separates_them(tmp_path, mark):
    """1 300 000 has two marks, so that they can stand before no decimals."""
    capture = load(write(tmp_path, table(lambda t: grouped(t, mark))))
    assert_pulse(capture)
    assert any("written with thousands separated" in said for said in capture.assumptions)


def test_a_cell_grouped_otherwise_is_refused_by_its_row(tmp_path):
    more = "".join(f"{grouped(END_US + 10 * k, ' ')};0\n" for k in range(1, 30))
    text = table(lambda t: grouped(t, " ")).replace("13 840", "138 40") + more
    with pytest.raises(PwmscopeError, match=r"row 4, column time_us: '138 40 \(\?\)'"):
        load(write(tmp_path, text))


def test_a_number_that_falls_where_groups_begin_shows_thousands(tmp_path):
    """990; 1,000: as decimals it would fall from 990 to 1."""
    rows = "".join(f"{grouped(10 * k, ',')};{int(50 < k < 200)}\n" for k in range(300))
    assert load(write(tmp_path, "time_us;RX1\n" + rows)).lines["RX1"].edges_ps[0] == 510_000_000


def test_a_mark_that_may_stand_before_decimals_is_refused(tmp_path):
    """1,000 to 800,990 between semicolons: no pulse tells whether it is 1 or 1000."""
    text = "time_us;RX1\n1,000;0\n343,740;1\n370,080;0\n800,990;1\n"
    with pytest.raises(PwmscopeError, match="before decimals or between thousands"):
        load(write(tmp_path, text))


def test_pulses_tell_that_commas_stand_before_decimals(tmp_path):
    """37,000 ms to 437,000 ms in steps of 20 ms with pulses of 1.5 ms; as thousands, of 1.5 s."""
    rows = [f"{37 + 20 * n + at:.3f};{v}" for n in range(20) for at, v in ((0, 1), (1.5, 0))]
    text = "t (ms);RX1\n" + "\n".join(rows).replace(".", ",") + "\n"
    capture = load(write(tmp_path, text))
    assert np.diff(capture.lines["RX1"].edges_ps)[1] == 1_500_000_000
    assert any("Commas stand before decimals" in said for said in capture.assumptions)


@pytest.mark.parametrize(
    "cell",
    [
        lambda t: f"{t / 1e6:.6E}".replace("E", "D"),
        lambda t: f"20310506T07{t // 60_000_000:02d}{t / 1e6 % 60:09.6f}Z",
        lambda t: f"2031-05-06 07:00:{t / 1e6:09.6f} UTC",
        lambda t: f"0 days 00:00:{t / 1e6:09.6f}",
    ],
    ids=[spelling.what for spelling in SPELLINGS],
)
def test_instants_are_read_as_other_programs_and_languages_write_them(tmp_path, cell):
    assert_pulse(load(write(tmp_path, table(cell, "time_s", ","))))


def test_a_decimal_comma_in_the_times_alone(tmp_path):
    """Levels with a point, times with a comma, tabs between: each column has its own mark."""
    text = table(lambda t: f"{t / 1e6:.6f}".replace(".", ","), "time_s", "\t")
    text = text.replace("\t0\n", "\t0.0\n").replace("\t1\n", "\t1.0\n")
    assert_pulse(load(write(tmp_path, text)))


def test_a_drawn_table_is_read_without_its_rule(tmp_path):
    lines = table(lambda t: f"| {t} ", "| time_us ", "| ").splitlines()
    text = "\n".join([lines[0] + " |", "|---:|---|", *(line + " |" for line in lines[1:])]) + "\n"
    assert_pulse(load(write(tmp_path, text)))


def test_times_of_day_go_on_after_midnight_and_say_so(tmp_path):
    def cell(t):
        at_us = 86_400_000_000 - 100_000 + t
        of_day = at_us % 86_400_000_000
        hours, rest = divmod(of_day, 3_600_000_000)
        return f"{hours:02d}:{rest // 60_000_000:02d}:{rest / 1e6 % 60:09.6f}"

    capture = load(write(tmp_path, table(cell, "Time", ",")))
    assert_pulse(capture)
    assert any("passes midnight" in said for said in capture.assumptions)


def test_times_of_day_that_fall_back_by_less_are_refused(tmp_path):
    text = "Time,RX1\n10:00:00.0,0\n10:00:01.0,1\n09:00:00.0,0\n"
    with pytest.raises(PwmscopeError, match="row 4: time goes backwards by 3601 s"):
        load(write(tmp_path, text))


def test_each_row_says_how_long_a_line_keeps_a_level(tmp_path):
    text = "line,level,for_us\nRX1,0,12340\nRX1,1,1500\nRX1,0,1286160\nRX2,1,5000\nRX2,0,1295000\n"
    capture = load(write(tmp_path, text))
    assert_pulse(capture)
    np.testing.assert_array_equal(capture.lines["RX2"].edges_ps, [5_000_000_000])
    assert capture.lines["RX2"].initial_level == 1


def test_on_and_off_are_instants_where_both_rise(tmp_path):
    """As lengths, 11 ms of off would follow 9.539 ms of on; both rise, so they are instants."""
    text = "pin,on [ms],off [ms]\n" + "".join(
        f"RX1,{20 * n + 9.5:.3f},{20 * n + 11:.3f}\n" for n in range(5)
    )
    edges_ps = load(write(tmp_path, text)).lines["RX1"].edges_ps
    assert edges_ps[:2].tolist() == [9_500_000_000, 11_000_000_000]


@pytest.mark.parametrize("name", ["index", "T", "date stamp", "s", "time out"])
def test_a_line_named_like_a_time_stays_a_line(tmp_path, name):
    text = table(str, "time_us", ",").replace("RX1", name)
    assert list(load(write(tmp_path, text)).lines) == [name]


def test_a_temperature_beside_the_levels_is_no_line_unless_it_is_asked_for(tmp_path):
    text = "time_us,RX1,temperature (C)\n0,0,21.5\n10,1,21.5\n20,0,22.5\n30,1,22.5\n"
    capture = load(write(tmp_path, text))
    assert list(capture.lines) == ["RX1"]
    assert any("'temperature (C)'" in said and "left out" in said for said in capture.assumptions)
    asked = load(tmp_path / "recording.csv", lines=["RX1", "temperature (C)"])
    assert list(asked.lines) == ["RX1", "temperature (C)"]


def test_a_letter_in_brackets_is_no_quantity(tmp_path):
    """Channel (A) is the first of two channels, not a current."""
    text = "time_us,Channel (A),Channel (C)\n0,0.1,3.2\n10,3.2,0.1\n20,0.1,0.1\n30,3.1,3.2\n"
    assert list(load(write(tmp_path, text)).lines) == ["Channel (A)", "Channel (C)"]


def test_levels_of_1_and_2_are_read_by_the_threshold_in_all_columns(tmp_path):
    """A column that is 1 at first is low there, as in the columns that show a 2."""
    rows = "".join(f"{10 * k},{1 + (5 < k < 9)},1\n" for k in range(30))
    file = write(tmp_path, "time_us,RX1,RX2\n" + rows)
    with pytest.raises(PwmscopeError, match="`threshold`"):
        load(file)
    capture = load(file, threshold=1.5)
    assert capture.lines["RX2"].initial_level == 0


def test_a_column_of_1_beside_counts_of_a_converter_stays_high(tmp_path):
    rows = "".join(f"{10 * k},{12 + 900 * (5 < k < 9)},1\n" for k in range(30))
    file = write(tmp_path, "time_us,RX1,RX2\n" + rows)
    assert load(file, threshold=512).lines["RX2"].initial_level == 1


def test_decimals_without_a_unit_and_without_pulses_are_refused(tmp_path):
    """Levels of 40 to 60 of anything: seconds and milliseconds are as likely."""
    rows = "".join(f"{50 * k + k % 3 / 10:.1f},{k % 2}\n" for k in range(40))
    file = write(tmp_path, "time,RX1\n" + rows)
    with pytest.raises(PwmscopeError, match="`time_unit`"):
        load(file)
    assert load(file, time_unit="ms").lines["RX1"].edges_ps.size == 39


def test_a_column_without_heading_that_counts_rows_is_no_time_by_guess(tmp_path):
    rows = "".join(f"{k},{int(k % 1000 < 150)}\n" for k in range(8000))
    file = write(tmp_path, rows)
    with pytest.raises(PwmscopeError, match=r"count the rows.*`rate`"):
        load(file)
    assert load(file, rate="100kHz").lines["column2"].edges_ps[0] == 1_500_000_000


def test_names_with_line_breaks_in_their_quotes_are_a_header(tmp_path):
    rows = "".join(f"{20 * n + at},{v},0\n" for n in range(40) for at, v in ((3, 1), (4.5, 0)))
    file = tmp_path / "sheet.csv"
    file.write_text('Bench day\n"Time\n(ms)","RX1\nleft",RX2\n0,0,0\n' + rows)
    capture = load(file)
    assert list(capture.lines) == ["RX1 left", "RX2"]
    assert capture.lines["RX1 left"].edges_ps[:2].tolist() == [3 * 10**9, 4_500_000_000]


@pytest.mark.parametrize("delimiter", [", ", " ; ", " | "])
def test_blanks_between_quotes_and_delimiters(tmp_path, delimiter):
    rows = [("time_us", "A", "B")]
    rows += [(str(10 * k), "hi" if 40 <= k < 190 else "lo", "lo") for k in range(300)]
    file = tmp_path / "a.csv"
    file.write_text("".join(delimiter.join(f'"{c}"' for c in row) + "\n" for row in rows))
    assert load(file).lines["A"].edges_ps.tolist() == [400 * 10**6, 1900 * 10**6]


@pytest.mark.parametrize("delimiter", [", ", " ; "])
def test_a_title_does_not_turn_blanks_round_delimiters_into_delimiters(tmp_path, delimiter):
    rows = [["line", "start (us)", "end (us)"]]
    rows += [[f"Pin {3 + k % 2}", str(9000 * k), str(9000 * k + 1500)] for k in range(12)]
    file = tmp_path / "a.csv"
    file.write_text("Bench day\n" + "".join(delimiter.join(row) + "\n" for row in rows) + "Done\n")
    assert list(load(file).lines) == ["Pin 3", "Pin 4"]


def test_a_decimal_comma_is_told_by_a_row_far_below_the_first_ones(tmp_path):
    times = [f"{k / 100 - 10:.3f}".replace(".", ",") for k in range(1100)]
    rows = "".join(f"{t}\t{int(k > 1050)}\t0\n" for k, t in enumerate(times))
    file = tmp_path / "a.csv"
    file.write_text("Time [ms]\tA\tB\n" + rows)
    assert load(file).lines["A"].edges_ps.tolist() == [1051 * 10**7]
