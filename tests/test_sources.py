"""What `analyse` takes as a recording: each kind with its own ways of being wrong."""

import gzip
import io
import subprocess
import sys
import zipfile
from decimal import Decimal

import numpy as np
import pandas as pd
import polars as pl
import pytest

import pwmscope
from pwmscope import Capture, Line, PwmscopeError
from pwmscope.errors import ArgumentError, CaptureError, HintError

FRAMES = 150


def table(width_us=1500.0, name="RX1"):
    """One output of a receiver, each change a row; the frame is 20 ms long."""
    rise_us = 3_000.0 + 20_000.0 * np.arange(FRAMES)
    edges_us = np.stack([rise_us, rise_us + width_us], axis=1).ravel()
    time_us = np.concatenate([[0.0], edges_us, [edges_us[-1] + 10_000.0]])
    level = np.searchsorted(edges_us, time_us, side="right") % 2
    return pd.DataFrame({"time_us": time_us, name: level, "RX2": level})


def neutral_us(source, **options):
    return pwmscope.analyse(source, **options)["RX1"]["neutral"].value


def refused(source, **options):
    with pytest.raises(PwmscopeError) as caught:
        pwmscope.analyse(source, **options)
    return str(caught.value)


def stamps():
    nanoseconds = (table().time_us * 1000).astype(np.int64)
    return pd.to_datetime(nanoseconds + 1_700_000_000 * 10**9, unit="ns")


NULLABLE = {
    "boolean": lambda f: f.astype({"RX1": "boolean"}),
    "Int8": lambda f: f.astype({"RX1": "Int8"}),
    "Float64": lambda f: f.astype({"RX1": "Float64", "time_us": "Float64"}),
    "objects": lambda f: f.assign(RX1=f.RX1.astype(bool).astype(object)),
    "decimals": lambda f: f.assign(time_us=[Decimal(str(t)) for t in f.time_us]),
    "zone": lambda f: f.rename(columns={"time_us": "time"}).assign(
        time=stamps().dt.tz_localize("UTC")
    ),
    "other zone": lambda f: f.rename(columns={"time_us": "time"}).assign(
        time=stamps().dt.tz_localize("Asia/Tokyo")
    ),
    "zone as index": lambda f: f.drop(columns="time_us").set_index(stamps().dt.tz_localize("UTC")),
    "date objects": lambda f: f.rename(columns={"time_us": "time"}).assign(
        time=pd.Series(list(stamps().dt.tz_localize("UTC")), dtype=object)
    ),
    "index kept as column": lambda f: f.set_index("time_us", drop=False),
    "unnamed time that rises": lambda f: f.rename(columns={"time_us": "x"}),
    "polars": lambda f: pl.DataFrame(f.to_dict("list")),
    "lazy": lambda f: pl.DataFrame(f.to_dict("list")).lazy(),
}


@pytest.mark.parametrize("form", NULLABLE)
def test_the_same_rows_are_the_same_recording_in_every_form(form):
    hints = {"time_unit": "us"} if form == "unnamed time that rises" else None
    assert neutral_us(NULLABLE[form](table()), hints=hints) == pytest.approx(1500.0, abs=1e-3)


@pytest.mark.parametrize(
    "make",
    [
        lambda f: f.rename(columns={"RX2": "RX1"}),
        lambda f: pd.concat([f, f], axis=1),
        lambda f: f.rename(columns={"RX1": 1, "RX2": "1"}),
    ],
    ids=["renamed", "put side by side", "a number and its text"],
)
def test_two_columns_of_one_name_are_refused(make):
    assert "data frame with 2 columns" in refused(make(table()))


def test_names_that_are_no_texts_are_said_to_become_texts():
    capture = pwmscope.analyse(table().rename(columns={"RX1": 1, "RX2": 2})).captures[0]
    assert list(capture.lines) == ["1", "2"]
    assert "Columns that no text names were named as text: 1, 2." in capture.assumptions


def test_names_of_several_levels_are_refused():
    frame = table()
    frame.columns = pd.MultiIndex.from_product([["bench"], frame.columns])
    assert "2 levels of names" in refused(frame)


def test_an_index_and_a_column_that_may_both_be_the_time_are_refused():
    frame = table().set_index("time_us", drop=False)
    frame["time_us"] *= 2
    assert "index and whose column 'time_us' may both be its time" in refused(frame)


def test_two_frames_are_told_apart():
    analysis = pwmscope.analyse(table(), table(1600.0))
    assert [capture.source for capture in analysis.captures] == ["data frame 1", "data frame 2"]
    assert set(analysis.to_polars()["source"]) == {"data frame 1", "data frame 2"}


def test_the_frame_that_cannot_be_read_is_named():
    bad = table().astype(float)
    bad.loc[6, "RX1"] = np.nan
    with pytest.raises(CaptureError, match="data frame 2, row 7, column RX1"):
        pwmscope.analyse(table(), bad)


