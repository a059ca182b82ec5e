"""Exports with known truth that can be read in two ways, or hold more than levels.

A receiver's two outputs, a row per change: 1103 us and 1500 to 1600 us, every 20 ms, in whole
microseconds. What is read must be this; what cannot be known must be refused.
"""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from pwmscope import PwmscopeError, decode, load

STARTS_US = 3137 + 20_000 * np.arange(60)
WIDTHS_US = {"RX1": np.full(60, 1103), "RX2": 1500 + 100 * (np.arange(60) % 2)}


def rows_us(names=("RX1", "RX2"), frames=60, period_us=20_000):
    """Time of each row and the levels from it on."""
    changes = {0: 0}
    for i, name in enumerate(names):
        for k, width in enumerate(WIDTHS_US[name][:frames]):
            begin = int(3137 + period_us * k + 350 * i)
            changes[begin] = changes.get(begin, 0) ^ (1 << i)
            changes[begin + int(width)] = changes.get(begin + int(width), 0) ^ (1 << i)
    word = 0
    for time in sorted(changes):
        word ^= changes[time]
        yield time, [str(word >> i & 1) for i in range(len(names))]


def export(tmp_path, cell, *, heading="time_us", sep=";", more=None, **kind):
    """Write the rows; `more` gives another column's heading and its cell from row and step."""
    names = kind.get("names", ("RX1", "RX2"))
    rows = list(rows_us(**kind))
    lines = [sep.join([heading, *([more[0]] if more else []), *names])]
    for i, (time, levels) in enumerate(rows):
        step = time - rows[i - 1][0] if i else 0
        lines.append(sep.join([cell(time), *([more[1](i, step)] if more else []), *levels]))
    file = tmp_path / "recording.csv"
    file.write_text("\n".join(lines) + "\n")
    return file


def assert_true(capture, frames=60, names=("RX1", "RX2")):
    assert tuple(capture.lines) == names
    for name, pulses in decode(capture).items():
        np.testing.assert_allclose(pulses.width_us, WIDTHS_US[name][:frames], atol=1e-6)


@pytest.mark.parametrize("names", [("RX1",), ("RX1", "RX2")])
@pytest.mark.parametrize("period_us", [20_000, 14_000, 11_000])
@pytest.mark.parametrize("tick_us", [0.1, 0.25, 0.5, 2, 4, 5, 8, 10, 12.5, 16, 20, 25, 50])
def test_whole_ticks_of_no_stated_length_are_refused(tmp_path, tick_us, period_us, names):
    """A pause of 18.9 ms in ticks of 10 us is 1890, and no pulse of 1890 us."""
    for cell in (lambda t: f"{t // tick_us:.0f}", lambda t: f"{t / tick_us:.6e}"):
        file = export(tmp_path, cell, heading="time", names=names, period_us=period_us)
        with pytest.raises(PwmscopeError, match=r"no unit\. Add `time_unit`"):
            load(file)


@pytest.mark.parametrize(("unit", "size"), [("s", 1e6), ("ms", 1e3), ("us", 1), ("ns", 1e-3)])
def test_the_unit_is_taken_in_which_pulses_and_frames_are_as_of_servos(tmp_path, unit, size):
    digits = 6 if size > 1 else 0
    capture = load(export(tmp_path, lambda t: f"{t / size:.{digits}f}", heading="time"))
    assert_true(capture)
    assert any(f"taken as time in {unit}, because" in said for said in capture.assumptions)


@pytest.mark.parametrize("frames", [30, 45, 60])  # beyond 50 frames a cell has two marks
@pytest.mark.parametrize("mark", [",", "."])
@pytest.mark.parametrize("heading", ["time_us", "Time (us)", "time"])
def test_pulses_tell_thousands_from_decimals(tmp_path, heading, mark, frames):
    """3,137 and 4,240 are 1103 us apart, or 1.103 us: with a pulse every 20 ms only the first."""
    file = export(tmp_path, lambda t: f"{t:,}".replace(",", mark), heading=heading, frames=frames)
    assert_true(load(file), frames)


def test_decimals_after_a_point_stay_decimals_beside_a_bare_0(tmp_path):
    file = export(tmp_path, lambda t: f"{t / 1000:.3f}" if t else "0", heading="time_ms")
    assert_true(load(file))


