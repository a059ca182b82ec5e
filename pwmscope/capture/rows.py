"""The rows of a text table as batches of packed levels, streamed by polars."""

from __future__ import annotations

import functools
import operator
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from pwmscope.capture.layout import Layout, open_bytes
from pwmscope.capture.units import EXPONENT_OF_UNIT
from pwmscope.errors import CaptureError


@dataclass(frozen=True, slots=True)
class RowBatch:
    """Some consecutive rows, all levels of a row packed into one word.

    Parameters
    ----------
    first_row : int
        Index of the first row among the rows of data, counted from 0.
    words : ndarray of uint64, shape (n_rows,)
        Bit ``i`` is the level of the layout's ``i``-th level column.
    time_ps : ndarray of int64, shape (n_rows,), or None
        The time column in picoseconds, exact; None where there is none.
    lost_last_row : bool
        Whether the file's last row was cut short and left out of this batch.
    """

    first_row: int
    words: npt.NDArray[np.uint64]
    time_ps: npt.NDArray[np.int64] | None
    lost_last_row: bool = False


def stream_rows(path: Path, layout: Layout, *, batch_rows: int | None = None) -> Iterator[RowBatch]:
    """Stream a table's rows, never holding more than a few batches.

    The time column is parsed as a fixed-point decimal whose last digit is one
    picosecond, so no time passes through floating point.

    Parameters
    ----------
    path : Path
        A plain or gzip text table.
    layout : Layout
        How its rows are to be read.
    batch_rows : int, optional
        Rows in a batch; by default whatever streams fastest.

    Yields
    ------
    RowBatch
        In file order. A last row that is cut short is left out.

    Raises
    ------
    CaptureError
        If a cell is not a time or not a level, naming its row and column.
    """
    first_row = 0
    missing_row: int | None = None
    batches = _scan(path, layout).collect_batches(
        chunk_size=batch_rows, maintain_order=True, engine="streaming"
    )
    try:
        for batch in batches:
            if missing_row is not None:
                raise _explain(path, layout)
            bad = batch.get_column("bad")
            if bad.null_count() or (layout.time_column and batch.get_column("time").null_count()):
                incomplete = batch.select(pl.any_horizontal(pl.all().is_null())).to_series()
                missing_row = int(incomplete.arg_max() or 0)
                if missing_row != batch.height - 1:
                    raise _explain(path, layout)
                batch = batch.head(missing_row)  # noqa: PLW2901 - the cut last row is dropped
            if batch.get_column("bad").any():
                raise _explain(path, layout)
            if batch.height or missing_row is not None:
                time = batch.get_column("time").to_numpy() if layout.time_column else None
                word = batch.get_column("word").to_numpy()
                yield RowBatch(first_row, word, time, lost_last_row=missing_row is not None)
            first_row += batch.height
    except (pl.exceptions.PolarsError, OSError) as error:
        raise _explain(path, layout, error) from None


def _scan(path: Path, layout: Layout) -> pl.LazyFrame:
    names = [f"c{i}" for i in range(len(layout.columns))]
    levels = [
        pl.col(name)
        for name, column in zip(names, layout.columns, strict=True)
        if column != layout.time_column
    ]
    schema: dict[str, pl.DataType] = dict.fromkeys(names, pl.UInt8())
    columns = [
        functools.reduce(
            operator.or_, (level.cast(pl.UInt64) * (1 << i) for i, level in enumerate(levels))
        ).alias("word"),
        (functools.reduce(operator.or_, levels) > 1).alias("bad"),
    ]
    if layout.time_column is not None:
        time = names[layout.columns.index(layout.time_column)]
        schema[time] = pl.Decimal(38, EXPONENT_OF_UNIT[layout.time_unit])
        columns.append(pl.col(time).to_physical().cast(pl.Int64).alias("time"))
    return pl.scan_csv(
        path,
        has_header=False,
        skip_lines=layout.skip_lines,
        separator=layout.delimiter,
        schema=schema,
        missing_columns="insert",
        glob=False,
    ).select(columns)


def _explain(path: Path, layout: Layout, cause: Exception | None = None) -> CaptureError:
    """Find the first cell that cannot be read, by a slower second look at the file."""
    source = str(path)
    row = 0
    try:
        for frame in _scan_text(path, layout).collect_batches(maintain_order=True):
            wrong = frame.select(
                _is_wrong(i, column, layout).alias(column)
                for i, column in enumerate(layout.columns)
            )
            places = {
                c: wrong.get_column(c).arg_max() or 0 for c in layout.columns if wrong[c].any()
            }
            if places:
                column = min(places, key=lambda name: places[name])
                at = places[column]
                cell = frame[at, layout.columns.index(column)]
                return _wrong_cell(source, layout, column, row + at, cell)
            row += frame.height
        crowded = _crowded_row(path, layout)
    except (EOFError, zlib.error, OSError) as damage:
        return CaptureError(
            source,
            f"the data are damaged or cut short ({str(damage).rstrip('.')})",
            "export or copy the file again",
        )
    except pl.exceptions.PolarsError as second:
        cause, crowded = second, None
    if crowded is not None:
        row, cells = crowded
        return CaptureError(
            source,
            f"{cells} cells found, expected {len(layout.columns)}",
            "mend or remove this row, or export the recording again",
            row=row,
        )
    return CaptureError(
        source,
        "the table cannot be read: " + str(cause).splitlines()[0].rstrip("."),
        f"every row must have {len(layout.columns)} cells; export the recording again",
    )


def _crowded_row(path: Path, layout: Layout) -> tuple[int, int] | None:
    """Find the first line with more cells than there are columns."""
    with open_bytes(path) as file:
        for number, line in enumerate(file, start=1):
            cells = line.count(layout.delimiter.encode()) + 1
            if number > layout.skip_lines and cells > len(layout.columns):
                return number, cells
    return None


def _scan_text(path: Path, layout: Layout) -> pl.LazyFrame:
    return pl.scan_csv(
        path,
        has_header=False,
        skip_lines=layout.skip_lines,
        separator=layout.delimiter,
        schema={f"c{i}": pl.String() for i in range(len(layout.columns))},
        missing_columns="insert",
        extra_columns="ignore",
        truncate_ragged_lines=True,
        glob=False,
    )


def _is_wrong(position: int, column: str, layout: Layout) -> pl.Expr:
    cell = pl.col(f"c{position}").str.strip_chars()
    if column == layout.time_column:
        scale = EXPONENT_OF_UNIT[layout.time_unit]
        time = cell.cast(pl.Decimal(38, scale), strict=False)
        return time.to_physical().cast(pl.Int64, strict=False).is_null()
    return cell.is_null() | cell.is_in(["0", "1"]).not_()


def _wrong_cell(
    source: str, layout: Layout, column: str, data_row: int, cell: str | None
) -> CaptureError:
    row = layout.skip_lines + data_row + 1
    found = "nothing" if cell is None else f"'{cell[:40]}'"
    if column == layout.time_column:
        return CaptureError(
            source,
            f"{found} stands where a time in {layout.time_unit} (of at most 106 days) was expected",
            "mend or remove this row, or export the recording again",
            row=row,
            column=column,
        )
    return CaptureError(
        source,
        f"the level is {found}, expected 0 or 1",
        "mend or remove this row, or export this line as digital levels",
        row=row,
        column=column,
    )
