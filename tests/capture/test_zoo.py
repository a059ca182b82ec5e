"""The zoo: one recording in every shape of file, and the same edges from all of them."""

import importlib.util
from pathlib import Path

import pytest

from pwmscope import load
from pwmscope.capture.columnar import write_edges

ZOO = Path(__file__).parents[2] / "captures" / "zoo"
spec = importlib.util.spec_from_file_location("zoo_make", ZOO / "make.py")
make = importlib.util.module_from_spec(spec)
spec.loader.exec_module(make)
MADE = (path for path in ZOO.iterdir() if path.is_file())
FILES = sorted(path.name for path in MADE if path.suffix not in {".py", ".md"})
SAMPLE_PS = make.STEP_US * 1_000_000
EXPECTED = [[edge * 1_000_000 for edge in edges] for edges in make.edges_us().values()]


def edges_of(capture):
    return [line.edges_ps.tolist() for line in capture.lines.values()]


@pytest.mark.parametrize("name", FILES)
def test_every_shape_gives_the_same_edges(name):
    capture = load(ZOO / name, **make.HINTS.get(name, {}))
    found = edges_of(capture)
    assert [len(edges) for edges in found] == [10, 10], list(capture.lines)
    if name == "voltages.csv":  # crossings lie between two samples, where the level changed
        for edges, expected in zip(found, EXPECTED, strict=True):
            assert all(0 <= b - a <= SAMPLE_PS for a, b in zip(edges, expected, strict=True))
    else:
        assert found == EXPECTED
    assert [line.initial_level for line in capture.lines.values()] == [0, 0]
    assert all(sentence.endswith(".") for sentence in capture.assumptions)


@pytest.mark.parametrize("name", FILES)
def test_an_edge_file_made_from_it_reads_back_exactly(name, tmp_path):
    capture = load(ZOO / name, **make.HINTS.get(name, {}))
    write_edges(capture, tmp_path / "edges.parquet", replace=False)
    again = load(tmp_path / "edges.parquet")
    assert edges_of(again) == edges_of(capture)
    assert list(again.lines) == list(capture.lines)
    assert again.duration_ps == capture.duration_ps
    assert again.sample_interval_ps == capture.sample_interval_ps


def test_the_zoo_is_what_its_maker_makes():
    files = {name: text.encode() for name, text in make.texts().items()}
    for name, content in files.items():
        assert (ZOO / name).read_bytes() == content, name
    assert set(FILES) == {*files, *make.packed(files["samples.csv"]), *make.frames()}
