"""Parquet and Arrow tables: the same recording gives the same edges as from text."""

import contextlib
import gzip
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pwmscope.capture import Capture, Hints, Line, observed_by
from pwmscope.capture.columnar import read_columnar, write_edges
from pwmscope.capture.text import read_table
from pwmscope.errors import CaptureError, HintError

NO_HINTS = Hints()
TICKS = 20_000


def sampled(interval_us=1):
    """Two lines of one pulse in 20 ms at 1 MS/s: RX1 1500 us from 100 us, RX2 1100 us from 1600."""
    tick = np.arange(TICKS)
    return pl.DataFrame(
        {
            "time_us": tick * interval_us,
            "RX1": (tick >= 100) & (tick < 1600),
            "RX2": (tick >= 1600) & (tick < 2700),
        }
    )


def edges(capture):
    return {name: line.edges_ps.tolist() for name, line in capture.lines.items()}


EXPECTED = {"RX1": [100_000_000, 1_600_000_000], "RX2": [1_600_000_000, 2_700_000_000]}


def write(frame, path):
    if path.suffix == ".parquet":
        frame.write_parquet(path, row_group_size=3000)
    else:
        frame.write_ipc(path, record_batch_size=3000)
    return path


FILES = pytest.mark.parametrize("name", ["a.parquet", "a.arrow"])

LEVELS = {
    "truth values": pl.Boolean,
    "bytes": pl.UInt8,
    "signed": pl.Int64,
    "32-bit floats": pl.Float32,
    "fixed point": pl.Decimal(5, 2),
}


@FILES
@pytest.mark.parametrize("dtype", LEVELS.values(), ids=LEVELS)
def test_levels_of_any_number_type(tmp_path, name, dtype):
    frame = sampled().with_columns(pl.col("RX1", "RX2").cast(pl.UInt8).cast(dtype))
    capture = read_columnar(write(frame, tmp_path / name), NO_HINTS)
    assert edges(capture) == EXPECTED
    assert capture.sample_interval_ps == 1e6
    assert capture.duration_ps == 19_999_000_000


def stamps(unit, zone=None):
    per_us = {"us": 1, "ns": 1000}[unit]
    begin = 1_795_600_000_000_000 * per_us
    column = (pl.col("time_us") * per_us + begin).cast(pl.Datetime(unit, zone))
    return sampled().select(column.alias("when"), "RX1", "RX2")


TIMES = {
    "whole us": sampled,
    "whole ns": lambda: sampled().select((pl.col("time_us") * 1000).alias("t_ns"), "RX1", "RX2"),
    "unsigned": lambda: sampled().with_columns(pl.col("time_us").cast(pl.UInt32)),
    "float s": lambda: sampled().select((pl.col("time_us") / 1e6).alias("time_s"), "RX1", "RX2"),
    "float ms": lambda: sampled().select(
        (pl.col("time_us") / 1e3).alias("Time [ms]"), "RX1", "RX2"
    ),
    "32-bit float us": lambda: sampled().with_columns(pl.col("time_us").cast(pl.Float32)),
    "fixed point s": lambda: sampled().select(
        (pl.col("time_us").cast(pl.Decimal(20, 6)) / 1_000_000)
        .cast(pl.Decimal(20, 6))
        .alias("time_s"),
        "RX1",
        "RX2",
    ),
    "date and time, us": lambda: stamps("us"),
    "date and time, ns, with zone": lambda: stamps("ns", "UTC"),
    "duration": lambda: sampled().select(
        pl.col("time_us").cast(pl.Duration("us")).alias("since"), "RX1", "RX2"
    ),
    "negative before a trigger": lambda: sampled().with_columns(pl.col("time_us") - 5000),
}


@FILES
@pytest.mark.parametrize("table", TIMES.values(), ids=TIMES)
def test_times_of_any_type_one_row_per_sample(tmp_path, name, table):
    capture = read_columnar(write(table(), tmp_path / name), NO_HINTS)
    assert edges(capture) == EXPECTED
    assert capture.sample_interval_ps == 1e6


@FILES
@pytest.mark.parametrize("table", TIMES.values(), ids=TIMES)
def test_times_of_any_type_one_row_per_change(tmp_path, name, table):
    frame = table()
    frame = frame[[0, 100, 1600, 2700, TICKS - 1]]
    capture = read_columnar(write(frame, tmp_path / name), NO_HINTS)
    assert edges(capture) == EXPECTED
    assert capture.duration_ps == 19_999_000_000
    assert any("one row per change" in sentence for sentence in capture.assumptions)


