"""The columns of a list of events (time, line, level) or pulses (time, line, high duration)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from pwmscope.capture.text.cells import NUMERIC
from pwmscope.capture.text.columns import Column, Sheet
from pwmscope.capture.units import unit_in
from pwmscope.errors import HintError

_LINE_WORD: Final = re.compile(
    r"\b(line|channel|signal|wire|pin|name|input|source|ch)\b", re.IGNORECASE
)
_LEVEL_WORD: Final = re.compile(r"\b(level|state|value|edge)\b", re.IGNORECASE)
_DURATION_WORD: Final = re.compile(r"\b(duration|width|length|high|pulse)\b", re.IGNORECASE)
_LEVELS: Final = ("digit", "level number", "word")


@dataclass(frozen=True, slots=True)
class EventColumns:
    """The columns of a list of events or pulses, beside its time.

    Parameters
    ----------
    line : int or None
        Place of the column that names the line; None where all rows are of one.
    level : int or None
        Place of the column that holds the new level; None in a list of pulses.
    duration : int or None
        Place of the column that holds how long the pulse is high; None in a
        list of events.
    duration_unit : str
        Its unit.
    duration_decimals : int
        Most decimals printed in its first rows.
    assumptions : tuple of str
        What was assumed, each a plain sentence.
    """

    line: int | None
    level: int | None
    duration: int | None
    duration_unit: str
    duration_decimals: int
    assumptions: tuple[str, ...]

    @property
    def positions(self) -> tuple[int | None, ...]:
        """Places of all three."""
        return (self.line, self.level, self.duration)


def find_event_columns(others: list[Column], time_unit: str, sheet: Sheet) -> EventColumns | None:
    """Tell whether a table lists events or pulses, and which columns say what.

    Parameters
    ----------
    others : list of Column
        All columns but the time.
    time_unit : str
        Unit of the time column.
    sheet : Sheet
        The table's head.

    Returns
    -------
    EventColumns or None
        None where each row holds the levels of all lines.

    Raises
    ------
    HintError
        If nothing tells the unit of the pulses' durations.
    """
    line = _line_column(others, sheet)
    values = [c for c in others if c != line and c.kind != "empty"]
    durations = [c for c in values if _is_duration(c, sheet)]
    if line is not None:
        headed = [c for c in values if _headed(_LEVEL_WORD, c, sheet)]
        levels = [c for c in values if c.kind in _LEVELS or (c in headed and c not in durations)]
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
            "stated; write it into the heading (such as high_us), or add --time-unit for both."
        )
    where = "all rows are of one line" if line is None else f"column '{line.name}' names the line"
    said = (
        f"Each row is one pulse: {where}, the time is its rise and "
        f"'{duration.name}' is how long it stays high, in {unit}."
    )
    position = None if line is None else line.position
    return EventColumns(position, None, duration.position, unit, duration.decimals, (said,))
