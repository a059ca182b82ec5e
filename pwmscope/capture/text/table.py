"""A text table as a Capture, whatever its form."""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from pathlib import Path

from pwmscope.capture.reader.hints import Hints, rate_needed
from pwmscope.capture.reader.unpack import open_bytes, reading
from pwmscope.capture.text.batches import ChangedRows, RowBatch, RowError, past_midnight
from pwmscope.capture.text.edges import doubted_clock, find_clock, passes_midnight
from pwmscope.capture.text.encoding import Text, open_text, rewritten, swept
from pwmscope.capture.text.gathering import gather
from pwmscope.capture.text.layout import Layout, find_layout
from pwmscope.capture.text.line_blocks import stream_changes
from pwmscope.model import Capture


def read_table(path: Path, hints: Hints, *, batch_rows: int | None = None) -> Capture:
    """Read a delimited text table of levels, voltages, events or pulses.

    The forms are told apart from the data: one row per sample or per change
    with the levels or voltages of all lines, with or without a time column; one
    row per event (time, line, level); one row per pulse (time, line, duration).
    """
    with open_text(path) as text:
        try:
            return _read(text, hints, batch_rows)
        except RowError as error:
            if _is_utf_8(text.path):
                raise
            first = error
        with rewritten(text) as again:
            try:
                return _read(again, hints, batch_rows)
            except RowError:
                raise first from None


def _is_utf_8(path: Path) -> bool:
    """Whether all of a text is UTF-8; its head is, but a remark far below need not be."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    with reading(path), open_bytes(path) as file:
        try:
            while block := file.read(1 << 20):
                decoder.decode(block)
        except UnicodeDecodeError:
            return False
    return True


def _read(text: Text, hints: Hints, batch_rows: int | None) -> Capture:
    """Read a table as its head promises; where it does not hold, cell by cell without remarks."""
    layout = find_layout(text.head, text.source, hints, text.more)
    _refuse_without_rate(layout, text.source)
    if not layout.has_remarks:
        try:
            return _read_as(text, layout, hints, batch_rows)
        except RowError:
            if text.path.stat().st_size == 0:
                raise
    with swept(text, layout) as (clean, loose):
        return _read_as(clean, loose, hints, batch_rows)


def _read_as(text: Text, layout: Layout, hints: Hints, batch_rows: int | None) -> Capture:
    if layout.events is not None:
        from pwmscope.capture.text.event_list import read_event_list  # noqa: PLC0415 - slow

        return read_event_list(text, layout, hints, batch_rows=batch_rows)
    return _read_rows(text, layout, hints, batch_rows)


def _refuse_without_rate(layout: Layout, source: str) -> None:
    if layout.rate_hz is not None or (layout.time_column and layout.time_kind != "sample"):
        return
    lack = "carry no time column" if layout.time_column is None else "carry sample numbers, no time"
    raise rate_needed(source, lack)


def _read_rows(text: Text, layout: Layout, hints: Hints, batch_rows: int | None) -> Capture:
    source = text.source
    is_clock = layout.stamp is not None and layout.stamp.is_clock

    def rows(placed: Layout, size: int | None) -> Iterator[RowBatch]:
        from pwmscope.capture.text.rows import stream_rows  # noqa: PLC0415 - slow to import

        found = stream_rows(text.path, placed, batch_rows=size, source=source)
        return past_midnight(found) if is_clock else found

    def changed(placed: Layout, size: int | None) -> Iterator[ChangedRows | RowBatch]:
        if is_clock:
            return rows(placed, size)
        return stream_changes(text.path, placed, batch_rows=size, source=source)

    gathered = gather(rows, layout, hints, source, batch_rows, changed=changed)
    clock = find_clock(gathered.changes, layout, hints, source)
    lines, notes = gathered.lines(clock, hints, source)
    said = [*text.assumptions, *layout.assumptions, *gathered.said, *clock.assumptions, *notes]
    said += doubted_clock(lines, layout, hints)
    if is_clock and passes_midnight(layout, gathered.changes.end_ps):
        said.append("The time of day passes midnight; what follows is taken as the next day.")
    if gathered.changes.lost_last_row:
        said.append("The last row is cut short and was left out.")
    return Capture(lines, clock.duration_ps, clock.interval_ps, source, tuple(said))