def test_several_open_files_are_told_apart(tmp_path):
    text = table().to_csv(index=False).encode()
    (tmp_path / "a.csv").write_bytes(text)
    with (tmp_path / "a.csv").open("rb") as file:
        analysis = pwmscope.analyse(io.BytesIO(text), file, io.BytesIO(text), table())
    sources = [capture.source for capture in analysis.captures]
    assert sources == ["open file 1", str(tmp_path / "a.csv"), "open file 2", "the data frame"]


@pytest.mark.parametrize("unit", ["s", "ms", "us"])
def test_a_unit_in_which_no_pulse_is_a_servo_pulse_is_said(unit):
    frame = table().rename(columns={"time_us": f"time_{unit}"})
    said = pwmscope.analyse(frame).captures[0].assumptions
    doubts = [one for one in said if "servo pulses 0.75 ms to 2.25 ms" in one]
    assert bool(doubts) == (unit != "us")
    assert all(one.arguments == ("time_unit",) for one in doubts)


def test_a_unit_against_a_heading_that_pulses_confirm_is_refused(tmp_path):
    assert "only then do levels last" in refused(table(), hints={"time_unit": "s"})
    pl.DataFrame(table().to_dict("list")).write_parquet(tmp_path / "a.parquet")
    with pytest.raises(HintError, match="column time_us: the heading says us"):
        pwmscope.load(tmp_path / "a.parquet", time_unit="s")


def test_where_the_unit_is_wrong_the_markers_wire_is_not_blamed():
    frame = table().rename(columns={"time_us": "time_ns"})
    sheet = {"marker": {"line": "on", "on": "high", "kind": "switch"},
             "channels": {"RX1": {"role": "weapon"}}}  # fmt: skip
    frame["on"] = ((frame.time_ns < 1e6) | (frame.time_ns > 2e6)).astype(int)
    said = refused(frame, sheet=sheet)
    assert "give `time_unit`" in said
    assert "wire" not in said


@pytest.mark.parametrize(
    "column",
    [np.where(table().RX1 == 1, 3.3, 0.0), table().RX1 * 1.0],
    ids=["volts", "0.0 and 1.0"],
)
@pytest.mark.parametrize("make", [pd.DataFrame, pl.DataFrame])
def test_a_frame_of_numbers_without_a_time_column_is_told_to_give_the_rate(make, column):
    said = refused(make({"A0": column, "A1": column}))
    assert said.startswith("The argument source is a data frame without a time column (A0, A1)")
    assert "hints={'rate': '1MHz'}" in said


@pytest.mark.parametrize("dtype", ["boolean", "Int8", "Float64"])
def test_a_missing_level_is_named_by_its_row(dtype):
    frame = table().astype({"RX1": dtype})
    frame.loc[100, "RX1"] = pd.NA
    assert "row 101, column RX1: nothing stands" in refused(frame)


def test_a_column_that_cannot_be_read_may_be_left_out():
    frame = table().assign(note="warm")
    assert "column 'note' holds" in refused(frame)
    assert neutral_us(frame, hints={"lines": ["RX1"]}) == pytest.approx(1500.0, abs=1e-3)


def test_a_line_that_is_not_there_is_told_beside_those_that_are():
    assert "the lines are RX1, RX2" in refused(table(), hints={"lines": ["RX9"]})


def test_the_time_column_is_no_line():
    assert "names the time column time_us" in refused(table(), hints={"lines": ["time_us", "RX1"]})


def test_whole_numbers_in_objects_lose_no_digit():
    stamp_ns = (table().time_us * 1000).astype(np.int64) + 1_700_000_000 * 10**9
    frame = table().drop(columns="time_us").assign(time_ns=stamp_ns.astype(object))
    assert pwmscope.analyse(frame).captures[0].lines["RX1"].edges_ps[0] == 3 * 10**9


@pytest.mark.parametrize(
    "dtype", ["bool[pyarrow]", "int8[pyarrow]", "timestamp[ns, tz=UTC][pyarrow]"]
)
def test_columns_of_arrow_are_read(dtype):
    pytest.importorskip("pyarrow")
    frame = table()
    if "timestamp" in dtype:
        stamped = stamps().dt.tz_localize("UTC").astype(dtype)
        frame = frame.drop(columns="time_us").assign(time=stamped)
    else:
        frame = frame.astype({"RX1": dtype})
    assert neutral_us(frame) == pytest.approx(1500.0, abs=1e-3)


def test_times_that_are_none_are_not_to_be_left_out():
    frame = table().rename(columns={"time_us": "time"}).assign(time="noon")
    said = refused(frame)
    assert "expected numbers or time stamps" in said
    assert "lines" not in said


@pytest.mark.parametrize(
    "source",
    [
        table().RX1, table().to_dict("list"), table().to_numpy(), [1, 2], None, 5, b"a.csv",
        pd.DataFrame(), pd.DataFrame({"time_us": []}), pl.DataFrame(), table().iloc[:1],
        io.StringIO("time_us,RX1\n0,0\n"), io.BytesIO(), "", "nowhere.csv", "a\0b.csv",
        zipfile.ZipFile(io.BytesIO(), "w"),
        pl.LazyFrame({"a": [1]}).select("b"), pl.scan_csv("nowhere.csv"),
        {"time_us": np.arange(3)}, object(),
    ],
    ids=lambda source: type(source).__name__,
)  # fmt: skip
def test_what_is_no_recording_is_refused_in_a_sentence(source):
    assert refused(source).endswith(".")


