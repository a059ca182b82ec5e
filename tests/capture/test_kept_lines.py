"""Lines that are kept of a recording: what its rows are is told from all that the file holds."""

import gzip

import numpy as np
import pandas as pd
import polars as pl
import pytest

import pwmscope
from pwmscope.errors import CaptureError

TICK_US = 0.5
PERIOD_US = 20_000.0
FRAMES = 200


def receiver(names=("RX1", "RX2", "RX3", "RX4")):
    """Four outputs one after another, RX1 at rest but for one held deflection, as a change list."""
    rng = np.random.default_rng(4)
    begin_us = 3_000.0 + PERIOD_US * np.arange(FRAMES)
    changes = {}
    for place, name in enumerate(names):
        width_us = np.full(FRAMES, 1500.0)
        width_us[60 : 100 + place] = 1700.0
        rise_us = begin_us + 2_400.0 * place + rng.normal(0.0, 1.0, FRAMES)
        edges_us = np.stack([rise_us, rise_us + width_us], axis=1).ravel()
        changes[name] = TICK_US * np.ceil(edges_us / TICK_US)
    instants_us = np.unique(np.concatenate([[0.0], *changes.values()]))
    levels = {n: np.searchsorted(e, instants_us, side="right") % 2 for n, e in changes.items()}
    return pl.DataFrame({"time_us": instants_us, **levels})


def in_every_form(tmp_path):
    frame = receiver()
    frame.write_csv(tmp_path / "a.csv")
    packed = tmp_path / "a.csv.gz"
    packed.write_bytes(gzip.compress((tmp_path / "a.csv").read_bytes()))
    frame.write_parquet(tmp_path / "a.parquet")
    return {
        "pandas": pd.DataFrame(frame.to_dict()),
        "csv": tmp_path / "a.csv", "gz": packed, "parquet": tmp_path / "a.parquet", "frame": frame,
    }  # fmt: skip


@pytest.mark.parametrize("form", ["csv", "gz", "parquet", "frame", "pandas"])
@pytest.mark.parametrize("lines", [["RX1"], ["RX4", "RX1"]])
def test_the_lines_that_are_kept_change_neither_the_interval_nor_a_finding(tmp_path, form, lines):
    source = in_every_form(tmp_path)[form]
    whole = pwmscope.analyse(source)
    kept = pwmscope.analyse(source, hints={"lines": lines})
    assert list(kept.captures[0].lines) == lines
    assert not any("none of the lines read" in said for said in kept.captures[0].assumptions)
    assert kept.captures[0].sample_interval_ps == whole.captures[0].sample_interval_ps == 500_000
    for line in lines:
        # The time of what is not held is the same, so each figure is the same to its last digit.
        assert kept[line]["neutral"].value == whole[line]["neutral"].value
        assert kept[line]["neutral"].value == pytest.approx(1500.0, abs=0.5)
        assert kept[line]["rest position"].verdict == whole[line]["rest position"].verdict


def test_a_dump_shows_its_interval_by_all_lines(tmp_path):
    # The kept line changes on a grid of 10 ms, the other one shows the analyser's 500 ns.
    other_ns = 3_000_500 + 7_001_500 * np.arange(60)
    moments = {n: "1!" if n % 20_000_000 else "0!" for n in range(10_000_000, 400_000_000, 10**7)}
    moments.update({int(n): f'{1 - at % 2}"' for at, n in enumerate(other_ns)})
    text = '$timescale 1 ns $end $var wire 1 ! A $end $var wire 1 " B $end $enddefinitions $end\n'
    text += '#0 0! 0"\n' + "".join(f"#{n} {moments[n]}\n" for n in sorted(moments))
    file = tmp_path / "a.vcd"
    file.write_text(text)
    whole, kept = pwmscope.load(file), pwmscope.load(file, lines=["A"])
    assert list(kept.lines) == ["A"]
    assert kept.sample_interval_ps == whole.sample_interval_ps == 500_000


@pytest.mark.parametrize("count", [60, 200])
def test_a_kept_line_on_a_coarse_grid_says_nothing_of_the_files_times(count):
    # Floating-point times do not say how finely they were written: all changes tell it. Of 200
    # changes and more, this line alone would show a list of changes 10 ms apart.
    slow_s = 0.01 * np.arange(1, count)
    fast_s = 0.003_000_5 + 0.007_001_5 * np.arange(80)
    time_s = np.unique(np.round(np.concatenate([[0.0], slow_s, fast_s]), 7))
    frame = pl.DataFrame({
        "time_s": time_s,
        "A": np.searchsorted(slow_s, time_s + 1e-9, side="right") % 2,
        "B": np.searchsorted(fast_s, time_s + 1e-9, side="right") % 2,
    })  # fmt: skip
    whole = pwmscope.analyse(frame).captures[0]
    kept = pwmscope.analyse(frame, hints={"lines": ["A"]}).captures[0]
    assert kept.sample_interval_ps == whole.sample_interval_ps == 500_000


def test_a_left_out_column_that_cannot_be_read_does_not_matter(tmp_path):
    frame = receiver().with_columns(pl.Series("RX4", ["?"] * 7 + ["0", "1"], dtype=pl.String)
                                    .gather(np.arange(receiver().height) % 9))  # fmt: skip
    file = tmp_path / "a.csv"
    frame.write_csv(file)
    capture = pwmscope.load(file, lines=["RX1"])
    assert capture.sample_interval_ps == 500_000


@pytest.mark.parametrize("form", ["csv", "parquet", "frame"])
def test_a_list_that_lacks_lines_is_one_where_pulses_repeat_closer_than_rows_come(tmp_path, form):
    frame = receiver().select("time_us", "RX1")
    frame.write_csv(tmp_path / "a.csv")
    frame.write_parquet(tmp_path / "a.parquet")
    source = frame if form == "frame" else tmp_path / f"a.{form}"
    analysis = pwmscope.analyse(source)
    assert analysis.captures[0].sample_interval_ps == 500_000
    assert any("none of the lines read" in said for said in analysis.captures[0].assumptions)
    assert analysis["RX1"]["neutral"].value == pytest.approx(1500.0, abs=0.5)


def test_rows_that_may_be_samples_or_changes_of_other_lines_are_refused(tmp_path):
    # Samples at quite uneven steps: each width is known to some steps only.
    rng = np.random.default_rng(5)
    time_us = np.unique(np.round(np.cumsum(rng.exponential(150.0, 20_000)), 1))
    level = ((time_us % PERIOD_US) < 1_500.0).astype(int)
    frame = pl.DataFrame({"time_us": time_us, "RX1": level})
    with pytest.raises(CaptureError, match=r"most change none of the lines.*`rate`"):
        pwmscope.analyse(frame)
    frame.write_csv(tmp_path / "a.csv")
    with pytest.raises(CaptureError, match="most change none of the lines"):
        pwmscope.load(tmp_path / "a.csv")


def test_whoever_states_the_rate_decides_that_rows_are_changes():
    frame = receiver().select("time_us", "RX1")
    capture = pwmscope.analyse(frame, hints={"rate": "2MHz"}).captures[0]
    assert capture.sample_interval_ps == 500_000


def test_samples_of_a_small_board_keep_the_longest_step_as_interval():
    # 18 to 26 us apart, as a loop prints them: the truth of an edge is within one step.
    rng = np.random.default_rng(6)
    time_us = np.cumsum(rng.integers(18, 27, 60_000))
    level = ((time_us % 20_011) < 1_500).astype(int)
    capture = pwmscope.analyse(pl.DataFrame({"time_us": time_us, "RX1": level})).captures[0]
    assert capture.sample_interval_ps == 26_000_000
