"""The unit of a time column: said, stated, or inferred."""

from __future__ import annotations

import itertools
from typing import Final

from pwmscope.capture.text.columns import Column, Sheet
from pwmscope.capture.text.pulse_unit import infer_unit
from pwmscope.capture.units import EXPONENT_OF_UNIT, say_rate, time_unit_in
from pwmscope.errors import HintError

_ENOUGH_ROWS: Final = 20


def find_time_unit(column: Column, sheet: Sheet) -> tuple[str, str]:
    """Decide in which unit a column of numbers tells the time.

    The person's word comes first, then the heading, the row of units, the
    remarks above the table, the stated sample rate, and the length of pulses.
    Failing all, numbers with decimals, and the few rows of a sketch, are
    seconds.

    Parameters
    ----------
    column : Column
        The time column.
    sheet : Sheet
        The table it stands in.

    Returns
    -------
    unit : str
        One of ``s, ms, us, ns, ps``.
    assumption : str
        What was assumed, as a sentence.

    Raises
    ------
    HintError
        If the numbers are whole and nothing tells their unit.
    """
    name = f"Column '{column.name}'"
    words = (
        (sheet.hints.time_unit, "as you said"),
        (time_unit_in(column.name)[1] if sheet.has_header else None, "as its heading says"),
        (time_unit_in(column.unit)[1], "as the row below the header says"),
        (sheet.stated.time_unit, "as the lines above the table say"),
    )
    for unit, why in words:
        if unit is not None:
            return unit, f"{name} is time in {unit}, {why}."
    if sheet.rate_hz is not None and (by_rate := _unit_by_rate(column, sheet.rate_hz)):
        rate = say_rate(1e12 / sheet.rate_hz)
        return by_rate, (
            f"{name} is taken as time in {by_rate}, because its steps are then the stated {rate}."
        )
    if (inferred := infer_unit(sheet.more_text(), sheet.dialect, column.position)) is not None:
        return inferred, (
            f"{name} is taken as time in {inferred}, because levels then last as long as servo "
            "pulses do; no unit is stated."
        )
    if column.kind == "integer" and len(column.cells) >= _ENOUGH_ROWS:
        raise HintError(
            f"{sheet.source}, column {column.name}: the unit of these whole numbers is not stated "
            "and cannot be told from them; add --time-unit (s, ms, us, ns or ps), or --rate if "
            "they count samples."
        )
    return "s", f"{name} is taken as time in seconds; no unit is stated."


def _unit_by_rate(column: Column, rate_hz: float) -> str | None:
    """Find the unit in which even steps of the column are the stated sample interval."""
    numbers = column.numbers
    if len(numbers) < 3:
        return None
    step = float(numbers[-1] - numbers[0]) / (len(numbers) - 1)
    steps = [float(b - a) for a, b in itertools.pairwise(numbers)]
    if max(steps) - min(steps) > 0.01 * step + 2 * 10.0**-column.decimals:
        return None
    for unit, exponent in EXPONENT_OF_UNIT.items():
        if abs(step * 10.0**exponent * rate_hz / 1e12 - 1) < 0.02:
            return unit
    return None
