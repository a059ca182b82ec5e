"""Numbers of a bench sheet and their units: what may stand at a key, and what was likely meant."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Final

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
    """A number with a unit and the range that a sheet takes.

    Parameters
    ----------
    unit : str
        As it ends the key: V, A, us, s or ohm.
    low, high : float
        Ends of the range, both included but for a lower end of 0.
    """

    unit: str
    low: float
    high: float

    def holds(self, number: float) -> bool:
        """Say whether a number lies in the range."""
        return (number > 0 if self.low == 0 else number >= self.low) and number <= self.high


@dataclass(frozen=True, slots=True)
class Allowed:
    """What may stand at a key.

    Parameters
    ----------
    text : str
        As it reads after the word "expected".
    quantity : Quantity or None, optional
        The quantity, where it is one.
    """

    text: str
    quantity: Quantity | None = None


def likely_meant(value: object, quantity: Quantity) -> str:
    """Say what a value with a wrong or missing unit was likely meant to be.

    Parameters
    ----------
    value : object
        What stands in the sheet and is not allowed there.
    quantity : Quantity
        What is.

    Returns
    -------
    str
        A clause that ends the error's sentence; empty where there is no likely meaning.

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
