"""Dates and times of day: exact, and time 0 is the first row."""

import pytest

from pwmscope import PwmscopeError, load


def edges(tmp_path, *stamps, sep=","):
    file = tmp_path / "a.csv"
    rows = "".join(f"{stamp}{sep}{i % 2}\n" for i, stamp in enumerate(stamps))
    file.write_text(f"When{sep}RX1\n{rows}")
    return load(file).lines["RX1"].edges_ps.tolist()


def test_every_digit_counts(tmp_path):
    stamps = ("2031-05-06 07:08:09.999999999999", "2031-05-06 07:08:10", "2031-05-06 07:08:10.5")
    assert edges(tmp_path, *stamps) == [1, 500_000_000_001]


@pytest.mark.parametrize(
    ("stamps", "sep"),
    [
        (("2031-02-28T23:59:59.5Z", "2031-03-01T00:00:00Z"), ","),
        (("2031-02-28T23:59:59.5+01:00", "2031-03-01T00:00:00.0+01:00"), ","),
        (("2031/02/28 23:59:59,5", "2031/03/01 00:00:00"), ";"),
        (("28.02.2031 23:59:59,500", "01.03.2031 00:00:00,000"), "\t"),
        (("02/28/2031 23:59:59.5", "03/01/2031 0:00:00"), ","),
    ],
)
def test_common_ways_to_write_it_cross_midnight(tmp_path, stamps, sep):
    assert edges(tmp_path, *stamps, sep=sep) == [500_000_000_000]


def test_a_leap_day_has_its_length(tmp_path):
    stamps = ("2032-02-28 12:00:00", "2032-03-01 12:00:00")
    assert edges(tmp_path, *stamps) == [2 * 86_400 * 10**12]


def test_a_time_of_day_alone(tmp_path):
    assert edges(tmp_path, "07:08:09.25", "07:08:09.75", "07:08:10.25") == [5 * 10**11, 10**12]


def test_day_and_month_that_cannot_be_told_apart_must_not_matter(tmp_path):
    assert edges(tmp_path, "03/05/2031 10:00:00", "03/05/2031 10:00:01") == [10**12]
    rows = [f"03/05/2031 10:00:{s:02}" for s in range(50)] * 60 + ["03/06/2031 00:00:00"] * 2
    with pytest.raises(PwmscopeError):
        edges(tmp_path, *rows)


def test_a_stamp_that_is_none_is_refused_with_its_row(tmp_path):
    stamps = ["2031-05-06 07:08:09", "2031-05-06 07:08:10", "2031-02-30 07:08:11",
              "2031-05-06 07:08:12"]  # fmt: skip
    with pytest.raises(PwmscopeError, match=r"row 4, column When: '2031-02-30.*date and time"):
        edges(tmp_path, *stamps)


def test_the_assumption_names_the_column(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text("When,RX1\n2031-05-06 07:08:09,0\n2031-05-06 07:08:10,1\n")
    assert any("'When' holds dates" in said for said in load(file).assumptions)
