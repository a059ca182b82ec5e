"""The first cell of a text table that cannot be read, found by a slower second look."""

from __future__ import annotations

import zlib
from pathlib import Path

import polars as pl

from pwmscope.capture.text.dialect import SPACES
from pwmscope.capture.text.layout import Layout
from pwmscope.capture.text.readings import (
    read_bits,
    read_fixed_point,
    read_level,
    read_time,
    read_volts,
)
from pwmscope.capture.text.scan import scan_as_text
from pwmscope.capture.unpack import open_bytes
from pwmscope.errors import CaptureError


def explain(
    path: Path, layout: Layout, source: str, cause: Exception | None = None
) -> CaptureError:
    """Find the first cell that cannot be read and say so.

    Parameters
    ----------
    path : Path
        The file.
    layout : Layout
        How its rows should have been.
    source : str
        The file's name, for the message.
    cause : Exception, optional
        What polars said.

    Returns
    -------
    CaptureError
        To be raised.
    """
    checks = _checks(layout)
    row = 0
    try:
        for frame in scan_as_text(path, layout).collect_batches(maintain_order=True):
            is_row = pl.any_horizontal(pl.col(f"c{i}").is_not_null() for i in checks)
            wrong = frame.select(
                (check.is_null() & is_row).alias(f"w{i}") for i, check in checks.items()
            )
            places = {i: wrong[f"w{i}"].arg_max() or 0 for i in checks if wrong[f"w{i}"].any()}
            if places:
                position = min(places, key=lambda i: (places[i], i))
                at = places[position]
                return _wrong_cell(source, layout, position, row + at, frame[at, f"c{position}"])
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
        line, cells = crowded
        return CaptureError(
            source,
            f"{cells} cells found, expected {len(layout.columns)}",
            "mend or remove this row, or export the recording again",
            row=line,
        )
    return CaptureError(
        source,
        "the table cannot be read: " + str(cause).splitlines()[0].rstrip("."),
        f"every row must have {len(layout.columns)} cells; export the recording again",
    )


def _checks(layout: Layout) -> dict[int, pl.Expr]:
    """For each place that is read, an expression that is null where the cell is wrong."""
    checks: dict[int, pl.Expr] = {}
    if layout.time_column is not None:
        position = layout.columns.index(layout.time_column)
        checks[position] = read_time(pl.col(f"c{position}"), layout, is_text=True)
    for level in layout.levels:
        cell = pl.col(f"c{level.position}")
        is_voltage = level.kind == "analogue"
        checks[level.position] = (
            read_volts(cell, layout) if is_voltage else read_bits(cell, level, layout)
        )
    events = layout.events
    if events is not None and events.line is not None:
        checks[events.line] = pl.col(f"c{events.line}")
    if events is not None and events.level is not None:
        cell = pl.col(f"c{events.level}")
        checks[events.level] = read_level(cell.str.strip_chars().str.to_lowercase())
    if events is not None and events.duration is not None:
        cell = pl.col(f"c{events.duration}")
        checks[events.duration] = read_fixed_point(cell, events.duration_unit, layout)
    return checks


def _crowded_row(path: Path, layout: Layout) -> tuple[int, int] | None:
    """Find the first line with more cells than there are columns."""
    with open_bytes(path) as file:
        for number, line in enumerate(file, start=1):
            text = line.decode("utf-8", "replace")
            is_spaced = layout.delimiter == SPACES
            cells = len(text.split()) if is_spaced else text.count(layout.delimiter) + 1
            if number > layout.skip_lines and cells > len(layout.columns):
                return number, cells
    return None


def _wrong_cell(
    source: str, layout: Layout, position: int, data_row: int, cell: str | None
) -> CaptureError:
    row = layout.skip_lines + data_row + 1
    column = layout.columns[position]
    # A quote that is never closed makes a cell of many lines.
    found = "nothing" if cell is None else f"'{' '.join(cell.split())[:40]}'"
    events = layout.events
    remedy = "mend or remove this row, or export the recording again"
    if column == layout.time_column:
        unit = {"stamp": "date and time", "sample": "sample number"}.get(
            layout.time_kind, f"time in {layout.time_unit}"
        )
        found += f" stands where a {unit} (of at most 106 days) was expected"
    elif events is not None and position == events.duration:
        found += f" stands where a duration in {events.duration_unit} was expected"
    elif events is not None and position == events.line:
        found += " stands where the name of a line was expected"
    elif any(level.position == position and level.kind == "analogue" for level in layout.levels):
        found += " stands where a voltage was expected"
    elif any(level.position == position and level.is_bus for level in layout.levels):
        found += " stands where the number of a bus was expected"
    else:
        found = f"the level is {found}, expected 0 or 1"
        remedy = "mend or remove this row, or export this line as digital levels"
    return CaptureError(source, found, remedy, row=row, column=column)
