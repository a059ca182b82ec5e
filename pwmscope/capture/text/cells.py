"""What a cell or a column of cells holds: levels, numbers, quantities, buses, times of day."""

from __future__ import annotations

import functools
import itertools
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final, Literal, TypeAlias

from pwmscope.capture.reader.hints import parse_time_unit, size_of_unit

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

    Examples
    --------
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

    Examples
    --------
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

    Examples
    --------
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

    Examples
    --------
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

        Examples
        --------
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

    Examples
    --------
    >>> [may_be_thousands(cells, ".") for cells in (
    ...     ["0", "990", "1.000"], ["0.000", "1.000"], ["1.5"], ["990"])]
    [True, False, False, False]
    """
    group = rf"[+-]?(\d{{1,3}}|[1-9]\d{{0,2}}({re.escape(mark)}\d{{3}})+)"
    some = [cell for cell in cells if cell]
    return any(mark in cell for cell in some) and all(re.fullmatch(group, cell) for cell in some)


def find_spelling(cells: Sequence[str]) -> Spelling | None:
    """Find the one way in which a column's cells are written that parsers do not know.

    Examples
    --------
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

    Examples
    --------
    >>> comma_before_decimals(["0,000000", "0,010490"]) is not None
    True
    >>> comma_before_decimals(["1,000", "1,200"])
    """
    some = [cell for cell in cells if cell]
    is_sure = not all(re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", cell) for cell in some)
    return _DECIMAL_COMMA if is_sure and some and _DECIMAL_COMMA.fits(some) else None
