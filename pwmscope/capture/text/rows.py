"""The rows of a text table as batches of packed levels, streamed by polars."""

from __future__ import annotations

import functools
import io
import itertools
import operator
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Final, TypeAlias

import numpy as np
import numpy.typing as npt
import polars as pl

from pwmscope.capture.reader.hints import parse_time_unit, size_of_unit
from pwmscope.capture.reader.unpack import find_packing, name_of, open_bytes, reading, watched
from pwmscope.capture.text.cells import HIGH_WORDS, LOW_WORDS, MINUS_SIGNS, TIME_UNITS, VOLTS
from pwmscope.capture.text.columns import LevelColumn, groups_of
from pwmscope.capture.text.comparator import MAX_NUMBER
from pwmscope.capture.text.dialect import SPACES, split
from pwmscope.capture.text.edges import DisorderError, RowBatch, RowError, expected_rows
from pwmscope.capture.text.layout import Layout, refuse_endless_packed
from pwmscope.capture.text.lists import RunColumns
from pwmscope.errors import CaptureError

MEND: Final = "mend or remove this row, or export the recording again"
_ROUND_CELLS: Final = ' \t\r"'
_NEVER = "\x1f"
"""A delimiter that no line holds (the unit separator of ISO/IEC 646)."""


Source: TypeAlias = Path | io.BytesIO
"""A file, or lines of it in memory."""


def scan_table(
    path: Source, layout: Layout, types: dict[int, pl.DataType], *, is_ragged: bool = False
) -> pl.LazyFrame:
    """Scan a table's rows into columns ``c0``, ``c1``, ...; ragged ones may have more cells."""
    if layout.delimiter == SPACES:
        return respelled(_scan_spaced(path, layout), layout)
    text = dict.fromkeys(range(len(layout.columns)), pl.String())
    kinds = {**text, **({} if layout.is_text else types)}
    more: dict[str, Any] = {"extra_columns": "ignore", "truncate_ragged_lines": True}
    scan = pl.scan_csv(
        path,
        has_header=False,
        skip_lines=layout.skip_lines,
        separator=layout.delimiter,
        # Where no cell is quoted, a stray quote is a wrong cell and not the start of a long one.
        quote_char='"' if layout.is_quoted else None,
        decimal_comma=layout.decimal_comma and not layout.is_text,
        schema={f"c{i}": kind for i, kind in kinds.items()},
        missing_columns="insert",
        glob=False,
        **(more if is_ragged else {}),
    )
    return respelled(scan, layout)


def respelled(scan: pl.LazyFrame, layout: Layout) -> pl.LazyFrame:
    """Write columns of odd spelling as parsers know them; mark a cell that is not spelled so."""
    if not layout.spellings:
        return scan
    columns = []
    for position, spelling in layout.spellings:
        cell = pl.col(f"c{position}").str.strip_chars(_ROUND_CELLS)
        plain = cell.str.replace_all(spelling.marks, spelling.by)
        is_so = cell.str.contains(f"^(?:{spelling.whole})$")
        columns.append(pl.when(is_so).then(plain).otherwise(cell + " (?)").alias(f"c{position}"))
    return scan.with_columns(columns)


def _count_rows(path: Path, layout: Layout) -> int:
    """Count a table's rows without looking into them, blank lines included."""
    rows = scan_table(path, replace(layout, is_loose=True), {}, is_ragged=True)
    return int(rows.select(pl.len()).collect(engine="streaming").item())


def _scan_spaced(path: Source, layout: Layout) -> pl.LazyFrame:
    """Split lines at runs of spaces and tabs; a cell too many makes the last one no number."""
    lines = pl.scan_csv(
        path,
        has_header=False,
        skip_lines=layout.skip_lines,
        separator=_NEVER,
        quote_char=None,
        schema={"line": pl.String()},
        glob=False,
    )
    cells = (
        pl.col("line")
        .str.strip_chars()
        .str.replace_all(r"\s+", " ")
        .str.splitn(" ", len(layout.columns))
    )
    return lines.select(
        cells.struct.field(f"field_{i}").alias(f"c{i}") for i in range(len(layout.columns))
    )


def time_type(layout: Layout) -> pl.DataType:
    """Tell as what the time column is best parsed.

    A fixed-point decimal has its last digit at one picosecond, so that no time
    passes through floating point.
    """
    if layout.time_kind == "stamp":
        return pl.String()
    if layout.time_kind == "sample":
        return pl.Int64()
    return pl.Decimal(38, size_of_unit(layout.time_unit)[1])


