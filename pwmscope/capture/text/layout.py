"""How a text table is laid out: its dialect, its form, and what each column holds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from pwmscope.capture.reader.hints import Hints
from pwmscope.capture.reader.units import format_rate
from pwmscope.capture.text.columns import (
    MAX_LINES,
    Column,
    EventColumns,
    LevelColumn,
    Sheet,
    find_columns,
    find_event_columns,
    find_level_columns,
)
from pwmscope.capture.text.dialect import find_dialect, read_preamble
from pwmscope.capture.text.time_column import (
    StampFormat,
    TimeKind,
    find_stamp_format,
    find_time_column,
)
from pwmscope.model.assumption import Assumption

__all__ = ["MAX_LINES", "Layout", "find_layout"]


@dataclass(frozen=True, slots=True)
class Layout:
    """How the rows of a text table are to be read."""

    delimiter: str  # One character between cells; a space stands for any run of spaces
    skip_lines: int  # Lines before the first row of data (remarks and header)
    columns: tuple[str, ...]  # Every column's name, in file order, unique
    time_column: str | None  # The column that holds the time; None where the rows carry none
    time_unit: str  # Unit of the time column: `s`, `ms`, `us`, `ns` or `ps`
    time_decimals: int  # Most decimals printed in the time column's first rows
    assumptions: tuple[str, ...]  # What was assumed, each a plain sentence
    time_kind: TimeKind = "number"  # Numbers of the unit, dates and times of day, or sample numbers
    decimal_comma: bool = False  # Whether numbers carry a comma before their decimals
    # The columns that hold levels; empty for lists of events and pulses
    levels: tuple[LevelColumn, ...] = ()
    events: EventColumns | None = None  # The columns of a list of events or pulses
    rate_hz: float | None = None  # The sample rate as the person or else the file states it
    # How dates and times of day are written, where the time column holds them
    stamp: StampFormat | None = None
    row_bytes: float = 0.0  # Mean length of the first rows, 0 where not known
    is_quoted: bool = False  # Whether cells may stand in quotes

    @property
    def level_columns(self) -> tuple[str, ...]:
        """Names of the columns that hold levels, in file order."""
        if self.levels:
            return tuple(level.name for level in self.levels)
        return tuple(name for name in self.columns if name != self.time_column)

    @property
    def placed_levels(self) -> tuple[LevelColumn, ...]:
        """The columns of levels; unless described, one bit each in file order."""
        return self.levels or tuple(
            LevelColumn(name, self.columns.index(name), "digit", bit)
            for bit, name in enumerate(self.level_columns)
        )

    @property
    def analogue(self) -> tuple[LevelColumn, ...]:
        """The columns that hold voltages."""
        return tuple(level for level in self.levels if level.kind == "analogue")


def find_layout(
    head: str, source: str, hints: Hints, more_text: Callable[[], str] | None = None
) -> Layout:
    r"""Decide from the head of a file how its rows are to be read.

    Examples
    --------
    >>> layout = find_layout("time_us,RX1\n0,0\n1.5,1\n", "a.csv", Hints())
    >>> layout.time_column, layout.time_unit, layout.level_columns
    ('time_us', 'us', ('RX1',))
    """
    dialect = find_dialect(head, source)
    stated = read_preamble(dialect.preamble)
    columns = find_columns(dialect)
    sheet = Sheet(source, dialect, columns, stated, hints, more_text or (lambda: head))
    time, aside = find_time_column(sheet)
    others = [c for c in columns if c.name not in aside and (time is None or c != time.column)]
    said: list[str] = list(dialect.assumptions)
    said.append(rows_without_time() if time is None else time.assumption)
    if hints.rate_hz is None and stated.rate_hz is not None:
        rate = format_rate(1e12 / stated.rate_hz)
        said.append(
            Assumption(
                f"The lines above the table state a sample rate of {rate}.",
                "sampling rate", stated.rate_hz, "Hz", "file", ("rate",),
            )
        )  # fmt: skip
    stamp = None
    if time is not None and time.kind == "stamp":
        stamp = find_stamp_format(time.column.cells)
        said += stamp.assumptions
    levels: tuple[LevelColumn, ...] = ()
    events = None if time is None else find_event_columns(others, time.unit, sheet)
    if events is not None:
        said += events.assumptions
        aside += tuple(c.name for c in others if c.position not in events.positions)
    else:
        levels, more = find_level_columns(others, sheet)
        said += more
    said += _set_aside(aside, others, sheet)
    return Layout(
        dialect.delimiter,
        dialect.skip_lines,
        tuple(column.name for column in columns),
        None if time is None else time.column.name,
        "s" if time is None else time.unit,
        0 if time is None else time.decimals,
        tuple(said),
        "number" if time is None else time.kind,
        dialect.decimal_comma,
        levels,
        events,
        sheet.rate_hz,
        stamp,
        _mean_row(head, dialect.skip_lines),
        dialect.is_quoted,
    )


def rows_without_time() -> Assumption:
    """Say that rows are samples, since none of their columns is a time."""
    return Assumption(
        "The rows carry no time; they are samples at even intervals.",
        "time column", None, "", "data", ("rate",),
    )  # fmt: skip


def _mean_row(head: str, skip_lines: int) -> float:
    lines = head.split("\n")[skip_lines:-1]
    return sum(len(line) + 1 for line in lines) / len(lines) if lines else 0.0


def _set_aside(aside: tuple[str, ...], others: list[Column], sheet: Sheet) -> list[str]:
    names = [*aside, *(c.name for c in others if c.kind == "empty" and sheet.has_header)]
    if not names:
        return []
    quoted = ", ".join(f"'{name}'" for name in dict.fromkeys(names))
    return [f"Columns that are neither time nor levels were left out: {quoted}."]
