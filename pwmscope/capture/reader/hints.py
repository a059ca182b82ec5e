"""What a person tells the reader, rates and units included; and the interval that times show."""

from __future__ import annotations

import functools
import math
import random
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

import numpy as np

from pwmscope.errors import ArgumentError, CaptureError, HintError, format_given, require_type
from pwmscope.model import Assumption, IntArray, Line

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
_MAX_UNIT_PS: Final = 10**18
"""No unit of time is longer than this: 11 days."""
_MOST_GIB = 2**30


@functools.cache
def size_of_unit(unit: str) -> tuple[int, int]:
    """Tell how long one unit of time is: a whole multiple of a power of ten picoseconds.

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

    >>> unit_of_multiple("1e-6", "s"), unit_of_multiple("100", "ns"), unit_of_multiple("0.1", "ps")
    ('us', '100 ns', None)
    """
    digits = re.sub(r"^10\s*\^\s*\(?([+-]?\d+)\)?$", r"1e\1", number)
    if len(digits) > _MAX_DIGITS:
        return None
    multiple, exponent = size_of_unit(base)
    size = Decimal(digits) * multiple * Decimal(10) ** exponent
    if not 1 <= size <= _MAX_UNIT_PS or size != int(size):
        return None
    for name, power in EXPONENT_OF_UNIT.items():
        if int(size) % 10**power == 0:
            count = int(size) // 10**power
            return name if count == 1 else f"{count} {name}"
    return None


_MAX_DIGITS: Final = 24


