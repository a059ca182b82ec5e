"""A text table as a Capture, whatever its form."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from pwmscope.capture.reader.hints import Hints, rate_needed
from pwmscope.capture.reader.units import format_interval
from pwmscope.capture.text.batches import ChangedRows, RowBatch
from pwmscope.capture.text.comparator import Comparator
from pwmscope.capture.text.edges import (
    find_clock,
    gather_changes,
    no_edges,
    select_lines,
    timed_lines,
)
from pwmscope.capture.text.encoding import Text, open_text
from pwmscope.capture.text.layout import Layout, find_layout
from pwmscope.capture.text.line_blocks import stream_changes
from pwmscope.capture.text.voltages import compared, quiet_lines
from pwmscope.model.recording import Capture


def read_table(path: Path, hints: Hints, *, batch_rows: int | None = None) -> Capture:
    """Read a delimited text table of levels, voltages, events or pulses.

    The forms are told apart from the data: one row per sample or per change
    with the levels or voltages of all lines, with or without a time column; one
    row per event (time, line, level); one row per pulse (time, line, duration).
    """
    with open_text(path) as text:
        layout = find_layout(text.head, text.source, hints, text.more)
        _refuse_without_rate(layout, text.source)
        if layout.events is not None:
            from pwmscope.capture.text.event_list import (  # noqa: PLC0415 - slow to import
                read_event_list,
            )

            return read_event_list(text, layout, hints, batch_rows=batch_rows)
        return _read_rows(text, layout, hints, batch_rows)


def _refuse_without_rate(layout: Layout, source: str) -> None:
    if layout.rate_hz is not None or (layout.time_column and layout.time_kind != "sample"):
        return
    lack = "carry no time column" if layout.time_column is None else "carry sample numbers, no time"
    raise rate_needed(source, lack)


def _read_rows(text: Text, layout: Layout, hints: Hints, batch_rows: int | None) -> Capture:
    source = text.source
    said = [*text.assumptions, *layout.assumptions]

    comparators: dict[str, Comparator] = {}
    rows: Iterator[ChangedRows | RowBatch]
    if layout.analogue:
        from pwmscope.capture.text.rows import stream_rows  # noqa: PLC0415 - slow to import

        def rows_in(size: int | None) -> Iterator[RowBatch]:
            return stream_rows(text.path, layout, batch_rows=size, source=source)

        rows, comparators, more = compared(rows_in, layout, hints, source, batch_rows)
        said += more
    else:
        rows = stream_changes(text.path, layout, batch_rows=batch_rows, source=source)
    format_step = _format_samples if layout.time_kind == "sample" else format_interval
    changes = gather_changes(rows, source, layout.skip_lines + 1, format_step)
    if not changes.rows.size:
        quiet = quiet_lines(comparators)
        raise no_edges(layout.level_columns, changes.row_count, source, quiet)
    clock = find_clock(changes, layout, hints, source)
    lines, more = timed_lines(changes, clock, layout, comparators)
    lines = select_lines(lines, hints, source)
    if not any(line.edges_ps.size for line in lines.values()):
        raise no_edges(lines, changes.row_count, source)
    said += [*clock.assumptions, *more]
    if changes.lost_last_row:
        said.append("The last row is cut short and was left out.")
    return Capture(lines, clock.duration_ps, clock.interval_ps, source, tuple(said))


def _format_samples(count: float) -> str:
    return f"{count:g} samples"
