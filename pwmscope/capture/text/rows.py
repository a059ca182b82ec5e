"""The rows of a text table as batches of packed levels, streamed by polars."""

from __future__ import annotations

import functools
import operator
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
import polars as pl

from pwmscope.capture.progress import watched
from pwmscope.capture.text.dialect import SPACES
from pwmscope.capture.text.layout import Layout
from pwmscope.capture.text.level_columns import LevelColumn
from pwmscope.capture.text.readings import (
    level_type,
    read_bits,
    read_level_number,
    read_time,
    read_volts,
    time_type,
)
from pwmscope.capture.text.scan import count_rows, scan_table
from pwmscope.capture.text.wrong_cell import explain
from pwmscope.capture.unpack import find_packing
from pwmscope.errors import CaptureError

Words: TypeAlias = npt.NDArray[np.unsignedinteger[Any]]
"""Packed levels, a word per row, in an unsigned type of any size."""


@dataclass(frozen=True, slots=True)
class RowBatch:
    """Some consecutive rows, all levels of a row packed into one word.

    Parameters
    ----------
    first_row : int
        Index of the first row among the rows of data, counted from 0.
    words : ndarray of unsigned int, shape (n_rows,)
        The bits of each level column where the layout places them, in as few
        bytes as hold them; those of voltages are 0 until a comparator sets them.
    time_ps : ndarray of int64, shape (n_rows,), or None
        The time column in picoseconds, exact, or sample numbers; None where
        there is none.
    lost_last_row : bool
        Whether the file's last row was cut short and left out of this batch.
    volts : tuple of ndarray of float64, shape (n_rows,)
        The voltage columns, in the layout's order.
    """

    first_row: int
    words: Words
    time_ps: npt.NDArray[np.int64] | None
    lost_last_row: bool = False
    volts: tuple[npt.NDArray[np.float64], ...] = ()


def stream_rows(
    path: Path, layout: Layout, *, batch_rows: int | None = None, source: str | None = None
) -> Iterator[RowBatch]:
    """Stream a table's rows, never holding more than a few batches.

    Parameters
    ----------
    path : Path
        A plain, gzip or Zstandard text table in UTF-8.
    layout : Layout
        How its rows are to be read.
    batch_rows : int, optional
        Rows in a batch; by default whatever streams fastest.
    source : str, optional
        The file's name for messages, where it is not the path.

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
    for batch, is_cut in whole_rows(path, layout, _scan_rows(path, layout), batch_rows, source):
        time = batch.get_column("time").to_numpy() if layout.time_column else None
        volts = tuple(batch.get_column(f"v{i}").to_numpy() for i in range(len(layout.analogue)))
        word = batch.get_column("word").to_numpy()
        yield RowBatch(first_row, word, time, is_cut, volts)
        first_row += batch.height


def whole_rows(
    path: Path,
    layout: Layout,
    scan: pl.LazyFrame,
    batch_rows: int | None = None,
    source: str | None = None,
) -> Iterator[tuple[pl.DataFrame, bool]]:
    """Stream a scan whose nulls mark cells that cannot be read.

    Parameters
    ----------
    path : Path
        The file, to be looked at again where something is wrong.
    layout : Layout
        How its rows are to be read.
    scan : LazyFrame
        A column ``bad`` of truth values, columns that hold no null unless a
        cell cannot be read, and ``blank``, true for blank lines, unless all
        columns are null there and nowhere else.
    batch_rows : int, optional
        Rows in a batch.
    source : str, optional
        The file's name for messages.

    Yields
    ------
    batch : DataFrame
        Rows without nulls.
    is_cut : bool
        Whether the file's last row was cut short and left out of this batch.

    Raises
    ------
    CaptureError
        If a row other than the last cannot be read.
    """
    name = str(path) if source is None else source
    batches = scan.collect_batches(chunk_size=batch_rows, maintain_order=True, engine="streaming")
    is_cut = False
    try:
        expected = _expected_rows(path, layout)
        whole = _all_of(batches, path, layout, name)
        for batch in watched(whole, expected, lambda batch: batch.height):
            if any(column.null_count() for column in batch.get_columns()):
                # Blank lines are no rows; what is missing elsewhere is.
                batch = batch.filter(_is_row(batch))  # noqa: PLW2901
            if batch.height and is_cut:
                raise explain(path, layout, name)
            if any(column.null_count() for column in batch.get_columns()):
                incomplete = batch.select(pl.any_horizontal(pl.all().is_null())).to_series()
                missing_row = int(incomplete.arg_max() or 0)
                if missing_row != batch.height - 1:
                    raise explain(path, layout, name)
                batch = batch.head(missing_row)  # noqa: PLW2901 - the cut last row is dropped
                is_cut = True
            if batch.get_column("bad").any():
                raise explain(path, layout, name)
            if batch.height or is_cut:
                yield batch, is_cut
    except (pl.exceptions.PolarsError, OSError) as error:
        raise explain(path, layout, name, error) from None


def _all_of(
    batches: Iterator[pl.DataFrame], path: Path, layout: Layout, source: str
) -> Iterator[pl.DataFrame]:
    """Pass batches on and refuse a table whose end was lost in a quote that is never closed.

    polars ends its stream of batches in silence there. Without quotes it cannot happen.
    """
    rows = 0
    for batch in batches:
        rows += batch.height
        yield batch
    if layout.is_quoted and rows != count_rows(path, layout):
        raise CaptureError(
            source,
            "the last rows cannot be read, as after a quote that is not closed",
            "mend the quotes near the end, or export without quotes",
        )


def _is_row(batch: pl.DataFrame) -> pl.Expr:
    if "blank" in batch.columns:
        return pl.col("blank").not_()
    return pl.any_horizontal(pl.all().is_not_null())


def _expected_rows(path: Path, layout: Layout) -> int | None:
    """Estimate the rows from the file's size, so that waiting can be told; None if packed."""
    if not layout.row_bytes or find_packing(path) != "plain":
        return None
    return int(path.stat().st_size / layout.row_bytes)


def _scan_rows(path: Path, layout: Layout) -> pl.LazyFrame:
    is_text = layout.delimiter == SPACES
    types = {level.position: level_type(level) for level in layout.levels}
    digits = [level for level in layout.levels if level.kind == "digit" and not is_text]
    others = [c for c in layout.levels if c not in digits and c.kind != "analogue"]
    kind = pl.UInt64 if others or layout.analogue else _least_type(len(digits))
    parts = [_cell(c).cast(kind) * pl.lit(1 << c.first_bit, kind) for c in digits]
    parts += [
        (
            read_level_number(_cell(c))
            if c.kind == "level number" and not is_text
            else read_bits(_cell(c), c, layout)
        )
        * pl.lit(1 << c.first_bit, pl.UInt64)
        for c in others
    ]
    word = functools.reduce(operator.or_, parts) if parts else pl.lit(0, pl.UInt64)
    wrong = (
        functools.reduce(operator.or_, map(_cell, digits)) > 1 if digits else pl.lit(value=False)
    )
    columns = [word.alias("word"), wrong.alias("bad")]
    if layout.time_column is not None:
        position = layout.columns.index(layout.time_column)
        types[position] = time_type(layout)
        columns.append(read_time(pl.col(f"c{position}"), layout, is_text=is_text).alias("time"))
    for i, level in enumerate(layout.analogue):
        volts = read_volts(_cell(level), layout) if is_text else _finite(_cell(level))
        columns.append(volts.alias(f"v{i}"))
    if is_text or any(found == pl.String() for found in types.values()):
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
    return pl.when(volts.is_finite()).then(volts)
