"""Sample rates and time units as people and file headers write them."""

from __future__ import annotations

import re
from typing import Final

from pwmscope.errors import HintError

_RATE: Final = re.compile(
    r"\s*(?P<number>\d+(?:[._]\d+)*(?:[eE][+]?\d+)?)\s*(?P<prefix>[kKmMgG]?)"
    r"(?:hz|s/s|sa/s|sps|samples/s)?\s*",
    re.IGNORECASE,
)
_PREFIX: Final = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}

EXPONENT_OF_UNIT: Final[dict[str, int]] = {"s": 12, "ms": 9, "us": 6, "ns": 3, "ps": 0}
"""Power of ten that turns one of each time unit into picoseconds."""

_UNIT_SPELLINGS: Final = {
    "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s",
    "ms": "ms", "msec": "ms", "millisecond": "ms", "milliseconds": "ms",
    "us": "us", "µs": "us", "μs": "us", "usec": "us", "microsecond": "us", "microseconds": "us",
    "ns": "ns", "nsec": "ns", "nanosecond": "ns", "nanoseconds": "ns",
    "ps": "ps", "psec": "ps", "picosecond": "ps", "picoseconds": "ps",
}  # fmt: skip
_TIME_WORD: Final = re.compile(
    r"^(?:time|times|t|timestamp|datetime|date|elapsed|zeit|temps|tiempo|tempo)$", re.IGNORECASE
)
_OTHER_UNITS: Final = frozenset(
    {"v", "mv", "volt", "volts", "a", "ma", "hz", "bit", "logic", "level", "digital"}
)
_SAMPLE_NUMBER: Final = re.compile(
    r"^(?:samples?|index|row|n|no|nr|#)$|^samples?[ _-]*(?:no|nr|num|number|index|#)?\.?$",
    re.IGNORECASE,
)


def parse_rate(text: str | float) -> float:
    """Read a sample rate such as ``1MHz``, ``500k``, ``24 MS/s`` or ``250000``.

    Examples
    --------
    >>> parse_rate("24 MS/s")
    24000000.0
    >>> parse_rate("500k")
    500000.0
    """
    if isinstance(text, int | float):
        rate_hz = float(text)
    else:
        match = _RATE.fullmatch(text)
        if match is None:
            raise HintError(
                f"The rate '{text}' is not understood; write a number and a unit, "
                "for example 1MHz, 500kHz or 24MS/s."
            )
        number = float(match["number"].replace("_", ""))
        rate_hz = number * _PREFIX[match["prefix"].lower()]
    if not 0 < rate_hz <= 1e12:
        raise HintError(
            f"The rate '{text}' must be above 0 and at most 1 THz; "
            "write the analyser's samples per second, for example 1MHz."
        )
    return rate_hz


def parse_time_unit(text: str) -> str:
    """Read a time unit and return it as one of ``s, ms, us, ns, ps``.

    Examples
    --------
    >>> parse_time_unit("µs")
    'us'
    """
    unit = _UNIT_SPELLINGS.get(text.strip().lower())
    if unit is None:
        raise HintError(f"The time unit '{text}' is not understood; use s, ms, us, ns or ps.")
    return unit


def time_unit_in(heading: str) -> tuple[bool, str | None]:
    """Say whether a column heading means time, and in which unit.

    Parameters
    ----------
    heading : str
        The heading as it stands in the file.

    Returns
    -------
    is_time : bool
        Whether the heading is a word for time.
    unit : str or None
        One of ``s, ms, us, ns, ps`` where the heading says it.

    Examples
    --------
    >>> time_unit_in("Time [ms]"), time_unit_in("t_ns"), time_unit_in("time")
    ((True, 'ms'), (True, 'ns'), (True, None))
    >>> time_unit_in("throttle")
    (False, None)
    """
    words = [word for word in re.split(r"[\s_\[\]().,:/]+", heading.strip()) if word]
    if not words:
        return False, None
    if len(words) == 1 and words[0] in _UNIT_SPELLINGS:
        return True, _UNIT_SPELLINGS[words[0]]
    units = [_UNIT_SPELLINGS[word.lower()] for word in words[1:] if word.lower() in _UNIT_SPELLINGS]
    others = [word for word in words if word.lower() not in _UNIT_SPELLINGS]
    if not any(_TIME_WORD.match(word) for word in (words[0], *others[-1:])):
        return False, None
    return True, units[0] if units else None


def is_unit(word: str) -> bool:
    """Say whether a word is a unit of time, or one that may stand above a column of levels.

    Examples
    --------
    >>> is_unit("ms"), is_unit("Volt"), is_unit("RX1")
    (True, True, False)
    """
    return word.lower() in _UNIT_SPELLINGS or word.lower() in _OTHER_UNITS


def unit_in(heading: str) -> str | None:
    """Find a unit of time among a heading's words.

    Examples
    --------
    >>> unit_in("width_us"), unit_in("High duration [ms]"), unit_in("width")
    ('us', 'ms', None)
    """
    words = re.split(r"[\s_\[\]().,:/]+", heading.strip().lower())
    return next((_UNIT_SPELLINGS[word] for word in words if word in _UNIT_SPELLINGS), None)


def is_sample_number(heading: str) -> bool:
    """Say whether a column heading means the number of the sample.

    Examples
    --------
    >>> is_sample_number("Sample No."), is_sample_number("index"), is_sample_number("RX1")
    (True, True, False)
    """
    return _SAMPLE_NUMBER.match(heading.strip()) is not None


def format_interval(interval_ps: float) -> str:
    """Write a time interval with the unit that reads best.

    Examples
    --------
    >>> format_interval(1e12 / 24e6), format_interval(1e6), format_interval(2.5e9)
    ('41.667 ns', '1 us', '2.5 ms')
    """
    for unit in ("s", "ms", "us", "ns"):
        size = 10.0 ** EXPONENT_OF_UNIT[unit]
        if interval_ps >= size:
            return f"{interval_ps / size:.5g} {unit}"
    return f"{interval_ps:.5g} ps"


def format_rate(interval_ps: float) -> str:
    """Write the sample rate that belongs to an interval.

    Examples
    --------
    >>> format_rate(1e12 / 24e6), format_rate(1e7)
    ('24 MS/s', '100 kS/s')
    """
    rate_hz = 1e12 / interval_ps
    for prefix, size in (("G", 1e9), ("M", 1e6), ("k", 1e3)):
        if rate_hz >= size:
            return f"{rate_hz / size:.5g} {prefix}S/s"
    return f"{rate_hz:.5g} S/s"