@FILES
def test_samples_without_time_take_the_stated_rate(tmp_path, name):
    file = write(sampled().drop("time_us"), tmp_path / name)
    assert edges(read_columnar(file, Hints(rate_hz=1e6))) == EXPECTED
    with pytest.raises(HintError, match="`rate="):
        read_columnar(file, NO_HINTS)


SWEEP = Path(__file__).parents[2] / "captures" / "clean-sweep.csv"


@pytest.fixture(scope="module")
def shipped():
    """The shipped change-listed recording as its CSV text gives it."""
    return read_table(SWEEP, NO_HINTS)


@pytest.mark.parametrize("time", ["float64", "fixed point"])
@FILES
def test_a_shipped_recording_reads_as_from_its_csv(tmp_path, shipped, name, time):
    csv = pl.read_csv(shipped.source, schema_overrides={"time_s": pl.String})
    dtype = pl.Float64 if time == "float64" else pl.Decimal(30, 12)
    frame = csv.with_columns(pl.col("time_s").cast(dtype))
    capture = read_columnar(write(frame, tmp_path / name), NO_HINTS)
    assert edges(capture) == edges(shipped)
    assert capture.duration_ps == shipped.duration_ps
    assert capture.sample_interval_ps == shipped.sample_interval_ps


def test_floats_rounded_to_the_nanosecond_still_give_away_the_rate(tmp_path):
    rng = np.random.default_rng(4)
    ticks = np.concatenate([[0], np.cumsum(rng.integers(24_000, 48_000, 200))])
    frame = pl.DataFrame({"time_s": np.round(ticks / 24e6, 9), "RX1": np.arange(201) % 2 == 1})
    capture = read_columnar(write(frame, tmp_path / "a.parquet"), NO_HINTS)
    assert capture.sample_interval_ps == pytest.approx(1e12 / 24e6)


def test_floats_seconds_since_1970_say_that_they_are_coarse(tmp_path):
    frame = sampled().select((pl.col("time_us") / 1e6 + 1.7956e9).alias("time_s"), "RX1", "RX2")
    capture = read_columnar(write(frame, tmp_path / "a.parquet"), NO_HINTS)
    assert any("apart to 238.42 ns only" in sentence for sentence in capture.assumptions)
    for line, expected in zip(capture.lines.values(), EXPECTED.values(), strict=True):
        assert line.edges_ps.tolist() == pytest.approx(expected, abs=250_000)


@given(st.integers(1, 2500))
@settings(max_examples=25, deadline=None)
def test_how_rows_are_cut_into_batches_has_no_effect(tmp_path_factory, batch_rows):
    folder = tmp_path_factory.mktemp("batch")
    frame = sampled().filter(pl.col("time_us") < 2800)
    file = write(frame, folder / "a.parquet")
    assert edges(read_columnar(file, NO_HINTS, batch_rows=batch_rows)) == EXPECTED


def voltages(dtype=pl.Float64):
    """Both lines as 0.1 and 3.2 V, a sample halfway at each edge; RX3 is a digital line."""
    ramp = [
        (0.1 + 3.1 * pl.col(name).cast(pl.Float64).rolling_mean(2, min_samples=1))
        .round(3)
        .cast(dtype)
        .alias(name)
        for name in ("RX1", "RX2")
    ]
    return sampled().with_columns(*ramp, pl.col("RX1").cast(pl.UInt8).alias("RX3"))


@FILES
def test_voltages_read_as_from_text(tmp_path, name):
    text = tmp_path / "a.csv"
    voltages().write_csv(text)
    expected = read_table(text, NO_HINTS)
    capture = read_columnar(write(voltages(), tmp_path / name), NO_HINTS)
    assert edges(capture) == edges(expected)
    assert edges(capture)["RX3"] == EXPECTED["RX1"]
    # The sample at each edge is the mean of both levels, so it lies on the threshold itself.
    assert edges(capture)["RX1"] == EXPECTED["RX1"]
    assert any("threshold is 1.65, halfway" in sentence for sentence in capture.assumptions)


