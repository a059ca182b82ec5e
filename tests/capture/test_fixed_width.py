"""Rows read by a template against the same rows read by the general parser: the same capture."""

import functools
import gzip
import importlib.util
from dataclasses import astuple
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

import pwmscope
from pwmscope.capture import Hints
from pwmscope.capture.text import fixed_width, line_blocks, read_table, table
from pwmscope.capture.text.edges import RowBatch, find_steps
from pwmscope.capture.text.fixed_width import SLACK, find_plan, read_block
from pwmscope.capture.text.layout import find_layout
from pwmscope.errors import CaptureError, HintError

ROOT = Path(__file__).parents[2]
ZOO = ROOT / "captures" / "zoo"
spec = importlib.util.spec_from_file_location("zoo_make", ZOO / "make.py")
make = importlib.util.module_from_spec(spec)
spec.loader.exec_module(make)
TEXTS = sorted(name for name in make.texts() if not name.endswith(".vcd"))


@functools.lru_cache(maxsize=4)
def layout_of(head, source, hints, more):
    """The layout of a text, found once for all the ways to read its rows."""
    return find_layout(head, source, hints, lambda: more)


def find_layout_once(head, source, hints, more_text=str):
    return layout_of(head, source, hints, more_text())


def read(file, *, hints=None, block_bytes=None, threads=None, general=False):
    """What `load` makes of a file, or the sentence that it refuses it with."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(table, "find_layout", find_layout_once)
        if general:
            patch.setattr(line_blocks, "find_plan", lambda _layout: None)
        if block_bytes is not None:
            patch.setattr(line_blocks, "BLOCK_BYTES", block_bytes)
        if threads is not None:
            patch.setattr(line_blocks, "thread_count", lambda: threads)
        try:
            return read_table(file, hints or Hints())
        except (CaptureError, HintError) as error:
            return str(error)


def assert_same(found, expected):
    assert type(found) is type(expected), (found, expected)
    if isinstance(expected, str):
        assert found == expected
        return
    assert list(found.lines) == list(expected.lines)
    for name, line in expected.lines.items():
        np.testing.assert_array_equal(found.lines[name].edges_ps, line.edges_ps)
        assert found.lines[name].initial_level == line.initial_level
    assert found.duration_ps == expected.duration_ps
    assert found.sample_interval_ps == expected.sample_interval_ps
    assert found.assumptions == expected.assumptions


def parsed_rows(file, block_bytes=line_blocks.BLOCK_BYTES):
    """How many rows of a file are left to the general parser."""
    layout = find_layout(file.read_text(), str(file), Hints())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(line_blocks, "BLOCK_BYTES", block_bytes)
        pieces = list(line_blocks.stream_changes(file, layout))
    return sum(piece.words.size for piece in pieces if isinstance(piece, RowBatch))


CUTS = [(7, 0), (7, 3), (100, 1), (4096, 3), (1 << 20, 0), (1 << 20, 1)]


@pytest.mark.parametrize("name", TEXTS)
def test_every_text_of_the_zoo_gives_the_same_capture(name):
    hints = Hints.of(**make.HINTS.get(name, {}))
    expected = read(ZOO / name, hints=hints, general=True)
    assert not isinstance(expected, str)
    for block_bytes, threads in CUTS:
        found = read(ZOO / name, hints=hints, block_bytes=block_bytes, threads=threads)
        assert_same(found, expected)


@pytest.mark.parametrize("name", ["clean-sweep.csv"])
def test_a_shipped_recording_gives_the_same_capture_and_needs_no_parser(name):
    assert_same(read(ROOT / "captures" / name), read(ROOT / "captures" / name, general=True))
    assert parsed_rows(ROOT / "captures" / name) == 0


CLOCKS = {
    "padded seconds": (1, lambda k: f"{k / 1e6:.6f}"),
    "ragged seconds": (1, lambda k: f"{k / 1e6:.6f}".rstrip("0").rstrip(".")),
    "whole microseconds": (1, str),
    "picoseconds of 24 MS/s": (1, lambda k: f"{round(k * 1e6 / 24) * 1e-12:.12f}"),
    "seconds before 0": (1, lambda k: f"{(k - 40) / 1e6:.6f}"),
    "seconds as floating point prints them": (1, lambda k: repr(k / 1e6)),
    "microseconds padded with zeros": (1, lambda k: f"{k:09d}"),
    "uneven": (1, lambda k: f"{(k * k) / 1e6:.6f}"),
}
HEADINGS = {"whole microseconds": "t_us", "microseconds padded with zeros": "t_us"}


@st.composite
def tables(draw):
    """A table of levels at even steps, however written, and what wrote its time."""
    clock = draw(st.sampled_from(sorted(CLOCKS)))
    lines = draw(st.sampled_from([1, 2, 3, 4, 5, 8, 9, 33, 64]))
    count = draw(st.integers(2, 120))
    delimiter = draw(st.sampled_from([",", ";", "\t", "  "]))
    end = draw(st.sampled_from(["\n", "\r\n"]))
    is_first = draw(st.booleans())
    draws = np.random.default_rng(draw(st.integers(0, 2**32)))
    levels = np.cumsum(draws.random((count, lines)) < draw(st.sampled_from([0.02, 0.5])), 0) % 2
    levels[1, 0] = 1 - levels[0, 0]
    first = draw(st.sampled_from([0, 95, 9_990, 9_999_900]))
    write = CLOCKS[clock][1]
    names = [f"RX{i}" for i in range(1, lines + 1)]
    time = HEADINGS.get(clock, "t_s")
    text = [delimiter.join([time, *names] if is_first else [*names, time])]
    for k, row in enumerate(levels.tolist()):
        cells = [write(first + k), *map(str, row)]
        text.append(delimiter.join(cells if is_first else [*cells[1:], cells[0]]))
    return end.join(text) + draw(st.sampled_from([end, "", end + end]))


SIZES = st.sampled_from([1, 50, 700, 3_000, 1 << 20])


@settings(max_examples=100, deadline=None)
@given(table=tables(), block_bytes=SIZES, threads=st.sampled_from([0, 1, 2]))
def test_a_table_gives_the_same_capture_however_cut(tmp_path_factory, table, block_bytes, threads):
    file = tmp_path_factory.mktemp("table") / "recording.csv"
    file.write_bytes(table.encode())
    expected = read(file, general=True)
    assert_same(read(file, block_bytes=block_bytes, threads=threads), expected)


@settings(max_examples=120, deadline=None)
@given(
    table=tables(),
    cut=st.tuples(SIZES, st.sampled_from([0, 1, 2])),
    where=st.tuples(st.floats(0, 1), st.integers(0, 3)),
    damage=st.sampled_from(
        [b"x", b"2", b"0", b"9", b",", b";", b" ", b"-", b".", b"\n", b"\r", b"\xff", b"\x80", b"",
         b"1,", b"\n\n", b'"', b"e", b"+", b"\x00", b"/", b":"]
    ),
)  # fmt: skip
def test_a_damaged_table_is_refused_in_the_same_words(tmp_path_factory, table, cut, where, damage):
    file = tmp_path_factory.mktemp("damage") / "recording.csv"
    text = table.encode()
    begin = text.index(b"\n") + 1
    at = begin + int(where[0] * (len(text) - begin))
    damaged = text[:at] + damage + text[at + where[1] :]
    # The general parser overlooks a delimiter at the very end, the template does not.
    assume(damaged[-1:] not in {b",", b";", b"\t"})
    file.write_bytes(damaged)
    expected = read(file, general=True)
    assert_same(read(file, block_bytes=cut[0], threads=cut[1]), expected)


def sampled(count, clock="padded seconds", levels=lambda k: f"{k // 50 % 2},{k // 70 % 2}"):
    write = CLOCKS[clock][1]
    return "t_s,RX1,RX2\n" + "".join(f"{write(k)},{levels(k)}\n" for k in range(count))


@pytest.mark.parametrize(
    "clock", ["padded seconds", "ragged seconds", "picoseconds of 24 MS/s", "seconds before 0"]
)
def test_rows_of_digits_need_no_parser(tmp_path, clock):
    file = tmp_path / "recording.csv"
    file.write_text(sampled(20_000, clock))
    assert parsed_rows(file) == 0
    expected = read(file, general=True)
    for block_bytes, threads in [(9_000, 1), (1 << 16, 0), (1 << 16, 2), (1 << 20, 1)]:
        assert_same(read(file, block_bytes=block_bytes, threads=threads), expected)


def test_rows_with_exponents_are_parsed_and_the_others_are_not(tmp_path):
    # As floating point is printed: 1e-06 to 9.9e-05, then 0.0001 and on.
    file = tmp_path / "recording.csv"
    file.write_text(sampled(20_000, "seconds as floating point prints them"))
    assert parsed_rows(file, 1 << 15) < 4_000  # those in the first block
    assert_same(read(file, block_bytes=1 << 15), read(file, general=True))


@pytest.mark.parametrize("threads", [0, 2])
def test_a_damaged_gzip_file_is_refused_in_the_same_words(tmp_path, threads):
    file = tmp_path / "recording.csv.gz"
    packed = gzip.compress(sampled(40_000).encode())
    file.write_bytes(packed[: len(packed) * 3 // 4])
    refused = read(file, general=True)
    assert "damaged or cut short" in refused
    assert read(file, block_bytes=1 << 16, threads=threads) == refused


def test_gzip_members_one_after_another_are_one_recording(tmp_path):
    file = tmp_path / "recording.csv.gz"
    text = sampled(40_000).encode()
    file.write_bytes(gzip.compress(text[:300_000]) + gzip.compress(text[300_000:]))
    (tmp_path / "plain.csv").write_bytes(text)
    found, plain = read(file, block_bytes=1 << 15, threads=2), read(tmp_path / "plain.csv")
    np.testing.assert_array_equal(found.lines["RX2"].edges_ps, plain.lines["RX2"].edges_ps)


def test_a_time_that_steps_back_is_told_at_its_row(tmp_path):
    file = tmp_path / "recording.csv"
    lines = sampled(30_000).splitlines()
    lines[20_001] = lines[19_901]  # 99 us before the row above
    file.write_text("\n".join(lines) + "\n")
    for size in (1_000, 1 << 20):
        assert "row 20002: time goes backwards by 99 us" in read(file, block_bytes=size)
    assert read(file) == read(file, general=True)


FAULTS = {
    "time goes backwards": lambda lines, i: lines[i - 30],
    "the level is": lambda lines, i: lines[i].replace(",", ",x", 1),
    "stands where a time": lambda lines, i: lines[i].replace(".", "z"),
    "the level is nothing": lambda lines, i: lines[i].rsplit(",", 1)[0],
    "4 cells found": lambda lines, i: lines[i] + ",1",
}


@pytest.mark.parametrize("first", FAULTS)
def test_of_two_faults_the_first_is_named_by_whatever_reads_the_rows(tmp_path, first):
    file = tmp_path / "recording.csv"
    whole = sampled(2_000, "ragged seconds").splitlines()
    for damaged in FAULTS.values():
        lines = list(whole)
        lines[1_777] = damaged(whole, 1_777)
        lines[1_234] = FAULTS[first](whole, 1_234)
        file.write_text("\n".join(lines) + "\n")
        refused = read(file, general=True)
        assert "row 1235" in refused
        assert first in refused
        assert read(file, block_bytes=2_000, threads=0) == refused


@settings(max_examples=60, deadline=None)
@given(
    first=st.sampled_from(sorted(FAULTS)),
    second=st.sampled_from(sorted(FAULTS)),
    rows=st.tuples(st.integers(60, 1_990), st.integers(60, 1_990)),
    block_bytes=st.sampled_from([200, 2_000, 9_000, 1 << 20]),
)
def test_both_ways_of_reading_name_the_same_of_two_faults(
    tmp_path_factory, first, second, rows, block_bytes
):
    whole = sampled(2_000, "padded seconds").splitlines()
    lines = list(whole)
    for at, fault in zip(sorted(rows, reverse=True), (second, first), strict=True):
        lines[at] = FAULTS[fault](whole, at)
    file = tmp_path_factory.mktemp("faults") / "recording.csv"
    file.write_text("\n".join(lines) + "\n")
    expected = read(file, general=True)
    assert_same(read(file, block_bytes=block_bytes, threads=0), expected)


@pytest.mark.parametrize("block_bytes", range(40, 200, 16))
def test_a_time_that_steps_back_in_the_first_row_left_to_the_parser_is_told(tmp_path, block_bytes):
    """Rows that the template does not fit begin with one that is earlier than those read by it."""
    lines = sampled(60, "padded seconds").splitlines()
    cells = lines[31].split(",")
    lines[31] = ",".join([lines[20].split(",")[0] + "e0", *cells[1:]])
    lines[40] = lines[40].replace(",", ",x", 1)
    file = tmp_path / "recording.csv"
    file.write_text("\n".join(lines) + "\n")
    refused = read(file, block_bytes=block_bytes, threads=0)
    assert "row 32: time goes backwards by 10 us" in refused
    assert refused == read(file, general=True)


def test_every_single_wrong_byte_stops_the_template(tmp_path):
    """No byte is taken on trust: each of a row's, changed to each other byte, is noticed."""
    text = b"".join(b"%d.%06d,%d,1,0\r\n" % (k // 10**6, k, k % 2) for k in range(64))
    layout = find_layout(text.decode(), "a.csv", Hints(time_unit="s"))
    plan = find_plan(layout)
    width = len(text) // 64

    def read_bytes(changed):
        return read_block(bytearray(changed) + bytes(SLACK), len(changed), plan)

    whole = read_bytes(text)
    assert whole.stop == len(text)
    for place in range(40 * width, 41 * width):
        for byte in range(256):
            if byte == text[place]:
                continue
            block = read_bytes(text[:place] + bytes([byte]) + text[place + 1 :])
            is_digit = text[place] in b"0123456789" and byte in b"0123456789"
            is_level = place % width in (9, 11, 13)
            if (is_level and byte in b"01") or (is_digit and not is_level):
                assert block.stop == len(text)
                assert [astuple(p)[2:4] for p in block.pieces] or block.pieces != whole.pieces
            else:
                # A line end here leaves a shorter row behind, and stops at what follows.
                assert block.stop <= (place + 1 if byte == 10 else 40 * width)


EVEN = {
    "1 us, over a second": (lambda k: f"{(k + 998_000) / 1e6:.6f}", "s"),
    "10 us, from the middle": (lambda k: f"{(10 * k + 99_123_457) / 1e6:.6f}", "s"),
    "1 us in 9 decimals": (lambda k: f"{k / 1e6:.9f}", "s"),
    "25 us": (lambda k: f"{25 * k + 9_990_000:09d}", "us"),
    "4 ns, a digit grows": (lambda k: f"{(4 * k + 999_990_000) / 1e3:.3f}", "us"),
    "3 us, which is no part of ten": (lambda k: f"{3 * k / 1e6:.6f}", "s"),
}


@pytest.mark.parametrize("clock", EVEN)
def test_rows_at_even_steps_are_held_against_known_digits_byte_by_byte(clock, monkeypatch):
    """What is known beforehand changes no answer: neither of whole rows nor of damaged ones."""
    time, unit = EVEN[clock]
    text = b"".join(b"%s,%d,0\n" % (time(k).encode(), k // 700 % 2) for k in range(4_000))
    lines = text.splitlines(keepends=True)
    head = b"".join(lines[:1_000]).decode()
    plan = find_plan(find_layout(head, "a.csv", Hints(time_unit=unit)))
    texts = [text, b"".join(lines[:2_000] + lines[2_001:]), b"".join(lines[:5] + lines[4:])]
    begin = sum(map(len, lines[:2_500]))
    for place in range(begin, begin + len(lines[2_500])):
        changed = bytes(b for b in b"05,.\nx" if b != text[place])
        texts += [text[:place] + bytes([b]) + text[place + 1 :] for b in changed]

    def read_all():
        return [read_block(bytearray(t) + bytes(SLACK), len(t), plan) for t in texts]

    if "no part" not in clock:
        with monkeypatch.context() as patch:
            patch.setattr(fixed_width, "_read_run", None)  # nothing is left to it
            assert read_block(bytearray(text) + bytes(SLACK), len(text), plan).stop == len(text)
    found = read_all()
    monkeypatch.setattr(fixed_width, "_read_known", lambda *_, **_kinds: None)
    for block, plain in zip(found, read_all(), strict=True):
        assert (block.stop, block.row_count) == (plain.stop, plain.row_count)
        for piece, other in zip(block.pieces, plain.pieces, strict=True):
            np.testing.assert_equal(astuple(piece), astuple(other))


STEPPED = {
    "1 us, up to a second and on": (lambda k: (k + 997_700, 6), "s"),
    "1 us, from the middle of 9 s": (lambda k: (k + 9_123_456, 6), "s"),
    "1 us from 10 s on": (lambda k: (k + 10_098_765, 6), "s"),
    "4 ns in milliseconds": (lambda k: (4 * k + 9_990_000, 6), "ms"),
    "25 ns in milliseconds": (lambda k: (25 * k + 9_950_000, 6), "ms"),
    "125 us": (lambda k: (125 * k, 6), "s"),
}


def all_read(block):
    """What a block's pieces tell together: rows that change, and the steps of time."""
    rows, ends, steps = [], [], []
    for piece in block.pieces:
        begin = piece.first_row
        if not rows or rows[-1][1] != piece.first_word:
            rows.append((begin, piece.first_word, piece.first_ps))
        at = (piece.at + begin).tolist()
        rows += zip(at, piece.words.tolist(), piece.time_ps.tolist(), strict=True)
        assert rows[-1][1] == piece.last_word
        if ends:
            steps.append((piece.first_ps - ends[-1], begin))
        if piece.row_count > 1:
            steps += [(piece.steps.least_ps, None), (piece.steps.most_ps, None)]
        ends.append(piece.last_ps)
    sizes = [step for step, _ in steps]
    return block.stop, block.row_count, rows, ends[-1:], min(sizes), max(sizes)


@pytest.mark.parametrize("clock", STEPPED)
def test_times_without_the_zeros_at_their_end_are_verified_byte_by_byte(clock, monkeypatch):
    """The places of such rows are known beforehand; it changes no answer, damaged or whole."""
    time, unit = STEPPED[clock]

    def written(k):
        value, decimals = time(k)
        return f"{value / 10**decimals:.{decimals}f}".rstrip("0").rstrip(".")

    text = b"".join(b"%s,%d,0\n" % (written(k).encode(), k // 700 % 2) for k in range(4_500))
    lines = text.splitlines(keepends=True)
    plan = find_plan(find_layout(b"".join(lines[:900]).decode(), "a.csv", Hints(time_unit=unit)))
    lacking = sorted(range(1_500, 3_500), key=lambda k: len(lines[k]))[:2]
    texts = [text, b"".join(lines[:2_000] + lines[2_001:]), b"".join(lines[:5] + lines[4:])]
    for row in [*lacking, lacking[0] - 1, lacking[0] + 1, 2_345]:
        begin = sum(map(len, lines[:row]))
        for place in range(begin, begin + len(lines[row])):
            changed = bytes(b for b in b"015,.\nx" if b != text[place])
            texts += [text[:place] + bytes([b]) + text[place + 1 :] for b in changed]

    def read_one(text):
        return all_read(read_block(bytearray(text) + bytes(SLACK), len(text), plan))

    held = []
    read_known = fixed_width._read_known

    def counted(*arguments, **kinds):
        read = read_known(*arguments, **kinds)
        held.append(read[0].row_count if read else 0)
        return read

    monkeypatch.setattr(fixed_width, "_read_known", counted)
    found = [read_one(text)]
    assert sum(held) == 4_500
    found += [read_one(text) for text in texts[1:]]
    monkeypatch.setattr(fixed_width, "_read_known", lambda *_, **_kinds: None)
    assert found == [read_one(text) for text in texts]
    assert len({str(one) for one in found}) > 50


def test_steps_between_rows():
    steps = find_steps(np.array([5, 6, 6, 9]), 10)
    assert (steps.least_ps, steps.most_ps, steps.most_at, steps.backwards_at) == (0, 30, 3, None)


def test_the_order_of_lines_asked_for_does_not_matter(tmp_path):
    file = tmp_path / "recording.csv"
    file.write_text(sampled(2_000))
    capture = pwmscope.load(file, lines="RX2")
    assert list(capture.lines) == ["RX2"]
    assert capture.lines["RX2"].edges_ps[0] == 70 * 10**6


@pytest.mark.parametrize("count", [300, 20_000])
def test_a_row_that_begins_with_its_delimiter_is_no_remark(tmp_path, count):
    rows = [f"{8 * k};{k // 50 % 2}" for k in range(count)]
    rows[count - 60] = ";" + rows[count - 60][1:]
    file = tmp_path / "begun.csv"
    file.write_text("\n".join(["time_us;RX1", *rows, ""]))
    said = read(file)
    assert isinstance(said, str)
    assert f", row {count - 58}, column" in said
    assert_same(said, read(file, general=True))


@pytest.mark.parametrize("cell", ["-1", "1e1"])
def test_one_damaged_level_makes_no_voltage_of_a_line(tmp_path, cell):
    rows = [f"{8 * k},{k // 50 % 2},{k // 35 % 2}" for k in range(600)]
    rows[455] = f"{8 * 455},1,{cell}"
    file = tmp_path / "spoilt.csv"
    file.write_text("\n".join(["time_us,RX1,RX2", *rows, ""]))
    assert f"row 457, column RX2: the level is '{cell}', expected 0 or 1" in read(file)
    captured = read(file, hints=Hints(threshold_v=0.5))
    assert list(captured.lines) == ["RX1", "RX2"]


def test_blanks_before_commas_part_no_cells(tmp_path):
    rows = [f"{k} ,{k // 50 % 2} ,{k // 35 % 2}" for k in range(600)]
    rows[-1] = "599 0,0 ,1"
    file = tmp_path / "blanks.csv"
    file.write_text("\n".join(["time_us ,RX1 ,RX2", *rows, ""]))
    said = read(file)
    assert isinstance(said, str)
    assert "row 601" in said


@pytest.mark.parametrize("mark", [",", " ,", ", "])
@pytest.mark.parametrize("where", ["everywhere", "one"])
def test_blanks_after_the_last_quote_of_a_row_are_no_cell(tmp_path, mark, where):
    rows = [f'"{8 * k}"{mark}"{k // 50 % 2}"' for k in range(6000)]
    chosen = range(6000) if where == "everywhere" else [5000]
    for k in chosen:
        rows[k] += " "
    file = tmp_path / "quoted.csv"
    file.write_text("\n".join([f'"time_us"{mark}"RX1"', *rows, ""]))
    captured = read(file)
    np.testing.assert_array_equal(
        captured.lines["RX1"].edges_ps, np.arange(50, 6000, 50) * 8 * 10**6
    )


@pytest.mark.parametrize("is_packed", [False, True])
@pytest.mark.parametrize("row", ['"40000","0,"0"', '"40000"!,"0","0"'])
def test_a_quote_that_is_not_closed_is_told_at_its_row(tmp_path, row, is_packed):
    rows = [f'"{8 * k}","{k // 50 % 2}","0"' for k in range(6000)]
    rows[5000] = row
    text = "\n".join(['"time_us","RX1","RX2"', *rows, ""]).encode()
    file = tmp_path / "open.csv"
    file.write_bytes(gzip.compress(text) if is_packed else text)
    said = read(file)
    assert "row 5002: the rows cannot be told apart, as after a quote that is not closed" in said
