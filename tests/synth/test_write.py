"""The three shapes of file, read back with nothing but a CSV reader."""

import csv
import gzip
import json
import os
from decimal import Decimal

import numpy as np
import polars as pl
import pytest

from pwmscope.errors import OutputError
from pwmscope.synth import (
    Channel,
    Dwell,
    Frame,
    Glitches,
    Loss,
    PulsesStop,
    ScriptError,
    Sweep,
    Width,
    write,
    write_truth,
)
from pwmscope.synth.recording import sample_instants_ps

RATE_HZ = 240_000  # one sample is 4166.666... ns: no decimal fraction holds it


@pytest.fixture
def recording(bench):
    return bench(
        duration_s=12.5,
        sample_rate_hz=RATE_HZ,
        frame=Frame(20_000, first_frame_us=-300, jitter_us=5, dropout_probability=0.05),
        channels=(
            Channel("RX1", (Dwell(1500, 3), Sweep(1900, 2)), when_lost=PulsesStop(0.1)),
            Channel("RX, two", (Dwell(1100, 1),), skew_us=1500, inverted=True),
        ),
        width=Width(jitter_us=2),
        glitches=Glitches(60),
        losses=(Loss(7, 9, 0.2),),
        marker="tx-on",
    )


def assert_same_edges(recording, names, levels, times_ps):
    assert names == list(recording.capture.lines)
    assert times_ps[-1] == recording.capture.duration_ps
    for name, column in zip(names, levels, strict=True):
        line = recording.capture.lines[name]
        changed = np.flatnonzero(np.diff(column)) + 1
        assert column[0] == line.initial_level
        assert times_ps[changed].tolist() == line.edges_ps.tolist()


def test_changes_hold_every_edge_and_the_end(recording, tmp_path):
    write(recording, tmp_path / "a.csv", "changes")
    with (tmp_path / "a.csv").open(newline="") as file:
        header, *rows = csv.reader(file)
    times_ps = np.array([int(Decimal(row[0]) * 10**12) for row in rows])
    levels = np.array([[int(cell) for cell in row[1:]] for row in rows]).T
    assert header[0] == "time_s"
    assert times_ps[0] == 0
    assert np.all(np.diff(times_ps) > 0)
    # Every row changes a level but the first and perhaps the last.
    assert np.all(np.any(np.diff(levels), axis=0)[:-1])
    assert_same_edges(recording, header[1:], levels, times_ps)


def test_samples_hold_every_sample_with_its_time(recording, tmp_path):
    write(recording, tmp_path / "a.csv", "samples")
    table = pl.read_csv(tmp_path / "a.csv", schema_overrides={"time_s": pl.Decimal(20, 12)})
    times_ps = np.array((table["time_s"] * 10**12).cast(pl.Int64))
    assert times_ps.size == 12.5 * RATE_HZ + 1
    assert np.array_equal(times_ps, sample_instants_ps(np.arange(times_ps.size), RATE_HZ))
    names = table.columns[1:]
    assert_same_edges(recording, names, [table[n].to_numpy() for n in names], times_ps)


def test_levels_hold_every_sample_without_time(recording, tmp_path):
    write(recording, tmp_path / "a.csv.gz", "levels")
    table = pl.read_csv(gzip.decompress((tmp_path / "a.csv.gz").read_bytes()))
    times_ps = sample_instants_ps(np.arange(table.height), RATE_HZ)
    columns = [table[n].to_numpy() for n in table.columns]
    assert_same_edges(recording, table.columns, columns, times_ps)


def test_samples_of_a_round_rate_carry_no_idle_digits(bench, tmp_path):
    write(bench(duration_s=0.01, sample_rate_hz=100_000), tmp_path / "a.csv", "samples")
    lines = (tmp_path / "a.csv").read_text().splitlines()
    assert lines[:3] == ["time_s,RX1", "0.00000,0", "0.00001,0"]
    assert lines[-1] == "0.01000,0"


def test_a_script_says_the_shape_unless_the_writer_does(bench, tmp_path):
    write(bench(shape="levels"), tmp_path / "a.csv")
    assert (tmp_path / "a.csv").read_text().startswith("RX1\n0\n")


def test_a_gzip_file_is_the_same_whenever_it_is_written(recording, tmp_path):
    for name in ("a.csv.gz", "b.csv.gz"):
        write(recording, tmp_path / name)
    packed = (tmp_path / "a.csv.gz").read_bytes()
    assert packed == (tmp_path / "b.csv.gz").read_bytes()
    assert packed[4:8] == b"\0\0\0\0"  # the time stamp's place by RFC 1952


def test_a_file_may_be_read_by_whom_the_umask_lets(recording, tmp_path):
    before = os.umask(0o022)
    try:
        write(recording, tmp_path / "a.csv")
    finally:
        os.umask(before)
    assert (tmp_path / "a.csv").stat().st_mode & 0o777 == 0o644


def test_an_unknown_shape_is_refused_before_a_file_is_opened(recording, tmp_path):
    with pytest.raises(ScriptError, match="shape: the value is 'rows', expected one of samples"):
        write(recording, tmp_path / "a.csv", "rows")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("failure", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_a_failure_half_way_leaves_the_old_file_and_nothing_else(
    recording, tmp_path, monkeypatch, failure
):
    old = tmp_path / "a.csv"
    old.write_text("old\n")

    def break_off(*_):
        yield b"time_s,RX1\n0.0,0\n"
        raise failure

    monkeypatch.setattr("pwmscope.synth.files.csv_chunks", break_off)
    expected = OutputError if isinstance(failure, OSError) else KeyboardInterrupt
    with pytest.raises(expected):
        write(recording, old)
    assert old.read_text() == "old\n"
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv"]


def test_a_folder_that_is_not_there_is_said_in_a_sentence(recording, tmp_path):
    with pytest.raises(OutputError, match=r"a\.csv: the file cannot be written \(No such file"):
        write(recording, tmp_path / "gone" / "a.csv")


def test_the_truth_is_a_small_document_of_times_and_levels(recording, tmp_path):
    write_truth(recording, tmp_path / "a.json")
    truth = json.loads((tmp_path / "a.json").read_text())
    assert truth["synthetic"] is True
    assert truth["lines"] == ["RX1", "RX, two", "tx-on"]
    assert truth["losses"] == [{"off_s": 7, "on_s": 9, "follows_s": 9.2}]
    rx1 = truth["channels"]["RX1"]
    assert (rx1["low_us"], rx1["high_us"]) == (1500, 1900)
    assert rx1["losses"][0]["behaviour"] == "pulses stop"
    assert len(truth["frames"]["missing"]) == recording.truth.frames.missing.sum()
    assert len(rx1["glitches"]) == recording.truth.channels["RX1"].glitch_rise_ps.size
    assert (tmp_path / "a.json").stat().st_size < 16_000
