"""A Parquet or Arrow table of levels as a Capture: sampled or change-listed, streamed."""

from __future__ import annotations

import functools
import operator
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import polars as pl

from pwmscope.capture.capture import Capture
from pwmscope.capture.changes import Changes, gather_changes
from pwmscope.capture.columnar_time import TimeColumn, find_time_column
from pwmscope.capture.edge_file import chosen_lines, is_edge_file, read_edges
from pwmscope.capture.hints import Hints
from pwmscope.capture.layout import MOST_LINES, Layout
from pwmscope.capture.progress import watched
from pwmscope.capture.rows import RowBatch
from pwmscope.capture.table import _clock, _lines, _no_edges
from pwmscope.capture.unpack import find_packing, reading
from pwmscope.errors import CaptureError, HintError

PARQUET: Final = b"PAR1"
ARROW: Final = b"ARROW1"
_ARROW_STREAM: Final = b"\xff\xff\xff\xff"


@dataclass(frozen=True, slots=True)
class _Table:
    """A table that is understood but not read yet."""

    kind: str
    scan: pl.LazyFrame
    time: TimeColumn | None
    lines: tuple[str, ...]
    row_count: int


def read_columnar(path: Path, hints: Hints, *, batch_rows: int | None = None) -> Capture:
    """Read a Parquet or Arrow file: an edge file of pwmscope's own, or a table of levels.

    A table has a column per line, of truth values or of the numbers 0 and 1,
    and the shapes of text tables: one row per sample or per change with a
    time column (whole, fixed-point or floating-point numbers, or time
    stamps), or samples without time, whose rate comes from the hints.

    Parameters
    ----------
    path : Path
        A Parquet file or an Arrow file (IPC file format).
    hints : Hints
        What the person said about it.
    batch_rows : int, optional
        Rows to hold at a time; it has no effect on the result.

    Returns
    -------
    Capture
        Edges of every line; the first row's time is 0.

    Raises
    ------
    CaptureError, HintError
        One sentence: what was found where, and what to do.
    """
    source = str(path)
    kind = _kind(path)
    try:
        if kind == "Parquet" and is_edge_file(path):
            return read_edges(path, hints)
        table = _find_table(path, kind, hints)
        changes = gather_changes(_stream(table, source, batch_rows), source, 1)
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError, EOFError) as error:
        first_words = (str(error).splitlines() or [""])[0][:120].rstrip(".")
        raise CaptureError(
            source,
            f"the {kind} data are damaged or cut short ({first_words})",
            "copy or write the file again",
        ) from None
    return _capture(table, changes, hints, source)


def _kind(path: Path) -> str:
    with reading(path), path.open("rb") as file:
        head = file.read(8)
    if head.startswith(PARQUET):
        return "Parquet"
    if head.startswith(ARROW):
        return "Arrow"
    if find_packing(path) != "plain":
        raise CaptureError(
            str(path), "expected a Parquet or an Arrow file as it is, not packed", "unpack it"
        )
    found = "is an Arrow stream" if head.startswith(_ARROW_STREAM) else "is neither"
    raise CaptureError(
        str(path),
        f"expected a Parquet or an Arrow file, and this {found}",
        "write the recording as Parquet, or as an Arrow file that is not a stream",
    )


def _find_table(path: Path, kind: str, hints: Hints) -> _Table:
    source = str(path)
    if kind == "Parquet":
        scan = pl.scan_parquet(path, glob=False, hive_partitioning=False)
    else:
        scan = pl.scan_ipc(path, glob=False, hive_partitioning=False)
    schema = scan.collect_schema()
    if not schema:
        raise CaptureError(source, "the table has no columns", "write the recording again")
    time = find_time_column(scan, hints, source)
    if time is None and hints.rate_hz is None:
        raise HintError(
            f"{source}: the rows carry no time column, so the sample rate is needed; "
            "add --rate with the analyser's setting, for example --rate 1MHz."
        )
    names = tuple(name for name in schema if time is None or name != time.name)
    lines = chosen_lines(names, hints, source)
    if not 0 < len(lines) <= MOST_LINES:
        raise CaptureError(
            source,
            f"{len(lines)} columns of levels, 1 to {MOST_LINES} are read",
            "name the lines to read with --lines",
        )
    for name in lines:
        if not (schema[name] == pl.Boolean or schema[name].is_numeric()):
            raise CaptureError(
                source,
                f"the column holds {schema[name]}, expected levels",
                "write it as truth values or as 0 and 1, or leave it out with --lines",
                column=name,
            )
    row_count = int(scan.select(pl.len()).collect().item())
    return _Table(kind, scan, time, lines, row_count)


