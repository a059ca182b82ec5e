"""What a cell or a column of cells holds, and what lines state that are no rows."""

from __future__ import annotations

import functools
import itertools
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final, Literal, TypeAlias

from pwmscope.capture.reader.hints import format_rate, parse_rate, parse_time_unit, size_of_unit
from pwmscope.errors import HintError

CellKind: TypeAlias = Literal[
    "empty", "digit", "level number", "word", "hex", "binary", "integer", "decimal", "quantity",
    "stamp", "text",
]  # fmt: skip

LOW_WORDS: Final = (
    "l", "low", "lo", "false", "f", "off", "no", "n", "fall", "falling", "falling edge",
    "down", "negedge", "neg", "negative", "↓",
)  # fmt: skip
HIGH_WORDS: Final = (
    "h", "high", "hi", "true", "t", "on", "yes", "y", "rise", "rising", "rising edge",
    "r", "up", "posedge", "pos", "positive", "↑",
)  # fmt: skip
MINUS_SIGNS: Final = "−–﹣－"
"""Signs that stand for a minus in typeset numbers; all become the plain one."""
_MAX_LETTERS: Final = 120
"""A cell longer than this is no number, level or time."""

_NUMBER: Final = re.compile(r"[+-]?(\d+[.,]?\d*|[.,]\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_INTEGER: Final = re.compile(r"[+-]?\d+", re.ASCII)
_HEX: Final = re.compile(r"0[xX][0-9a-fA-F]+|[0-9][0-9a-fA-F]*[hH]")
_BINARY: Final = re.compile(r"0[bB][01]+|[01]+[bB]")
_BARE_HEX: Final = re.compile(r"[0-9a-fA-F]{1,16}")
_QUANTITY: Final = re.compile(
    r"(?P<number>[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d{1,3})?)\s*(?P<unit>[a-zA-Zµμ]{1,12})",
    re.ASCII,
)
STAMP: Final = re.compile(
    r"(?:(?P<date>\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4})[T ])?"
    r"(?:(?P<clock>\d{1,2}:\d{2}:\d{2})|(?P<short>\d{1,3}:\d{2}(?=[.,]\d)))"
    r"(?:[.,](?P<fraction>\d{1,12}))?"
    r"(?: ?(?P<half>[AaPp]\.?[Mm]\.?))?(?P<zone>Z|[+-]\d{2}:?\d{2})?",
    re.ASCII,
)
"""A date and time of day (ISO 8601 and common practice), a time of day, or minutes and seconds."""
DATE: Final = re.compile(r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4}", re.ASCII)
HOUR_OR_MINUTE: Final = re.compile(r"\d{1,2}:\d{2}", re.ASCII)
"""Hours and minutes, or minutes and seconds: nobody can tell."""
VOLTS: Final = {"v": 0, "volt": 0, "volts": 0, "mv": -3, "uv": -6, "µv": -6, "kv": 3}
"""Power of ten of each unit of voltage."""
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
_STATED: Final = re.compile(
    r"(?P<number>\d{1,3}(?:(?P<mark>[ ,.'_\u00a0\u2009\u202f])\d{3}(?!\d))(?:(?P=mark)\d{3}(?!\d))*"
    r"(?:[.,]\d+)?|\d+(?:[.,]\d+)?(?:[eE][+-]?\d{1,3})?)"
    r"[\s,;\"'|)]*(?P<unit>[A-Za-zµμ/]*)"
)
_BRACKETED: Final = re.compile(r"[(\[]\s*(?P<unit>[A-Za-zµμ/]+)\s*[)\]]")
_SAME: Final = 1e-3


def clean(cell: str) -> str:
    """Take spaces off a cell, and write its minus sign plainly.

    Examples
    --------
    >>> clean(" −0.5 ")
    '-0.5'
    """
    cell = cell.strip()
    if cell[:1] in MINUS_SIGNS and cell[1:2] in "0123456789.,":
        return "-" + cell[1:] if cell else cell
    return cell


@functools.lru_cache(maxsize=1 << 14)
def kind_of(cell: str) -> CellKind:
    """Tell what one cell holds, taken by itself.

    A comma counts as a decimal point here; the caller knows whether commas
    separate cells.

    >>> [kind_of(cell) for cell in ("1", "1.0", "High", "0x1F", "1Fh", "0b01", "12", "-0,5")]
    ['digit', 'level number', 'word', 'hex', 'hex', 'binary', 'integer', 'decimal']
    >>> kind_of("2031-05-06T07:08:09.25Z"), kind_of("RX1"), kind_of(""), kind_of("50 us")
    ('stamp', 'text', 'empty', 'quantity')
    """
    if not cell:
        return "empty"
    if len(cell) > _MAX_LETTERS:
        return "text"
    if _NUMBER.fullmatch(cell):
        return _kind_of_number(cell)
    if cell.lower() in LOW_WORDS or cell.lower() in HIGH_WORDS:
        return "word"
    for kind, pattern in _PATTERNS:
        if pattern.fullmatch(cell):
            return kind
    return "quantity" if unit_of(cell) else "text"


def _kind_of_number(cell: str) -> CellKind:
    if cell in ("0", "1"):
        return "digit"
    if float(cell.replace(",", ".")) in (0.0, 1.0):
        return "level number"
    return "integer" if _INTEGER.fullmatch(cell) else "decimal"


_PATTERNS: Final[tuple[tuple[CellKind, re.Pattern[str]], ...]] = (
    ("hex", _HEX),
    ("binary", _BINARY),
    ("stamp", STAMP),
)
NUMERIC: Final = frozenset({"digit", "level number", "integer", "decimal"})
LEVELS: Final = ("digit", "level number", "word")


TIME_UNITS: Final = (
    "s", "sec", "ms", "msec", "us", "µs", "μs", "usec", "ns", "nsec", "ps", "min",
)  # fmt: skip
"""Units of time that a cell may carry."""


def unit_of(cell: str) -> str:
    """Find the unit that a quantity's cell ends with; empty where it is none.

    >>> unit_of("50 us"), unit_of("3.3V"), unit_of("RX1"), unit_of("3 apples")
    ('us', 'V', '', '')
    """
    match = _QUANTITY.fullmatch(cell) if len(cell) <= _MAX_LETTERS else None
    if match is None:
        return ""
    unit = match["unit"]
    return unit if unit.lower() in VOLTS or unit in TIME_UNITS else ""


def is_voltage_unit(unit: str) -> bool:
    """Whether a unit is one of voltage."""
    return unit.lower() in VOLTS


def number_of(cell: str) -> Decimal:
    """Read a cell that is a number, with a point or a comma before its decimals."""
    return Decimal(cell.replace(",", "."))


def in_one_unit(cells: list[str]) -> tuple[list[str], str] | None:
    """Write quantities as bare numbers of one unit: volts, or picoseconds where they are times.

    >>> in_one_unit(["950 ns", "1.5 us", "0 s"]), in_one_unit(["3.3 V", "40 mV"])
    ((['9.50E+5', '1.5E+6', '0E+12'], 'ps'), (['3.3', '0.040'], 'V'))
    """
    found = [(cell, _QUANTITY.fullmatch(cell)) for cell in cells]
    units = {match["unit"] for _, match in found if match is not None and unit_of(match[0])}
    if not units:
        return None
    if all(is_voltage_unit(unit) for unit in units):
        volts = [(c, m, VOLTS.get(m["unit"].lower()) if m else None) for c, m in found]
        return [c if m is None or e is None else _shifted(m, e) for c, m, e in volts], "V"
    if any(is_voltage_unit(unit) for unit in units):
        return None
    sizes = {unit: size_of_unit(parse_time_unit(unit)) for unit in units}
    if len(units) == 1:
        unit = parse_time_unit(next(iter(units)))
        return [c if m is None else m["number"] for c, m in found], unit
    return [
        c if m is None or m["unit"] not in sizes else _shifted(m, sizes[m["unit"]][1],
                                                               sizes[m["unit"]][0])
        for c, m in found
    ], "ps"  # fmt: skip


def _shifted(match: re.Match[str], exponent: int, multiple: int = 1) -> str:
    # Written with its exponent, so that the digits printed are still known.
    return str((number_of(match["number"]) * multiple).scaleb(exponent))


def kind_of_column(cells: list[str]) -> CellKind:
    """Tell what a column holds from its first cells.

    One odd cell in a column of levels or numbers does not change its kind:
    it is refused later, with its row.

    >>> kind_of_column(["0", "1", "1"]), kind_of_column(["0", "1.0"]), kind_of_column(["H", "L"])
    ('digit', 'level number', 'word')
    >>> kind_of_column(["0", "3", "1"]), kind_of_column(["0", "2.5"])
    ('integer', 'decimal')
    >>> kind_of_column(["0000", "0101"]), kind_of_column(["0x1F", "0x2E"])
    ('binary', 'hex')
    >>> kind_of_column(["0", "high?", "1"]), kind_of_column(["RX1", "RX2", "1"])
    ('digit', 'text')
    >>> kind_of_column(["00", "1A", "0b"])
    'hex'
    """
    counts: Counter[CellKind] = Counter()
    for cell, times in Counter(cells).items():
        counts[kind_of(cell)] += times
    counts.pop("empty", None)
    if not counts:
        return "empty"
    if _is_bare_hex({cell for cell in cells if cell}):
        return "hex"
    odd = counts.pop("text", 0)
    if odd >= sum(counts.values()):
        return "text"
    for kind in ("stamp", "hex", "binary", "word", "quantity"):
        if _dominates(kind, counts):
            return kind
    if "decimal" not in counts and _is_packed({cell for cell in cells if cell}):
        return "binary"
    by_rank: tuple[CellKind, ...] = ("decimal", "integer", "level number")
    return next((kind for kind in by_rank if kind in counts), "digit")


def _is_bare_hex(cells: set[str]) -> bool:
    """Whether all cells are equally many hexadecimal digits, some with letters and some without."""
    if len({len(cell) for cell in cells}) != 1 or len(next(iter(cells))) < 2:
        return False
    if not all(_BARE_HEX.fullmatch(cell) for cell in cells):
        return False
    letters = [any(c in "abcdefABCDEF" for c in cell) for cell in cells]
    # 1e5 is a number, and 01b may be binary.
    others = any(kind_of(cell) == "text" for cell in cells)
    return any(letters) and not all(letters) and others


def are_hex_digits(cells: list[str]) -> bool:
    """Whether all cells may be read as hexadecimal digits."""
    return all(_BARE_HEX.fullmatch(cell) or _HEX.fullmatch(cell) for cell in cells if cell)


def are_binary_digits(cells: list[str]) -> bool:
    """Whether all cells may be read as binary digits."""
    return all(set(cell) <= {"0", "1"} or _BINARY.fullmatch(cell) for cell in cells if cell)


def _is_packed(cells: set[str]) -> bool:
    """Whether all cells are equally many binary digits, some of them with a leading zero."""
    widths = {len(cell) for cell in cells}
    digits = all(set(cell) <= {"0", "1"} for cell in cells)
    return digits and len(widths) == 1 and max(widths) > 1 and any(c[0] == "0" for c in cells)


def _dominates(kind: CellKind, counts: Counter[CellKind]) -> bool:
    """Whether a column with some cells of this kind is of this kind."""
    allies: dict[str, frozenset[str]] = {
        "word": frozenset({"word", "digit", "level number"}),
        "hex": NUMERIC | {"hex", "binary"},
        "binary": NUMERIC | {"binary"},
        "quantity": NUMERIC | {"quantity"},
    }
    within = sum(count for other, count in counts.items() if other in allies.get(kind, {kind}))
    return kind in counts and within * 2 > sum(counts.values())


@dataclass(frozen=True, slots=True)
class Spelling:
    """A way to write numbers or stamps that parsers do not know, and how it becomes one they do."""

    what: str  # What it is called in a sentence
    whole: str  # Pattern of a cell that is written so; a cell that is not is wrong
    marks: str  # Pattern of what is replaced in it
    by: str  # What it is replaced by

    def is_so(self, cell: str) -> bool:
        """Whether a cell may be written so."""
        return re.fullmatch(self.whole, cell) is not None

    def fits(self, cells: Sequence[str], odd: float = 0.0) -> bool:
        """Whether all cells but a part of odd ones may be written so, and some are."""
        if re.search(self.marks, "\n".join(cells), re.MULTILINE) is None:
            return False
        others = (cell for cell in cells if not self.is_so(cell))
        return next(itertools.islice(others, int(odd * len(cells)), None), None) is None

    def plain(self, cell: str) -> str:
        """Write one cell as parsers know it.

        >>> [spelling.plain(cell) for spelling, cell in zip(SPELLINGS[:4], (
        ...     "1.2D-3", "20310506T070809.5Z", "07:08:09 UTC", "0 days 00:00:01.5"))]
        ['1.2e-3', '2031-05-06T07:08:09.5Z', '07:08:09Z', '00:00:01.5']
        """
        # Groups are written as polars does, with a dollar sign.
        if not self.is_so(cell):
            return cell
        return re.sub(self.marks, re.sub(r"\$\{(\d)\}", r"\\g<\1>", self.by), cell)


_SIGNED: Final = rf"[+{MINUS_SIGNS}-]?"
SPELLINGS: Final = (
    Spelling("a D before the exponent", rf"{_SIGNED}\d+\.?\d*[dD][+-]?\d{{1,3}}", "[dD]", "e"),
    Spelling(
        "dates and times of day without marks between", r"\d{8}T\d{6}([.,]\d{1,12})?Z?",
        r"^(\d{4})(\d\d)(\d\d)T(\d\d)(\d\d)(\d\d)", "${1}-${2}-${3}T${4}:${5}:${6}",
    ),
    Spelling("UTC behind the time of day", r".*\d ?(UTC|GMT)", " ?(UTC|GMT)$", "Z"),
    Spelling("days before the time", r"0 days \d\d:\d\d:\d\d(\.\d{1,12})?", "^0 days ", ""),
)  # fmt: skip
"""Spellings of which one cell shows that a column is written so."""


def _thousands(mark: str, name: str, point: str) -> Spelling:
    between = re.escape(mark)
    whole = rf"{_SIGNED}\d{{1,3}}({between}\d{{3}})*({point}\d+)?"
    return Spelling(f"thousands separated by {name}", whole, between, "")


_SURE_THOUSANDS: Final = tuple(
    _thousands(mark, name, "[.,]")
    for mark, name in (
        (" ", "spaces"), ("\u00a0", "spaces"), ("\u2009", "spaces"), ("\u202f", "spaces"),
        ("'", "apostrophes"), ("\u2019", "apostrophes"), ("_", "underscores"),
    )
)  # fmt: skip


_SURE_MARKS: Final = frozenset(" \u00a0\u2009\u202f'\u2019_")


def is_grouped(cell: str) -> bool:
    """Whether a cell is a number whose thousands spaces or the like separate."""
    return not _SURE_MARKS.isdisjoint(cell) and any(each.is_so(cell) for each in _SURE_THOUSANDS)


_DOUBTFUL_THOUSANDS: Final = (_thousands(",", "commas", r"\."), _thousands(".", "points", ","))
"""What may stand before decimals as well."""
_MAX_ODD: Final = 0.1
"""A few odd cells do not change how a column is spelled; each is refused later, by its row."""
_DECIMAL_COMMA: Final = Spelling("a decimal comma", rf"{_SIGNED}\d+,\d+", ",", ".")


THOUSANDS: Final = {",": _DOUBTFUL_THOUSANDS[0], ".": _DOUBTFUL_THOUSANDS[1]}
"""How numbers are spelled whose thousands a mark separates that may stand before decimals."""


def may_be_thousands(cells: Sequence[str], mark: str) -> bool:
    """Whether a mark in numbers may separate thousands: three digits follow, no 0 leads.

    >>> [may_be_thousands(cells, ".") for cells in (
    ...     ["0", "990", "1.000"], ["0.000", "1.000"], ["1.5"], ["990"])]
    [True, False, False, False]
    """
    group = rf"[+-]?(\d{{1,3}}|[1-9]\d{{0,2}}({re.escape(mark)}\d{{3}})+)"
    some = [cell for cell in cells if cell]
    return any(mark in cell for cell in some) and all(re.fullmatch(group, cell) for cell in some)


def find_spelling(cells: Sequence[str]) -> Spelling | None:
    """Find the one way in which a column's cells are written that parsers do not know.

    >>> [found.what if (found := find_spelling(cells)) else None for cells in (
    ...     ("0", "990", "1,000"), ("0", "1 234 567"), ("0.5", "1,000.5"), ("0.998", "1.000"))]
    ['thousands separated by commas', 'thousands separated by spaces', \
'thousands separated by commas', None]
    """
    some = [cell for cell in cells if cell]
    for spelling in (*SPELLINGS, *_SURE_THOUSANDS):
        if spelling.fits(some, _MAX_ODD):
            return spelling
    for spelling in _DOUBTFUL_THOUSANDS:
        if spelling.fits(some) and _shows_thousands(some, spelling):
            return spelling
    return None


def _shows_thousands(cells: list[str], spelling: Spelling) -> bool:
    """Whether a mark stands twice in a cell, or only so do the numbers never fall."""
    if any(len(re.findall(spelling.marks, cell)) > 1 for cell in cells):
        return True
    grouped = [number_of(spelling.plain(cell)) for cell in cells]
    if any(a > b for a, b in itertools.pairwise(grouped)):
        return False
    if any("." in cell and "," in cell for cell in cells):
        return True
    decimal = [number_of(cell) for cell in cells]
    return any(a > b for a, b in itertools.pairwise(decimal))


def comma_before_decimals(cells: Sequence[str]) -> Spelling | None:
    """Take a column for one with a decimal comma where its commas can be nothing else.

    >>> comma_before_decimals(["0,000000", "0,010490"]) is not None
    True
    >>> comma_before_decimals(["1,000", "1,200"])
    """
    some = [cell for cell in cells if cell]
    is_sure = not all(re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", cell) for cell in some)
    return _DECIMAL_COMMA if is_sure and some and _DECIMAL_COMMA.fits(some) else None


@dataclass(frozen=True, slots=True)
class Stated:
    """What the remarks above a table state."""

    rate_hz: float | None = None  # Samples per second
    time_unit: str | None = None  # Unit of the time column
    doubt: str = ""  # Why the rate cannot be taken from them, a clause; empty where it can


def read_preamble(lines: tuple[str, ...], decimal_mark: str = "") -> Stated:
    """Find the sample rate and the unit of time in the remarks above a table.

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
        quantity = _STATED.search(match["rest"]) if match else None
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
    """Whether a line may stand below a table: words in fewer or more cells, or in one part only.

    >>> is_footer(["End of data"], 3), is_footer(["Total samples", "", ""], 3)
    (True, True)
    >>> is_footer(["2.5"], 3), is_footer(["soon", "1", "0"], 3)
    (False, False)
    """
    if not cells[0] and any(cells):
        return all(kind_of(cell) in ("text", "empty") for cell in cells)
    if kind_of(cells[0]) != "text" or not any(letter.isalpha() for letter in cells[0]):
        return bool(cells[0]) and not cells[0].strip("-=*_~ ") and len(cells) != width
    return len(cells) != width or (width > 1 and len(cells[0]) > 1 and not any(cells[1:]))


_RULE: Final = re.compile(
    r"[\s|+:=_-]*(?:---|===|___)[\s|+:=_-]*|[\s|:]*-[\s|:-]*\|[\s|:-]*-[\s|:-]*"
)
"""A line drawn between the rows of a table."""


def is_rule(line: str) -> bool:
    """Whether a line is drawn around the header or between the rows of a table.

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
