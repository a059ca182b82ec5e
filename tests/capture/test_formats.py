"""The table of formats: what tells a file's format, and how a reader is added."""

import gzip
import sys
import types

import numpy as np
import pytest

from pwmscope import Capture, Line, PwmscopeError, load
from pwmscope.capture import FORMATS, Format, find_kind


@pytest.mark.parametrize(
    ("head", "name"),
    [
        (b"PAR1....", "Parquet table"),
        (b"ARROW1..", "Arrow table"),
        (b"\xff\xff\xff\xff....", "Arrow table"),
        (b"  $timescale 1 us $end", "value change dump (IEEE Std 1364)"),
        (b"\xef\xbb\xbf$var wire 1 ! a $end", "value change dump (IEEE Std 1364)"),
        (b"time,RX1\n0,1\n", "text table"),
        (b"$price,RX1\n0,1\n", "text table"),
    ],
)
def test_the_first_format_that_fits_the_first_bytes_is_taken(head, name):
    assert next(each for each in FORMATS if each.begins(head)).name == name


def test_a_packed_dump_is_told_by_its_unpacked_bytes(tmp_path):
    path = tmp_path / "bench.csv"
    path.write_bytes(gzip.compress(b"$timescale 1 us $end"))
    assert find_kind(path) == "value change dump (IEEE Std 1364), packed with gzip"


def test_a_hint_that_no_reader_acts_on_is_refused_by_the_argument_s_name(tmp_path):
    path = tmp_path / "bench.vcd"
    path.write_text("$timescale 1 us $end $var wire 1 ! a $end $enddefinitions $end #0 0! #5 1!\n")
    with pytest.raises(PwmscopeError, match="has no time column; leave `time_column` out") as told:
        load(path, time_column="t")
    assert told.value.arguments == ("time_column",)


def read_pulse_log(path, hints):
    """The example of DEVELOPERS.md: a magic word, then a rise and a fall in ns on each line."""
    edges_ps = np.array(path.read_text().split()[1:], np.int64) * 1000
    lines = {"RX1": Line("RX1", edges_ps, 0)}
    kept = {name: lines[name] for name in hints.lines or lines}
    return Capture(kept, int(edges_ps[-1]) + 1, 1000.0, str(path))


def test_a_reader_is_added_by_one_row_of_the_table(tmp_path, monkeypatch):
    path = tmp_path / "bench.log"
    path.write_text("PULSELOG\n1000 1501000\n21000000 22501000\n")
    with pytest.raises(PwmscopeError):
        load(path)

    home = types.ModuleType("pulse_log_reader")
    home.read_pulse_log = read_pulse_log
    monkeypatch.setitem(sys.modules, home.__name__, home)
    row = Format(
        "pulse log",
        lambda head: head.startswith(b"PULSELOG"),
        ("lines",),
        "pulse_log_reader:read_pulse_log",
        lacks="a pulse log states its own times",
    )
    monkeypatch.setattr("pwmscope.capture.formats.FORMATS", (row, *FORMATS))

    assert find_kind(path) == "pulse log"
    assert load(path).lines["RX1"].edges_ps.tolist()[:2] == [1_000_000, 1_501_000_000]
    with pytest.raises(PwmscopeError, match="states its own times; leave `rate` out"):
        load(path, rate="1MHz")