def read_time(layout: Layout, *, is_text: bool) -> pl.Expr:
    """Int64 picoseconds, or sample numbers; from text null where it is no time."""
    cell = pl.col(f"c{layout.time_place}")
    if layout.stamp is not None:
        return layout.stamp.since_origin_ps(cell.str.strip_chars(_ROUND_CELLS))
    if is_text:
        return read_fixed_point(layout.time_place, layout.time_unit, layout)
    if layout.time_kind == "sample":
        return cell
    return _since_origin(cell, layout.time_unit, layout.time_origin)


def _since_origin(number: pl.Expr, unit: str, origin: int) -> pl.Expr:
    """Int64 picoseconds from fixed-point numbers of a unit, counted from the origin."""
    multiple, exponent = size_of_unit(unit)
    whole = number.to_physical()
    if origin:
        whole = whole - pl.lit(origin * 10**exponent, pl.Int128)
    return (whole if multiple == 1 else whole * multiple).cast(pl.Int64, strict=False)


def read_fixed_point(position: int, unit: str, layout: Layout) -> pl.Expr:
    """Int64 picoseconds (sample numbers as they are) from text; null where it is none."""
    number = _number_text(position, layout)
    if position in layout.with_units:
        return _read_time_quantity(number, layout)
    if not unit or (layout.time_kind == "sample" and unit == layout.time_unit):
        return number.cast(pl.Int64, strict=False)
    decimal = number.cast(pl.Decimal(38, size_of_unit(unit)[1]), strict=False)
    return _since_origin(decimal, unit, layout.time_origin)


_QUANTITY: Final = r"^([+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?)\s*([a-zA-Zµμ]*)$"


def _read_time_quantity(text: pl.Expr, layout: Layout) -> pl.Expr:
    """Int64 picoseconds from texts such as ``950 ns``; null where they are none."""
    parts = text.str.extract_groups(_QUANTITY).struct
    number, unit = parts.field("1"), parts.field("2")
    multiple, exponent = size_of_unit(layout.time_unit)
    origin_ps = layout.time_origin * multiple * 10**exponent
    found = pl.lit(None, pl.Int64)
    for spelling in TIME_UNITS:
        multiple, exponent = size_of_unit(parse_time_unit(spelling))
        whole = number.cast(pl.Decimal(38, exponent), strict=False).to_physical() * multiple
        since = (whole - pl.lit(origin_ps, pl.Int128)).cast(pl.Int64, strict=False)
        # A bare 0 has no unit and needs none.
        is_it = unit.eq(spelling) | (unit.eq("") & number.cast(pl.Float64, strict=False).eq(0))
        found = pl.when(is_it).then(since).otherwise(found)
    return found


def _number_text(position: int, layout: Layout) -> pl.Expr:
    # Where spaces separate cells, or stand before a quote, nothing else takes quotes off.
    has_quotes = layout.delimiter == SPACES or (layout.is_quoted and layout.is_loose)
    text = pl.col(f"c{position}").str.strip_chars(_ROUND_CELLS if has_quotes else " \t\r")
    if layout.is_text:
        text = text.str.replace(f"^[{MINUS_SIGNS}]", "-")
    return text.str.replace(",", ".", literal=True) if layout.decimal_comma else text


def _level_type(level: LevelColumn) -> pl.DataType:
    """Tell as what a column of levels is best parsed."""
    types: dict[str, pl.DataType] = {
        "digit": pl.UInt8(), "level number": pl.Float64(), "analogue": pl.Float64()
    }  # fmt: skip
    return types.get(level.kind, pl.String())


def _read_bits(level: LevelColumn, layout: Layout, *, is_text: bool = True) -> pl.Expr:
    """Levels as UInt64 in their place of a row's word; null where they are none."""
    text = _number_text(level.position, layout).str.to_lowercase()
    if level.is_bus:
        value = _bus_value(text, level)
        bits: pl.Expr = pl.when(value.is_between(0, (1 << level.bits) - 1)).then(
            value.cast(pl.UInt64, strict=False)
        )
    elif level.kind == "level number":
        number = text.cast(pl.Float64, strict=False) if is_text else _cell(level)
        bits = _one_or_zero(number == 1, number == 0)
    else:
        bits = read_level(text)
    return bits * pl.lit(1 << level.first_bit, pl.UInt64)


