"""The first fault of a text table, by row and then by column, whoever noticed that there is one.

Readers stop at whatever they stumble over: blocks are read by threads, columns one by one, voltages
twice. Once one of them has stopped, the rows are read again from the first, as text, and every
check is made on each of them in turn.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import polars as pl

from pwmscope.capture.reader.unpack import open_bytes, reading
from pwmscope.capture.text.cells import is_footer, is_remark
from pwmscope.capture.text.dialect import SPACES, split, tight
from pwmscope.capture.text.edges import (
    DisorderError,
    RowBatch,
    RowError,
    past_midnight,
    refuse_backwards,
)
from pwmscope.capture.text.event_list import refuse_disorder
from pwmscope.capture.text.layout import MAX_LINE_BYTES, Layout
from pwmscope.capture.text.rows import (
    CLOSE_QUOTE,
    MEND,
    NOTHING_TO_READ,
    OPEN_QUOTE,
    cell_checks,
    is_row,
    read_lengths,
    read_time,
    refuse_negative,
    respelled,
)
from pwmscope.errors import CaptureError

_BLOCK: Final = 1 << 20
_MARK: Final = "\x1f"
"""What separates cells here, whatever it is in the file (unit separator of ISO/IEC 646)."""
_OPEN: Final = "\x1e"
"""Before a line with a quote that is not closed (record separator of ISO/IEC 646)."""


def first_fault(path: Path, layout: Layout, source: str, met: CaptureError) -> CaptureError:
    """Find the first fault of a table in which one was met; that one where none is found."""
    try:
        with reading(path):
            sound = met.index if isinstance(met, DisorderError) else 0
            return fault_in(_blocks(path), layout, source, sound=sound) or met
    except CaptureError as error:  # packed data are damaged below all rows that could be read
        return error


def fault_in(
    blocks: Iterable[bytes], layout: Layout, source: str, first_line: int = 1, *, sound: int = 0
) -> CaptureError | None:
    """Find the first fault in blocks of whole lines, of which the first has this number.

    So many rows are known to be sound.
    """
    is_plain = layout.events is None and layout.runs is None and not layout.is_quoted
    rows = _SoundRows(layout, source, sound if is_plain else 0)
    try:
        _refuse_disorder(rows.frames(blocks, first_line), layout, source)
    except DisorderError as error:
        return error.at(int(rows.lines[error.index - rows.first]))
    return rows.fault


def _has_blanks(block: bytes, delimiter: str) -> bool:
    """Whether a line of a block may be blank, or a row of empty cells."""
    begins = [mark.encode() for mark in (delimiter, "\n", "\r", " ", "\t")]
    return block.startswith(tuple(begins)) or any(b"\n" + mark in block for mark in begins)


def _blocks(path: Path) -> Iterator[bytes]:
    """Give a file in blocks of whole lines, up to one without end."""
    with open_bytes(path) as file:
        rest = b""
        while len(rest) <= MAX_LINE_BYTES and (block := file.read(_BLOCK)):
            whole, end, rest = (rest + block).rpartition(b"\n")
            yield whole + end
        yield rest


def _refuse_disorder(frames: Iterator[pl.DataFrame], layout: Layout, source: str) -> None:
    """Take all rows, and look for one that contradicts those above it."""
    if layout.events is not None:
        refuse_disorder(frames, layout, source)
    elif layout.runs is not None:
        before = 0
        for frame in frames:
            lengths = frame.select(read_lengths(layout)).to_numpy()
            refuse_negative(lengths.ravel(), layout, source, before)
            before += lengths.size
    else:
        batches = _timed(frames, layout)
        is_clock = layout.stamp is not None and layout.stamp.is_clock
        refuse_backwards(past_midnight(batches) if is_clock else batches, source, layout)


def _timed(frames: Iterator[pl.DataFrame], layout: Layout) -> Iterator[RowBatch]:
    first_row = 0
    for frame in frames:
        if layout.time_column is not None:
            times = frame.select(read_time(layout, is_text=True)).to_series().to_numpy()
            yield RowBatch(first_row, np.zeros(0, np.uint8), times)
        first_row += frame.height


class _SoundRows:
    """The rows of a table above the first that cannot be read, and what is wrong with that one."""

    def __init__(self, layout: Layout, source: str, known: int) -> None:
        self._layout = layout
        self._known = known  # Rows that need no second look
        self._source = source
        self._checks = cell_checks(layout)
        self._ordered = _last_ordered(layout)
        self._hollow: int | None = None  # Line of the first row of empty cells
        self.first = 0  # Index of the first row of the last frame among all sound rows
        self.lines = np.zeros(0, np.int64)  # Lines of the file on which its rows stand
        self.fault: RowError | None = None

    def frames(self, blocks: Iterable[bytes], first_line: int) -> Iterator[pl.DataFrame]:
        """Give the rows in frames of columns ``c0``, ``c1``, ..., all of them text."""
        number, passed = first_line, 0
        for block in blocks:
            count = block.count(b"\n")
            is_known = number > self._layout.skip_lines and passed + count < self._known - 1
            if is_known and not _has_blanks(block, self._layout.delimiter):
                passed, number = passed + count, number + count
                continue
            lines = block.decode("utf-8", "replace").replace("\r\n", "\n").split("\n")
            above = max(0, self._layout.skip_lines + 1 - number)
            table = self._table(lines[above:], number + above)
            at, position, self.fault = self._first_wrong(table)
            # Of the row itself only what stands before the fault is sound.
            sound = table.head(at + (position > self._ordered)).filter("is_row")
            self.first += self.lines.size
            self.lines = sound["number"].to_numpy()
            passed += self.lines.size
            yield sound
            if self.fault is not None:
                return
            number += len(lines) - 1

    def _table(self, lines: list[str], number: int) -> pl.DataFrame:
        """Split the lines that are not blank into cells, and check each."""
        delimiter, width = self._layout.delimiter, len(self._layout.columns)
        if self._layout.is_quoted and delimiter != SPACES:
            lines = _unquoted(lines, self._layout)
        line = pl.col("line")
        if delimiter == SPACES:
            marked = line.str.strip_chars().str.replace_all(r"\s+", _MARK)
        else:
            is_split = line.str.contains(f"^{_OPEN}|{_MARK}")
            marked = line.str.replace_all(delimiter, _MARK, literal=True)
            marked = pl.when(is_split).then(line).otherwise(marked)
        cells = pl.col("marked").str.split_exact(_MARK, width - 1).struct
        table = (
            pl.LazyFrame({"line": pl.Series(lines, dtype=pl.String)})
            .with_row_index("number", number)
            .filter(line.str.strip_chars() != "")
            .with_columns(marked.alias("marked"))
            .with_columns(
                (pl.col("marked").str.count_matches(_MARK, literal=True) + 1).alias("count"),
                pl.col("marked").str.starts_with(_OPEN).alias("is_open"),
                (pl.col("marked").str.strip_chars(f" \t{_MARK}") == "").alias("is_hollow"),
                *(cells.field(f"field_{i}").replace("", None).alias(f"c{i}") for i in range(width)),
            )
        )
        is_row = pl.any_horizontal(pl.col(f"c{i}").is_not_null() for i in self._checks)
        return (
            respelled(table, self._layout)
            .with_columns(
                is_row.alias("is_row"),
                *((check.is_null() & is_row).alias(f"w{i}") for i, check in self._checks.items()),
            )
            .collect()
        )

    def _first_wrong(self, table: pl.DataFrame) -> tuple[int, int, RowError | None]:
        """Find the first row with a fault of its own, the fault's place in it, and the fault."""
        if self._hollow is not None and not table["is_hollow"].all():
            return 0, -2, self._error("a row of empty cells found", self._hollow)
        width = len(self._layout.columns)
        marks = {-1: table["is_open"], **{i: table[f"w{i}"] for i in self._checks}}
        marks[width] = table["count"] > width
        marks[width + 2] = ~table["is_row"] & ~table["is_hollow"]
        hollow = table["is_hollow"].arg_max() if table["is_hollow"].any() else None
        if hollow is not None:
            if not table["is_hollow"][hollow:].all():
                marks[width + 1] = table["is_hollow"]
            elif self._hollow is None:
                self._hollow = table["number"][hollow]
        places = [(mark.arg_max() or 0, i) for i, mark in marks.items() if mark.any()]
        if not places:
            return table.height, -2, None
        at, position = min(places)
        row = table.row(at, named=True)
        fault = self._told(row, position)
        fault.is_certain = self._is_certain(row["line"])
        return at, position, fault

    def _told(self, row: dict[str, Any], position: int) -> RowError:
        """Say what is wrong with a row."""
        width = len(self._layout.columns)
        if position == -1:
            if row["line"].startswith(_OPEN + _OPEN):
                return RowError(self._source, OPEN_QUOTE, CLOSE_QUOTE, row=row["number"])
            found = "the rows cannot be told apart, as after a quote that is not closed"
            remedy = f"every row must have {width} cells; export the recording again"
            return RowError(self._source, found, remedy, row=row["number"])
        if position == width:
            return self._error(f"{row['count']} cells found, expected {width}", row["number"])
        if position > width:
            found = NOTHING_TO_READ if position > width + 1 else "a row of empty cells found"
            return self._error(found, row["number"])
        cell = row[f"c{position}"]
        return _wrong_cell(self._source, self._layout, position, row["number"], cell)

    def _is_certain(self, line: str) -> bool:
        """Whether a line with a fault is none of the remarks, and wrong however it is spelled."""
        layout = self._layout
        cells, width = split(line, layout.delimiter), len(layout.columns)
        is_so = '"' not in line or (layout.is_quoted and tight(line, layout.delimiter) == line)
        if not (line.isascii() and is_so) or is_remark(line, cells, width):
            return False
        loose = replace(layout, is_loose=True, skip_lines=0)
        is_wrong = layout.is_loose or fault_in([line.encode()], loose, self._source) is not None
        return is_wrong and not is_footer(cells, width)

    def _error(self, found: str, number: int) -> RowError:
        return RowError(self._source, found, MEND, row=number)