class _BytesPath:
    def __init__(self, path):
        self._path = path

    def __fspath__(self):
        return bytes(self._path)


def test_a_path_in_bytes_is_a_path(tmp_path):
    file = tmp_path / "a.csv"
    table().to_csv(file, index=False)
    assert neutral_us(_BytesPath(file)) == pytest.approx(1500.0, abs=1e-3)


def test_an_open_file_is_read_from_its_beginning_each_time(tmp_path):
    text = table().to_csv(index=False).encode()
    packed = gzip.compress(text)
    (tmp_path / "a.csv").write_bytes(text)
    unpacking = gzip.GzipFile(fileobj=io.BytesIO(packed))
    for file in (io.BytesIO(text), io.BytesIO(packed), unpacking, (tmp_path / "a.csv").open("rb")):
        with file:
            file.read(100)
            assert neutral_us(file) == neutral_us(file) == pytest.approx(1500.0, abs=1e-3)
        assert "cannot be read" in refused(file)


def test_a_pipe_is_read_from_where_it_stands():
    command = [sys.executable, "-c", f"print({table().to_csv(index=False)!r}, end='')"]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        assert neutral_us(process.stdout) == pytest.approx(1500.0, abs=1e-3)


def test_what_is_assumed_of_an_open_file_keeps_its_fields():
    said = (
        pwmscope.analyse(io.BytesIO(table().to_csv(index=False).encode())).captures[0].assumptions
    )
    assert {"time unit", "sampling interval"} <= {one.what for one in said}


def test_an_error_in_an_open_file_names_the_file_and_not_its_copy():
    with pytest.raises(CaptureError) as caught:
        pwmscope.analyse(io.BytesIO(b"time_us,RX1\n0,0\n1,?\n2,1\n"))
    assert caught.value.source == "the open file"
    assert "/" not in str(caught.value)


EDGES = np.array([5, 7], np.int64)
LINE = Line("RX1", EDGES, 0)


@pytest.mark.parametrize(
    ("argument", "make"),
    [
        ("name", lambda: Line(5, EDGES, 0)),
        ("edges_ps", lambda: Line("a", [1, 2], 0)),
        ("edges_ps", lambda: Line("a", None, 0)),
        ("edges_ps", lambda: Line("a", EDGES[::-1], 0)),
        ("edges_ps", lambda: Line("a", EDGES.astype(np.int32), 0)),
        ("edges_ps", lambda: Line("a", EDGES.astype(float), 0)),
        ("edges_ps", lambda: Line("a", EDGES.reshape(1, 2), 0)),
        ("edges_ps", lambda: Line("a", EDGES - 6, 0)),
        ("initial_level", lambda: Line("a", EDGES, "high")),
        ("initial_level", lambda: Line("a", EDGES, 2)),
        ("initial_level", lambda: Line("a", EDGES, EDGES)),
        ("lines", lambda: Capture([LINE], 9, None, "x")),
        ("lines", lambda: Capture({"RX1": 5}, 9, None, "x")),
        ("duration_ps", lambda: Capture({"RX1": LINE}, 9.0, None, "x")),
        ("duration_ps", lambda: Capture({"RX1": LINE}, True, None, "x")),
        ("start_ps", lambda: Capture({"RX1": LINE}, 9, None, "x", (), -1)),
        ("sample_interval_ps", lambda: Capture({"RX1": LINE}, 9, float("nan"), "x")),
        ("sample_interval_ps", lambda: Capture({"RX1": LINE}, 9, -1.0, "x")),
        ("sample_interval_ps", lambda: Capture({"RX1": LINE}, 9, "2us", "x")),
        ("source", lambda: Capture({"RX1": LINE}, 9, None, 5)),
        ("assumptions", lambda: Capture({"RX1": LINE}, 9, None, "x", "said")),
    ],
)
def test_a_capture_or_line_that_cannot_be_is_refused_when_it_is_made(argument, make):
    with pytest.raises(ArgumentError, match=f"The argument {argument} is") as caught:
        make()
    assert caught.value.argument == argument


def test_a_line_under_another_name_takes_that_name():
    assert Capture({"RX2": LINE}, 9, None, "x").lines["RX2"].name == "RX2"
    assert LINE.name == "RX1"


@pytest.mark.parametrize(
    "hints", [{"lines": []}, {"lines": ""}, {"lines": ["RX1", "RX1"]}, {"threshold": 0.5}]
)
def test_hints_are_refused_alike_of_a_frame_and_of_its_text(tmp_path, hints):
    file = tmp_path / "the data frame"
    table().to_csv(file, index=False)
    assert refused(str(file), hints=hints).replace(str(file), "the data frame") == refused(
        table(), hints=hints
    )
