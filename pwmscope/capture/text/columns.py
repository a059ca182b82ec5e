"""Which columns of a text table hold levels, buses, voltages, events or pulses."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Final, Literal, TypeAlias

from pwmscope.capture.reader.hints import Hints
from pwmscope.capture.reader.units import unit_in
from pwmscope.capture.text.dialect import (
    HIGH_WORDS,
    LOW_WORDS,
    NUMERIC,
    CellKind,
    Dialect,
    Stated,
    kind_of,
    kind_of_column,
)
from pwmscope.errors import CaptureError, HintError

_ENOUGH: Final = 1000
"""Cells that show how many decimals are printed."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a text table."""

    name: str  # Its name, unique in the table
    position: int  # Its place, from 0
    kind: CellKind  # What its first cells hold
    cells: list[str]  # Its first cells
    unit: str = ""  # What the row of units says of it; empty where there is none

    @property
    def numbers(self) -> list[Decimal]:
        """The cells that are numbers, exact."""
        return [Decimal(c.replace(",", ".")) for c in self.cells if kind_of(c) in NUMERIC]

    @property
    def decimals(self) -> int:
        """Most decimals printed in the cells that are numbers."""
        numbers = replace(self, cells=self.cells[:_ENOUGH]).numbers
        exponents = [number.as_tuple().exponent for number in numbers]
        return max((-e for e in exponents if isinstance(e, int)), default=0)

    @property
    def is_rising(self) -> bool:
        """Whether the numbers never fall, do change, and are not mere levels."""
        if self.kind not in ("integer", "decimal"):
            return False
        numbers = self.numbers
        if len(numbers) < 2:
            return self.position == 0 and bool(numbers)  # a single row shows no more than that
        return numbers[0] < numbers[-1] and all(a <= b for a, b in itertools.pairwise(numbers))


@dataclass(frozen=True, slots=True)
class Sheet:
    """A text table's head with everything said about it."""

    source: str  # The file's name, for messages
    dialect: Dialect  # How the rows are written
    columns: tuple[Column, ...]  # All columns in file order
    stated: Stated  # What the remarks above the table say
    hints: Hints  # What the person said
    more_text: Callable[[], str]  # Gives more of the file's text, to infer an unstated unit from

    @property
    def has_header(self) -> bool:
        """Whether the columns' names come from the file."""
        return self.dialect.headings is not None

    @property
    def rate_hz(self) -> float | None:
        """The sample rate as the person or else the file states it."""
        return self.hints.rate_hz or self.stated.rate_hz


def find_columns(dialect: Dialect) -> tuple[Column, ...]:
    r"""Name the columns of a table and look at their first cells.

    Examples
    --------
    >>> from pwmscope.capture.text.dialect import find_dialect
    >>> columns = find_columns(find_dialect("t,a,a,\n0.5,1,H,2\n0.6,0,L,2\n", "a.csv"))
    >>> [(column.name, column.kind) for column in columns]
    [('t', 'decimal'), ('a', 'digit'), ("a'", 'word'), ('column4', 'integer')]
    """
    widths = [len(row) for row in dialect.rows]
    width = len(dialect.headings or ()) or max(set(widths), key=widths.count)
    if dialect.headings is not None and widths[0] == width + 1:
        width += 1  # a delimiter after the last cell of each row
    headings = [*(dialect.headings or ()), *[""] * width][:width]
    units = [*(dialect.units or ()), *[""] * width]
    columns: list[Column] = []
    for i, heading in enumerate(headings):
        name = heading or f"column{i + 1}"
        while name in [column.name for column in columns]:
            name += "'"
        cells = [row[i] for row in dialect.rows if i < len(row)]
        columns.append(Column(name, i, kind_of_column(cells), cells, units[i].strip("()[] ")))
    return tuple(columns)


