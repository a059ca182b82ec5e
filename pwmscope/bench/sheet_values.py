"""The kinds of value in a bench sheet: ranges, units, and what was meant."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Annotated, Final, TypeAlias

from pydantic import Field

_UNITS: Final = {
    "V": ("V", 1.0), "mV": ("V", 1e-3), "kV": ("V", 1e3), "volt": ("V", 1.0), "volts": ("V", 1.0),
    "A": ("A", 1.0), "mA": ("A", 1e-3), "uA": ("A", 1e-6), "\u03bcA": ("A", 1e-6),
    "amp": ("A", 1.0), "amps": ("A", 1.0), "ampere": ("A", 1.0), "amperes": ("A", 1.0),
    "us": ("us", 1.0), "\u03bcs": ("us", 1.0), "ns": ("us", 1e-3), "ms": ("us", 1e3),
    "s": ("us", 1e6), "sec": ("us", 1e6), "seconds": ("us", 1e6), "min": ("us", 6e7),
    "ohm": ("ohm", 1.0), "ohms": ("ohm", 1.0), "\u03a9": ("ohm", 1.0), "R": ("ohm", 1.0),
    "k": ("ohm", 1e3), "K": ("ohm", 1e3), "kohm": ("ohm", 1e3), "k\u03a9": ("ohm", 1e3),
    "M": ("ohm", 1e6), "Mohm": ("ohm", 1e6), "M\u03a9": ("ohm", 1e6),
    "mAh": ("mAh", 1.0), "Ah": ("mAh", 1e3), "W": ("W", 1.0), "Hz": ("Hz", 1.0),
    "kHz": ("Hz", 1e3), "%": ("%", 1.0), "us/%": ("us/%", 1.0), "\u03bcs/%": ("us/%", 1.0),
}  # fmt: skip
"""Each way of writing a unit: the unit it is measured in here, and how many of that it is."""
_DIMENSIONS: Final = {
    "V": "a voltage", "A": "a current", "us": "a time", "ohm": "a resistance",
    "mAh": "a battery's capacity", "W": "a power", "Hz": "a frequency", "%": "a part of travel",
    "us/%": "a travel setting's step",
}  # fmt: skip
_LIKELY: Final = {
    "V": (("mV", "millivolts", 1e-3),),
    "A": (("mA", "milliamperes", 1e-3),),
    "us": (("ms", "milliseconds", 1e3), ("ns", "nanoseconds", 1e-3), ("s", "seconds", 1e6)),
    "s": (("ms", "milliseconds", 1e-3), ("us", "microseconds", 1e-6)),
    "ohm": (("kohm", "kiloohms", 1e3),),
}
"""What people write instead of each unit."""
_WITH_UNIT: Final = re.compile(r"\s*([-+]?[0-9]{1,12}(?:[.,][0-9]{1,12})?)\s*([^\s0-9.,]{0,10})\s*")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with a unit and its range, both ends included but for a lower end of 0."""

    unit: str
    low: float
    high: float

    def holds(self, number: float) -> bool:
        """Say whether a number lies in the range."""
        return (number > 0 if self.low == 0 else number >= self.low) and number <= self.high


@dataclass(frozen=True, slots=True)
class Allowed:
    """What may stand at a key, as it reads after "expected", and the quantity if it is one."""

    text: str
    quantity: Quantity | None = None


def likely_meant(value: object, quantity: Quantity) -> str:
    """Say as a clause what a value with a wrong or missing unit was likely meant to be.

    Examples
    --------
    >>> likely_meant("500mA", Quantity("A", 0, 1000))
    '; 500mA is 0.5 A, so write 0.5'
    >>> likely_meant(5000, Quantity("V", 1, 60))
    '; if 5000 was meant in millivolts, write 5'
    >>> likely_meant("5 V", Quantity("A", 0, 1000))
    '; 5 V is a voltage'
    """
    if isinstance(value, str):
        return _of_text(value, quantity)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return ""
    for _, name, factor in _LIKELY.get(quantity.unit, ()):
        if abs(value) < 1e12 and quantity.holds(value * factor):
            return f"; if {value:g} was meant in {name}, write {value * factor:g}"
    return ""


def _of_text(text: str, quantity: Quantity) -> str:
    found = _WITH_UNIT.fullmatch(text)
    if found is None:
        return ""
    number = float(found[1].replace(",", "."))
    said = unicodedata.normalize("NFKC", found[2])  # the micro sign becomes mu, the ohm sign omega
    unit, factor = quantity.unit, 1.0
    if said:
        if said not in _UNITS:
            return ""
        unit, factor = _UNITS[said]
        if unit == "us" and quantity.unit == "s":
            unit, factor = "s", factor * 1e-6
    if unit != quantity.unit:
        return f"; {text.strip()} is {_DIMENSIONS[unit]}"
    number *= factor
    if not quantity.holds(number):
        return ""
    if not said:
        return f"; write {number:g} without quotes"
    return f"; {text.strip()} is {number:g} {unit}, so write {number:g}"


def one_of(names: tuple[str, ...]) -> Allowed:
    """Say that one of some words may stand there.

    Examples
    --------
    >>> one_of(("low", "high")).text
    'one of "low", "high"'
    """
    return Allowed("one of " + ", ".join(f'"{name}"' for name in names))


Text: TypeAlias = Annotated[
    str,
    Field(max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$"),
    Allowed("text in quotes, on one line, of at most 200 characters"),
]
Name: TypeAlias = Annotated[
    str,
    Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$"),
    Allowed("the name of a line of the recording, in quotes"),
]
Width: TypeAlias = Annotated[
    float,
    Field(ge=10, le=10_000),
    Allowed("a number of microseconds from 10 to 10000", Quantity("us", 10, 10_000)),
]
Band: TypeAlias = Annotated[
    float,
    Field(gt=0, le=10_000),
    Allowed("a number of microseconds above 0, at most 10000", Quantity("us", 0, 10_000)),
]
Voltage: TypeAlias = Annotated[
    float,
    Field(ge=1, le=60),
    Allowed("a number of volts from 1 to 60", Quantity("V", 1, 60)),
]
Current: TypeAlias = Annotated[
    float,
    Field(gt=0, le=500),
    Allowed("a number of amperes above 0, at most 500", Quantity("A", 0, 500)),
]
Resistance: TypeAlias = Annotated[
    float,
    Field(ge=10, le=10_000_000),
    Allowed("a number of ohms from 10 to 10000000", Quantity("ohm", 10, 10_000_000)),
]
Count: TypeAlias = Annotated[int, Field(ge=1, le=64), Allowed("a whole number from 1 to 64")]
Seconds: TypeAlias = Annotated[
    float,
    Field(ge=0, le=60),
    Allowed("a number of seconds from 0 to 60", Quantity("s", 0, 60)),
]
Flag: TypeAlias = Annotated[bool, Allowed("true or false")]
Range: TypeAlias = Annotated[list[Width], Field(min_length=2, max_length=2)]
