"""Dates and times of day as exact picoseconds since the first one."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final, Literal, TypeAlias

import polars as pl

from pwmscope.capture.text.cells import STAMP

DateOrder: TypeAlias = Literal["ymd", "dmy", "mdy", ""]
_FORMATS: Final = {"ymd": "%Y-%m-%d", "dmy": "%d-%m-%Y", "mdy": "%m-%d-%Y"}
_LONGEST_S: Final = 9_000_000
"""Beyond 106 days a time does not fit 64 bits of picoseconds."""


@dataclass(frozen=True, slots=True)
class StampFormat:
    """How a column writes dates and times of day.

    Parameters
    ----------
    order : {"ymd", "dmy", "mdy", ""}
        Order of year, month and day; empty for a time of day alone.
    is_sure : bool
        Whether the first rows settle which number is the month.
    first_date : str
        The first row's date, as written.
    point : str
        What stands before the fraction of a second.
    zone : str
        The offset from UTC as written, the same in all rows.
    origin_s : int
        The first row's whole seconds since 1970.
    """

    order: DateOrder
    is_sure: bool
    first_date: str
    point: str
    zone: str
    origin_s: int

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What was assumed, each a plain sentence."""
        if self.is_sure:
            return ()
        return (
            f"Whether {self.first_date} has the day or the month first cannot be told; it does "
            "not matter, as all rows must be of this date.",
        )

    def since_origin_ps(self, cell: pl.Expr) -> pl.Expr:
        """Int64 picoseconds since the first row's whole second; null where not a stamp."""
        parts = cell.str.strip_suffix(self.zone).str.splitn(self.point, 2).struct
        whole, digits = parts.field("field_0"), parts.field("field_1").fill_null("0")
        if self.order:
            mark = self.first_date.strip("0123456789")[:1]
            date = _FORMATS[self.order].replace("-", mark)
            written = whole.str.replace("T", " ", literal=True)
        else:
            date, written = "%Y-%m-%d", pl.lit("1970-01-01 ") + whole
        # Seconds come again and again in fast recordings, so each is parsed once.
        instant = written.str.to_datetime(
            f"{date} %H:%M:%S", time_unit="ms", strict=False, cache=True
        )
        seconds = instant.cast(pl.Int64) // 1000 - self.origin_s
        fraction = digits.str.pad_end(12, "0").cast(pl.UInt64, strict=False)
        is_good = (
            seconds.abs().le(_LONGEST_S)
            & fraction.lt(10**12)
            & digits.str.len_bytes().is_between(1, 12)
            & cell.str.ends_with(self.zone)
        )
        if not self.is_sure:
            is_good &= whole.str.starts_with(self.first_date)
        return pl.when(is_good).then(seconds * 10**12 + fraction.cast(pl.Int64))


def find_stamp_format(cells: list[str]) -> StampFormat:
    """Find out how dates and times of day are written from the first rows.

    Parameters
    ----------
    cells : list of str
        The column's first cells, most of them stamps.

    Returns
    -------
    StampFormat
        Year first, or day first with points and dashes (common practice);
        between slashes, month and day as the numbers above 12 show.

    Examples
    --------
    >>> format = find_stamp_format(["05/13/2031 10:00:00.5"])
    >>> format.order, format.is_sure
    ('mdy', True)
    >>> cell = pl.Series(["05/13/2031 10:00:01.000000000001"])
    >>> pl.select(format.since_origin_ps(pl.lit(cell))).item()
    1000000000001
    """
    matches = [match for cell in cells if (match := STAMP.fullmatch(cell))]
    dates = [re.split(r"[-/.]", match["date"]) for match in matches if match["date"]]
    first = matches[0]
    point = "," if any("," in match[0] for match in matches) else "."
    order, is_sure = _find_order(dates, first["date"] or "")
    year, month, day = _in_order(dates[0], order) if dates else (1970, 1, 1)
    hour, minute, second = map(int, first["clock"].split(":"))
    try:
        midnight = datetime(year, month, day, tzinfo=UTC)
    except ValueError:  # the 31st of February: every row will be refused by its row number
        midnight = datetime(1970, 1, 1, tzinfo=UTC)
    origin_s = int(midnight.timestamp()) + 3600 * hour + 60 * minute + second
    return StampFormat(order, is_sure, first["date"] or "", point, first["zone"] or "", origin_s)


def _find_order(dates: list[list[str]], first: str) -> tuple[DateOrder, bool]:
    if not dates:
        return "", True
    if len(dates[0][0]) == 4:
        return "ymd", True
    if "/" not in first or any(int(date[0]) > 12 for date in dates):
        return "dmy", True
    if any(int(date[1]) > 12 for date in dates):
        return "mdy", True
    return "dmy", False


def _in_order(date: list[str], order: DateOrder) -> tuple[int, int, int]:
    place = {letter: int(number) for letter, number in zip(order, date, strict=True)}
    return place["y"], place["m"], place["d"]