LevelKind: TypeAlias = Literal[
    "digit", "level number", "word", "hex", "binary", "integer", "analogue"
]
MAX_LINES: Final = 64
_MAX_BUS_BITS: Final = 63
_BUS_KINDS: Final = ("hex", "binary", "integer")
_EXPORT: Final = "export this line as digital levels"
_RANGE: Final = re.compile(r"\s*\[\s*(\d+)\s*:\s*(\d+)\s*\]\s*$")
_BUS_WORD: Final = re.compile(r"\b(bus|port|byte|word|data|hex|bin|binary)\b", re.IGNORECASE)
_VOLT_WORD: Final = re.compile(
    r"\b(m?v|volts?|voltage|adc|analog|analogue|amplitude)\b", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class LevelColumn:
    """A column that holds the level of one line, or of several packed into a number."""

    name: str  # The line's name, or the bus's without its range of bits
    position: int  # The column's place, from 0
    kind: LevelKind  # How levels are written
    first_bit: int = 0  # Its first bit in a row's word
    bits: int = 1  # Bits set aside for it in a row's word: 1 unless it is a bus
    lowest: int = 0  # Number of a bus's lowest bit, as its heading says
    has_stated_width: bool = False  # Whether the heading states how wide the bus is

    @property
    def is_bus(self) -> bool:
        """Whether it packs several lines."""
        return self.kind in _BUS_KINDS

    def line_names(self, width: int | None = None) -> tuple[str, ...]:
        """Names of the lines it holds, `width` of them where it is a bus.

        Examples
        --------
        >>> LevelColumn("D", 1, "hex", bits=4).line_names(2)
        ('D[0]', 'D[1]')
        """
        if not self.is_bus:
            return (self.name,)
        count = self.bits if width is None else width
        return tuple(f"{self.name}[{self.lowest + i}]" for i in range(count))


def find_level_columns(
    columns: list[Column], sheet: Sheet
) -> tuple[tuple[LevelColumn, ...], tuple[str, ...]]:
    """Decide how each column writes its levels."""
    levels = [_level_column(column, sheet) for column in _chosen(columns, sheet)]
    if not levels:
        raise CaptureError(
            sheet.source,
            "no column of levels beside the time column",
            "export at least one digital line",
            row=max(1, sheet.dialect.skip_lines),
        )
    if len(levels) > MAX_LINES:
        raise CaptureError(
            sheet.source,
            f"{len(levels)} columns, at most {MAX_LINES} lines are read",
            "export fewer lines, or name those to read with `lines`",
            row=max(1, sheet.dialect.skip_lines),
        )
    placed = _placed(levels)
    return placed, tuple(_sentences(placed))


def _chosen(columns: list[Column], sheet: Sheet) -> list[Column]:
    columns = [column for column in columns if column.kind != "empty"]
    lines = sheet.hints.lines
    if lines is None:
        return columns
    bases = {column.name: _bus_range(column.name)[0] for column in columns}
    for line in lines:
        if not any(_is_for(line, name, base) for name, base in bases.items()):
            raise HintError(
                f"{sheet.source}: there is no line '{line}' for `lines`; "
                f"the lines are {', '.join(bases)}."
            )
    return [c for c in columns if any(_is_for(line, c.name, bases[c.name]) for line in lines)]


def _is_for(line: str, name: str, base: str) -> bool:
    return line in (name, base) or re.fullmatch(re.escape(base) + r"\[\d+\]", line) is not None


def _bus_range(name: str) -> tuple[str, int, int] | tuple[str, None, None]:
    match = _RANGE.search(name)
    if match is None:
        return name, None, None
    ends = int(match[1]), int(match[2])
    return name[: match.start()], min(ends), max(ends) - min(ends) + 1


def _level_column(column: Column, sheet: Sheet) -> LevelColumn:
    kind = column.kind
    if kind == "level number" and _VOLT_WORD.search(f"{column.name} {column.unit}"):
        # A voltage that begins at 0.0000 is no level, though it looks like one at first.
        return LevelColumn(column.name, column.position, "analogue")
    if kind in ("digit", "level number", "word") and sheet.hints.threshold_v is None:
        return LevelColumn(column.name, column.position, kind)
    if kind in ("digit", "word"):
        return LevelColumn(column.name, column.position, kind)
    if kind in ("hex", "binary"):
        return _bus(column, kind)
    if kind in ("decimal", "level number") or sheet.hints.threshold_v is not None:
        if kind in ("decimal", "level number", "integer"):
            return LevelColumn(column.name, column.position, "analogue")
        raise _no_level(column, sheet, _EXPORT)
    if kind == "integer":
        return _whole_numbers(column, sheet)
    raise _no_level(
        column, sheet, "export this line as digital levels, or leave it out with `lines`"
    )


def _bus(column: Column, kind: LevelKind) -> LevelColumn:
    base, lowest, width = _bus_range(column.name)
    return LevelColumn(
        base, column.position, kind, 0, width or 0, lowest or 0, has_stated_width=width is not None
    )


def _whole_numbers(column: Column, sheet: Sheet) -> LevelColumn:
    """Tell a bus from a voltage in counts, by what is said of it; numbers alone cannot."""
    is_negative = any(number < 0 for number in column.numbers)
    words = f"{column.name.replace('_', ' ')} {column.unit}"
    lines = sheet.hints.lines or ()
    is_bus = (
        _bus_range(column.name)[1] is not None
        or _BUS_WORD.search(words) is not None
        or any(re.fullmatch(re.escape(column.name) + r"\[\d+\]", line) for line in lines)
    )
    if is_bus and not is_negative:
        return _bus(column, "integer")
    if is_negative or _VOLT_WORD.search(words):
        return LevelColumn(column.name, column.position, "analogue")
    raise _no_level(
        column,
        sheet,
        "whole numbers may be a bus or a voltage, so give `threshold` if they are a voltage, or "
        f"name the bits with `lines` ('{column.name}[0]', ...) if they are a bus",
    )


def _no_level(column: Column, sheet: Sheet, remedy: str) -> CaptureError:
    levels = ("digit", "level number", "word")
    row, cell = next(
        (i, cell)
        for i, cell in enumerate(column.cells)
        if kind_of(cell) not in (*levels, "empty") or column.kind in levels
    )
    return CaptureError(
        sheet.source,
        f"the level is '{cell[:40]}', expected 0 or 1",
        remedy,
        row=sheet.dialect.skip_lines + row + 1,
        column=column.name,
    )


def _placed(levels: list[LevelColumn]) -> tuple[LevelColumn, ...]:
    """Give each column its bits of the row's word; buses of unstated width share what is left."""
    open_buses = [level for level in levels if level.is_bus and not level.has_stated_width]
    taken = sum(level.bits for level in levels if level not in open_buses)
    share = min(_MAX_BUS_BITS, (MAX_LINES - taken) // max(1, len(open_buses)))
    placed: list[LevelColumn] = []
    first_bit = 0
    for level in levels:
        bits = share if level in open_buses else level.bits
        placed.append(replace(level, first_bit=first_bit, bits=bits))
        first_bit += bits
    return tuple(placed)


def _sentences(levels: tuple[LevelColumn, ...]) -> list[str]:
    said: list[str] = []
    words = [f"'{level.name}'" for level in levels if level.kind == "word"]
    if words:
        lows, highs = "/".join(LOW_WORDS), "/".join(HIGH_WORDS)
        said.append(f"Levels of {', '.join(words)} are words: {highs} is high, {lows} is low.")
    written = {"hex": "hexadecimal", "binary": "binary", "integer": "decimal"}
    said += [
        f"Column '{level.name}' is a bus in {written[level.kind]} numbers; its bits become lines "
        f"{level.name}[{level.lowest}] and up, the lowest bit first."
        for level in levels
        if level.is_bus
    ]
    return said


_LINE_WORD: Final = re.compile(
    r"\b(line|channel|signal|wire|pin|name|input|source|ch)\b", re.IGNORECASE
)
_LEVEL_WORD: Final = re.compile(r"\b(level|state|value|edge)\b", re.IGNORECASE)
_DURATION_WORD: Final = re.compile(r"\b(duration|width|length|high|pulse)\b", re.IGNORECASE)
_LEVEL_KINDS: Final = ("digit", "level number", "word")


@dataclass(frozen=True, slots=True)
class EventColumns:
    """The columns of a list of events or pulses, beside its time."""

    line: int | None  # Place of the column that names the line; None where all rows are of one
    level: int | None  # Place of the column that holds the new level; None in a list of pulses
    # Place of the column that holds how long the pulse is high; None in a list of events
    duration: int | None
    duration_unit: str  # Its unit
    duration_decimals: int  # Most decimals printed in its first rows
    assumptions: tuple[str, ...]  # What was assumed, each a plain sentence

    @property
    def positions(self) -> tuple[int | None, ...]:
        """Places of all three."""
        return (self.line, self.level, self.duration)


def find_event_columns(others: list[Column], time_unit: str, sheet: Sheet) -> EventColumns | None:
    """Tell whether a table lists events or pulses, and which columns say what."""
    line = _line_column(others, sheet)
    values = [c for c in others if c != line and c.kind != "empty"]
    durations = [c for c in values if _is_duration(c, sheet)]
    if line is not None:
        headed = [c for c in values if _headed(_LEVEL_WORD, c, sheet)]
        levels = [
            c for c in values if c.kind in _LEVEL_KINDS or (c in headed and c not in durations)
        ]
        levels = headed if len(headed) == 1 else levels
        if len(levels) == 1 and not durations:
            said = (
                f"Each row is one event: column '{line.name}' names the line, "
                f"'{levels[0].name}' holds its new level."
            )
            return EventColumns(line.position, levels[0].position, None, time_unit, 0, (said,))
        if len(values) == 1 and values[0].kind in ("integer", "decimal"):
            durations = values
    if len(durations) == 1 and (line is not None or len(values) == 1):
        return _pulses(line, durations[0], sheet)
    return None


def _headed(pattern: re.Pattern[str], column: Column, sheet: Sheet) -> bool:
    return sheet.has_header and pattern.search(column.name.replace("_", " ")) is not None


def _is_duration(column: Column, sheet: Sheet) -> bool:
    # A line may be called "high beam"; a duration is a number that is no level.
    return column.kind in ("integer", "decimal") and _headed(_DURATION_WORD, column, sheet)


def _line_column(others: list[Column], sheet: Sheet) -> Column | None:
    """Find the column that names the line: headed so, or of a few texts that come again.

    Numbers count as names only under a heading that says nothing else, beside
    a column headed as level or duration.
    """
    texts = [c for c in others if c.kind == "text"]
    named = [c for c in texts if _headed(_LINE_WORD, c, sheet)]
    if len(named) == 1:
        return named[0]
    if len(texts) == 1 and len(set(texts[0].cells)) <= max(1, len(texts[0].cells) // 2):
        return texts[0]
    numbered = [
        c
        for c in others
        if sheet.has_header
        and c.kind in ("integer", "digit")
        and _LINE_WORD.fullmatch(c.name.strip())
    ]
    valued = [
        c for c in others if _headed(_LEVEL_WORD, c, sheet) or _headed(_DURATION_WORD, c, sheet)
    ]
    return numbered[0] if len(numbered) == 1 and valued and valued != numbered else None


def _pulses(line: Column | None, duration: Column, sheet: Sheet) -> EventColumns:
    hinted = sheet.hints.time_unit
    headed = unit_in(duration.name) if sheet.has_header else None
    unit = headed or unit_in(duration.unit) or hinted or sheet.stated.time_unit
    if unit is None or duration.kind not in NUMERIC:
        raise HintError(
            f"{sheet.source}, column {duration.name}: the unit of the pulses' durations is not "
            "stated; write it into the heading (such as high_us), or add `time_unit` for both."
        )
    where = "all rows are of one line" if line is None else f"column '{line.name}' names the line"
    said = (
        f"Each row is one pulse: {where}, the time is its rise and "
        f"'{duration.name}' is how long it stays high, in {unit}."
    )
    position = None if line is None else line.position
    return EventColumns(position, None, duration.position, unit, duration.decimals, (said,))