def read_level(text: pl.Expr) -> pl.Expr:
    """One bit as UInt64 from lower-case text, a word, 0, 1, 0.0 or 1.0; null for all else."""
    return _one_or_zero(text.is_in([*HIGH_WORDS, *_ONES]), text.is_in([*LOW_WORDS, *_ZEROS]))


_ONES: Final = ("1", *("1." + "0" * places for places in range(13)))
_ZEROS: Final = ("0", *("0." + "0" * places for places in range(13)))


def _one_or_zero(is_high: pl.Expr, is_low: pl.Expr) -> pl.Expr:
    one, zero = pl.lit(1, pl.UInt64), pl.lit(0, pl.UInt64)
    return pl.when(is_high).then(one).when(is_low).then(zero)


def _bus_value(text: pl.Expr, level: LevelColumn) -> pl.Expr:
    if level.kind == "integer":
        return text.cast(pl.Int64, strict=False)
    base, prefix, suffix = (16, "0x", "h") if level.kind == "hex" else (2, "0b", "b")
    digits = text.str.strip_prefix(prefix).str.strip_suffix(suffix)
    return digits.str.to_integer(base=base, dtype=pl.Int64, strict=False)


def _read_volts(level: LevelColumn, layout: Layout, *, is_text: bool = True) -> pl.Expr:
    """Float64; null where it is no finite number."""
    if not is_text:
        return _finite(_cell(level))
    text = _number_text(level.position, layout)
    if level.position not in layout.with_units:
        return _finite(text.cast(pl.Float64, strict=False))
    parts = text.str.extract_groups(_QUANTITY).struct
    unit = parts.field("2").str.to_lowercase()
    number = parts.field("1").cast(pl.Float64, strict=False)
    volts = pl.lit(None, pl.Float64)
    for spelling, power in VOLTS.items():
        volts = pl.when(unit.eq(spelling)).then(number * 10.0**power).otherwise(volts)
    return _finite(volts)


def cell_checks(layout: Layout) -> dict[int, pl.Expr]:
    """For each place that is read, an expression that is null where the cell is wrong."""
    checks: dict[int, pl.Expr] = {}
    if layout.time_column is not None:
        checks[layout.time_place] = read_time(layout, is_text=True)
    for level in itertools.chain(*groups_of(layout.levels)):
        read = _read_volts if level.kind == "analogue" else _read_bits
        checks[level.position] = read(level, layout)
    events, runs = layout.events, layout.runs
    if events is not None and events.line is not None:
        checks[events.line] = pl.col(f"c{events.line}")
    if events is not None and events.level is not None:
        checks[events.level] = read_event_level(layout)
    if events is not None and events.duration is not None:
        checks[events.duration] = read_duration(layout)
    if runs is not None:
        if runs.levels:
            checks = {}
        for position, unit in runs.lengths:
            checks[position] = read_fixed_point(position, unit, layout)
    return checks


def read_event_level(layout: Layout) -> pl.Expr:
    """One bit as UInt64: the column of a list of events that holds the new level."""
    cell = pl.col(f"c{layout.listed.level}")
    return read_level(cell.str.strip_chars(_ROUND_CELLS).str.to_lowercase())


def read_duration(layout: Layout) -> pl.Expr:
    """Int64 picoseconds, or samples: the column of a list of pulses that ends or measures them."""
    events = layout.listed
    assert events.duration is not None  # a list of pulses, not of edges
    if events.is_end and layout.stamp is not None:
        cell = pl.col(f"c{events.duration}")
        return layout.stamp.since_origin_ps(cell.str.strip_chars(_ROUND_CELLS))
    origin = layout.time_origin if events.is_end else 0
    if events.is_end and origin and events.duration_unit != layout.time_unit:
        raise CaptureError(
            layout.columns[events.duration],
            "rise and fall are counted in different units since 1970",
            "export both in one unit",
        )
    counted = replace(layout, time_origin=origin)
    return read_fixed_point(events.duration, events.duration_unit, counted)