def parse_rate(text: str | float) -> float:
    """Read a sample rate such as ``1MHz``, ``500k``, ``24 MS/s`` or ``250000``.

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
    """Say whether a column heading means time, or a start with a unit of time; and the unit.

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

    >>> is_unit("ms"), is_unit("Volt"), is_unit("RX1")
    (True, True, False)
    """
    small = word.strip().lower()
    return small in _UNIT_SPELLINGS or small in _OTHER_UNITS or unit_in(word) is not None


def unit_in(heading: str) -> str | None:
    """Find a unit of time among a heading's words.

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

    >>> is_sample_number("Sample No."), is_sample_number("index"), is_sample_number("RX1")
    (True, True, False)
    """
    return _SAMPLE_NUMBER.match(heading.strip()) is not None


def format_interval(interval_ps: float) -> str:
    """Write a time interval with the unit that reads best.

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

    >>> format_rate(1e12 / 24e6), format_rate(1e7)
    ('24 MS/s', '100 kS/s')
    """
    rate_hz = 1e12 / interval_ps
    for prefix, size in (("G", 1e9), ("M", 1e6), ("k", 1e3)):
        if rate_hz >= size:
            return f"{rate_hz / size:.5g} {prefix}S/s"
    return f"{rate_hz:.5g} S/s"


@dataclass(frozen=True, slots=True)
class Hints:
    """Hints that override what the reader would otherwise find or assume."""

    rate_hz: float | None = None  # The analyser's sample rate in samples per second
    time_unit: str | None = None  # Unit of the time column: `s`, `ms`, `us`, `ns` or `ps`
    time_column: str | None = None  # Name of the time column, as the header writes it
    # The lines to read, in this order; the others are left out
    lines: tuple[str, ...] | None = None
    # Threshold between low and high for analogue columns, in their own unit
    threshold_v: float | None = None
    # Lines to keep where a file holds more than can be read at once; all others that are kept show
    # servo pulses
    keep: tuple[str, ...] = ()

    @property
    def given(self) -> tuple[str, ...]:
        """The arguments of `load` that the person gave."""
        values = {
            "rate": self.rate_hz,
            "time_unit": self.time_unit,
            "time_column": self.time_column,
            "lines": self.lines,
            "threshold": self.threshold_v,
        }
        return tuple(name for name, value in values.items() if value is not None)

    @classmethod
    def of(
        cls,
        *,
        rate: str | float | None = None,
        time_unit: str | None = None,
        time_column: str | None = None,
        lines: str | tuple[str, ...] | list[str] | None = None,
        threshold: float | None = None,
        keep: tuple[str, ...] | list[str] = (),
        max_gib: float | None = None,
    ) -> Hints:
        """Build hints from what a person wrote.

        >>> hints = Hints.of(rate="1MHz", lines="RX1, RX2")
        >>> hints.rate_hz, hints.lines
        (1000000.0, ('RX1', 'RX2'))
        """
        for name, hint, kinds, expected in (
            ("rate", rate, (str, int, float), "a rate such as '1MHz' or a number in hertz"),
            ("time_unit", time_unit, (str,), "a unit such as 'us'"),
            ("time_column", time_column, (str,), "the name of a column"),
            ("threshold", threshold, (int, float), "a number of volts"),
            ("max_gib", max_gib, (int, float), "a number of GiB"),
            ("lines", lines, (str, tuple, list), "the names of lines"),
            ("keep", keep, (tuple, list), "the names of lines"),
        ):
            if hint is not None:
                require_type(name, hint, kinds, expected)
        if not isinstance(lines, str) and not all(isinstance(name, str) for name in lines or ()):
            raise ArgumentError("lines", format_given(lines), "the names of lines, each a text")
        if max_gib is not None and not 0 < max_gib < _MOST_GIB:
            raise ArgumentError("max_gib", format_given(max_gib), "a number of GiB above 0")
        if isinstance(lines, str):
            lines = [name.strip() for name in lines.split(",") if name.strip()]
        if lines is not None and (not lines or len(set(lines)) < len(lines)):
            raise HintError("`lines` must name each line once, for example `lines='RX1,RX2'`.")
        rate_hz = None if rate is None else parse_rate(rate)
        if isinstance(rate, str) and rate_hz is not None and rate_hz < _MIN_RATE_HZ:
            number = rate.strip()
            if number.isdecimal():
                raise HintError(
                    f"The rate '{number}' is {number} samples a second, which shows no pulse; "
                    f"write its unit, for example {number}MHz."
                )
        return cls(
            rate_hz=rate_hz,
            time_unit=None if time_unit is None else parse_time_unit(time_unit),
            time_column=time_column,
            lines=None if lines is None else tuple(lines),
            threshold_v=threshold,
            keep=tuple(keep),
        )


_MIN_RATE_HZ: Final = 1000
"""Below it a number is taken for one whose unit was forgotten."""


def rate_needed(source: str, lack: str) -> HintError:
    """Ask for the sample rate, saying what the rows lack."""
    return HintError(
        f"{source}: the rows {lack}, so the sample rate is needed; "
        "add the analyser's setting, for example `rate='1MHz'`."
    )


MAX_LINES: Final = 64
_MIN_PS, _MAX_PS = 750 * 10**6, 2250 * 10**6
"""What counts as a servo pulse (common practice)."""


def has_servo_pulses(line: Line) -> bool:
    """Say whether a third of the spans between a line's edges are as long as servo pulses.

    The distances between the marks of a sum train count as well.

    >>> edges = np.array([20, 21.5, 40, 41.5, 60, 61.5]) * 10**9
    >>> has_servo_pulses(Line("RX1", edges.astype(np.int64), 0))
    True
    """
    for edges_ps in (line.edges_ps, line.edges_ps[::2]):
        spans = np.diff(edges_ps)
        count = int(((spans >= _MIN_PS) & (spans <= _MAX_PS)).sum())
        if 0 < spans.size <= 3 * count:
            return True
    return False


def kept(
    groups: Iterable[Mapping[str, Line]],
    hints: Hints,
    source: str,
    spelled: Callable[[str], str] = str,
    total: int | None = None,
) -> tuple[dict[str, Line], Assumption]:
    """Keep the lines that a person named and those with servo pulses, and count the rest."""
    lines: dict[str, Line] = {}
    count = named = 0
    for group in groups:
        for name, line in group.items():
            count += 1
            is_named = name in hints.keep or spelled(name) in hints.keep
            named += is_named
            if is_named or has_servo_pulses(line):
                lines[name] = line
    count = max(count, total or 0)
    if not 0 < len(lines) <= MAX_LINES:
        what = "none shows" if not lines else f"{len(lines)} show"
        raise CaptureError(
            source,
            f"{count} lines, at most {MAX_LINES} lines are read, and {what} servo pulses",
            "name those to read with `lines`",
        )
    what = "those with servo pulses"
    if named:
        what = f"those named by sheet or marker, and {what}"
    said = (
        f"Of {count} lines {len(lines)} were kept: {what}. {count - len(lines)} were left out "
        "(`lines` names others)."
    )
    return lines, Assumption(said, "lines", len(lines), "", "data", ("lines",))


MIN_CHANGES: Final = 20
_MANTISSAS: Final = (1.0, 1.2, 1.25, 1.5, 1.6, 2.0, 2.4, 2.5, 3.0, 3.2, 4.0, 4.8, 5.0, 6.0, 6.25,
                     7.5, 8.0, 9.6)  # fmt: skip
_DRAWN: Final = 4096
"""Of a long list, this many are tried first; what fits them is held against all."""
RATES_HZ: Final = tuple(m * 10.0**e for e in range(3, 10) for m in _MANTISSAS)
"""Sample rates tried, slowest first: round figures and the divisors of common
crystal clocks, as analysers offer them (common practice)."""
_SURE: Final = 19 * math.log(4.0)
"""Ticks are believed where unrelated times would all lie on them once in ``exp(26)``."""


def find_interval_ps(parts: Sequence[IntArray], resolution_ps: int) -> float | None:
    """Find the sampling interval on whose ticks all change times lie, listed in parts.

    A clocked analyser that lists only changes still times them in whole
    sample intervals. The greatest common divisor of the differences shows an
    interval that the printed digits can express; an interval that they cannot
    (24 MS/s has 41.666... ns) is found by trying known rates, allowing each
    time its printed rounding. By chance, `n` unrelated times would fit a
    trial interval ``T`` with probability ``(2 r / T)^(n-1)``, where ``r`` is
    the printed resolution, and have ``T`` as a divisor with ``(r / T)^(n-1)``.

    >>> ticks = np.array([0, 36000, 480000, 516001] + [516001 + 7 * k for k in range(1, 30)])
    >>> ns = np.round(ticks * 1000 / 24).astype(np.int64)
    >>> round(find_interval_ps([ns * 1000], 1000), 3)
    41666.667
    """
    size = sum(part.size for part in parts)
    if size < MIN_CHANGES:
        return None
    if size > 2 * _DRAWN:
        found_ps = find_interval_ps((_drawn(parts),), resolution_ps)
        # What fits all times fits some of them, so where some show none there is none.
        if found_ps is None or _fits(parts, found_ps, resolution_ps):
            return found_ps
    return _search(np.concatenate(parts), resolution_ps)


def bound_interval_ps(parts: Sequence[IntArray], resolution_ps: int) -> tuple[int, int] | None:
    """Bound the sampling interval of changes whose ticks the printed digits hide.

    Two changes, and two distances of changes that differ by more than their rounding, are at
    least one interval apart. Part of a list may be printed more coarsely (by its significant
    digits): the coarsest of its windows counts. Gives one printed digit, and what the interval is
    at most; None for too few changes.

    >>> bound_interval_ps([np.cumsum(np.arange(1500, 1700)) * 10**6], 10**6)
    (1000000, 5000000)
    >>> bound_interval_ps([np.cumsum(np.arange(1500, 3000, 71)) * 10**6], 10**6)
    (1000000, 73000000)
    """
    windows = [window for window in _windows(parts) if window.size >= MIN_CHANGES]
    if not windows:
        return None
    digits_ps = [resolution_ps]
    for window in windows:
        divisor = int(np.gcd.reduce(window - window[0]))
        if (window.size - 1) * math.log(divisor / resolution_ps) >= _SURE:
            digits_ps.append(divisor)
    digit_ps = max(digits_ps)
    apart_ps = np.unique(np.concatenate([np.diff(window) for window in windows]))
    after = np.searchsorted(apart_ps, apart_ps + 2 * digit_ps, side="right")
    known = after < apart_ps.size
    steps_ps = apart_ps[after[known]] - apart_ps[known] + 2 * digit_ps
    return digit_ps, min(int(apart_ps[0]) + digit_ps, int(steps_ps.min(initial=2**62)))


_WINDOWS: Final = 16


def _windows(parts: Sequence[IntArray]) -> list[IntArray]:
    """Take changes of all parts from windows over the whole time, each in order and once."""
    held = [part for part in parts if part.size]
    if not held:
        return []
    count = min(max(sum(part.size for part in held) // 512, 1), _WINDOWS)
    first, last = min(int(part[0]) for part in held), max(int(part[-1]) for part in held)
    borders = [first + (last - first) * k // count for k in range(count)] + [last + 1]
    cuts = [np.searchsorted(part, borders) for part in held]
    most = max(_DRAWN // len(held), MIN_CHANGES)
    return [
        np.unique(np.concatenate(
            [part[cut[k] : min(cut[k + 1], cut[k] + most)]
             for part, cut in zip(held, cuts, strict=True)]
        ))
        for k in range(count)
    ]  # fmt: skip


def find_listed_interval(
    parts: Sequence[IntArray],
    resolution_ps: int,
    rate_hz: float | None,
    hints: Hints,
    source: str,
    *,
    digits: str = "printed to",
) -> tuple[float | None, Assumption]:
    """Find the sampling interval of changes, listed in parts, stated or shown, and say how."""
    what, arguments = "sampling interval", ("rate",)
    by_file = hints.rate_hz is None
    shown_ps = bound = None
    if rate_hz is None or not by_file:
        shown_ps = find_interval_ps(parts, resolution_ps)
        bound = bound_interval_ps(parts, resolution_ps) if shown_ps is None else None
    if shown_ps is not None:
        # A source of a slower clock, sampled finely, shows its own ticks.
        said_ps = resolution_ps if hints.rate_hz is None else 1e12 / hints.rate_hz
        if said_ps < resolution_ps or not _fits(parts, said_ps, resolution_ps):
            check_rate(hints, shown_ps, source, in_ticks=True)
    elif bound is not None:
        check_rate(hints, bound[1], source, or_faster=True)
        if hints.rate_hz is not None and not _fits(parts, 1e12 / hints.rate_hz, bound[0]):
            raise HintError(
                f"{source}: the changes do not lie on ticks {format_interval(1e12 / hints.rate_hz)}"
                " apart, as `rate` says; mend `rate` or `time_unit`."
            )
    if rate_hz is not None:
        stated_ps = 1e12 / rate_hz
        return stated_ps, Assumption(
            f"Samples were {format_interval(stated_ps)} apart, as "
            f"{'the file states' if by_file else 'you said'}.",
            what, stated_ps, "ps", "file" if by_file else "person", arguments,
        )  # fmt: skip
    if shown_ps is not None:
        # Ticks of whole printed digits need no rounding: beside them lies a slower source's clock,
        # sampled faster, or a last digit printed wrong.
        beside = shown_ps % resolution_ps == 0 and not _fits(parts, shown_ps, 0)
        return shown_ps, Assumption(
            f"All {sum(part.size for part in parts)} changes lie "
            f"{f'within {format_interval(resolution_ps)} of' if beside else 'on'} ticks "
            f"{format_interval(shown_ps)} apart, {'' if beside else 'which is '}taken as the "
            f"sampling interval ({format_rate(shown_ps)}).",
            what, shown_ps, "ps", "convention" if beside else "data", arguments,
        )  # fmt: skip
    if bound is None:
        return None, Assumption(
            "The sampling interval is not stated, and the change times do not show it "
            f"({digits} {format_interval(resolution_ps)}). `rate` would tell it.",
            what, None, "ps", "", arguments,
        )  # fmt: skip
    digit_ps, most_ps = bound
    if most_ps <= 5 * digit_ps:  # sampled more finely, the times err by one digit
        taken_ps = float(digit_ps)
        said = f"Times are {digits} {format_interval(taken_ps)}, and show no coarser ticks; that"
    else:
        taken_ps = float(most_ps)
        said = f"The changes show samples at most {format_interval(taken_ps)} apart; that"
    return taken_ps, Assumption(
        f"{said} counts as the sampling interval. `rate` would tell it.",
        what, taken_ps, "ps", "convention", arguments,
    )  # fmt: skip


def check_rate(
    hints: Hints,
    interval_ps: float,
    source: str,
    *,
    in_ticks: bool = False,
    or_faster: bool = False,
) -> None:
    """Refuse a rate that a person states where the file's times show another.

    Ticks on which all changes lie may be several samples long.
    """
    if hints.rate_hz is None:
        return
    ratio = interval_ps * hints.rate_hz / 1e12
    if in_ticks:
        ratio /= max(round(ratio), 1)
    if ratio < 0.99 or (ratio > 1.01 and not or_faster):
        raise HintError(
            f"{source}: the times show {format_rate(interval_ps)}{' or faster' * or_faster} but "
            f"`rate` says {format_rate(1e12 / hints.rate_hz)}; mend `rate` or "
            "`time_unit`."
        )


def _search(times_ps: IntArray, resolution_ps: int) -> float | None:
    """Try the greatest common divisor, then the known rates."""
    offsets = times_ps - times_ps[0]
    divisor = int(np.gcd.reduce(offsets))
    if (times_ps.size - 1) * math.log(max(divisor / resolution_ps, 1.0)) >= _SURE:
        return float(divisor)
    for rate_hz in RATES_HZ:
        interval_ps = 1e12 / rate_hz
        ratio = interval_ps / (2.0 * resolution_ps)
        if ratio <= 1.0 or (times_ps.size - 1) * math.log(ratio) < _SURE:
            break
        if _fits((times_ps,), interval_ps, resolution_ps):
            return interval_ps
    return None


def _drawn(parts: Sequence[IntArray]) -> IntArray:
    """Draw some of the times, always the same ones.

    At random, since evenly spaced ones may all be edges of one kind.
    """
    begins = np.cumsum([0, *(part.size for part in parts)])
    drawn = random.Random(0).choices(range(int(begins[-1])), k=_DRAWN)
    at = np.array(sorted(set(drawn)))
    cuts = np.searchsorted(at, begins[1:-1])
    own = zip(parts, begins, np.split(at, cuts), strict=False)
    return np.concatenate([part[some - begin] for part, begin, some in own])


def _fits(parts: Sequence[IntArray], interval_ps: float, resolution_ps: int) -> bool:
    """Say whether all times lie on ticks, but for their printed rounding; piece by piece.

    Rounding spreads them over one printed digit. Wide ticks are allowed one digit either way:
    some programs print the last digit wrong.
    """
    first_ps = next(part[0] for part in parts if part.size)
    low = high = 0.0
    is_wide = interval_ps >= 8 * resolution_ps
    for part in parts:
        for at in range(0, part.size, 4 * _DRAWN):
            ticks = (part[at : at + 4 * _DRAWN] - first_ps) / interval_ps
            errors = ticks - np.rint(ticks)
            low, high = min(low, float(errors.min())), max(high, float(errors.max()))
            spread = max(high, -low) if is_wide else high - low
            if spread * interval_ps > resolution_ps + 1:
                return False
    return True
