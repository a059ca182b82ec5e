"""Lines that are no rows: what those above a table state, and those between and below its rows."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from pwmscope.capture.reader.hints import format_rate, parse_rate, parse_time_unit, size_of_unit
from pwmscope.capture.text.cells import clean, kind_of
from pwmscope.errors import HintError

COMMENT: Final = re.compile(r"\s*(#|//|;|%|--|')\s*")
_CLEAR_COMMENT: Final = re.compile(r"\s*(#|//|%)")

_RATE: Final = re.compile(
    r"(?<![a-z])(?:sampl(?:e|es|ing)[ _-]*(?:rate|freq(?:uency)?|clock)"
    r"|samples? (?:per|/) ?s(?:ec(?:ond)?)?|sampled (?:at|with)|fs"
    r"|(?<=\W)rate(?=.*\d\s*[kMG]?(?:S|Sa)/s)|^rate(?=.*\d\s*[kMG]?(?:S|Sa)/s)"
    r"|(?P<bare>^\W*rate)(?=\W+\d[\d.,' ]*[kMG]?Hz))(?:[ _](?P<unit>[kMG]?Hz))?\b(?P<rest>.*)",
    re.IGNORECASE,
)
_INTERVAL: Final = re.compile(
    r"(?<![a-z])(?:(?:sampl(?:e|es|ing)|time)[ _-]*(?:interval|period|step|increment)"
    r"|(?P<bare>^\W*interval)(?=\W+\d))(?:_(?P<unit>[mun]?s))?\b(?P<rest>.*)",
    re.IGNORECASE,
)
_LEAST_BARE_HZ: Final = 10_000
"""A rate or an interval of nothing named is of samples only where no frames come as often."""
_UNIT: Final = re.compile(r"\btime[ _-]*(?:unit|base|scale)s?\b(?P<rest>.*)", re.IGNORECASE)
_LIMIT: Final = re.compile(
    r"\b(?:max|maximum|min|minimum|up to|limit|highest|lowest|supported|capable|capability|"
    r"possible|range|available|requested|wanted|default|rated)\b"
    r"|\d\s*[kMG]?(?:Hz|Sa?/s)?\s*(?:\bto\b|\.\.+|\u2013|(?<![e\d.])-)\s*\d[\d.,]*\s*[kMG]?(?:Hz|Sa?/s)",
    re.IGNORECASE,
)
"""Words of a line that tells what a rate could be, not what it was."""
_ASIDE: Final = re.compile(
    r"[(\[](?=[^)\]]*\d)[^)\]]*\b(?:max|maximum|min|minimum|up to|limit|possible)\b[^)\]]*[)\]]"
    r"|\bof (?:up to )?[\d.,]+ ?\w+ (?:possible|max|maximum|available)\b",
    re.IGNORECASE,
)
"""A rate that could be, told beside the one that was."""
_QUANTITY: Final = re.compile(
    r"(?P<number>\d{1,3}(?:(?P<mark>[ ,.'_\u00a0\u2009\u202f])\d{3}(?!\d))(?:(?P=mark)\d{3}(?!\d))*"
    r"(?:[.,]\d+)?|\d+(?:[.,]\d+)?(?:[eE][+-]?\d{1,3})?)"
    r"[\s,;\"'|)]*(?P<unit>[A-Za-zµμ/]*)"
)
_BRACKETED: Final = re.compile(r"[(\[]\s*(?P<unit>[A-Za-zµμ/]+)\s*[)\]]")
_SAME: Final = 1e-3


@dataclass(frozen=True, slots=True)
class Stated:
    """What the remarks above a table state."""

    rate_hz: float | None = None  # Samples per second
    time_unit: str | None = None  # Unit of the time column
    doubt: str = ""  # Why the rate cannot be taken from them, a clause; empty where it can


def read_preamble(lines: tuple[str, ...], decimal_mark: str = "") -> Stated:
    """Find the sample rate and the unit of time in the remarks above a table.

    Examples
    --------
    >>> read_preamble(("# bench 3", "# Sample rate: 24 MHz", "Time unit = us"))
    Stated(rate_hz=24000000.0, time_unit='us', doubt='')
    >>> read_preamble(("Samplerate,1000000",)).rate_hz
    1000000.0
    >>> read_preamble(('"Sample Interval";"2,0E-06";s',), ",").rate_hz
    500000.0
    >>> read_preamble(("Maximum sample rate: 100 MHz", "Sample rate: 1,000,000 Hz")).rate_hz
    1000000.0
    >>> read_preamble(("Sample rate: 24,000 Hz",)).doubt
    "the sample rate '24,000' may have decimals or thousands"
    """
    rates: list[float] = []
    doubts: list[str] = []
    for whole in lines:
        line = _ASIDE.sub("", whole)
        if _LIMIT.search(line):
            continue
        try:
            rate = _rate_in(line, decimal_mark)
        except _TwoReadingsError as error:
            doubts.append(str(error))
        else:
            rates += [] if rate is None else [rate]
    units = [unit for line in lines if (unit := _unit_in(line)) is not None]
    unit = units[0] if units else None
    if rates and not doubts and max(rates) / min(rates) > 1 + _SAME:
        low, high = (format_rate(1e12 / rate) for rate in (min(rates), max(rates)))
        doubts.append(f"the lines above the table state sample rates of {low} and {high}")
    if doubts:
        return Stated(None, unit, doubts[0])
    return Stated(rates[0] if rates else None, unit)


class _TwoReadingsError(Exception):
    """A number that may be read in two ways."""


def _number(match: re.Match[str], decimal_mark: str) -> str:
    """Write a stated number plainly; a lone comma before three digits needs the table's mark."""
    text, mark = match["number"], match["mark"]
    if mark is None:
        return text.replace(",", ".")
    whole, *groups = re.split(re.escape(mark), text)
    other = "." if mark == "," else ","
    is_sure = len(groups) > 1 or mark not in ",." or other in text
    if not is_sure and mark == decimal_mark:
        return f"{whole}.{groups[0]}"
    if not is_sure and mark == "." and not decimal_mark:
        return text
    if not is_sure and not decimal_mark:
        raise _TwoReadingsError(f"the sample rate '{text}' may have decimals or thousands")
    if not is_sure and decimal_mark == "," and mark == ".":
        raise _TwoReadingsError(f"the sample rate '{text}' may have decimals or thousands")
    return "".join([whole, *groups]).replace(",", ".")


