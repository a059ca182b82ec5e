"""What must never be read wrongly in silence: each is refused by its place, or read right."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pwmscope import PwmscopeError, load

US = 10**6


def write(tmp_path, text, name="a.csv"):
    file = tmp_path / name
    file.write_text(text)
    return file


def pulses(count=12, *, unit_us=1, first=2000):
    """Rise and fall of each pulse in microseconds, as whole multiples of the unit."""
    return [((first + 20_000 * k) // unit_us, (first + 20_000 * k + 1500) // unit_us)
            for k in range(count)]  # fmt: skip


def rows(write_time=str, *, unit_us=1):
    instants = [(0, 0)]
    for rise, fall in pulses(unit_us=unit_us):
        instants += [(rise, 1), (fall, 0)]
    return [f"{write_time(t)},{level}" for t, level in instants]


def edges(capture):
    return next(iter(capture.lines.values())).edges_ps[:2].tolist()


GOOD = [2000 * US, 3500 * US]


@pytest.mark.parametrize("bad", ["bad,0", "bad,worse", "--,--", "n/a,", "#400,1", "time_us,RX1"])
@pytest.mark.parametrize("at", [1, 9, 25])
def test_a_row_with_the_tables_cells_is_data_wherever_it_stands(tmp_path, bad, at):
    lines = ["time_us,RX1", *rows()]
    lines.insert(at, bad)
    with pytest.raises(PwmscopeError, match=rf"row {at + 1}"):
        load(write(tmp_path, "\n".join(lines) + "\n"))


@pytest.mark.parametrize(
    ("heading", "unit_us"),
    [("time (10 us)", 10), ("Time x10us", 10), ("t [100 us]", 100), ("Time (1e-5 s)", 10)],
)
def test_a_multiple_in_the_heading_scales_the_times(tmp_path, heading, unit_us):
    text = "\n".join([f"{heading},RX1", *rows(unit_us=unit_us)]) + "\n"
    assert edges(load(write(tmp_path, text))) == GOOD


@pytest.mark.parametrize(
    ("header", "row"),
    [
        ("start_us,width_us", "{rise},{width}"),
        ("Start (us),Duration (us)", "{rise},{width}"),
        ("rise_us,end_us", "{rise},{fall}"),
        ("start_us;end_ms", "{rise};{fall_ms}"),
        ("line,start_us,end_us,width_us", "RX1,{rise},{fall},{width}"),
        ("pulse,start_us,width_us", "{k},{rise},{width}"),
        ("rise (us),fall (us)", "{rise},{fall}"),
    ],
)
def test_start_end_and_length_are_told_apart_by_their_headings(tmp_path, header, row):
    lines = [header]
    for k, (rise, fall) in enumerate(pulses()):
        lines.append(row.format(k=k, rise=rise, fall=fall, fall_ms=fall / 1000, width=fall - rise))
    assert edges(load(write(tmp_path, "\n".join(lines) + "\n"))) == GOOD


def test_high_and_low_in_turn_give_the_edges(tmp_path):
    lines = ["high_us,low_us", *("1500,18500" for _ in range(9))]
    capture = load(write(tmp_path, "\n".join(lines) + "\n"))
    assert edges(capture) == [1000 * US, 2500 * US]  # the first high begins with an edge


@pytest.mark.parametrize("header", ["width_us", "pulse,width_us", "line,width_us", "n,high_ms"])
def test_widths_without_a_time_are_refused(tmp_path, header):
    first = {"width_us": "", "pulse,width_us": "{k},", "line,width_us": "RX1,", "n,high_ms": "{k},"}
    lines = [header] + [first[header].format(k=k) + str(1500 + k % 3) for k in range(1, 30)]
    with pytest.raises(PwmscopeError, match="when"):
        load(write(tmp_path, "\n".join(lines) + "\n"))


def samples(remarks, sep=","):
    body = [f"{int(40 <= k % 400 < 70)}{sep}0" for k in range(4000)]
    return remarks + f"RX1{sep}RX2\n" + "\n".join(body) + "\n"


@pytest.mark.parametrize(
    ("remarks", "interval_us"),
    [
        ("Sample rate: 20,000 Hz\n", 50),
        ("Sample rate: 20 000 Hz\n", 50),
        ("Sample rate: 20'000 Hz\n", 50),
        ("Maximum sample rate: 100 MHz\nSample rate: 20 kHz\n", 50),
        ("Sample rate: 20 kHz\nSample rate (max): 24 MHz\n", 50),
        ("Sample rate: 1,000,000 Hz\n", 1),
        ("sample_rate_hz: 2e4\n", 50),
        ("Rate: 20000 Hz\n", 50),
        ("sample_interval_us = 50\n", 50),
        ("Sample rate: 1 kHz to 24 MHz\nSample rate: 20 kHz\n", 50),
        ("Time step: 50 us\n", 50),
    ],
)
def test_the_rate_that_applies_is_taken_as_it_is_written(tmp_path, remarks, interval_us):
    capture = load(write(tmp_path, samples(remarks)))
    assert capture.sample_interval_ps == pytest.approx(interval_us * US)


@pytest.mark.parametrize(
    ("remarks", "sep"),
    [("Sample rate: 20,000 Hz\n", ";"), ("Sample rate: 20 kHz\nSample rate: 1 MHz\n", ",")],
)
def test_two_rates_are_refused_with_the_argument_that_settles_them(tmp_path, remarks, sep):
    file = write(tmp_path, samples(remarks, sep))
    with pytest.raises(PwmscopeError, match="say which with `rate`"):
        load(file)
    assert load(file, rate="20kHz").sample_interval_ps == 50 * US


def test_a_rate_that_pulses_contradict_is_said(tmp_path):
    # Pulses of 30 samples: 1.5 ms at 20 kHz, 1.5 s at the 20 Hz that the file states.
    capture = load(write(tmp_path, samples("Sample rate: 20 Hz\n")))
    assert any("pulses last 1.5 s" in said and "`rate`" in said for said in capture.assumptions)


def test_a_rate_that_the_time_column_contradicts_is_said(tmp_path):
    body = "".join(f"{50 * k},{int(40 <= k % 400 < 70)}\n" for k in range(4000))
    capture = load(write(tmp_path, "Sample rate: 1 MHz\ntime_us,RX1\n" + body))
    assert capture.sample_interval_ps == 50 * US
    assert any("shows 20 kS/s where" in said for said in capture.assumptions)


@pytest.mark.parametrize("heading", ["RX (hex)", "RX hex", "RX[7:0] (hex)"])
def test_a_bus_is_hexadecimal_where_its_heading_says_so(tmp_path, heading):
    text = f"time_us,{heading}\n0,00\n2000,10\n3500,00\n22000,10\n23500,00\n"
    capture = load(write(tmp_path, text))
    changing = [line for line in capture.lines.values() if line.edges_ps.size]
    assert len(changing) == 1
    assert changing[0].name.endswith("[4]")


def test_padded_numbers_that_may_be_of_two_bases_are_refused(tmp_path):
    text = "time_us,RX bus\n0,00\n2000,12\n3500,00\n22000,12\n23500,00\n"
    with pytest.raises(PwmscopeError, match=r"decimal or hexadecimal.*heading"):
        load(write(tmp_path, text))


@pytest.mark.parametrize("cells", [("0,000", "20,000", "21,500"), ("1,000", "21,000", "22,500")])
def test_commas_that_may_be_decimals_or_thousands(tmp_path, cells):
    text = "time_ms;RX1\n" + "".join(f"{cell};{i % 2}\n" for i, cell in enumerate(cells))
    if cells[0] == "0,000":
        assert load(write(tmp_path, text)).duration_ps == 21_500_000_000
        return
    with pytest.raises(PwmscopeError, match="between thousands"):
        load(write(tmp_path, text))


def test_minutes_and_seconds_are_not_hours_and_minutes(tmp_path):
    text = "time,RX1\n" + "".join(f"00:{k:02},{k % 2}\n" for k in range(30))
    with pytest.raises(PwmscopeError, match="hours and minutes, or minutes and seconds"):
        load(write(tmp_path, text))


def test_a_unit_that_is_none_is_not_taken_for_seconds(tmp_path):
    text = "time (ticks),RX1\n0.5,0\n1.5,1\n2.5,0\n"
    with pytest.raises(PwmscopeError, match=r"'ticks' is no known unit of time.*`time_unit`"):
        load(write(tmp_path, text))


def test_coarsely_printed_times_count_as_the_sampling_interval(tmp_path):
    lines = ["Sample rate: 24 MHz", "time_ms,RX1", *rows(lambda t: f"{t / 1000:.1f}")]
    capture = load(write(tmp_path, "\n".join(lines) + "\n"))
    assert capture.sample_interval_ps == 100 * US
    assert any("printed to 100 us only" in said for said in capture.assumptions)


@pytest.mark.parametrize("minus", ["−", "–", "-"])
def test_a_negative_start_with_any_minus_sign(tmp_path, minus):
    text = "time_us,RX1\n" + "\n".join(rows(lambda t: str(t - 5000).replace("-", minus))) + "\n"
    assert edges(load(write(tmp_path, text))) == GOOD


def test_a_header_of_another_width_than_the_rows_is_refused(tmp_path):
    lines = ["time_us,RX1,RX2", *rows()]
    with pytest.raises(PwmscopeError, match="row 1: the header has 3 cells and the rows have 2"):
        load(write(tmp_path, "\n".join(lines) + "\n"))


@settings(max_examples=60, deadline=None)
@given(
    at=st.integers(1, 24),
    bad=st.sampled_from(["x", "--", "n/a", "#1", "1 2", "‽", "1e", "0x", "5 apples"]),
    column=st.integers(0, 1),
)
def test_a_wrong_cell_is_never_left_out(tmp_path_factory, at, bad, column):
    lines = ["time_us,RX1", *rows()]
    cells = lines[at].split(",")
    cells[column] = bad
    lines[at] = ",".join(cells)
    file = tmp_path_factory.mktemp("wrong") / "a.csv"
    file.write_text("\n".join(lines) + "\n")
    with pytest.raises(PwmscopeError, match=f"row {at + 1}"):
        load(file)


@pytest.mark.parametrize("said", ["Sample rate: 1 kHz to 24 MHz", "Rate: 50 Hz", "Interval: 20 ms"])
def test_a_range_of_rates_and_how_often_frames_come_are_no_sample_rate(tmp_path, said):
    with pytest.raises(PwmscopeError) as refused:
        load(write(tmp_path, samples(said + "\n")))
    assert "rate" in refused.value.arguments


def test_the_sign_for_a_number_heads_a_column(tmp_path):
    lines = [f"{k},{int(40 <= k % 400 < 70)},0" for k in range(2_000)]
    capture = load(write(tmp_path, "\n".join(["#,left,right", *lines, ""])), rate="20kHz")
    assert list(capture.lines) == ["left", "right"]


def test_times_printed_coarsely_take_the_roundest_rate_that_they_allow(tmp_path):
    """99.99 kS/s would fit as well; edges 12 s later would be 1.2 ms off."""
    lines = [f"{k / 1e5:.3f},{int(200 <= k % 2_000 < 350)}" for k in range(12_000)]
    capture = load(write(tmp_path, "\n".join(["time_s,RX1", *lines, ""])))
    assert capture.sample_interval_ps == 10 * US
    assert capture.lines["RX1"].edges_ps[-1] == 11_999 // 2_000 * 2_000 * 10 * US + 350 * 10 * US
