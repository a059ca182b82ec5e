"""Sample rates and time units as people and file headers write them."""

from __future__ import annotations

import functools
import re
from decimal import Decimal
from typing import Final

from pwmscope.errors import HintError

_RATE: Final = re.compile(
    r"\s*(?P<number>\d+(?:_\d+)*(?:\.\d+)?(?:[eE][+]?\d+)?)\s*(?P<prefix>[kKmMgG]?)"
    r"(?:hz|s/s|sa/s|sps|samples/s)?\s*",
    re.IGNORECASE,
)
_PREFIX: Final = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}

EXPONENT_OF_UNIT: Final[dict[str, int]] = {"s": 12, "ms": 9, "us": 6, "ns": 3, "ps": 0}
"""Power of ten that turns one of each time unit into picoseconds."""

_UNIT_SPELLINGS: Final = {
    "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s",
    "ms": "ms", "msec": "ms", "millis": "ms", "millisec": "ms", "millisecs": "ms",
    "millisecond": "ms", "milliseconds": "ms",
    "us": "us", "µs": "us", "μs": "us", "usec": "us", "micros": "us", "microsec": "us",
    "microsecs": "us", "microsecond": "us", "microseconds": "us",
    "ns": "ns", "nsec": "ns", "nanos": "ns", "nanosec": "ns", "nanosecond": "ns",
    "nanoseconds": "ns",
    "ps": "ps", "psec": "ps", "picosecond": "ps", "picoseconds": "ps",
    "min": "60 s", "mins": "60 s", "minute": "60 s", "minutes": "60 s",
    "hr": "3600 s", "hrs": "3600 s", "hour": "3600 s", "hours": "3600 s",
}  # fmt: skip
_TIME_WORD: Final = re.compile(
    r"^(?:time|times|t|timestamp|timestamps|datetime|date|elapsed|epoch|zeit|temps|tiempo|tempo)$",
    re.IGNORECASE,
)
_START_WORD: Final = re.compile(r"^(?:start|starts|begin|begins|onset|rise|rises|from)$", re.I)
_NO_INSTANT: Final = frozenset(
    {"high", "low", "width", "widths", "duration", "durations", "length", "dwell", "period", "gap",
     "end", "ends", "stop", "stops", "fall", "falls", "until", "on", "off", "hold", "per"}
)  # fmt: skip
"""Words of a heading that tells how long something lasts, or when it ends."""
_HARMLESS: Final = re.compile(
    r"^(?:rel|relative|abs|absolute|utc|gmt|local|elapsed|trigger|unix|epoch|iso|iso8601|start|"
    r"since|from|of|day|date|time|number|decimal|float|dd|mm|yyyy|hh|ss|h|m|am|pm|fff+|f+|x|t)$",
    re.IGNORECASE,
)
"""Words in brackets after a word for time that are no unit."""
_OTHER_UNITS: Final = frozenset(
    {"v", "mv", "uv", "µv", "volt", "volts", "a", "ma", "hz", "bit", "bits", "logic", "level",
     "digital", "bool", "boolean", "0/1", "hex", "dec", "bin", "counts"}
)  # fmt: skip
_SAMPLE_NUMBER: Final = re.compile(
    r"^(?:samples?|index|idx|row|n|no|nr|#|ticks?)\.?$"
    r"|^(?:samples?|row)[ _-]*(?:no|nr|num|number|index|idx|#)?\.?$",
    re.IGNORECASE,
)
_MULTIPLE: Final = re.compile(
    r"(?P<left>^|\bof\s+|[\s_(\[/x×*,])"
    r"(?P<number>10\s*\^\s*\(?[+-]?\d+\)?|\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)"
    r"[\s_*×]*(?P<unit>[a-zA-Zµμ]+)(?=$|[\s_)\],:])"
)
_AFTERWARDS: Final = re.compile(
    r"(?<![a-zA-Zµμ])(?P<unit>[a-zA-Zµμ]+)\s*[x×*]\s*(?P<number>\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)"
    r"(?=$|[\s_)\],:])"
)
_MAX_PS: Final = 10**18
"""No unit of time is longer than this: 11 days."""