def _is_level(name: str) -> pl.Expr:
    column = pl.col(name)
    return ((column == 0) | (column == 1)).fill_null(value=False)


def _stream(table: _Table, source: str, batch_rows: int | None) -> Iterator[RowBatch]:
    columns = [
        functools.reduce(
            operator.or_,
            (
                (pl.col(name) == 1).cast(pl.UInt64) * pl.lit(1 << bit, pl.UInt64)
                for bit, name in enumerate(table.lines)
            ),
        ).alias("word"),
        pl.all_horizontal(_is_level(name) for name in table.lines).alias("good"),
    ]
    if table.time is not None:
        readable = table.time.is_readable.fill_null(value=False)
        columns[1] = (columns[1] & readable).alias("good")
        columns.append(table.time.since_first_ps.alias("time"))
    batches = table.scan.select(columns).collect_batches(
        chunk_size=batch_rows, maintain_order=True, engine="streaming"
    )
    first_row = 0
    for batch in watched(batches, table.row_count, lambda batch: batch.height):
        good = batch.get_column("good")
        if not good.all():
            raise _wrong_cell(table, source, first_row + int(good.arg_min() or 0))
        time = None if table.time is None else batch.get_column("time").to_numpy()
        yield RowBatch(first_row, batch.get_column("word").to_numpy(), time)
        first_row += batch.height


def _wrong_cell(table: _Table, source: str, row: int) -> CaptureError:
    """Say what is wrong with the first row that cannot be read."""
    names = table.lines if table.time is None else (table.time.name, *table.lines)
    cells = table.scan.slice(row, 1).select(names).collect()
    checks = {name: _is_level(name) for name in table.lines}
    if table.time is not None:
        checks[table.time.name] = table.time.is_readable.fill_null(value=False)
    good = cells.select(check.alias(name) for name, check in checks.items())
    column = next(name for name in names if not good.item(0, name))
    cell = cells.item(0, column)
    found = "nothing" if cell is None else f"'{str(cell)[:40]}'"
    if table.time is not None and column == table.time.name:
        return CaptureError(
            source,
            f"{found} stands where a time (of at most 106 days) was expected",
            "mend or remove this row, or write the recording again",
            row=row + 1,
            column=column,
        )
    return CaptureError(
        source,
        f"the level is {found}, expected 0 or 1",
        "write this line as digital levels, or leave it out with --lines",
        row=row + 1,
        column=column,
    )


def _capture(table: _Table, changes: Changes, hints: Hints, source: str) -> Capture:
    said = [f"The file is {_AN[table.kind]} table of {table.row_count} rows."]
    unit, decimals, name = "s", 0, None
    if table.time is None:
        said.append("The rows carry no time; they are samples at even intervals.")
    else:
        name, unit = table.time.name, table.time.unit
        decimals, more = table.time.precision(changes)
        said += [*table.time.assumptions, *more]
    columns = table.lines if name is None else (name, *table.lines)
    layout = Layout("", 0, columns, name, unit, decimals, tuple(said))
    if not changes.rows.size:
        raise _no_edges(changes, layout, source)
    times_ps, duration_ps, interval_ps, clock_said = _clock(changes, layout, hints, source)
    lines, more = _lines(changes, times_ps, layout)
    if not any(line.edges_ps.size for line in lines.values()):
        raise _no_edges(changes, layout, source)
    return Capture(
        lines, duration_ps, interval_ps, source, (*layout.assumptions, *clock_said, *more)
    )


_AN: Final = {"Parquet": "a Parquet", "Arrow": "an Arrow"}
