"""How cells become picoseconds, bits and volts, as polars expressions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import polars as pl

from pwmscope.capture.text.cells import HIGH_WORDS, LOW_WORDS
from pwmscope.capture.text.dialect import SPACES
from pwmscope.capture.text.level_columns import LevelColumn
from pwmscope.capture.units import EXPONENT_OF_UNIT

if TYPE_CHECKING:
    from pwmscope.capture.text.layout import Layout


def time_type(layout: Layout) -> pl.DataType:
    """Tell as what the time column is best parsed.

    A fixed-point decimal has its last digit at one picosecond, so that no time
    passes through floating point.
    """
    if layout.time_kind == "stamp":
        return pl.String()
    if layout.time_kind == "sample":
        return pl.Int64()
    return pl.Decimal(38, EXPONENT_OF_UNIT[layout.time_unit])


def read_time(cell: pl.Expr, layout: Layout, *, is_text: bool) -> pl.Expr:
    """Int64 picoseconds, or sample numbers; from text null where it is no time.

    Parameters
    ----------
    cell : Expr
        The time column, parsed as `time_type` says or as text.
    layout : Layout
        How it is written.
    is_text : bool
        Whether it is text.
    """
    if layout.stamp is not None:
        return layout.stamp.since_origin_ps(cell.str.strip_chars())
    if is_text:
        return read_fixed_point(cell, layout.time_unit, layout)
    if layout.time_kind == "sample":
        return cell
    return cell.to_physical().cast(pl.Int64)


def read_fixed_point(cell: pl.Expr, unit: str, layout: Layout) -> pl.Expr:
    """Int64 picoseconds (sample numbers as they are) from text; null where it is none."""
    number = _number_text(cell, layout)
    if layout.time_kind == "sample" and unit == layout.time_unit:
        return number.cast(pl.Int64, strict=False)
    decimal = number.cast(pl.Decimal(38, EXPONENT_OF_UNIT[unit]), strict=False)
    return decimal.to_physical().cast(pl.Int64, strict=False)


def _number_text(cell: pl.Expr, layout: Layout) -> pl.Expr:
    # Where spaces separate cells nothing else takes quotes off.
    text = cell.str.strip_chars(' \t\r"' if layout.delimiter == SPACES else " \t\r")
    return text.str.replace(",", ".", literal=True) if layout.decimal_comma else text


def level_type(level: LevelColumn) -> pl.DataType:
    """Tell as what a column of levels is best parsed."""
    types: dict[str, pl.DataType] = {
        "digit": pl.UInt8(), "level number": pl.Float64(), "analogue": pl.Float64()
    }  # fmt: skip
    return types.get(level.kind, pl.String())


def read_bits(cell: pl.Expr, level: LevelColumn, layout: Layout) -> pl.Expr:
    """Levels as UInt64 from text, one bit or a bus's; null where it is no level."""
    text = _number_text(cell, layout).str.to_lowercase()
    if level.is_bus:
        value = _bus_value(text, level)
        return pl.when(value.is_between(0, (1 << level.bits) - 1)).then(
            value.cast(pl.UInt64, strict=False)
        )
    if level.kind == "level number":
        return read_level_number(text.cast(pl.Float64, strict=False))
    return read_level(text)


def read_level(text: pl.Expr) -> pl.Expr:
    """One bit as UInt64 from lower-case text, a word, 0, 1, 0.0 or 1.0; null for all else."""
    return _one_or_zero(text.is_in([*HIGH_WORDS, *_ONES]), text.is_in([*LOW_WORDS, *_ZEROS]))


def read_level_number(number: pl.Expr) -> pl.Expr:
    """One bit as UInt64 from the numbers 0 and 1; null for all else."""
    return _one_or_zero(number == 1, number == 0)


_ONES: Final = ("1", *("1." + "0" * places for places in range(13)))
_ZEROS: Final = ("0", *("0." + "0" * places for places in range(13)))


def _one_or_zero(is_high: pl.Expr, is_low: pl.Expr) -> pl.Expr:
    one, zero = pl.lit(1, pl.UInt64), pl.lit(0, pl.UInt64)
    return pl.when(is_high).then(one).when(is_low).then(zero)


def _bus_value(text: pl.Expr, level: LevelColumn) -> pl.Expr:
    if level.kind == "integer":
        return text.cast(pl.Int64, strict=False)
    base, prefix, suffix = (16, "0x", "h") if level.kind == "hex" else (2, "0b", "b")
    digits = text.str.strip_prefix(prefix).str.strip_suffix(suffix)
    return digits.str.to_integer(base=base, dtype=pl.Int64, strict=False)


def read_volts(cell: pl.Expr, layout: Layout) -> pl.Expr:
    """Float64 from text; null where it is no finite number."""
    volts = _number_text(cell, layout).cast(pl.Float64, strict=False)
    return pl.when(volts.is_finite()).then(volts)