@functools.cache
def size_of_unit(unit: str) -> tuple[int, int]:
    """Tell how long one unit of time is: a whole multiple of a power of ten picoseconds.

    Examples
    --------
    >>> size_of_unit("us"), size_of_unit("100 ns"), size_of_unit("60 s")
    ((1, 6), (1, 5), (6, 13))
    """
    number, _, base = unit.rpartition(" ")
    multiple, exponent = int(number or 1), EXPONENT_OF_UNIT[base]
    while multiple % 10 == 0:
        multiple, exponent = multiple // 10, exponent + 1
    return multiple, exponent


def unit_of_multiple(number: str, base: str) -> str | None:
    """Name the unit that is so many of another, such as ``100 ns`` or ``us``.

    Examples
    --------
    >>> unit_of_multiple("1e-6", "s"), unit_of_multiple("100", "ns"), unit_of_multiple("0.1", "ps")
    ('us', '100 ns', None)
    """
    digits = re.sub(r"^10\s*\^\s*\(?([+-]?\d+)\)?$", r"1e\1", number)
    if len(digits) > _MAX_DIGITS:
        return None
    multiple, exponent = size_of_unit(base)
    size = Decimal(digits) * multiple * Decimal(10) ** exponent
    if not 1 <= size <= _MAX_PS or size != int(size):
        return None
    for name, power in EXPONENT_OF_UNIT.items():
        if int(size) % 10**power == 0:
            count = int(size) // 10**power
            return name if count == 1 else f"{count} {name}"
    return None


_MAX_DIGITS: Final = 24


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
        number = float(match["number"].replace("_", "")[:400])
        rate_hz = number * _PREFIX[match["prefix"].lower()]
    if not 0 < rate_hz <= 1e12:
        raise HintError(
            f"The rate '{text}' must be above 0 and at most 1 THz; write samples per second, for "
            "example 1MHz."
        )
    return rate_hz


def parse_time_unit(text: str) -> str:
    """Read a time unit and return it as one of ``s, ms, us, ns, ps``, or a multiple of one.

    Examples
    --------
    >>> parse_time_unit("µs"), parse_time_unit("100 ns"), parse_time_unit("1e-6 s")
    ('us', '100 ns', 'us')
    """
    unit = _UNIT_SPELLINGS.get(text.strip().lower())
    if unit is None and (match := _MULTIPLE.fullmatch(text.strip().lower())):
        unit = _multiplied(match)
    if unit is None:
        raise HintError(
            f"The time unit '{text[:40]}' is not understood; use s, ms, us, ns, ps or a multiple "
            "such as '100 ns'."
        )
    return unit


def _multiplied(match: re.Match[str]) -> str | None:
    base = _UNIT_SPELLINGS.get(match["unit"]) or _UNIT_SPELLINGS.get(match["unit"].lower())
    return None if base is None else unit_of_multiple(match["number"].replace(" ", ""), base)