def test_whole_numbers_are_voltages_only_if_asked(tmp_path):
    counts = voltages().with_columns((pl.col("RX1", "RX2") * 100).round().cast(pl.UInt16))
    file = write(counts, tmp_path / "a.parquet")
    with pytest.raises(CaptureError, match="row 1, column RX1: '10' stands where the level"):
        read_columnar(file, NO_HINTS)
    capture = read_columnar(file, Hints(threshold_v=100))
    assert any("threshold is 100, as you said" in sentence for sentence in capture.assumptions)
    for line, expected in zip(capture.lines.values(), EXPECTED.values(), strict=False):
        assert line.edges_ps.tolist() == pytest.approx(expected, abs=1_000_000)


def test_a_threshold_without_voltages_is_refused(tmp_path):
    file = write(sampled(), tmp_path / "a.parquet")
    with pytest.raises(HintError, match="no column holds voltages; leave `threshold` out"):
        read_columnar(file, Hints(threshold_v=1.5))


def test_lines_are_chosen_and_ordered_by_the_hint(tmp_path):
    frame = sampled().with_columns(pl.lit("text").alias("note"))
    file = write(frame, tmp_path / "a.parquet")
    capture = read_columnar(file, Hints(lines=("RX2", "RX1")))
    assert list(capture.lines) == ["RX2", "RX1"]
    assert edges(capture) == EXPECTED
    with pytest.raises(CaptureError, match=r"column note: the column holds String.*`lines`"):
        read_columnar(file, NO_HINTS)
    with pytest.raises(HintError, match="no line 'RX9'"):
        read_columnar(file, Hints(lines=("RX9",)))


def test_a_time_column_under_another_name_is_hinted_or_seen(tmp_path):
    file = write(sampled().rename({"time_us": "clock"}), tmp_path / "a.parquet")
    with pytest.raises(HintError, match="`time_unit`"):
        read_columnar(file, NO_HINTS)
    assert edges(read_columnar(file, Hints(time_unit="us"))) == EXPECTED
    named = read_columnar(file, Hints(time_column="clock", time_unit="us"))
    assert edges(named) == EXPECTED
    with pytest.raises(HintError, match="no column 'wrong'"):
        read_columnar(file, Hints(time_column="wrong"))


def test_two_candidate_time_columns_are_an_error_that_names_the_hint(tmp_path):
    frame = sampled().with_columns((pl.col("time_us") * 1000).alias("t_ns"))
    file = write(frame, tmp_path / "a.parquet")
    with pytest.raises(CaptureError, match="`time_column`"):
        read_columnar(file, NO_HINTS)
    assert edges(read_columnar(file, Hints(time_column="t_ns", lines=("RX1", "RX2")))) == EXPECTED


BAD = {
    "a level of 2": (pl.when(pl.col("time_us") == 7).then(2).otherwise(0).alias("RX1"), "row 8"),
    "a missing level": (
        pl.when(pl.col("time_us") == 7).then(None).otherwise(0).alias("RX1"),
        "row 8, column RX1: nothing stands where the level 0 or 1 was expected",
    ),
    "not a number": (
        pl.when(pl.col("time_us") == 7).then(float("nan")).otherwise(0).alias("RX1"),
        "row 8, column RX1: 'nan' stands where a finite voltage was expected",
    ),
    "a missing time": (
        pl.when(pl.col("time_us") == 7).then(None).otherwise(pl.col("time_us")).alias("time_us"),
        "row 8, column time_us: nothing stands",
    ),
    "a time out of reach": (
        pl.when(pl.col("time_us") == 7).then(2**62).otherwise(pl.col("time_us")).alias("time_us"),
        "row 8, column time_us: '4611686018427387904' stands",
    ),
    "an infinite time": (
        pl.when(pl.col("time_us") == 7)
        .then(float("inf"))
        .otherwise(pl.col("time_us"))
        .alias("time_us"),
        "row 8, column time_us: 'inf' stands",
    ),
    "time going backwards": (pl.col("time_us").reverse(), "row 2: time goes backwards by 1 us"),
    "one time for all": (pl.lit(5).alias("time_us"), "every row has the same time"),
    "no edges": (pl.lit(0).alias("RX1"), "none of the lines"),
    "times of text": (pl.lit("noon").alias("time_us"), "column time_us: the time column holds"),
}


@FILES
@pytest.mark.parametrize(("change", "words"), BAD.values(), ids=BAD)
def test_bad_values_are_told_with_their_place(tmp_path, name, change, words):
    file = write(sampled().drop("RX2").with_columns(change), tmp_path / name)
    with pytest.raises(CaptureError) as caught:
        read_columnar(file, NO_HINTS)
    assert words in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