def test_a_point_beside_whole_numbers_and_no_pulse_is_refused(tmp_path):
    file = tmp_path / "recording.csv"
    file.write_text("time_us;RX1\n0;0\n1.000;1\n343.740;0\n")
    with pytest.raises(PwmscopeError, match="points in the numbers may stand before decimals"):
        load(file)
    file.write_text("time_us;RX1\n0.000;0\n1.000;1\n343.740;0\n")
    assert load(file).lines["RX1"].edges_ps.tolist() == [1_000_000, 343_740_000]


@pytest.mark.parametrize("mark", [",", "."])
def test_numbers_of_samples_have_thousands_and_no_decimals(tmp_path, mark):
    file = export(tmp_path, lambda t: f"{t:,}".replace(",", mark), heading="sample", frames=30)
    assert_true(load(file, rate="1MHz"), 30)


RULES = {
    "plus": "+---------+-----+-----+", "equals": "+=========+=====+=====+",
    "bars": "|---------|-----|-----|", "colons": "|:--------|:---:|----:|",
}  # fmt: skip


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("above", [True, False])
@pytest.mark.parametrize("every", [1000, 10])
def test_a_drawn_table_keeps_its_header_and_unit(tmp_path, rule, above, every):
    line = RULES[rule]
    lines = ["Bench 3", *([line] if above else []), "| time_us | RX1 | RX2 |", line]
    for i, (time, levels) in enumerate(rows_us()):
        lines.append(f"| {time:>7} |  {levels[0]}  |  {levels[1]}  |")
        lines += [line] if i % every == every - 1 else []
    file = tmp_path / "recording.txt"
    file.write_text("\n".join([*lines, line, "(241 rows)"]) + "\n")
    capture = load(file)
    assert_true(capture)
    assert any("'time_us' is time in us, as its heading says" in s for s in capture.assumptions)


def test_a_table_of_bars_keeps_the_header_above_its_rule(tmp_path):
    lines = [" time_us | RX1 | RX2 ", "---------+-----+-----"]
    lines += [f" {t:>7} |   {a} |   {b} " for t, (a, b) in rows_us()]
    file = tmp_path / "recording.txt"
    file.write_text("\n".join([*lines, "(241 rows)"]) + "\n")
    assert_true(load(file))


@pytest.mark.parametrize(
    "heading",
    ["temp_C", "temp (degC)", "Temp", "temperature", "T_C", "humidity (%)", "rpm", "current (A)",
     "current_mA", "altitude", "rssi", "comment"],
)  # fmt: skip
@pytest.mark.parametrize("decimals", [0, 2])
@pytest.mark.parametrize("step_us", [None, 50])
def test_another_quantity_beside_the_levels_is_named_and_no_line(
    tmp_path, heading, decimals, step_us
):
    more = (heading, lambda i, _: f"{24.1 + 3 * (i % 9):.{decimals}f}")
    file = export(tmp_path, str, more=more)
    if step_us is not None:  # rows are samples
        times = range(0, 1_300_000, step_us)
        starts = [STARTS_US + 350 * i for i in range(2)]
        levels = [
            np.concatenate(
                [[0], np.cumsum(np.histogram(b, times)[0] - np.histogram(b + w, times)[0])]
            )
            for b, w in zip(starts, WIDTHS_US.values(), strict=True)
        ]
        rows = zip(times, *levels, strict=True)
        body = "".join(f"{t},{more[1](i, 0)},{a},{b}\n" for i, (t, a, b) in enumerate(rows))
        file.write_text(f"time_us,{heading},RX1,RX2\n" + body)
    capture = load(file)
    assert list(capture.lines) == ["RX1", "RX2"]
    assert any(f"left out: '{heading}'" in said for said in capture.assumptions)


@pytest.mark.parametrize(
    "heading", ["delta_us", "dt (us)", "duration_us", "since last (us)", "gap_us"]
)
def test_steps_beside_the_times_are_named_and_no_line(tmp_path, heading):
    capture = load(export(tmp_path, str, more=(heading, lambda _, step: f"{step:.3f}")))
    assert_true(capture)
    assert any(f"left out: '{heading}'" in said for said in capture.assumptions)


def test_numbers_of_an_unknown_heading_far_above_a_logic_level_are_no_line(tmp_path):
    capture = load(export(tmp_path, str, more=("x", lambda i, _: f"{11.1 + i % 5 / 100:.2f}")))
    assert_true(capture)
    assert any("left out: 'x'" in said for said in capture.assumptions)


