"""Recordings that cannot answer: not shown, with what more to record."""

from dataclasses import replace

import numpy as np
import pytest

from pwmscope.errors import HintError
from pwmscope.findings.mixing import DriveLines, examine_mixing, find_lines
from pwmscope.findings.receivers import Step, Tie
from pwmscope.model import Span, Verdict

MIXED = 0.5 * np.array([[1, 1], [1, -1]])


def refused(tables, lines, words, **options):
    found = examine_mixing(tables, lines, **options)
    assert found.verdict is Verdict.NOT_SHOWN
    assert found.arrangement.name is None
    assert words in found.findings[0].sentence
    assert "ecord" in found.findings[0].sentence


def test_a_stick_that_never_moved(make_bench):
    bench = make_bench(MIXED, around=((1, 0), (-1, 0)))
    refused(bench.tables, bench.lines, "The aileron stick never moved.")
    refused(bench.tables, bench.without_sticks, "The aileron stick never moved.",
            spans=bench.spans)  # fmt: skip


def test_sticks_that_only_moved_together(make_bench):
    bench = make_bench(MIXED, around=((1, 1), (-1, -1)))
    refused(bench.tables, bench.lines, "always moved together")


def test_stick_channels_that_look_mixed_already(make_bench):
    bench = make_bench(MIXED, around=((1, 1), (-1, -1), (1, -1), (-1, 1)))
    refused(bench.tables, bench.lines, "or the transmitter mixes and these are not the sticks")
    refused(bench.tables, bench.without_sticks, "to its corners only", spans=bench.spans)


def test_only_one_output(make_bench):
    bench = make_bench(MIXED)
    lines = DriveLines(bench.lines.outputs[:1], bench.lines.sticks)
    refused(bench.tables, lines, "Only the left output (RX1) is recorded")


def test_no_output(make_bench):
    bench = make_bench(MIXED)
    found = examine_mixing(bench.tables, DriveLines((), bench.lines.sticks))
    assert "`left` and `right`" in found.findings[0].sentence


def test_outputs_of_two_receivers(make_bench):
    bench = make_bench(MIXED)
    tie = Tie("RX2", "RX1", Step.DRIFTS, 14.0, 0.1, 3.0, 60.0, None, "")
    refused(bench.tables, bench.lines, "they come from two receivers", ties=[tie])
    kept = replace(tie, step=Step.KEEPS)
    assert examine_mixing(bench.tables, bench.lines, ties=[kept]).arrangement.name == "mixed"


def test_a_plan_of_another_recording(make_bench):
    bench = make_bench(MIXED)
    other = make_bench(MIXED, around=((0, 1), (1, 0), (0, -1), (-1, -1), (-1, 0), (-1, 1)))
    refused(bench.tables, bench.without_sticks, "The plan does not match the recording",
            spans=other.spans)  # fmt: skip


def test_a_plan_outside_the_recording(make_bench):
    bench = make_bench(MIXED)
    late = [replace(span, start_s=span.start_s + 99, end_s=span.end_s + 99) for span in bench.spans]
    refused(bench.tables, bench.without_sticks, "Only 0 frames lie in the plan's steps", spans=late)


def test_a_plan_that_moves_no_stick(make_bench):
    bench = make_bench(MIXED)
    rests = [span for span in bench.spans if not span.step.sticks]
    refused(bench.tables, bench.without_sticks, "never moved", spans=rests)


def test_outputs_that_stand_still_while_sticks_move(make_bench):
    bench = make_bench(0.0 * MIXED)
    refused(bench.tables, bench.lines, "Neither output moves while the sticks do")


def test_outputs_that_follow_something_else(make_bench):
    bench, other = make_bench(MIXED), make_bench(MIXED, around=((0, 1), (1, 1), (-1, 0)) * 2)
    tables = other.tables | {line: bench.tables[line] for line in ("RX1", "RX2")}
    refused(tables, bench.lines, "is not explained by the two recorded sticks")


def test_only_one_stick_is_recorded(make_bench):
    bench = make_bench(MIXED)
    lines = DriveLines(bench.lines.outputs, bench.lines.sticks[:1])
    refused(bench.tables, lines, "Record the aileron or rudder stick's channel too")


@pytest.mark.parametrize(
    ("matrix", "words"),
    [
        (MIXED, "never alone. Mixed outputs do that"),
        (np.eye(2), "never both together. Unmixed outputs do that"),
        (np.array([[1, 0], [1, 0]]), "only moved together"),
        (np.array([[1, 0], [-1, 0]]), "only moved opposite"),
        (np.zeros((2, 2)), "Neither output moved"),
    ],
)
def test_outputs_alone_tell_what_they_can(make_bench, matrix, words):
    bench = make_bench(matrix, around=((1, 0), (-1, 0), (0, 1), (0, -1)))
    refused(bench.tables, bench.without_sticks, words)


def test_too_short_a_recording(make_bench):
    bench = make_bench(MIXED)
    whole = bench.tables["RX1"].rise_s[-1]
    lost = {line: (Span(0.3, whole + 1.0),) for line in bench.tables}
    refused(bench.tables, bench.lines, "20 are needed", lost=lost)


def test_lost_stretches_do_not_count(make_bench):
    bench = make_bench(MIXED)
    table = bench.tables["RX1"]
    within = (table.rise_s > 2.4) & (table.rise_s < 4.6)
    failed = replace(table, width_us=np.where(within, 1500.0, table.width_us))
    tables = bench.tables | {"RX1": failed}
    lost = {"RX1": (Span(2.4, 4.6),)}
    found = examine_mixing(tables, bench.lines, lost=lost)
    assert np.all(np.abs(found.fit.matrix - MIXED) <= 3 * found.fit.uncertainty)


def test_names_of_lines_are_checked(make_bench):
    tables = make_bench(MIXED).tables
    with pytest.raises(HintError, match="There is no line 'RX9'"):
        find_lines(tables, sides={"left": "RX9"})
    with pytest.raises(HintError, match="'RX1' is named twice"):
        find_lines(tables, sides={"left": "RX1", "right": "RX1"})