def _last_ordered(layout: Layout) -> int:
    """Place of the last cell of a row that must be known to tell whether it is in order."""
    time = -1 if layout.time_column is None else layout.time_place
    if layout.events is not None:
        return max(time, *(p for p in layout.events.positions if p is not None))
    return time if layout.runs is None else max(layout.runs.positions)


_MAX_LINES_OF_CELL: Final = 20


def _unquoted(lines: list[str], layout: Layout) -> list[str]:
    """Separate the cells of lines with quotes; a line with an open quote begins with a mark.

    With two, where its cell ends further down and takes in what is a row by itself.
    """
    delimiter, width = layout.delimiter, len(layout.columns)
    mark = re.escape(delimiter)
    whole = re.compile(rf'(?:^|(?<={mark})) *"[^"]*" *(?={mark}|$)')
    found = list(lines)
    for i, line in enumerate(lines):
        if '"' not in found[i]:
            continue
        if '"' not in whole.sub("", line):
            found[i] = _MARK.join(split(line, delimiter))
            continue
        for end in range(i + 2, min(i + _MAX_LINES_OF_CELL, len(lines)) + 1):
            joined = " ".join(lines[i:end])
            cells = split(joined, delimiter)
            if '"' not in whole.sub("", joined) and len(cells) == width:  # a cell of some lines
                if any(is_row(each, layout) for each in lines[i + 1 : end]):
                    found[i] = _OPEN + _OPEN + line
                else:
                    found[i:end] = [_MARK.join(cells), *[""] * (end - i - 1)]
                break
        else:
            found[i] = _OPEN + line
            break
    return found


def _wrong_cell(
    source: str, layout: Layout, position: int, number: int, cell: str | None
) -> RowError:
    column = layout.columns[position]
    # A quote that is never closed makes a cell of many lines.
    found = "nothing" if cell is None else f"'{' '.join(cell.split())[:40]}'"
    events = layout.events
    level = next((level for level in layout.levels if level.position == position), None)
    remedy = MEND
    if column == layout.time_column:
        unit = {"stamp": "date and time", "sample": "sample number"}.get(
            layout.time_kind, f"time in {layout.time_unit}"
        )
        found += f" stands where a {unit} (of at most 106 days) was expected"
    elif events is not None and position == events.duration:
        found += f" stands where a duration in {events.duration_unit} was expected"
    elif events is not None and position == events.line:
        found += " stands where the name of a line was expected"
    elif level is not None and level.kind == "analogue":
        found += " stands where a voltage was expected"
    elif level is not None and level.is_bus:
        found += " stands where the number of a bus was expected"
    else:
        found = f"the level is {found}, expected 0 or 1"
        remedy = "mend or remove this row, or export this line as digital levels"
        remedy = level.remedy or remedy if level is not None else remedy
    return RowError(source, found, remedy, row=number, column=column)