def parse_lines(lines: bytes, layout: Layout, first_row: int) -> RowBatch | None:
    """Parse lines of a table in memory; None where any of them is no whole row."""
    if not 32 < lines[0] < 127:  # such as the mark of an encoding or of a packed file
        return None
    try:
        batch = _scan_rows(io.BytesIO(lines), replace(layout, skip_lines=0)).collect()
    except pl.exceptions.PolarsError:
        return None
    count = lines.count(b"\n") + (not lines.endswith(b"\n"))
    is_broken = any(column.null_count() for column in batch.get_columns())
    if batch.height != count or is_broken or batch.get_column("bad").any():
        return None
    return _row_batch(batch, layout, first_row)


def _row_batch(
    batch: pl.DataFrame, layout: Layout, first_row: int, *, is_cut: bool = False
) -> RowBatch:
    time = batch.get_column("time").to_numpy() if layout.time_column else None
    volts = tuple(batch.get_column(f"v{i}").to_numpy() for i in range(len(layout.analogue)))
    return RowBatch(first_row, batch.get_column("word").to_numpy(), time, is_cut, volts)


def stream_rows(
    path: Path, layout: Layout, *, batch_rows: int | None = None, first_row: int = 0
) -> Iterator[RowBatch]:
    """Stream a table's rows, never holding more than a few batches."""
    if layout.runs is not None:
        yield from _stream_runs(path, layout, layout.runs, batch_rows)
        return
    scan = _scan_rows(path, layout)
    for batch, is_cut in whole_rows(path, layout, scan, batch_rows, done=first_row):
        yield _row_batch(batch, layout, first_row, is_cut=is_cut)
        first_row += batch.height


RUN_MARGIN_PS: Final = 10**9
"""Silence put before a first high or low, 1 ms, so that its beginning counts as an edge."""


def _stream_runs(
    path: Path, layout: Layout, runs: RunColumns, batch_rows: int | None
) -> Iterator[RowBatch]:
    """Stream a table of lengths as rows at the instants at which they begin, and one at the end."""
    first_row, instant, last_word, is_cut = 0, 0, None, False
    if runs.levels:
        # A length that is given began with an edge, so the other level stands before it.
        instant = RUN_MARGIN_PS
        before = np.array([1 - runs.levels[0]], np.uint64)
        yield RowBatch(0, before, np.zeros(1, np.int64))
        first_row = 1
    scan = _scan_runs(path, layout, runs)
    for batch, cut in whole_rows(path, layout, scan, batch_rows):
        is_cut = cut
        lengths = batch.select(f"d{i}" for i in range(len(runs.lengths))).to_numpy().ravel()
        if lengths.size == 0:
            continue
        refuse_negative(lengths, layout, name_of(path), first_row - len(runs.levels[:1]))
        if runs.levels:
            words = np.tile(np.array(runs.levels, np.uint64), batch.height)
        else:
            words = batch.get_column("word").to_numpy().astype(np.uint64)
        ends = instant + np.cumsum(lengths)
        yield RowBatch(first_row, words, ends - lengths)
        first_row, instant, last_word = first_row + words.size, int(ends[-1]), words[-1:]
    if last_word is not None:
        yield RowBatch(first_row, last_word, np.array([instant], np.int64), is_cut)


def refuse_negative(
    lengths: npt.NDArray[np.int64], layout: Layout, source: str, before: int
) -> None:
    """Look for a length below 0 among those that so many stand before, a few to a row."""
    if layout.runs is not None and bool((lengths < 0).any()):
        row = (before + int((lengths < 0).argmax())) // len(layout.runs.lengths)
        raise negative_length(layout, source, row)


def negative_length(layout: Layout, source: str, row: int) -> DisorderError:
    """Say that a row's length is below 0."""
    said = "a length is negative"
    return DisorderError(source, said, MEND, first_line=layout.skip_lines + 1, index=row)


def read_lengths(layout: Layout) -> list[pl.Expr]:
    """Int64 picoseconds, or samples: the columns of a table of lengths, as ``d0``, ``d1``, ..."""
    assert layout.runs is not None  # a table of lengths
    return [
        read_fixed_point(position, unit, layout).alias(f"d{i}")
        for i, (position, unit) in enumerate(layout.runs.lengths)
    ]


