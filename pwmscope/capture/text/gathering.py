"""What a table's columns show, gathered in as many passes as their levels need words."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import TypeAlias

from pwmscope.capture.reader.hints import Hints
from pwmscope.capture.reader.selection import kept
from pwmscope.capture.reader.units import format_interval
from pwmscope.capture.text.batches import ChangedRows, RowBatch
from pwmscope.capture.text.columns import groups_of
from pwmscope.capture.text.comparator import Comparator
from pwmscope.capture.text.edges import (
    Changes,
    Clock,
    gather_changes,
    joined,
    no_edges,
    select_lines,
    timed_lines,
)
from pwmscope.capture.text.layout import Layout
from pwmscope.capture.text.voltages import compared, quiet_lines
from pwmscope.model import Assumption, Line

Rows: TypeAlias = Callable[[Layout, int | None], Iterator[RowBatch]]
"""Streams the rows of a table as a layout places its columns, so many at a time."""
ChangedOnly: TypeAlias = Callable[[Layout, int | None], Iterator[ChangedRows | RowBatch]]
"""The same, where it may keep only the rows that change a level."""


@dataclass(frozen=True, slots=True)
class _Group:
    """The changes of some columns, with the comparators of those that hold voltages."""

    layout: Layout
    changes: Changes
    comparators: dict[str, Comparator]
    said: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Gathered:
    """The changes of all columns of a table."""

    changes: Changes  # Every row that changes any level
    said: tuple[str, ...]  # What was assumed of voltages, each a plain sentence
    _groups: tuple[_Group, ...]

    def lines(
        self, clock: Clock, hints: Hints, source: str
    ) -> tuple[dict[str, Line], tuple[str, ...]]:
        """Time the changes; of more than 64 lines keep those named and those with servo pulses."""
        said: list[str] = []

        def timed(group: _Group) -> dict[str, Line]:
            lines, notes = timed_lines(group.changes, clock, group.layout, group.comparators)
            said.extend(note for note in notes if note not in said)
            return lines

        if len(self._groups) == 1 or hints.lines is not None:
            every = {name: ln for group in self._groups for name, ln in timed(group).items()}
            lines = select_lines(every, hints, source)
        else:
            lines, sentence = kept(map(timed, self._groups), hints, source)
            said.append(Assumption(sentence, "lines", len(lines), "", "data", ("lines",)))
        if not any(line.edges_ps.size for line in lines.values()):
            raise no_edges(lines, self.changes.row_count, source)
        return lines, tuple(said)


def gather(
    rows: Rows,
    layout: Layout,
    hints: Hints,
    source: str,
    batch_rows: int | None,
    *,
    changed: ChangedOnly | None = None,
) -> Gathered:
    """Read a table's rows once for every 64 levels, and keep those that change one."""
    groups = groups_of(layout.levels) if layout.levels else ((),)
    parts = [replace(layout, levels=group) for group in groups] if len(groups) > 1 else [layout]
    found = tuple(
        _group((rows, changed or rows), part, hints, source, batch_rows) for part in parts
    )
    changes = joined(group.changes for group in found)
    if not changes.rows.size:
        quiet = [line for group in found for line in quiet_lines(group.comparators)]
        raise no_edges(layout.level_columns, changes.row_count, source, quiet)
    said = dict.fromkeys(sentence for group in found for sentence in group.said)
    return Gathered(changes, tuple(said), found)


def _group(
    streams: tuple[Rows, ChangedOnly],
    layout: Layout,
    hints: Hints,
    source: str,
    batch_rows: int | None,
) -> _Group:
    rows, changed = streams
    batches: Iterator[ChangedRows | RowBatch]
    comparators: dict[str, Comparator] = {}
    said: tuple[str, ...] = ()
    if layout.analogue:
        batches, comparators, said = compared(
            lambda size: rows(layout, size), layout, hints, source, batch_rows
        )
    else:
        batches = changed(layout, batch_rows)
    format_step = _format_samples if layout.time_kind == "sample" else format_interval
    changes = gather_changes(batches, source, layout.skip_lines + 1, format_step)
    return _Group(layout, changes, comparators, said)


def _format_samples(count: float) -> str:
    return f"{count:g} samples"
