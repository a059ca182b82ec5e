"""A text table as a lazy frame of cells, parsed by polars while it streams."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pwmscope.capture.text.dialect import SPACES
from pwmscope.capture.text.layout import Layout

_NEVER = "\x1f"
"""A delimiter that no line holds (the unit separator of ISO/IEC 646)."""


def scan_table(path: Path, layout: Layout, types: dict[int, pl.DataType]) -> pl.LazyFrame:
    """Scan a table's rows into columns ``c0``, ``c1``, ...

    Parameters
    ----------
    path : Path
        A plain, gzip or Zstandard text file in UTF-8.
    layout : Layout
        How its rows are written.
    types : dict of int to DataType
        As what to parse the column at each place; the others are not parsed.
        All are text where spaces separate cells.

    Returns
    -------
    LazyFrame
        Missing cells are null. A row with more cells raises while it streams.
    """
    if layout.delimiter == SPACES:
        return _scan_spaced(path, layout)
    names = range(len(layout.columns))
    return pl.scan_csv(
        path,
        has_header=False,
        skip_lines=layout.skip_lines,
        separator=layout.delimiter,
        quote_char=_quote(layout),
        decimal_comma=layout.decimal_comma,
        schema={f"c{i}": types.get(i, pl.String()) for i in names},
        missing_columns="insert",
        glob=False,
    )


def _quote(layout: Layout) -> str | None:
    # Where no cell is quoted, a stray quote is a wrong cell and not the start of a long one.
    return '"' if layout.is_quoted else None


def count_rows(path: Path, layout: Layout) -> int:
    """Count a table's rows without looking into them, blank lines included."""
    return int(scan_as_text(path, layout).select(pl.len()).collect(engine="streaming").item())


def scan_as_text(path: Path, layout: Layout) -> pl.LazyFrame:
    """Scan a table's rows as text, whatever they hold; further cells are dropped."""
    if layout.delimiter == SPACES:
        return _scan_spaced(path, layout)
    return pl.scan_csv(
        path,
        has_header=False,
        skip_lines=layout.skip_lines,
        separator=layout.delimiter,
        quote_char=_quote(layout),
        schema={f"c{i}": pl.String() for i in range(len(layout.columns))},
        missing_columns="insert",
        extra_columns="ignore",
        truncate_ragged_lines=True,
        glob=False,
    )


def _scan_spaced(path: Path, layout: Layout) -> pl.LazyFrame:
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
