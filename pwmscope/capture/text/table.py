"""A text table as a Capture, whatever its form."""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from pwmscope.capture.reader.hints import Hints, rate_needed
from pwmscope.capture.reader.selection import kept
from pwmscope.capture.reader.units import format_interval
from pwmscope.capture.reader.unpack import open_bytes, reading
from pwmscope.capture.text.columns import groups_of
from pwmscope.capture.text.comparator import Comparator
from pwmscope.capture.text.edges import (
    Changes,
    doubted_clock,
    find_clock,
    gather_changes,
    joined,
    no_edges,
    select_lines,
    timed_lines,
)
from pwmscope.capture.text.encoding import Text, open_text, rewritten, swept
from pwmscope.capture.text.event_list import read_event_list
from pwmscope.capture.text.fixed_width import ChangedRows
from pwmscope.capture.text.layout import Layout, find_layout
from pwmscope.capture.text.rows import RowBatch, RowError, stream_changes, stream_rows
from pwmscope.capture.text.voltages import compared, quiet_lines
from pwmscope.model.assumption import Assumption
from pwmscope.model.recording import Capture, Line


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
    groups = groups_of(layout.levels) if layout.levels else ((),)
    parts = [replace(layout, levels=group) for group in groups] if len(groups) > 1 else [layout]
    found = [_gathered(text, part, hints, batch_rows) for part in parts]
    changes = joined(each.changes for each in found)
    quiet = [line for each in found for line in quiet_lines(each.comparators)]
    if not changes.rows.size:
        raise no_edges(layout.level_columns, changes.row_count, source, quiet)
    clock = find_clock(changes, layout, hints, source)
    more: list[str] = []

    def lines_of(each: _Gathered) -> dict[str, Line]:
        lines, notes = timed_lines(each.changes, clock, each.layout, each.comparators)
        more.extend(notes)
        return lines

    said += dict.fromkeys(sentence for each in found for sentence in each.said)
    if len(found) == 1:
        lines = select_lines(lines_of(found[0]), hints, source)
    elif hints.lines is not None:
        every = {name: line for each in found for name, line in lines_of(each).items()}
        lines = select_lines(every, hints, source)
    else:
        lines, sentence = kept(map(lines_of, found), hints, source)
        said.append(Assumption(sentence, "lines", len(lines), "", "data", ("lines",)))
    if not any(line.edges_ps.size for line in lines.values()):
        raise no_edges(lines, changes.row_count, source)
    said += [*clock.assumptions, *dict.fromkeys(more), *doubted_clock(lines, layout, hints)]
    if changes.lost_last_row:
        said.append("The last row is cut short and was left out.")
    return Capture(lines, clock.duration_ps, clock.interval_ps, source, tuple(said))


@dataclass(frozen=True, slots=True)
class _Gathered:
    """The changes of some columns, with the comparators of those that hold voltages."""

    layout: Layout
    changes: Changes
    comparators: dict[str, Comparator]
    said: tuple[str, ...]


def _gathered(text: Text, layout: Layout, hints: Hints, batch_rows: int | None) -> _Gathered:
    def rows_in(size: int | None) -> Iterator[RowBatch]:
        return stream_rows(text.path, layout, batch_rows=size, source=text.source)

    rows, comparators, said = compared(rows_in, layout, hints, text.source, batch_rows)
    format_step = _format_samples if layout.time_kind == "sample" else format_interval
    changes = gather_changes(rows, text.source, layout.skip_lines + 1, format_step)
    return _Gathered(layout, changes, comparators, said)


def _format_samples(count: float) -> str:
    return f"{count:g} samples"
