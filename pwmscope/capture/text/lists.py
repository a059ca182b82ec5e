"""Which columns of a text table list events, pulses, or how long levels last."""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass
from typing import Final

from pwmscope.capture.reader.hints import is_sample_number, rate_needed, time_unit_in, unit_in
from pwmscope.capture.text.cells import LEVELS, NUMERIC
from pwmscope.capture.text.columns import Column, Sheet, holds_levels, is_other_quantity, is_remark

_LINE_WORD: Final = re.compile(
    r"\b(line|channel|signal|wire|pin|name|input|source|ch)\b", re.IGNORECASE
)
_LEVEL_WORD: Final = re.compile(
    r"\b(level|state|value|edge|polarity|direction|transition|event)\b", re.IGNORECASE
)
_STATE_WORD: Final = re.compile(r"\b(level|state|value)\b", re.IGNORECASE)
_EDGE_WORD: Final = re.compile(r"\b(edge|transition)\b", re.IGNORECASE)
_EDGES: Final = frozenset(
    ("rise", "rising", "rising edge", "posedge", "↑", "fall", "falling", "falling edge",
     "negedge", "↓")
)  # fmt: skip
_MOVES: Final = frozenset(("up", "down"))
"""Words for an edge, where they stand under a heading that does not say state."""
_DURATION_WORD: Final = re.compile(
    r"\b(duration|width|length|high|pulse|dwell|hold)s?\b", re.IGNORECASE
)
_END_WORD: Final = re.compile(r"\b(end|stop|fall|until|to|finish)(s|ed|ing)?\b", re.IGNORECASE)
_HIGH_WORD: Final = re.compile(r"\b(high|on|mark)\b", re.IGNORECASE)
_LOW_WORD: Final = re.compile(r"\b(low|off|space|gap)\b", re.IGNORECASE)
_RUN_WORD: Final = re.compile(
    r"\b(duration|width|length|run|dwell|hold|for|lasts|samples|count|repeats?)s?\b", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class EventColumns:
    """The columns of a list of events or pulses, beside its time."""

    line: int | None  # Place of the column that names the line; None where all rows are of one
    level: int | None  # Place of the column that holds the new level; None in a list of pulses
    # Place of the column that holds how long the pulse is high, or when it ends; None in a list
    # of events
    duration: int | None
    duration_unit: str  # Its unit
    duration_decimals: int  # Most decimals printed in its first rows
    assumptions: tuple[str, ...]  # What was assumed, each a plain sentence
    is_end: bool = False  # Whether the duration's column holds the instant of the fall instead
    is_edge: bool = False  # Whether the level's column tells edges: each row is one, the first too
    is_run: bool = False  # Whether the time's column holds how long the level lasts instead

    @property
    def positions(self) -> tuple[int | None, ...]:
        """Places of all three."""
        return (self.line, self.level, self.duration)


def find_event_columns(
    others: list[Column], time: Column, time_unit: str, sheet: Sheet
) -> EventColumns | None:
    """Tell whether a table lists events or pulses, and which columns say what."""
    line = _line_column(others, sheet)
    values = [c for c in others if c != line and c.kind != "empty"]
    ends = [c for c in values if is_end(c, sheet)]
    durations = [c for c in values if _is_duration(c, sheet) and c not in ends]
    values = [c for c in values if c in (*ends, *durations) or not _is_derived(c, sheet)]
    if len(ends) == 1 and _is_one_list(values, [*ends, *durations], line):
        return _pulses_with_ends(line, ends[0], time, time_unit, sheet)
    if line is not None:
        headed = [c for c in values if _headed(_LEVEL_WORD, c, sheet)]
        levels = [c for c in values if c.kind in LEVELS or (c in headed and c not in durations)]
        levels = headed if len(headed) == 1 else levels
        if len(levels) == 1 and not durations:
            said = (
                f"Each row is one event: column '{line.name}' names the line, "
                f"'{levels[0].name}' holds its new level."
            )
            return EventColumns(
                line.position, levels[0].position, None, time_unit, 0, (said,),
                is_edge=_tells_edges(levels[0], sheet),
            )  # fmt: skip
        if len(values) == 1 and values[0].kind in ("integer", "decimal"):
            durations = values
    if len(durations) == 1 and (line is not None or len(values) == 1):
        return _pulses(line, durations[0], sheet)
    return None


def _is_derived(column: Column, sheet: Sheet) -> bool:
    """Whether a column says of pulses what their instants say: a period, a frequency, a low."""
    is_time = sheet.has_header and unit_in(column.name) is not None
    is_number = column.kind in ("integer", "decimal")
    return is_number and (is_time or is_other_quantity(column, sheet))


def _tells_edges(column: Column, sheet: Sheet) -> bool:
    """Whether a column says of each row which edge it is, not which level was found."""
    words = {cell.lower() for cell in column.cells}
    is_state = _headed(_STATE_WORD, column, sheet)
    is_edge = words <= _EDGES or (words <= _EDGES | _MOVES and not is_state)
    return is_edge or _headed(_EDGE_WORD, column, sheet)


def _is_one_list(values: list[Column], known: list[Column], line: Column | None) -> bool:
    """Whether rows list pulses: beside instants and lengths they name at most a line."""
    others = [c for c in values if c not in known]
    return not others or (line is not None and all(c.kind != "digit" for c in others))


def is_end(column: Column, sheet: Sheet) -> bool:
    """Whether a column is headed as the instant at which something ends."""
    is_instant = column.kind in (*NUMERIC, "stamp")
    if not is_instant or _is_level_column(column):
        return False
    return _headed(_END_WORD, column, sheet) or _is_off_instant(column, sheet)


_OFF_WORD: Final = re.compile(r"\b(off|low)\b", re.IGNORECASE)


def _is_off_instant(column: Column, sheet: Sheet) -> bool:
    """Whether a column headed as off tells when pulses end: it rises with the one headed as on."""
    ons = [c for c in sheet.columns if _headed(_HIGH_WORD, c, sheet) and c != column]
    if len(ons) != 1 or not _headed(_OFF_WORD, column, sheet):
        return False
    on, off = ons[0].numbers, column.numbers
    if (
        len(on) != len(off)
        or len(on) < _MIN_ROWS
        or any(a > b for a, b in zip(on, off, strict=True))
    ):
        return False
    lines = {cell for c in sheet.columns if c.kind == "text" for cell in c.cells}
    drops = sum(b < a for a, b in itertools.pairwise(on))
    return drops < max(1, len(lines)) and len(set(on)) > len(on) // 2


_MIN_ROWS: Final = 3


def _is_level_column(column: Column) -> bool:
    return column.kind in LEVELS and len(set(column.cells)) <= 2 and len(column.cells) > 2


def _headed(pattern: re.Pattern[str], column: Column, sheet: Sheet) -> bool:
    return sheet.has_header and pattern.search(column.name.replace("_", " ")) is not None


def _is_duration(column: Column, sheet: Sheet) -> bool:
    # A line may be called "high beam"; a duration is a number that is no level.
    return column.kind in ("integer", "decimal") and _headed(_DURATION_WORD, column, sheet)


def is_length(column: Column, sheet: Sheet) -> bool:
    """Whether a column is headed as how long something lasts, high or low."""
    is_number = column.kind in ("integer", "decimal")
    words = (_DURATION_WORD, _LOW_WORD)
    return is_number and any(_headed(word, column, sheet) for word in words)


def find_line_runs(sheet: Sheet) -> tuple[EventColumns, Column] | None:
    """Tell whether rows say of a line how long its level lasts; give the column of lengths."""
    if not sheet.has_header or sheet.hints.time_column is not None:
        return None
    columns = [c for c in sheet.columns if c.kind != "empty" and not c.is_nameless]
    line = _line_column(columns, sheet)
    rest = [c for c in columns if c != line]
    levels = [c for c in rest if holds_levels(c)]
    lengths = [
        c
        for c in rest
        if c.kind in ("integer", "decimal") and _headed(_RUN_WORD, c, sheet) and not c.is_rising
    ]
    if line is None or len(rest) != 2 or len(levels) != 1 or len(lengths) != 1:
        return None
    if line.kind in LEVELS and not _headed(_LEVEL_WORD, levels[0], sheet):
        return None  # two lines, one of them called "line" or "ch"
    length = lengths[0]
    unit = unit_of_duration(length, sheet)
    said = (
        f"Each row says how long a line keeps a level: '{line.name}', '{levels[0].name}' and "
        f"'{length.name}', in {unit}. Each line begins at time 0."
    )
    events = EventColumns(line.position, levels[0].position, None, unit, 0, (said,), is_run=True)
    return events, length


def _line_column(others: list[Column], sheet: Sheet) -> Column | None:
    """Find the column that names the line: headed so, or of a few texts that come again.

    Numbers count as names only under a heading that says nothing else, beside
    a column headed as level or duration.
    """
    texts = [c for c in others if c.kind == "text" and not is_remark(c, sheet)]
    texts = [c for c in texts if not _headed(_LEVEL_WORD, c, sheet)]
    named = [c for c in texts if _headed(_LINE_WORD, c, sheet)]
    if len(named) == 1:
        return named[0]
    if len(texts) == 1 and len(set(texts[0].cells)) <= max(1, len(texts[0].cells) // 2):
        return texts[0]
    numbered = [
        c
        for c in others
        if sheet.has_header
        and c.kind in ("integer", "digit", "word")
        and _LINE_WORD.fullmatch(c.name.strip())
    ]
    valued = [
        c
        for c in others
        if _headed(_LEVEL_WORD, c, sheet) or _headed(_DURATION_WORD, c, sheet) or is_end(c, sheet)
    ]
    if len(numbered) == 1 and valued and valued != numbered:
        return numbered[0]
    _refuse_names_or_levels(others, sheet)
    return None


_PAIRS: Final = tuple(
    frozenset(pair.split())
    for pair in ("h l", "high low", "hi lo", "true false", "t f", "on off", "yes no", "y n")
)


def _refuse_names_or_levels(columns: list[Column], sheet: Sheet) -> None:
    """Refuse a lone column of words beside one headed as level: lines may be called so.

    Where both write the same pair of words, they are two lines.
    """
    levels = [c for c in columns if c.kind in LEVELS]
    headed = [c for c in levels if sheet.has_header and _LEVEL_WORD.fullmatch(c.name.strip())]
    words = [c for c in levels if c.kind == "word" and c not in headed]
    if len(levels) != 2 or len(headed) != 1 or len(words) != 1:
        return
    found = {cell.lower() for c in levels for cell in c.cells if cell}
    if any(found <= pair for pair in _PAIRS) or words[0].name in (sheet.hints.lines or ()):
        return
    what = f"'{words[0].cells[0][:20]}' may be the name of a line or a level"
    remedy = "head the column 'line' if it names lines, or name those to read with `lines`"
    raise sheet.refusal(what, remedy, words[0])


def _pulses(line: Column | None, duration: Column, sheet: Sheet) -> EventColumns:
    unit = unit_of_duration(duration, sheet)
    told = f". The time is its rise, and '{duration.name}' how long it stays high ({unit})."
    return _pulse_list(line, duration, unit, told)


def _pulses_with_ends(
    line: Column | None, end: Column, time: Column, time_unit: str, sheet: Sheet
) -> EventColumns:
    """Take a list of pulses by rise and fall; an end of no stated unit has the start's."""
    unit = (unit_in(end.name) if sheet.has_header else None) or unit_in(end.unit) or time_unit
    told = f", '{time.name}' is its rise and '{end.name}' its fall."
    return _pulse_list(line, end, unit, told, is_end=True)


def _pulse_list(
    line: Column | None, column: Column, unit: str, told: str, *, is_end: bool = False
) -> EventColumns:
    where = "all rows are of one line" if line is None else f"column '{line.name}' names the line"
    said = f"Each row is one pulse: {where}{told}"
    position = None if line is None else line.position
    decimals = column.decimals
    return EventColumns(position, None, column.position, unit, decimals, (said,), is_end=is_end)


def unit_of_duration(duration: Column, sheet: Sheet) -> str:
    """Find the unit of a duration, or ask for it."""
    headed = unit_in(duration.name) if sheet.has_header else None
    unit = headed or unit_in(duration.unit) or sheet.hints.time_unit or sheet.stated.time_unit
    if unit is None or duration.kind not in NUMERIC:
        raise sheet.question(
            duration,
            "the durations have no unit; write it into the heading (such as high_us), or add "
            "`time_unit`.",
        )
    return unit


@dataclass(frozen=True, slots=True)
class RunColumns:
    """The columns of a table whose rows say how long levels last, not when they begin."""

    # Each length's place and unit, in the order in which they follow each other within a row; the
    # unit is empty where samples are counted
    lengths: tuple[tuple[int, str], ...]
    # The level during each length, for one line named nowhere; empty where columns hold levels
    levels: tuple[int, ...]
    decimals: int  # Most decimals printed in its first rows
    assumptions: tuple[str, ...]  # What was assumed, each a plain sentence

    @property
    def positions(self) -> tuple[int, ...]:
        """Places of the lengths."""
        return tuple(position for position, _ in self.lengths)


def find_runs(sheet: Sheet) -> RunColumns | None:
    """Tell whether rows say how long levels last: high and low in turn, or levels and a length.

    Raises CaptureError where rows say how long pulses last and nothing says when they began.
    """
    if not sheet.has_header or sheet.hints.time_column is not None:
        return None
    columns = [c for c in sheet.columns if c.kind != "empty" and not c.is_nameless]
    if any(c.kind == "stamp" or (_is_instant(c) and not _is_line_t(c)) for c in columns):
        return None
    columns = [c for c in columns if not (is_sample_number(c.name) and c.counts_by_one)]
    numbers = [c for c in columns if c.kind in ("integer", "decimal")]
    highs = [c for c in numbers if _headed(_HIGH_WORD, c, sheet)]
    lows = [c for c in numbers if _headed(_LOW_WORD, c, sheet)]
    if len(highs) == len(lows) == 1 and highs != lows and len(columns) == 2:
        return _high_and_low(highs[0], lows[0], sheet)
    lengths = [c for c in numbers if _headed(_RUN_WORD, c, sheet) and not c.is_rising]
    levels = [c for c in columns if holds_levels(c) and c not in lengths]
    if len(lengths) == 1 and levels and len(levels) + 1 == len(columns):
        return _level_and_length(lengths[0], sheet)
    timeless = [c for c in numbers if is_length(c, sheet)]
    others = [c for c in numbers if c not in timeless and c.is_rising and not c.counts_by_one]
    if timeless and not others and not any(holds_levels(c) for c in columns if len(c.cells) > 2):
        found = "the rows say how long pulses last, but not when they began"
        remedy = "export the time of each rise as well, or both the high and the low durations"
        raise sheet.refusal(found, remedy, timeless[0], in_header=True)
    return None


def _is_instant(column: Column) -> bool:
    return time_unit_in(column.name)[0] or (
        time_unit_in(column.unit)[0] and not column.has_units and column.is_rising
    )


def _is_line_t(column: Column) -> bool:
    """Whether a column called T holds a line's levels: two of them, and times never fall."""
    falls = column.kind == "word" or any(a > b for a, b in itertools.pairwise(column.numbers))
    return column.name.strip() in ("t", "T") and _is_level_column(column) and falls


def _high_and_low(high: Column, low: Column, sheet: Sheet) -> RunColumns:
    pair = sorted((high, low), key=lambda column: column.position)
    lengths = tuple((c.position, unit_of_duration(c, sheet)) for c in pair)
    said = (
        f"Each row is one pulse and one pause: '{pair[0].name}' comes first, then "
        f"'{pair[1].name}'. Time 0 is 1 ms before the first row."
    )
    return RunColumns(
        lengths, tuple(int(c is high) for c in pair), max(c.decimals for c in pair), (said,)
    )


def _level_and_length(length: Column, sheet: Sheet) -> RunColumns:
    unit = (unit_in(length.name) or unit_in(length.unit) or sheet.hints.time_unit
            or sheet.stated.time_unit)  # fmt: skip
    counts = re.search(r"\b(samples?|count|repeats?)\b", length.name.replace("_", " "), re.I)
    if unit is None and counts and sheet.rate_hz is not None:
        unit = ""
    elif unit is None and counts:
        raise rate_needed(sheet.source, "count samples and carry no time")
    if unit is None:
        raise sheet.question(
            length,
            "the unit of these lengths is not stated; add `time_unit`, or `rate` if they count "
            "samples.",
        )
    said = f"Each row says how long its levels last: '{length.name}', in {unit or 'samples'}."
    return RunColumns(((length.position, unit),), (), length.decimals, (said,))
