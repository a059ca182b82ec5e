"""The export writer's own truth, and its judge, held against cases worked out by hand."""

import csv
import io
import itertools
import random
import zipfile

import pytest
import read_shapes
from read_ask import Told
from read_judge import (
    FAULT,
    GUESSED,
    MUTE,
    OWNED,
    RIGHT,
    RIGHTLY,
    SILENT,
    THOUGH,
    difference,
    judge,
)
from read_paper import READINGS, SHAPES, Paper, names, rows_of, text, write
from read_shapes_packing import book, dump
from read_signal import Signal, Wire, draw, number

BENCH = Signal(1_000_000, 10, {"a": Wire(0, (2, 5)), "b": Wire(1, (5,)), "c": Wire(1, ())})
TRUTH = {"a": (0, (2_000_000, 5_000_000)), "b": (1, (5_000_000,)), "c": (1, ())}


def test_edges_levels_changes_and_pulses_of_ten_samples_counted_by_hand():
    assert BENCH.edges_ps() == TRUTH
    assert [r[0] for r in BENCH.levels(range(10))] == [0, 0, 1, 1, 1, 0, 0, 0, 0, 0]
    assert [r[1] for r in BENCH.levels(range(10))] == [1, 1, 1, 1, 1, 0, 0, 0, 0, 0]
    assert BENCH.changes() == [(2, "a", 1), (5, "a", 0), (5, "b", 0)]
    assert BENCH.change_ticks() == [0, 2, 5, 9]
    assert BENCH.pulses() == [(2, 5, "a")]
    assert [BENCH.wires["a"].at(t) for t in (1, 2, 4, 5)] == [0, 1, 1, 0]


@pytest.mark.parametrize(
    ("ps", "unit", "decimals", "printed"),
    [
        (1_500_000_000, "us", None, "1500"),
        (1_500_250_000, "us", None, "1500.25"),
        (1_500_250_000, "ms", 3, "1.500"),
        (1_500_500_000, "ms", 3, "1.501"),
        (-50_000_000_000, "s", 6, "-0.050000"),
        (90 * 10**12, "min", None, "1.5"),
        (10_000_000, 100_000, None, "100"),
        (999_999_999_999, "s", 3, "1.000"),
        (0, "us", None, "0"),
    ],
)
def test_an_instant_is_printed_as_a_hand_would_write_it(ps, unit, decimals, printed):
    assert number(ps, unit, decimals) == printed


def test_points_thousands_and_minus_are_those_asked_for():
    assert number(1_234_567_500_000, "us", 1, thousands=".", point=",") == "1.234.567,5"
    assert number(-1_000_000, "us", minus="−") == "−1"


def test_a_table_is_laid_out_as_written_by_hand():
    body = text(
        rows_of(BENCH, lambda t: number(t, "us")), ["time_us", *BENCH.wires], after=["# end"]
    )
    assert body == "time_us,a,b,c\n0,0,1,1\n2,1,1,1\n5,0,0,1\n9,0,0,1\n# end\n"
    assert text([["1", "x,y"]], ["t", "n"], quote=False) == 't,n\n1,"x,y"\n'


def test_a_value_change_dump_is_laid_out_as_written_by_hand():
    lines = dump(BENCH).splitlines()
    assert lines[0] == "$timescale 1 us $end"
    assert lines[lines.index("#2") :] == ["#2", "1!!", "#5", "0!!", '0!"', "#9"]


def test_a_workbook_holds_its_cells():
    with zipfile.ZipFile(
        io.BytesIO(book([("One", [["t", 1.5, True, None, "<"]])], share=True))
    ) as z:
        page = z.read("xl/worksheets/sheet1.xml").decode()
        shared = z.read("xl/sharedStrings.xml").decode()
    assert (
        '<c r="B1"><v>1.5</v></c><c r="C1" t="b"><v>1</v></c><c r="E1" t="s"><v>1</v></c>' in page
    )
    assert shared.endswith("<si><t>t</t></si><si><t>&lt;</t></si></sst>")