def _words_of(heading: str) -> list[str]:
    """Cut a heading into words; a capital after a small letter begins one."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", heading.strip())
    words = [word for word in re.split(r"[\s_\[\](){}.,:;/-]+", spaced) if word]
    is_shouted = len(words) > 1 and heading.isupper()
    return [word.lower() for word in words] if is_shouted else words


def _spelled(word: str) -> str | None:
    """Find the unit a word spells; short ones only in small letters, since ``MS`` is none."""
    if len(word) > 2:
        return _UNIT_SPELLINGS.get(word.lower())
    capital = word in ("S", "Ms", "Us", "Ns", "Ps")
    return _UNIT_SPELLINGS.get(word.lower() if capital else word)


def time_unit_in(heading: str) -> tuple[bool, str | None]:
    """Say whether a column heading means time, and in which unit.

    Parameters
    ----------
    heading : str
        The heading as it stands in the file.

    Returns
    -------
    is_time : bool
        Whether the heading is a word for time, or for a start with a unit of time.
    unit : str or None
        One of ``s, ms, us, ns, ps``, or a multiple of one, where the heading says it.

    Examples
    --------
    >>> time_unit_in("Time [ms]"), time_unit_in("t_ns"), time_unit_in("time")
    ((True, 'ms'), (True, 'ns'), (True, None))
    >>> time_unit_in("Start (us)"), time_unit_in("time (100 ns)"), time_unit_in("Time x10us")
    ((True, 'us'), (True, '100 ns'), (True, '10 us'))
    >>> time_unit_in("throttle"), time_unit_in("end_us"), time_unit_in("Time (min)")
    ((False, None), (False, None), (True, '60 s'))
    >>> time_unit_in("ticks of 250 ns"), time_unit_in("High_From (us)"), time_unit_in("high_us")
    ((True, '250 ns'), (True, 'us'), (False, None))
    """
    words = _words_of(heading)
    if not words:
        return False, None
    if _CLOCK_FACE.fullmatch(heading.strip()):
        return True, None
    unit = unit_in(heading)
    is_bare = len(words) == 1 and words[0] in _UNIT_SPELLINGS
    if is_bare or heading.strip().lower() in _LONG_UNITS or _MULTIPLE.fullmatch(heading.strip()):
        return unit is not None, unit
    lasting = {word.lower() for word in words} & _NO_INSTANT
    begins = any(_START_WORD.match(word) for word in words)
    if lasting and not (begins and unit is not None and lasting <= {"high", "on"}):
        return False, None
    others = [word for word in words if _spelled(word) is None]
    ends = (words[0], *others[-1:])
    is_start = unit is not None and any(_START_WORD.match(word) for word in ends)
    is_ticks = unit is not None and _TICK_WORD.match(words[0]) is not None
    is_time = is_start or is_ticks or any(_TIME_WORD.match(word) for word in ends)
    return is_time, unit if is_time else None


_TICK_WORD: Final = re.compile(r"^(?:ticks?|counts?|steps?|clocks?)$", re.IGNORECASE)
_CLOCK_FACE: Final = re.compile(r"(?:h{1,2}:)?m{1,2}:ss(?:\.f+)?", re.IGNORECASE)
_LONG_UNITS: Final = frozenset(word for word in _UNIT_SPELLINGS if len(word) > 3 or word == "sec")


def foreign_unit_in(heading: str) -> str | None:
    """Find a word in brackets after a word for time that is no unit known here.

    Examples
    --------
    >>> foreign_unit_in("time (ticks)"), foreign_unit_in("time (us)"), foreign_unit_in("t [rel.]")
    ('ticks', None, None)
    """
    match = re.search(r"[(\[{]\s*([^)\]}]+?)\s*[)\]}]", heading)
    if match is None or unit_in(heading) is not None:
        return None
    words = _words_of(match[1])
    return None if all(_HARMLESS.match(word) for word in words) else match[1]


def is_unit(word: str) -> bool:
    """Say whether a word is a unit of time, or one that may stand above a column of levels.

    Examples
    --------
    >>> is_unit("ms"), is_unit("Volt"), is_unit("RX1")
    (True, True, False)
    """
    small = word.strip().lower()
    return small in _UNIT_SPELLINGS or small in _OTHER_UNITS or unit_in(word) is not None


def unit_in(heading: str) -> str | None:
    """Find a unit of time among a heading's words.

    Examples
    --------
    >>> unit_in("width_us"), unit_in("High duration [ms]"), unit_in("width")
    ('us', 'ms', None)
    >>> unit_in("Time (1e-6 s)"), unit_in("width_min_us")
    ('us', 'us')
    """
    for pattern in (_MULTIPLE, _AFTERWARDS):
        for match in pattern.finditer(heading):
            unit = _multiplied(match)
            if unit is not None and _is_multiple(match):
                return unit
    found = [unit for word in _words_of(heading) if (unit := _spelled(word))]
    plain = [unit for unit in found if " " not in unit]  # "min" may mean a minimum
    return next(iter((*plain, *found)), None)


def _is_multiple(match: re.Match[str]) -> bool:
    """Whether a number before a unit multiplies it: marked so, or a power of ten."""
    marked = match.re is _AFTERWARDS or match["left"].strip() in ("(", "[", "x", "×", "*", "of")
    return marked or re.fullmatch(r"10*(?:\.0*)?|1(?:\.0*)?e[+-]?\d+|10\s*\^.*", match["number"],
                                  re.IGNORECASE) is not None  # fmt: skip


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
