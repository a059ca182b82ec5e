"""Kept edges: what is written comes back exactly; whatever is spoilt is told."""

import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pwmscope.capture import Capture, Hints, Line
from pwmscope.capture.columnar import KEY, read_columnar, read_edges, write_edges
from pwmscope.capture.text import read_table
from pwmscope.errors import CaptureError, HintError, OutputError

NO_HINTS = Hints()
SWEEP = Path(__file__).parents[2] / "captures" / "clean-sweep.csv"


def edges(capture):
    return {name: line.edges_ps.tolist() for name, line in capture.lines.items()}


@pytest.fixture(scope="module")
def shipped():
    return read_table(SWEEP, NO_HINTS)


names = st.text(st.characters(exclude_categories=["Cs"]), max_size=12) | st.sampled_from(
    ["", "line", "edge_ps", '"', "a,b", "\x00", "\u202eRX1", "null"]
)


@st.composite
def captures(draw):
    lines = {}
    for name in draw(st.lists(names, min_size=1, max_size=6, unique=True)):
        instants = draw(st.sets(st.integers(1, 2**62), max_size=30))
        lines[name] = Line(name, np.array(sorted(instants), np.int64), draw(st.integers(0, 1)))
    last = max([0, *(int(line.edges_ps[-1]) for line in lines.values() if line.edges_ps.size)])
    interval = st.none() | st.floats(1e-3, 1e15)
    sentences = st.lists(st.text(st.characters(exclude_categories=["Cs"]), max_size=30))
    return Capture(
        lines,
        last + draw(st.integers(0, 2**61)),
        draw(interval),
        draw(names),
        tuple(draw(sentences)),
    )


@given(capture=captures())
@settings(deadline=None)
def test_kept_edges_come_back_exactly(tmp_path_factory, capture):
    file = tmp_path_factory.mktemp("kept") / "kept.parquet"
    write_edges(capture, file)
    again = read_columnar(file, NO_HINTS)
    assert list(again.lines) == list(capture.lines)
    for line, kept in zip(capture.lines.values(), again.lines.values(), strict=True):
        assert kept.name == line.name
        assert kept.initial_level == line.initial_level
        assert kept.edges_ps.dtype == np.int64
        assert np.array_equal(kept.edges_ps, line.edges_ps)
    assert again.duration_ps == capture.duration_ps
    assert again.sample_interval_ps == capture.sample_interval_ps
    assert again.assumptions[1:] == capture.assumptions
    assert again.source == str(file)
    assert capture.source in again.assumptions[0]


def test_the_file_is_a_plain_table_of_line_and_edge(tmp_path, shipped):

    write_edges(shipped, tmp_path / "kept.parquet")
    frame = pl.read_parquet(tmp_path / "kept.parquet")
    for name, line in shipped.lines.items():
        mine = frame.filter(pl.col("line") == name).get_column("edge_ps")
        assert mine.to_list() == line.edges_ps.tolist()


def kept_file(file, interval_ps=None):
    lines = {
        "RX1": Line("RX1", np.array([10, 20, 30]), 0),
        "RX2": Line("RX2", np.array([5]), 1),
        "RX3": Line("RX3", np.array([], np.int64), 1),
    }
    write_edges(Capture(lines, 40, interval_ps, "bench.csv", ("Assumed.",)), file)
    return file


def test_hints_for_an_edge_file(tmp_path):
    file = kept_file(tmp_path / "kept.parquet")
    assert list(read_edges(file, Hints(lines=("RX2",))).lines) == ["RX2"]
    rated = read_edges(file, Hints(rate_hz=24e6))
    assert rated.sample_interval_ps == 1e12 / 24e6
    assert any("as you said" in sentence for sentence in rated.assumptions)
    for hint in ({"time_unit": "us"}, {"time_column": "t"}, {"threshold_v": 1.5}):
        with pytest.raises(HintError, match="has no effect"):
            read_edges(file, Hints(**hint))


def test_a_rate_that_contradicts_an_edge_file_is_refused(tmp_path):
    file = kept_file(tmp_path / "kept.parquet", 1e6)
    assert read_edges(file, Hints(rate_hz=1e6)).sample_interval_ps == 1e6
    with pytest.raises(HintError, match="1 MS/s but `rate` says 2 MS/s"):
        read_edges(file, Hints(rate_hz=2e6))


def spoilt(tmp_path, rows=None, **notes):
    """An edge file of which some notes, or the rows, are changed."""
    file = kept_file(tmp_path / "spoilt.parquet")
    kept = json.loads(pl.read_parquet_metadata(file)[KEY]) | notes
    frame = pl.read_parquet(file) if rows is None else pl.DataFrame(rows, orient="row")
    frame.write_parquet(file, metadata={KEY: json.dumps(kept)})
    return file


def rows(*pairs):
    return {"line": [name for name, _ in pairs], "edge_ps": [edge for _, edge in pairs]}


SPOILT = {
    "a newer version": ({"version": 2}, "version 2, this program reads up to 1"),
    "no duration": ({"duration_ps": None}, "notes"),
    "negative duration": ({"duration_ps": -1}, "values that cannot be"),
    "level 2": ({"lines": [["RX1", 2], ["RX2", 0], ["RX3", 0]]}, "values that cannot be"),
    "no interval but zero": ({"sample_interval_ps": 0}, "values that cannot be"),
    "an end before the last edge": ({"duration_ps": 29}, "an edge lies behind the end"),
    "edges out of order": ({"rows": rows(("RX1", 9), ("RX1", 8))}, "line RX1 are out of order"),
    "an edge at zero": ({"rows": rows(("RX1", 0))}, "line RX1 are out of order"),
    "a line unknown": ({"rows": rows(("RX8", 9))}, "missing"),
    "an edge missing": ({"rows": rows(("RX1", 9), ("RX2", None))}, "missing"),
    "a column missing": ({"rows": {"line": ["RX1"]}}, "columns must be line and edge_ps"),
    "edges of text": ({"rows": rows(("RX1", "9"))}, "columns must be line and edge_ps"),
}


@pytest.mark.parametrize(("change", "words"), SPOILT.values(), ids=SPOILT)
def test_a_spoilt_edge_file_is_told(tmp_path, change, words):
    with pytest.raises(CaptureError) as caught:
        read_columnar(spoilt(tmp_path, **change), NO_HINTS)
    assert words in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


def test_rows_sorted_otherwise_by_another_program_read_the_same(tmp_path):
    kept = read_edges(kept_file(tmp_path / "kept.parquet"), NO_HINTS)
    file = spoilt(tmp_path, rows=rows(("RX2", 5), ("RX1", 10), ("RX1", 20), ("RX1", 30)))
    assert edges(read_edges(file, NO_HINTS)) == edges(kept)


def test_keeping_edges_replaces_no_file_unless_asked_and_leaves_no_part(tmp_path, shipped):
    file = tmp_path / "kept.parquet"
    file.write_text("precious")
    with pytest.raises(OutputError, match="replace=True"):
        write_edges(shipped, file)
    assert file.read_text() == "precious"
    write_edges(shipped, file, replace=True)
    assert edges(read_edges(file, NO_HINTS)) == edges(shipped)
    with pytest.raises(OutputError, match="cannot be written"):
        write_edges(shipped, tmp_path / "no" / "kept.parquet")
    assert [path.name for path in tmp_path.iterdir()] == ["kept.parquet"]
