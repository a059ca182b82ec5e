"""Which columns of a text table hold levels, and how: one line each, a bus, or a voltage."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeAlias

from pwmscope.capture.text.cells import HIGH_WORDS, LOW_WORDS, kind_of
from pwmscope.capture.text.columns import Column, Sheet
from pwmscope.errors import CaptureError, HintError

LevelKind: TypeAlias = Literal[
    "digit", "level number", "word", "hex", "binary", "integer", "analogue"
]
MOST_LINES: Final = 64
_WIDEST_BUS: Final = 63
_BUS_KINDS: Final = ("hex", "binary", "integer")
_EXPORT: Final = "export this line as digital levels"
_RANGE: Final = re.compile(r"\s*\[\s*(\d+)\s*:\s*(\d+)\s*\]\s*$")
_BUS_WORD: Final = re.compile(r"\b(bus|port|byte|word|data|hex|bin|binary)\b", re.IGNORECASE)
_VOLT_WORD: Final = re.compile(
    r"\b(m?v|volts?|voltage|adc|analog|analogue|amplitude)\b", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class LevelColumn:
    """A column that holds the level of one line, or of several packed into a number.

    Parameters
    ----------
    name : str
        The line's name, or the bus's without its range of bits.
    position : int
        The column's place, from 0.
    kind : LevelKind
        How levels are written.
    first_bit : int
        Its first bit in a row's word.
    bits : int
        Bits set aside for it in a row's word: 1 unless it is a bus.
    lowest : int
        Number of a bus's lowest bit, as its heading says.
    has_stated_width : bool
        Whether the heading states how wide the bus is.
    """

    name: str
    position: int
    kind: LevelKind
    first_bit: int = 0
    bits: int = 1
    lowest: int = 0
    has_stated_width: bool = False

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
    """Decide how each column writes its levels.

    Parameters
    ----------
    columns : list of Column
        All that are neither time nor set aside.
    sheet : Sheet
        The table's head.

    Returns
    -------
    levels : tuple of LevelColumn
        In file order, bits of the row's word assigned.
    assumptions : tuple of str
        What was assumed, each a plain sentence.

    Raises
    ------
    CaptureError, HintError
        If a column holds no levels, or might be a bus as well as a voltage,
        or a line that was asked for is not there.
    """
    levels = [_understood(column, sheet) for column in _chosen(columns, sheet)]
    if not levels:
        raise CaptureError(
            sheet.source,
            "no column of levels beside the time column",
            "export at least one digital line",
            row=max(1, sheet.dialect.skip_lines),
        )
    if len(levels) > MOST_LINES:
        raise CaptureError(
            sheet.source,
            f"{len(levels)} columns, at most {MOST_LINES} lines are read",
            "export fewer lines, or name those to read with --lines",
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
                f"{sheet.source}: there is no line '{line}' for --lines; "
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


def _understood(column: Column, sheet: Sheet) -> LevelColumn:
    kind = column.kind
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
        column, sheet, "export this line as digital levels, or leave it out with --lines"
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
        "whole numbers may be a bus or a voltage, so give --threshold if they are a voltage, or "
        f"name the bits with --lines ('{column.name}[0]', ...) if they are a bus",
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
    share = min(_WIDEST_BUS, (MOST_LINES - taken) // max(1, len(open_buses)))
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