@pytest.mark.parametrize(
    "name", ["plain_samples/00", "plain_samples/03", "all_quoted/00", "odd_names/00"]
)
def test_the_standard_library_finds_the_same_edges_in_a_plain_file(name):
    paper = write(name)
    head, *rows = csv.reader(io.StringIO(paper.data.decode(), newline=""))
    assert head[0] in ("time_us", "t (us)")
    for k, line in enumerate(head[1:], 1):
        found = [int(b[0]) * 10**6 for a, b in itertools.pairwise(rows) if a[k] != b[k]]
        assert (int(rows[0][k]), tuple(found)) == paper.truth[line]


def test_drawn_pulses_are_servo_pulses_in_frames():
    for seed in range(40):
        sig = draw(random.Random(seed), 1_000_000, 0.3, kinds="busy", whole=True)
        for wire in sig.wires.values():
            widths = [b - a for a, b in zip(wire.ticks[::2], wire.ticks[1::2], strict=True)]
            rises = wire.ticks[::2]
            assert widths
            assert all(899 <= w <= 2101 for w in widths)
            assert all(4998 <= b - a <= 25002 for a, b in itertools.pairwise(rises))


def test_there_are_400_files_of_which_each_is_always_the_same():
    assert read_shapes.MODULES
    assert len(names()) >= 400
    assert all(count >= 5 for _, count in SHAPES.values())
    for name in names()[::97]:
        one, two = write(name), write(name)
        assert one == two
        assert one.reading in READINGS


def test_a_common_shift_is_a_convention_and_a_scale_is_not():
    paper = Paper(".csv", b"", "", TRUTH)
    moved = {n: (f, tuple(e + 7 for e in edges)) for n, (f, edges) in TRUTH.items()}
    apart = moved | {"b": (1, (5_000_000,))}
    long = {n: (f, tuple(e * 10 for e in edges)) for n, (f, edges) in TRUTH.items()}
    assert difference(paper, moved) == ""
    assert "off by" in difference(paper, apart)
    assert "off by" in difference(paper, long)
    assert "no line 'c'" in difference(paper, {n: TRUTH[n] for n in "ab"})
    assert "are none" in difference(paper, TRUTH | {"note": (0, ())})
    assert "starts at level" in difference(paper, TRUTH | {"c": (0, ())})
    assert "1 edges" in difference(paper, TRUTH | {"a": (0, (2_000_000,))})


WRONG = {n: (f, tuple(e * 10 for e in edges)) for n, (f, edges) in TRUTH.items()}
SAID = ("The unit is assumed.",)


@pytest.mark.parametrize(
    ("paper", "told", "outcome", "helped"),
    [
        (Paper("", b"", "", TRUTH), Told(TRUTH), RIGHT, None),
        (Paper("", b"", "", TRUTH), Told(WRONG), SILENT, None),
        (Paper("", b"", "", TRUTH, deciding="unit"), Told(WRONG, SAID), OWNED, None),
        (Paper("", b"", "", TRUTH), Told(refusals=["no"]), THOUGH, None),
        (Paper("", b"", "", TRUTH), Told(TRUTH, refusals=["no"], given={"rate": 1}), THOUGH, True),
        (Paper("", b"", "", TRUTH), Told(WRONG, refusals=["no"], given={"rate": 1}), SILENT, False),
        (Paper("", b"", "", TRUTH, "ambiguous"), Told(TRUTH), GUESSED, None),
        (Paper("", b"", "", TRUTH, "ambiguous"), Told(refusals=["no"]), RIGHTLY, None),
        (Paper("", b"", "", TRUTH, "refuse"), Told(TRUTH), SILENT, None),
        (Paper("", b"", "", TRUTH, "refuse"), Told(refusals=["no"]), RIGHTLY, None),
        (Paper("", b"", "", TRUTH, "either", must_say="coarse"), Told(TRUTH, SAID), MUTE, None),
        (Paper("", b"", "", TRUTH), Told(fault="KeyError: 3"), FAULT, None),
    ],
)
def test_each_outcome_is_named_as_the_study_defines_it(paper, told, outcome, helped):
    assert judge(paper, told)[:2] == (outcome, helped)