def _scan_runs(path: Path, layout: Layout, runs: RunColumns) -> pl.LazyFrame:
    columns = read_lengths(layout)
    positions = list(runs.positions)
    if not runs.levels:
        bits = [_read_bits(level, layout) for level in layout.levels]
        columns.append(functools.reduce(operator.or_, bits).alias("word"))
        positions += [c.position for c in layout.levels]
    columns += [pl.lit(value=False).alias("bad"), is_blank(positions).alias("blank")]
    return scan_table(path, layout, {}).select(columns)


def whole_rows(
    path: Path,
    layout: Layout,
    scan: pl.LazyFrame,
    batch_rows: int | None = None,
    *,
    done: int = 0,
) -> Iterator[tuple[pl.DataFrame, bool]]:
    """Stream a scan whose nulls mark cells that cannot be read.

    A fault ends the stream, not always the first of the table: `faults` finds that.
    """
    name = name_of(path)
    refuse_endless_packed(path)
    batches = scan.collect_batches(chunk_size=batch_rows, maintain_order=True, engine="streaming")
    unreadable = RowError(
        name,
        "the rows cannot be told apart, as after a quote that is not closed",
        f"every row must have {len(layout.columns)} cells; export the recording again",
    )
    is_cut = hollow = False
    try:
        expected = expected_rows(path, layout)
        whole = _all_of(batches, path, layout)
        for batch in watched(whole, expected, lambda batch: batch.height, done=done):
            if any(column.null_count() for column in batch.get_columns()):
                # Blank lines are no rows; what is missing elsewhere is.
                hollow = hollow or batch.get_column("blank").any()
                batch = batch.filter(~pl.col("blank"))  # noqa: PLW2901
            if batch.height and is_cut:
                raise unreadable
            if any(column.null_count() for column in batch.get_columns()):
                incomplete = batch.select(pl.any_horizontal(pl.all().is_null())).to_series()
                missing_row = int(incomplete.arg_max() or 0)
                if missing_row != batch.height - 1 or not _ends_early(path, layout):
                    raise unreadable
                batch = batch.head(missing_row)  # noqa: PLW2901
                is_cut = True
            if batch.get_column("bad").any():
                raise unreadable
            if batch.height or is_cut:
                yield batch, is_cut
        if hollow:
            _refuse_hollow_rows(path, layout)
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError):
        raise unreadable from None


def _refuse_hollow_rows(path: Path, layout: Layout) -> None:
    """Refuse a row of which nothing can be read, but for blank lines and empty rows at the end."""
    if layout.delimiter == SPACES:
        return
    places = sorted(cell_checks(layout))
    mark, first, found = layout.delimiter.encode(), places[0], 0
    with reading(path), open_bytes(path) as file:
        for number, line in enumerate(file, start=1):
            if number <= layout.skip_lines or not line.strip():
                continue
            head = line.split(mark, first + 1)
            if b'"' in line or len(head) <= first or not head[first].strip():
                cells = split(line.decode("utf-8", "replace").rstrip("\r\n"), layout.delimiter)
                if not any(cells):
                    found = found or number
                    continue
                if not any(cells[place] for place in places if place < len(cells)):
                    raise RowError(name_of(path), NOTHING_TO_READ, MEND, row=number)
            if found:
                raise RowError(name_of(path), "a row of empty cells found", MEND, row=found)


NOTHING_TO_READ: Final = "all cells that are read are empty, and others are not"


def _refuse_swallowed_rows(path: Path, layout: Layout) -> None:
    """Refuse a quoted cell of several lines that takes whole rows in, as two open quotes make."""
    with reading(path), open_bytes(path) as file:
        is_open, begun = False, 0
        for number, line in enumerate(file, start=1):
            if number <= layout.skip_lines:
                continue
            if is_open and is_row(line.decode("utf-8", "replace"), layout):
                raise RowError(name_of(path), OPEN_QUOTE, CLOSE_QUOTE, row=begun)
            if line.count(b'"') % 2:
                is_open, begun = not is_open, number


OPEN_QUOTE: Final = "a quote that is not closed takes in the rows below"
CLOSE_QUOTE: Final = "close the quote in this row, or export without quotes"


def wrong_cells(cells: list[str], layout: Layout) -> list[int]:
    """Places of a row's cells that are read and cannot be."""
    row = pl.LazyFrame({f"c{i}": [cell or None] for i, cell in enumerate(cells)})
    checks = cell_checks(layout)
    checked = respelled(row.cast(pl.String), layout).select(
        check.alias(f"w{i}") for i, check in checks.items()
    )
    return [i for i, cell in zip(checks, checked.collect().row(0), strict=True) if cell is None]