def _rate_in(line: str, decimal_mark: str) -> float | None:
    for pattern in (_RATE, _INTERVAL):
        match = pattern.search(line)
        quantity = _QUANTITY.search(match["rest"]) if match else None
        if match is None or quantity is None:
            continue
        bracketed = _BRACKETED.search(match["rest"])
        unit = quantity["unit"] or (bracketed["unit"] if bracketed else match["unit"] or "")
        number = _number(quantity, decimal_mark)
        try:
            if pattern is _RATE and not unit and float(number) < _MIN_BARE_HZ:
                raise _TwoReadingsError(f"the sample rate '{number[:20]}' has no unit")
            if pattern is _RATE:
                rate = parse_rate(number + unit)
            else:
                multiple, exponent = size_of_unit(parse_time_unit(unit or "s"))
                step_ps = Decimal(number) * multiple * 10**exponent
                rate = parse_rate(float(Decimal(10**12) / step_ps))
            if match["bare"] is None or rate >= _LEAST_BARE_HZ:
                return rate
        except (HintError, ArithmeticError):
            continue  # a remark that is no rate after all states nothing
    return None


def _unit_in(line: str) -> str | None:
    match = _UNIT.search(line)
    if match is None:
        return None
    word = match["rest"].strip(" \t:=,;\"'()[]|")
    try:
        return parse_time_unit(word)
    except HintError:
        return None


_NO_KEY: Final = re.compile(r"Unnamed: \d+|[hmsHMS:.fF]+")
_MIN_BARE_HZ: Final = 1000
"""A rate without a unit below this may be in kilohertz or megahertz."""


