"""What the remarks above a table state: the sample rate, the unit of time."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from pwmscope.capture.units import EXPONENT_OF_UNIT, parse_rate, parse_time_unit
from pwmscope.errors import HintError

_RATE: Final = re.compile(
    r"\bsampl(?:e|es|ing)[ _-]*(?:rate|freq(?:uency)?)\b(?P<rest>.*)", re.IGNORECASE
)
_INTERVAL: Final = re.compile(
    r"\bsampl(?:e|es|ing)[ _-]*(?:interval|period)\b(?P<rest>.*)", re.IGNORECASE
)
_UNIT: Final = re.compile(r"\btime[ _-]*(?:unit|base|scale)s?\b(?P<rest>.*)", re.IGNORECASE)
_QUANTITY: Final = re.compile(
    r"(?P<number>\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?)[\s,;\"']*(?P<unit>[A-Za-zµμ/]*)"
)
_BRACKETED: Final = re.compile(r"[(\[]\s*(?P<unit>[A-Za-zµμ/]+)\s*[)\]]")


@dataclass(frozen=True, slots=True)
class Stated:
    """What the remarks above a table state.

    Parameters
    ----------
    rate_hz : float or None
        Samples per second.
    time_unit : str or None
        Unit of the time column.
    """

    rate_hz: float | None = None
    time_unit: str | None = None


def read_preamble(lines: tuple[str, ...]) -> Stated:
    """Find the sample rate and the unit of time in the remarks above a table.

    Parameters
    ----------
    lines : tuple of str
        The remarks, as they stand.

    Returns
    -------
    Stated
        What was found; the first statement of a kind counts.

    Examples
    --------
    >>> read_preamble(("# bench 3", "# Sample rate: 24 MHz", "Time unit = us"))
    Stated(rate_hz=24000000.0, time_unit='us')
    >>> read_preamble(("Samplerate,1000000",)).rate_hz
    1000000.0
    >>> read_preamble(('"Sample Interval";"2,0E-06";s',)).rate_hz
    500000.0
    """
    rates = [rate for line in lines if (rate := _rate_in(line)) is not None]
    units = [unit for line in lines if (unit := _unit_in(line)) is not None]
    return Stated(rates[0] if rates else None, units[0] if units else None)


def _rate_in(line: str) -> float | None:
    for pattern in (_RATE, _INTERVAL):
        match = pattern.search(line)
        quantity = _QUANTITY.search(match["rest"]) if match else None
        if match is None or quantity is None:
            continue
        bracketed = _BRACKETED.search(match["rest"])
        unit = quantity["unit"] or (bracketed["unit"] if bracketed else "")
        number = quantity["number"].replace(",", ".")
        try:
            if pattern is _RATE:
                return parse_rate(number + unit)
            interval_s = float(number) * 10.0 ** (
                EXPONENT_OF_UNIT[parse_time_unit(unit or "s")] - 12
            )
            return parse_rate(1 / interval_s)
        except (HintError, ZeroDivisionError):
            continue  # a remark that is no rate after all states nothing
    return None


def _unit_in(line: str) -> str | None:
    match = _UNIT.search(line)
    if match is None:
        return None
    word = match["rest"].strip(" \t:=,;\"'()[]")
    try:
        return parse_time_unit(word)
    except HintError:
        return None