def is_row(line: str, layout: Layout) -> bool:
    """Whether a line is a row by itself, whatever quotes stand in it."""
    cells = [cell.strip(' \t\r\n"') for cell in line.split(layout.delimiter)]
    return len(cells) == len(layout.columns) and not wrong_cells(cells, layout)


def _ends_early(path: Path, layout: Layout) -> bool:
    """Whether the last row lacks a cell, or lies in a file that breaks off inside its last cell."""
    last = b""
    with reading(path), open_bytes(path) as file:
        if find_packing(path) == "plain":
            file.seek(max(0, path.stat().st_size - _TAIL_BYTES))
            found = [each for each in file.read().splitlines(keepends=True) if each.strip()]
            last = found[-1] if found else b""
        else:
            for each in file:
                last = each if each.strip() else last
    line = last.decode("utf-8", "replace").strip()
    cells = split(line, layout.delimiter)
    if len(cells) < len(layout.columns) or line.endswith(layout.delimiter):
        return True
    if last.endswith(b"\n"):
        return False
    wrong = wrong_cells(cells, layout)
    return not wrong or min(wrong) == len(layout.columns) - 1


_TAIL_BYTES: Final = 1 << 16


def _all_of(batches: Iterator[pl.DataFrame], path: Path, layout: Layout) -> Iterator[pl.DataFrame]:
    """Pass batches on and refuse a table that lost rows in a quote that is never closed.

    polars ends its stream of batches in silence there. Without quotes it cannot happen.
    """
    rows = 0
    for batch in batches:
        rows += batch.height
        yield batch
    if not layout.is_quoted or rows == _count_lines(path) - layout.skip_lines:
        return
    if rows != _count_rows(path, layout):
        raise RowError(
            name_of(path),
            "the last rows cannot be read, as after a quote that is not closed",
            "mend the quotes near the end, or export without quotes",
        )
    _refuse_swallowed_rows(path, layout)


def _count_lines(path: Path) -> int:
    count, block = 0, b"\n"
    with reading(path), open_bytes(path) as file:
        while more := file.read(1 << 20):
            count, block = count + more.count(b"\n"), more
    return count + (not block.endswith(b"\n"))


def _scan_rows(path: Source, layout: Layout) -> pl.LazyFrame:
    is_text = layout.is_text
    types = {level.position: _level_type(level) for level in layout.levels}
    digits = [level for level in layout.levels if level.kind == "digit" and not is_text]
    others = [c for c in layout.levels if c not in digits and c.kind != "analogue"]
    kind = pl.UInt64 if others or layout.analogue else _least_type(len(digits))
    parts = [_cell(c).cast(kind) * pl.lit(1 << c.first_bit, kind) for c in digits]
    parts += [_read_bits(c, layout, is_text=is_text) for c in others]
    word = functools.reduce(operator.or_, parts) if parts else pl.lit(0, pl.UInt64)
    wrong = (
        functools.reduce(operator.or_, map(_cell, digits)) > 1 if digits else pl.lit(value=False)
    )
    columns = [word.alias("word"), wrong.alias("bad")]
    if layout.time_column is not None:
        types[layout.time_place] = time_type(layout)
        columns.append(read_time(layout, is_text=is_text).alias("time"))
    for i, level in enumerate(layout.analogue):
        columns.append(_read_volts(level, layout, is_text=is_text).alias(f"v{i}"))
    columns.append(is_blank(types).alias("blank"))
    return scan_table(path, layout, types).select(columns)


def is_blank(positions: Iterable[int]) -> pl.Expr:
    """Whether a line holds nothing at any of these places."""
    return pl.all_horizontal(pl.col(f"c{i}").is_null() for i in positions)


def _cell(level: LevelColumn) -> pl.Expr:
    return pl.col(f"c{level.position}")


def _least_type(bits: int) -> type[pl.DataType]:
    """Return the smallest unsigned type that holds a row's levels; small words read faster."""
    kinds = ((8, pl.UInt8), (16, pl.UInt16), (32, pl.UInt32), (64, pl.UInt64))
    return next(kind for most, kind in kinds if bits <= most)


def _finite(volts: pl.Expr) -> pl.Expr:
    return pl.when(volts.abs() < MAX_NUMBER).then(volts)
