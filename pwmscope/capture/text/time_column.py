"""Which column of a text table holds the time."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

from pwmscope.capture.text.cells import NUMERIC, STAMP
from pwmscope.capture.text.columns import Column, Sheet
from pwmscope.capture.text.dialect import split
from pwmscope.capture.text.time_unit import find_time_unit
from pwmscope.capture.units import is_sample_number, time_unit_in
from pwmscope.errors import CaptureError, HintError

TimeKind: TypeAlias = Literal["number", "stamp", "sample"]


@dataclass(frozen=True, slots=True)
class TimeColumn:
    """The column that holds the time.

    Parameters
    ----------
    column : Column
        Which it is.
    kind : {"number", "stamp", "sample"}
        Numbers of a unit, dates and times of day, or sample numbers.
    unit : str
        Unit of the numbers; ``s`` for stamps and for sample numbers.
    assumption : str
        What was assumed, as a sentence.
    """

    column: Column
    kind: TimeKind
    unit: str
    assumption: str

    @property
    def decimals(self) -> int:
        """Most decimals printed in the first rows, of a second for stamps."""
        if self.kind != "stamp":
            return self.column.decimals
        stamps = [STAMP.fullmatch(cell) for cell in self.column.cells]
        return max(len(stamp["fraction"] or "") for stamp in stamps if stamp)


def find_time_column(sheet: Sheet) -> tuple[TimeColumn | None, tuple[str, ...]]:
    """Find the column that holds the time.

    Parameters
    ----------
    sheet : Sheet
        The table's head.

    Returns
    -------
    time : TimeColumn or None
        None where the rows carry no time.
    aside : tuple of str
        Names of other columns that are no levels: sample numbers, further times.

    Raises
    ------
    CaptureError, HintError
        If several columns may be the time, or its unit cannot be told.
    """
    counters = [c for c in sheet.columns if sheet.has_header and is_sample_number(c.name)]
    counters = [c for c in counters if c.kind in ("integer", "digit")]
    candidates = [
        c for c in _candidates(sheet) if c not in counters or c.name == sheet.hints.time_column
    ]
    if len(candidates) > 1:
        raise CaptureError(
            sheet.source,
            f"two columns may hold the time ({candidates[0].name} and {candidates[1].name})",
            "name one of them with --time-column",
            row=max(1, sheet.dialect.skip_lines),
        )
    if not candidates and not counters:
        return None, ()
    column = (candidates or counters)[0]
    timed = [c for c in sheet.columns if sheet.has_header and time_unit_in(c.name)[0]]
    aside = tuple(c.name for c in (*timed, *counters) if c != column)
    return _understood(column, sheet, is_counter=column in counters), aside


def _understood(column: Column, sheet: Sheet, *, is_counter: bool) -> TimeColumn:
    name = f"Column '{column.name}'"
    if column.kind == "stamp":
        said = f"{name} holds dates or times of day; the first row's is time 0."
        return TimeColumn(column, "stamp", "s", said)
    if column.kind not in NUMERIC:
        raise CaptureError(
            sheet.source,
            f"'{next(iter(column.cells), '')[:40]}' stands where a time was expected",
            "name the column that holds the time with --time-column",
            row=sheet.dialect.skip_lines + 1,
            column=column.name,
        )
    if sheet.hints.time_unit is None and (is_counter or _counts_rows(column, sheet)):
        why = "as its heading says" if is_counter else "because it counts the rows"
        return TimeColumn(column, "sample", "s", f"{name} is taken as the sample's number, {why}.")
    unit, said = find_time_unit(column, sheet)
    return TimeColumn(column, "number", unit, said)


def _counts_rows(column: Column, sheet: Sheet) -> bool:
    """Whether a column not headed as time counts the rows by one, and a rate is known."""
    if sheet.rate_hz is None or column.kind != "integer":
        return False
    if sheet.has_header and time_unit_in(column.name)[0]:
        return False
    return all(b - a == 1 for a, b in itertools.pairwise(column.numbers))


def _candidates(sheet: Sheet) -> list[Column]:
    """Columns that may hold the time: named, else headed, else those whose numbers rise."""
    named = sheet.hints.time_column
    if named is not None:
        found = [c for c in sheet.columns if c.name == named]
        if not found:
            raise HintError(
                f"{sheet.source}: there is no column '{named}' for --time-column; "
                f"the columns are {', '.join(c.name for c in sheet.columns)}."
            )
        return found
    if sheet.has_header:
        timed = [c for c in sheet.columns if c.kind in (*NUMERIC, "stamp")]
        headed = [c for c in timed if time_unit_in(c.name)[0]]
        if headed:
            return headed
        by_unit = [c for c in timed if time_unit_in(c.unit)[0]]
        if len(by_unit) == 1:
            return by_unit
    lines = sheet.hints.lines or ()
    free = [c for c in sheet.columns if c.name not in lines]
    rising = [c for c in free if c.kind == "stamp" or c.is_rising]
    return rising if len(rising) < 2 else _still_rising(rising, sheet)


def _still_rising(columns: list[Column], sheet: Sheet) -> list[Column]:
    """Keep the columns that rise further on as well: a voltage falls again some time."""
    lines = sheet.more_text().split("\n")[sheet.dialect.skip_lines : -1]
    rows = [split(line, sheet.dialect.delimiter) for line in lines]
    longer = [
        replace(c, cells=[row[c.position] for row in rows if c.position < len(row)])
        for c in columns
    ]
    pairs = zip(columns, longer, strict=True)
    return [c for c, more in pairs if c.kind == "stamp" or not more.cells or more.is_rising]
