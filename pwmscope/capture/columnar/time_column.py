"""The time column of a Parquet or Arrow table: which it is, its unit, its picoseconds."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import polars as pl

from pwmscope.capture.hints import Hints
from pwmscope.capture.text.changes import Changes
from pwmscope.capture.units import EXPONENT_OF_UNIT, say_interval, time_unit_in
from pwmscope.errors import CaptureError, HintError

_LARGEST: Final = int(np.iinfo(np.int64).max)
_STAMPS: Final = (pl.Datetime, pl.Duration, pl.Time)
_HEAD_ROWS: Final = 1000


@dataclass(frozen=True, slots=True)
class TimeColumn:
    """How a column of numbers or stamps becomes picoseconds since its first row.

    Parameters
    ----------
    name : str
        The column.
    unit : str
        What one of it is: ``s``, ``ms``, ``us``, ``ns`` or ``ps``.
    decimals : int or None
        Decimals of a fixed-point column, 0 for whole numbers and stamps, None for
        floating-point numbers, which do not say.
    first : int or float
        The first row's value, a fixed-point one as its whole number of last digits.
    is_single : bool
        Whether they are floating-point numbers of only 32 bits.
    assumptions : tuple of str
        What was assumed, each a plain sentence.
    """

    name: str
    unit: str
    decimals: int | None
    first: float
    is_single: bool
    assumptions: tuple[str, ...]

    @property
    def number(self) -> pl.Expr:
        """The column as int64 (fixed-point in last digits) or float64."""
        column = pl.col(self.name)
        if self.decimals is None:
            return column.cast(pl.Float64)
        if self.decimals:
            column = column.cast(pl.Decimal(38, self.decimals))
        return column.to_physical().cast(pl.Int64, strict=False)

    @property
    def _size_ps(self) -> int:
        """One of `number`, in picoseconds."""
        return int(10 ** (EXPONENT_OF_UNIT[self.unit] - (self.decimals or 0)))

    @property
    def is_readable(self) -> pl.Expr:
        """Whether a row's time is there and within 106 days of the first row."""
        reach = _LARGEST // self._size_ps - 1
        if self.decimals is None:
            return self.number.is_between(self.first - reach, self.first + reach)
        low = max(-_LARGEST, int(self.first) - reach)
        return self.number.is_between(low, min(_LARGEST, int(self.first) + reach))

    @property
    def since_first_ps(self) -> pl.Expr:
        """Int64 picoseconds since the first row; meaningless where not readable."""
        since = (self.number - self.first) * self._size_ps
        return since.round().cast(pl.Int64, strict=False) if self.decimals is None else since

    def precision(self, changes: Changes, *, is_sampled: bool) -> tuple[int, tuple[str, ...]]:
        """Tell to how many decimals of the unit the times were written.

        Floating-point numbers do not say: the coarsest power of ten on which all
        times lie is taken, unless even samples rounded to it would lie closer.

        Parameters
        ----------
        changes : Changes
            The rows, with the times that `since_first_ps` gave.
        is_sampled : bool
            Whether there is a row per sample, not per change.

        Returns
        -------
        decimals : int
            May be negative.
        assumptions : tuple of str
            Said where the numbers tell instants apart no better than a picosecond.
        """
        if self.decimals is not None:
            return self.decimals, ()
        assert changes.time_ps is not None  # there is a time column
        steps_ps = (changes.step_least_ps, changes.step_most_ps, changes.end_ps)
        common_ps = int(np.gcd.reduce([*changes.time_ps, *steps_ps]))
        power = 0
        while common_ps and common_ps % 10 ** (power + 1) == 0:
            power += 1
        if is_sampled and changes.step_most_ps - changes.step_least_ps > 10**power:
            power = 0
        farthest = max(abs(self.first), abs(self.first + changes.end_ps / self._size_ps))
        kind = np.float32 if self.is_single else np.float64
        step_ps = float(np.spacing(kind(farthest))) * self._size_ps
        said: tuple[str, ...] = ()
        if step_ps > 1:
            power = max(power, int(np.ceil(np.log10(step_ps))))
            said = (
                "The times are floating-point numbers that tell instants at the end of the "
                f"recording apart to {say_interval(step_ps)} only.",
            )
        return EXPONENT_OF_UNIT[self.unit] - power, said