@FILES
@pytest.mark.parametrize("rows", [0, 1])
def test_too_few_rows(tmp_path, name, rows):
    with pytest.raises(CaptureError, match="row"):
        read_columnar(write(sampled().head(rows), tmp_path / name), NO_HINTS)


def test_neither_kind_and_the_stream_form_are_told_apart(tmp_path):
    file = tmp_path / "a.parquet"
    file.write_bytes(b"time_s,RX1\n")
    with pytest.raises(CaptureError, match="is neither"):
        read_columnar(file, NO_HINTS)
    sampled().write_ipc_stream(file)
    assert read_columnar(file, NO_HINTS).lines
    file.write_bytes(gzip.compress(b"PAR1"))
    with pytest.raises(CaptureError, match="not packed; unpack it"):
        read_columnar(file, NO_HINTS)
    with pytest.raises(CaptureError, match="no such file"):
        read_columnar(tmp_path / "nowhere.parquet", NO_HINTS)


@FILES
@pytest.mark.parametrize("kept", [8, 200, 0.5, 0.99])
def test_a_file_cut_short_is_told(tmp_path, name, kept):
    file = write(sampled(), tmp_path / name)
    whole = file.read_bytes()
    file.write_bytes(whole[: kept if kept > 1 else int(kept * len(whole))])
    with pytest.raises(CaptureError, match="damaged or cut short"):
        read_columnar(file, NO_HINTS)


@pytest.mark.parametrize("name", ["a.parquet", "a.arrow", "kept.parquet"])
@given(data=st.data())
@settings(max_examples=60, deadline=None)
def test_changed_bytes_end_in_a_capture_or_a_told_error(tmp_path_factory, name, data):
    file = tmp_path_factory.mktemp("damage") / name
    if name.startswith("kept"):
        lines = {"RX1": Line("RX1", np.arange(1, 500), 0)}
        write_edges(Capture(lines, 600, None, "bench.csv"), file)
    else:
        write(sampled().filter(pl.col("time_us") < 2800), file)
    content = bytearray(file.read_bytes())
    places = st.integers(0, len(content) - 1)
    for at, byte in data.draw(st.lists(st.tuples(places, st.integers(0, 255)), max_size=6)):
        content[at] = byte
    file.write_bytes(content)
    with contextlib.suppress(CaptureError, HintError):
        assert read_columnar(file, NO_HINTS).lines


@FILES
def test_reading_is_watched_to_its_end(tmp_path, name):
    seen = []
    with observed_by(lambda done, total, unit: seen.append((done, total, unit))):
        read_columnar(write(sampled(), tmp_path / name), NO_HINTS, batch_rows=4000)
    assert seen[0] == (0, TICKS, "rows")
    assert seen[-1] == (TICKS, TICKS, "rows")
    assert [done for done, _, _ in seen] == sorted(done for done, _, _ in seen)


def test_dates_beyond_the_calendar_are_told_as_the_numbers_they_are_kept_as(tmp_path):
    """Found by tests/fuzz/damaged.py: a year of six digits has no date to print."""
    file = tmp_path / "recording.parquet"
    beyond = 6_917_775_177_780_892_445
    stamps = pl.Series("timestamp", [0, 1, beyond], pl.Int64).cast(pl.Datetime("us"))
    pl.DataFrame({"timestamp": stamps, "RX1": [0, 1, 0]}).write_parquet(file)
    with pytest.raises(CaptureError, match=rf"row 3, column timestamp: '{beyond}' stands"):
        read_columnar(file, NO_HINTS)
    stamps = (pl.Series("timestamp", [0, 1, 2], pl.Int64) + beyond).cast(pl.Datetime("us"))
    pl.DataFrame({"timestamp": stamps, "RX1": [0, 1, 7]}).write_parquet(file)
    with pytest.raises(CaptureError, match="row 3, column RX1: '7' stands"):
        read_columnar(file, NO_HINTS)


def test_a_rate_that_takes_years_is_refused_in_one_sentence(tmp_path):
    """Found by tests/fuzz/damaged.py: samples a nanohertz apart come later than 106 days."""
    file = tmp_path / "recording.parquet"
    pl.DataFrame({"RX1": [0, 1, 0, 1]}).write_parquet(file)
    with pytest.raises(CaptureError, match="at this rate the samples come to more than 106 days"):
        read_columnar(file, Hints.of(rate=1e-9))
