"""Assumptions are objects with fields; the sentence is made last, options only by the CLI."""

import json
import pickle

import numpy as np
import pytest

from pwmscope import Capture, Line, load
from pwmscope.cli.reading import OPTION_OF
from pwmscope.errors import PwmscopeError, named, naming
from pwmscope.model import Assumption, not_shown

SAMPLED = "time,RX1\n" + "".join(f"{k * 1e-4:.4f},{k // 15 % 2}\n" for k in range(400))
SKETCH = "time,RX1\n0,0\n5,1\n15,0\n"


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "bench.csv"
    path.write_text(SAMPLED)
    return path


def about(capture, what):
    return next(each for each in capture.assumptions if each.what == what)


def test_the_sampling_interval_is_a_field_and_says_what_would_change_it(path):
    found = about(load(path), "sampling interval")
    assert (found.value, found.unit, found.source) == (pytest.approx(1e8), "ps", "data")
    assert found.changed_by == ("rate",)
    assert "samples 100 us apart" in found


def test_what_a_person_stated_is_theirs_and_nothing_more_would_change_it(path):
    found = about(load(path, time_unit="ms"), "time unit")
    assert (found.value, found.source, found.changed_by) == ("ms", "person", ())


def test_a_unit_that_nothing_states_is_told_by_pulses(path):
    found = about(load(path), "time unit")
    assert (found.value, found.source) == ("s", "data")
    assert found.changed_by == ("time_column", "time_unit")


def test_the_unit_of_a_sketch_is_a_convention(path):
    path.write_text(SKETCH)
    found = about(load(path), "time unit")
    assert (found.value, found.source) == ("s", "convention")
    assert found.changed_by == ("time_column", "time_unit")


def test_assumptions_print_join_compare_pickle_and_serialise_as_their_sentences(path):
    capture = load(path)
    assert "Cells are separated by commas." in capture.assumptions
    assert json.loads(json.dumps(capture.assumptions))[0] == capture.assumptions[0]
    assert "\n".join(capture.assumptions).count("\n") == len(capture.assumptions) - 1
    again = pickle.loads(pickle.dumps(about(capture, "time unit")))
    assert (again, again.value) == (about(capture, "time unit"), "s")


def test_a_capture_made_by_hand_takes_plain_sentences():
    line = Line("RX1", np.zeros(0, np.int64), 0)
    capture = Capture({"RX1": line}, 10, None, "by hand", ("The clock was set by hand.",))
    assert isinstance(capture.assumptions[0], Assumption)
    assert capture.assumptions[0].arguments == ()


def test_every_argument_that_changes_an_assumption_is_one_of_load_and_has_an_option(path):
    named = {argument for each in load(path).assumptions for argument in each.arguments}
    assert {"rate", "time_unit", "time_column"} <= named <= set(OPTION_OF)


@pytest.mark.parametrize(
    ("sentence", "shown"),
    [
        ("add `rate`, for example `rate='1MHz'`.", "add --rate, for example --rate 1MHz."),
        ("give `replace=True` to write it anew.", "give --replace to write it anew."),
        ("leave `time_unit` out", "leave --time-unit out"),
        ("the column `gyro` is odd", "the column `gyro` is odd"),
    ],
)
def test_the_command_line_names_options_instead_of_arguments(sentence, shown):
    assert named(sentence) == sentence
    with naming(OPTION_OF):
        assert named(sentence) == shown
        assert str(PwmscopeError(sentence)) == Assumption(sentence) == shown
        assert not_shown("neutral", "us", sentence).sentence == shown


def test_an_error_says_which_arguments_would_mend_it(tmp_path):
    path = tmp_path / "raw.csv"
    path.write_text("RX1\n0\n1\n0\n")
    with pytest.raises(PwmscopeError, match="for example `rate='1MHz'`") as told:
        load(path)
    assert told.value.arguments == ("rate",)


def samples_of(widths, *, frame=480_000, count=50):
    """Rows of sample numbers at 24 MS/s: a line for each width in us, frames of 20 ms."""
    edges = []
    for line, width_us in enumerate(widths):
        for k in range(count):
            begin = k * frame + 3000 * line + 1000
            edges += [(begin, line, 1), (begin + round(24 * width_us), line, 0)]
    levels, rows = [0] * len(widths), [(0, *[0] * len(widths))]
    for at, line, level in sorted(edges):
        levels[line] = level
        rows.append((at, *levels))
    header = ",".join(["sample", *(f"L{n}" for n in range(len(widths)))])
    return header + "\n" + "".join(",".join(map(str, row)) + "\n" for row in rows)


@pytest.mark.parametrize(
    ("rate", "widths", "said"),
    [
        ("48MHz", (1500, 1000, 1490), "last 500 us to 750 us"),
        ("8MHz", (1500, 1000, 1490), "last 3 ms to 4.5 ms"),
        ("16MHz", (1500, 1000, 1490), "last 1.5 ms to 2.25 ms"),
        ("24MHz", (1500, 1000, 1490), None),
        ("24MHz", (1500, 1000, 180), None),  # one of a shorter convention beside servo lines
        ("48MHz", (1520, 1510), None),  # 750 us a hundred times a second: nothing refutes that
    ],
)
def test_a_rate_by_hand_is_doubted_where_pulses_would_be_no_servos(tmp_path, rate, widths, said):
    file = tmp_path / "a.csv"
    file.write_text(samples_of(widths))
    doubts = [each for each in load(file, rate=rate).assumptions if "With the stated rate" in each]
    assert len(doubts) == (said is not None)
    if said is not None:
        assert said in doubts[0]
        assert "All lines would show such at 19.2 MS/s to 32 MS/s." in doubts[0]
        assert doubts[0].changed_by == ("rate",)