def states_something(line: str) -> bool:
    """Whether a line above a table is a remark by what it says: a rate, a unit, a key."""
    cells = re.split(r"[,;\t|]", line)
    try:
        stated = _rate_in(line, ".") is not None
    except _TwoReadingsError:
        stated = True
    first = cells[0].strip().strip('"')
    is_key = first.endswith((":", "=")) or re.search(r"\w\s*[:=]\s*\S", first)
    is_key = is_key and not _NO_KEY.fullmatch(first)
    return stated or _unit_in(line) is not None or _LIMIT.search(line) is not None or bool(is_key)


def is_remark(line: str, cells: list[str], width: int) -> bool:
    """Whether a line among the rows is a comment or a drawn rule, and not a row behind a mark.

    Examples
    --------
    >>> is_remark("# stick moved", ["# stick moved"], 3)
    True
    >>> is_remark("#0.5,1,0", ["#0.5", "1", "0"], 3), is_remark("# a, b, c", ["# a", "b", "c"], 3)
    (False, True)
    >>> is_remark(";0.5;1", ["", "0.5", "1"], 2), is_remark("; moved", ["", "moved"], 3)
    (False, True)
    """
    if is_rule(line):
        return True
    match = COMMENT.match(line)
    if match is None:
        return False
    if len(cells) != width:
        # A mark that also parts the cells begins a remark only if words follow.
        return bool(cells[0]) or all(kind_of(cell) in ("text", "empty") for cell in cells)
    bare = [clean(line[match.end() :])] if width == 1 else cells[1:]
    holds_data = any(kind_of(cell) not in ("text", "empty") for cell in bare)
    return _CLEAR_COMMENT.match(line) is not None and not holds_data and any(bare)


def is_footer(cells: list[str], width: int) -> bool:
    """Whether a line may stand below a table: words in fewer or more cells, or in the first only.

    Examples
    --------
    >>> is_footer(["End of data"], 3), is_footer(["Total samples", "", ""], 3)
    (True, True)
    >>> is_footer(["2.5"], 3), is_footer(["soon", "1", "0"], 3)
    (False, False)
    """
    if kind_of(cells[0]) != "text" or not any(letter.isalpha() for letter in cells[0]):
        return bool(cells[0]) and not cells[0].strip("-=*_~ ") and len(cells) != width
    return len(cells) != width or (width > 1 and len(cells[0]) > 1 and not any(cells[1:]))


_RULE: Final = re.compile(
    r"[\s|+:=_-]*(?:---|===|___)[\s|+:=_-]*|[\s|:]*-[\s|:-]*\|[\s|:-]*-[\s|:-]*"
)
"""A line drawn between the rows of a table."""


def is_rule(line: str) -> bool:
    """Whether a line is drawn around the header or between the rows of a table.

    Examples
    --------
    >>> is_rule("+------+-----+"), is_rule("|---|:-:|"), is_rule("-1,-1"), is_rule("| - | 1 |")
    (True, True, False, False)
    """
    return _RULE.fullmatch(line) is not None


@dataclass(slots=True)
class Sweeper:
    """Blanks the lines of a table that are no rows, so that all others keep their number."""

    width: int  # Cells of a row
    begin: int  # Index of the first row's line; what stands above is kept
    left_out: int = 0  # Remarks blanked so far

    def swept(self, lines: Iterable[tuple[str, list[str]]]) -> Iterator[str]:
        """Pass lines on, each given with its cells; those that are no rows are empty."""
        held: list[str] = []
        for number, (line, cells) in enumerate(lines):
            if number < self.begin:
                yield line
            elif not line.strip():
                held.append("")
            elif is_remark(line, cells, self.width):
                self.left_out += 1
                held.append("")
            elif is_footer(cells, self.width):
                held.append(line)
            else:
                # What looked like the end of the table stands between its rows after all.
                yield from held
                held = []
                yield line
        self.left_out += sum(1 for line in held if line)
        yield from [""] * len(held)