def find_time_column(scan: pl.LazyFrame, hints: Hints, source: str) -> TimeColumn | None:
    """Decide which column is the time and what it counts.

    Parameters
    ----------
    scan : polars LazyFrame
        The table.
    hints : Hints
        A hint wins over what the table says.
    source : str
        The file's name, for messages.

    Returns
    -------
    TimeColumn or None
        None where the rows carry no time.

    Raises
    ------
    CaptureError, HintError
        If it cannot be told which column it is or what it counts.
    """
    schema = scan.collect_schema()
    name, said = _which(scan, schema, hints, source)
    if name is None:
        return None
    dtype = schema[name]
    if isinstance(dtype, _STAMPS):
        unit, unit_sentence = _stamp_unit(name, dtype, hints, source)
        decimals: int | None = 0
    elif isinstance(dtype, pl.Decimal) or dtype.is_numeric():
        unit, unit_sentence = _unit(name, dtype, hints, source)
        decimals = 0 if dtype.is_integer() else None
        if isinstance(dtype, pl.Decimal):
            decimals = min(dtype.scale, EXPONENT_OF_UNIT[unit])
    else:
        raise CaptureError(
            source,
            f"the time column holds {dtype}, expected numbers or time stamps",
            "name another with --time-column, or write the times as numbers",
            column=name,
        )
    is_single = dtype == pl.Float32
    column = TimeColumn(name, unit, decimals, 0, is_single, (*said, unit_sentence))
    return _with_origin(column, scan, dtype, source)


def _which(
    scan: pl.LazyFrame, schema: pl.Schema, hints: Hints, source: str
) -> tuple[str | None, tuple[str, ...]]:
    if hints.time_column is not None:
        if hints.time_column not in schema:
            raise HintError(
                f"There is no column '{hints.time_column}' in {source}; "
                f"the columns are {', '.join(schema)}."
            )
        return hints.time_column, ()
    chosen = hints.lines or ()
    timed = [
        name
        for name, dtype in schema.items()
        if name not in chosen and (time_unit_in(name)[0] or isinstance(dtype, _STAMPS))
    ]
    if len(timed) > 1:
        raise CaptureError(
            source,
            f"{len(timed)} columns could be the time ({', '.join(timed)})",
            "say which with --time-column",
        )
    if timed:
        return timed[0], ()
    name, dtype = next(iter(schema.items()))
    if not dtype.is_numeric() or name in chosen:
        return None, ()
    others = [other for other in schema if other != name]
    head = scan.head(_HEAD_ROWS).select(_not_level(name)).collect().to_series()
    if not others or not head.any():
        return None, ()
    return name, ("The first column holds more than 0 and 1, so it is taken as the time.",)


def _not_level(name: str) -> pl.Expr:
    return pl.col(name).is_in([0, 1]).not_()


def _stamp_unit(name: str, dtype: pl.DataType, hints: Hints, source: str) -> tuple[str, str]:
    if hints.time_unit is not None:
        raise HintError(
            f"{source}: column '{name}' holds time stamps that carry their own unit; "
            "leave --time-unit out."
        )
    unit = getattr(dtype, "time_unit", "ns")
    return unit, f"Column '{name}' is time: stamps that count in {unit}."


def _unit(name: str, dtype: pl.DataType, hints: Hints, source: str) -> tuple[str, str]:
    if hints.time_unit is not None:
        return hints.time_unit, f"Column '{name}' is time in {hints.time_unit}, as you said."
    headed = time_unit_in(f"time {name}")[1]
    if headed is not None:
        return headed, f"Column '{name}' is time in {headed}, as its heading says."
    if dtype.is_integer():
        raise HintError(
            f"{source}: column '{name}' counts time in whole numbers, but of which unit is not "
            "stated; add --time-unit, for example --time-unit us."
        )
    return "s", f"Column '{name}' is taken as time in seconds; no unit is stated."


def _with_origin(
    column: TimeColumn, scan: pl.LazyFrame, dtype: pl.DataType, source: str
) -> TimeColumn:
    """Add the first row's time, from which all others count."""
    first = scan.select(pl.col(column.name), column.number.alias("number")).head(1).collect()
    said = list(column.assumptions)
    if not first.height or first.item(0, "number") is None:
        raise CaptureError(
            source,
            "there is no row of data" if not first.height else "the first row has no time",
            "write the recording again, with its samples",
            column=column.name,
        )
    origin = first.item(0, "number")
    if isinstance(dtype, _STAMPS):
        said.append(f"Time 0 is the first row, which the file calls {first.item(0, 0)}.")
    elif origin != 0:
        origin_s = origin * column._size_ps / 1e12
        said.append(f"Time 0 is the first row, which the file calls {origin_s:.9g} s.")
    return replace(column, first=origin, assumptions=tuple(said))
