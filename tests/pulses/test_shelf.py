"""Long recordings on the disk: the same edges, the same findings, and refused where they differ."""

import errno
import gzip
import importlib
import io
from pathlib import Path

import numpy as np
import pytest

import pwmscope
from pwmscope.capture import follow_growing, load
from pwmscope.pulses import GrownEdges, decode, shelf, shelved
from tests.pulses.test_live import dump_of

CAPTURES = Path(__file__).parents[2] / "captures"
DRILL = gzip.decompress((CAPTURES / "drill.csv.gz").read_bytes())


@pytest.fixture
def small(monkeypatch):
    """Let short recordings be long ones: arrays of a thousand bytes, ends of some thousand."""
    module = importlib.import_module("pwmscope.pulses.table")
    for name, value in {
        "MIN_BYTES": 1000, "MIN_EDGES": 1, "_HEAD_BYTES": 50_000, "_TAIL_BYTES": 8_000,
        "_PIECE": 1000,
    }.items():  # fmt: skip
        monkeypatch.setattr(module, name, value)
    return module


def grown_of(data, path, *, size=7001):
    """What is known of a recording at its end, followed in pieces."""
    path.write_bytes(data)
    recording = follow_growing(data[:100], "a", {})
    with GrownEdges() as grown:
        for at in range(0, len(data) + 1, size):
            piece = data[at : at + size]
            grown.size += len(piece)
            if (new := recording.feed(piece)) is not None:
                grown.take(new)
        if (new := recording.feed(b"", is_last=True)) is not None:
            grown.take(new)
        return grown.capture(path, {})


@pytest.mark.parametrize("name", ["drill", "pulses-stop", "holds-last"])
@pytest.mark.parametrize("made", [bytes, dump_of], ids=["table", "dump"])
def test_the_edges_that_were_followed_are_those_of_the_whole_file(small, tmp_path, name, made):
    data = made(gzip.decompress((CAPTURES / f"{name}.csv.gz").read_bytes()))
    with shelf():
        found = grown_of(data, tmp_path / "a")
    whole = load(tmp_path / "a")
    assert list(found.lines) == list(whole.lines)
    for line, read in whole.lines.items():
        assert np.array_equal(found.lines[line].edges_ps, read.edges_ps)
        assert found.lines[line].initial_level == read.initial_level
    assert (found.duration_ps, found.sample_interval_ps) == (
        whole.duration_ps, whole.sample_interval_ps
    )  # fmt: skip
    assert found.assumptions[-1] == small.READ_FROM_ENDS


def rows_of(times_us):
    return b"time_us,RX1\n" + b"".join(b"%d,%d\n" % (t, n % 2) for n, t in enumerate(times_us))


@pytest.mark.parametrize("off_us", [1, -1_490])
def test_what_the_ends_do_not_show_is_read_from_the_whole_file(small, tmp_path, off_us):
    """A step off the grid of the ends, or two changes at one time, in the middle."""
    at_us = np.stack([20_000 * np.arange(6000), 20_000 * np.arange(6000) + 1490], 1).ravel()
    with shelf():
        assert grown_of(rows_of(at_us), tmp_path / "a") is not None
        at_us[6001] += off_us
        assert grown_of(rows_of(at_us), tmp_path / "b") is None


def test_the_findings_are_the_same_to_the_last_letter(small):
    capture = load(CAPTURES / "pulses-stop.csv.gz")
    plain = pwmscope.analyse(capture, sheet=CAPTURES / "bench.toml")
    with shelf():
        far = pwmscope.analyse(capture, sheet=CAPTURES / "bench.toml")
        assert far.to_json() == plain.to_json()
    # Results are views that cannot be written to; what they view lies on the disk, or not.
    assert not far["RX1"].channels[0].table.width_us.base.flags.owndata
    assert plain["RX1"].channels[0].table.width_us.base.flags.owndata


def test_a_disk_without_room_costs_memory_and_no_finding(small, tmp_path, monkeypatch):
    class Full(io.FileIO):
        def write(self, _):
            raise OSError(errno.ENOSPC, "No space left on device")

    def full(**_):
        return Full(tmp_path / "full", "w+b")

    monkeypatch.setattr("tempfile.TemporaryFile", full)
    capture = load(CAPTURES / "drill.csv.gz")
    with shelf():
        assert shelved(np.arange(5000)).size == 5000
        assert decode(capture)["RX1"].width_us.size
        assert grown_of(DRILL, tmp_path / "a") is None