def test_a_supply_sampled_at_the_changes_is_named_and_no_line_unless_it_is_asked_for(tmp_path):
    more = ("batt (V)", lambda i, _: f"{11.1 + i % 5 / 100:.2f}")
    file = export(tmp_path, str, more=more)
    capture = load(file)
    assert_true(capture)
    assert any("left out: 'batt (V)'" in said for said in capture.assumptions)
    with pytest.raises(PwmscopeError, match="changes or samples of a voltage"):
        load(file, lines=["RX1", "batt (V)"])


def test_only_another_quantity_is_refused(tmp_path):
    file = tmp_path / "recording.csv"
    file.write_text("time_us,temp_C\n" + "".join(f"{10 * k},{24.5 + k % 3}\n" for k in range(90)))
    with pytest.raises(PwmscopeError, match="no column of levels beside the time"):
        load(file)


@pytest.mark.parametrize("heading", ["RX1 (V)", "aux", "A"])
def test_a_voltage_of_a_line_beside_digital_ones_stays_a_line(tmp_path, heading):
    file = tmp_path / "recording.csv"
    rows = "".join(
        f"{10 * k},{k // 150 % 2},{3.3 * (k // 100 % 2) + k % 3 / 50:.2f}\n" for k in range(900)
    )
    file.write_text(f"time_us,RX2,{heading}\n" + rows)
    assert list(load(file).lines) == ["RX2", heading]


@pytest.mark.parametrize("sep", [",", ";", "|", "\t", " ; "])
def test_points_stand_in_dates_and_before_the_fraction_of_a_second(tmp_path, sep):
    """04.03.2031 11:59:58.250 has its decimals behind the third point."""
    begin = datetime(2031, 3, 4, 11, 59, 58, 250_000, tzinfo=UTC)
    written = "%d.%m.%Y %H:%M:%S.%f"
    file = export(
        tmp_path,
        lambda t: (begin + timedelta(microseconds=t)).strftime(written),
        heading="timestamp",
        sep=sep,
    )
    assert_true(load(file))


@pytest.mark.parametrize("sep", [" ; ", " | ", ", "])
@pytest.mark.parametrize("cell", [str, "{:_}".format])
def test_quotes_behind_blanks_come_off(tmp_path, sep, cell):
    file = export(tmp_path, cell, sep=sep)
    head, *rows = file.read_text().splitlines()
    quoted = [
        sep.join([row.split(sep)[0], *(f'"{c}"' for c in row.split(sep)[1:])]) for row in rows
    ]
    file.write_text("\n".join([head, *quoted]) + "\n")
    assert_true(load(file))


@pytest.mark.parametrize("sep", [" | ", ", ", "\t", " ; "])
def test_blanks_within_cells_separate_none_where_each_row_has_another_mark(tmp_path, sep):
    """`Out 1 | 1 | 3,137` has three cells, and so has `Out 1, 1, 3137`."""
    events = []
    before = ["0", "0"]
    for time, levels in rows_us():
        changed = [i for i in range(2) if levels[i] != before[i]]
        events += [sep.join([f"Out {i + 1}", levels[i], str(time)]) for i in changed]
        before = levels
    file = tmp_path / "recording.csv"
    file.write_text("\n".join([sep.join(["pin", "state", "time_us"]), *events]) + "\n")
    pulses = decode(load(file))
    for name, width in zip(("Out 1", "Out 2"), WIDTHS_US.values(), strict=True):
        np.testing.assert_allclose(pulses[name].width_us, width, atol=1e-6)


@pytest.mark.parametrize("headings", ["start_us;line;high_us", "rise (us);pin;fall (us)"])
@pytest.mark.parametrize("mark", [",", ".", " "])
def test_thousands_in_a_list_of_pulses_are_told_by_their_lengths(tmp_path, headings, mark):
    is_end = "fall" in headings
    rows = [
        (int(s), f"RX{i + 1}", int(s + w) if is_end else int(w))
        for i in range(2)
        for s, w in zip(STARTS_US[:30] + 350 * i, WIDTHS_US[f"RX{i + 1}"][:30], strict=True)
    ]
    text = "".join(f"{s:,};{name};{w:,}\n".replace(",", mark) for s, name, w in sorted(rows))
    file = tmp_path / "recording.csv"
    file.write_text(f"{headings}\n{text}")
    assert_true(load(file), 30)
