"""Several lines at once: the same findings in the same order, however many threads there are."""

from pathlib import Path

import numpy as np
import pytest

from pwmscope import examine, load
from pwmscope.bench import load_sheet
from pwmscope.model import at_once, one_by_one, recording

CAPTURES = Path(__file__).parents[2] / "captures"


@pytest.fixture
def threaded(monkeypatch):
    monkeypatch.setattr(recording, "MIN_SIZE", 0)
    monkeypatch.setattr(recording, "thread_count", lambda: 4)


@pytest.mark.parametrize(
    ("name", "sheet"),
    [("clean-sweep.csv", None), ("pulses-stop.csv.gz", "bench.toml"), ("drill.csv.gz", None)],
)
def test_threads_change_no_finding(name, sheet, request):
    known = None if sheet is None else load_sheet(CAPTURES / sheet)
    alone = examine(load(CAPTURES / name), sheet=known)
    request.getfixturevalue("threaded")
    capture = load(CAPTURES / name)
    assert list(capture.lines) == list(alone.capture.lines)
    for line, own in alone.capture.lines.items():
        assert np.array_equal(own.edges_ps, capture.lines[line].edges_ps)
    together = examine(capture, sheet=known)
    assert list(together.channels) == list(alone.channels)
    for line, channel in alone.channels.items():
        assert together.channels[line].findings == channel.findings
        assert repr(together.channels[line].losses) == repr(channel.losses)  # NaN is no NaN
    assert together.recording_findings == alone.recording_findings
    assert together.assumptions == alone.assumptions


def test_what_is_found_keeps_the_order_of_the_lines(threaded):
    assert list(at_once(str.lower, ["B", "A", "C"], 10).items()) == [
        ("B", "b"), ("A", "a"), ("C", "c"),
    ]  # fmt: skip


def test_the_first_line_that_cannot_be_worked_on_is_told(threaded):
    def work(name):
        raise ValueError(name)

    with pytest.raises(ValueError, match="RX3"):
        at_once(work, ["RX3", "RX1", "RX2"], 10)


def test_no_thread_is_started_where_memory_is_for_one_line_alone(threaded, monkeypatch):
    monkeypatch.setattr("threading.Thread", None)
    with one_by_one():
        assert at_once(str.lower, ["A", "B"], 10) == {"A": "a", "B": "b"}
    with pytest.raises(TypeError):
        at_once(str.lower, ["A", "B"], 10)
