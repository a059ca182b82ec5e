"""How a text table is written: its cells, remarks, delimiter, decimal comma and header."""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from pwmscope.capture.reader.units import (
    EXPONENT_OF_UNIT,
    is_sample_number,
    is_unit,
    parse_rate,
    parse_time_unit,
    time_unit_in,
)
from pwmscope.errors import CaptureError, HintError

CellKind: TypeAlias = Literal[
    "empty", "digit", "level number", "word", "hex", "binary", "integer", "decimal", "stamp", "text"
]

LOW_WORDS: Final = ("l", "low", "false", "off")
HIGH_WORDS: Final = ("h", "high", "true", "on")

_NUMBER: Final = re.compile(r"[+-]?(\d+[.,]?\d*|[.,]\d+)([eE][+-]?\d{1,3})?")
_INTEGER: Final = re.compile(r"[+-]?\d+")
_HEX: Final = re.compile(r"0[xX][0-9a-fA-F]+|[0-9][0-9a-fA-F]*[hH]")
_BINARY: Final = re.compile(r"0[bB][01]+|[01]+[bB]")
STAMP: Final = re.compile(
    r"(?:(?P<date>\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4})[T ])?"
    r"(?P<clock>\d{1,2}:\d{2}:\d{2})(?:[.,](?P<fraction>\d{1,12}))?"
    r"(?P<zone>Z|[+-]\d{2}:?\d{2})?"
)
"""A date and time of day (ISO 8601 and common practice), or a time of day alone."""


def kind_of(cell: str) -> CellKind:
    """Tell what one cell holds, taken by itself.

    A comma counts as a decimal point here; the caller knows whether commas
    separate cells.

    Examples
    --------
    >>> [kind_of(cell) for cell in ("1", "1.0", "High", "0x1F", "1Fh", "0b01", "12", "-0,5")]
    ['digit', 'level number', 'word', 'hex', 'hex', 'binary', 'integer', 'decimal']
    >>> kind_of("2031-05-06T07:08:09.25Z"), kind_of("RX1"), kind_of("")
    ('stamp', 'text', 'empty')
    """
    if _NUMBER.fullmatch(cell):
        return _kind_of_number(cell)
    if cell.lower() in LOW_WORDS or cell.lower() in HIGH_WORDS:
        return "word"
    for kind, pattern in _PATTERNS:
        if pattern.fullmatch(cell):
            return kind
    return "text" if cell else "empty"


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
_LEVELS: Final = ("digit", "level number", "word")


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
    """
    counts: Counter[CellKind] = Counter()
    for cell, times in Counter(cells).items():
        counts[kind_of(cell)] += times
    counts.pop("empty", None)
    if not counts:
        return "empty"
    odd = counts.pop("text", 0)
    if odd >= sum(counts.values()):
        return "text"
    for kind in ("stamp", "hex", "binary", "word"):
        if _dominates(kind, counts):
            return kind
    if "decimal" not in counts and _is_packed({cell for cell in cells if cell}):
        return "binary"
    by_rank: tuple[CellKind, ...] = ("decimal", "integer", "level number")
    return next((kind for kind in by_rank if kind in counts), "digit")


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
    }
    within = sum(count for other, count in counts.items() if other in allies.get(kind, {kind}))
    return kind in counts and within * 2 > sum(counts.values())


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
    """What the remarks above a table state."""

    rate_hz: float | None = None  # Samples per second
    time_unit: str | None = None  # Unit of the time column


def read_preamble(lines: tuple[str, ...]) -> Stated:
    """Find the sample rate and the unit of time in the remarks above a table.

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


SPACES: Final = " "
_DELIMITERS: Final = ("\t", ";", ",", SPACES)
_SAY: Final = {",": "commas", ";": "semicolons", "\t": "tabs", SPACES: "spaces"}
_COMMENT: Final = re.compile(r"\s*(#|//|;|%|--|')\s*")
_BODY_LINES: Final = 200


@dataclass(frozen=True, slots=True)
class Dialect:
    """How the rows of a text table are written."""

    delimiter: str  # One character between cells; a space stands for any run of spaces
    decimal_comma: bool  # Whether numbers carry a comma before their decimals
    skip_lines: int  # Lines before the first row of data
    preamble: tuple[str, ...]  # The lines before the header that are not blank
    headings: tuple[str, ...] | None  # The header's cells; None where there is no header
    # The cells of a row of units below the header, where there is one
    units: tuple[str, ...] | None
    rows: list[list[str]]  # The first rows of data, cells stripped of spaces and quotes
    is_quoted: bool = False  # Whether there are quotes, in pairs, among the first rows of data

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What was assumed, each a plain sentence."""
        said = [f"Cells are separated by {_SAY[self.delimiter]}."]
        if self.decimal_comma:
            said.append("Numbers are written with a decimal comma.")
        if self.preamble:
            count = len(self.preamble)
            lines = "line stands" if count == 1 else "lines stand"
            said.append(f"{count} {lines} before the table and were read as remarks.")
        if self.headings is None:
            said.append("There is no header row, so columns are named by their position.")
        return tuple(said)


def find_dialect(head: str, source: str) -> Dialect:
    r"""Decide from the head of a file how its rows are written.

    The rows are the lines that look most alike: as many cells, numbers and
    levels in the same places. The line before the first of them is the header
    if it has as many cells; all lines above are remarks, whatever they begin with.

    Examples
    --------
    >>> dialect = find_dialect("Sample rate: 1 MHz\n\nt;RX1\n0,5;0\n0,6;1\n", "a.csv")
    >>> dialect.delimiter, dialect.decimal_comma, dialect.skip_lines, dialect.headings
    (';', True, 3, ('t', 'RX1'))
    """
    lines = [line.rstrip("\r") for line in head.split("\n")]
    plain = [i for i, line in enumerate(lines) if line.strip() and not _COMMENT.match(line)]
    if not plain:
        raise CaptureError(
            source, "only comments or blank lines found", "export the recording again, as CSV"
        )
    body = [lines[i] for i in plain[-_BODY_LINES:]]
    delimiter = max(_DELIMITERS, key=lambda delimiter: _score(body, delimiter))
    usual = _usual_shape([_shape(cells) for cells in _split_all(body, delimiter)])
    first = None
    if usual is not None:
        shapes = ((i, _shape(split(lines[i], delimiter))) for i in plain)
        first = next((i for i, shape in shapes if _fits(shape, usual)), None)
    if first is None:
        return _without_rows(lines, plain, source)
    header, units = _find_header(lines, first, delimiter)
    rows = _split_all([lines[i] for i in plain if i >= first], delimiter)
    above = [line for line in lines[: first if header is None else header] if line.strip()]
    return Dialect(
        delimiter,
        _has_decimal_comma(rows, delimiter),
        first,
        tuple(above),
        None if header is None else _headings(lines[header], delimiter),
        None if units is None else tuple(split(lines[units], delimiter)),
        rows,
        any(_has_pairs(lines[i]) for i in plain if i >= first),
    )


def _has_pairs(line: str) -> bool:
    quotes = line.count('"')
    return quotes > 0 and quotes % 2 == 0


def _without_rows(lines: list[str], plain: list[int], source: str) -> Dialect:
    """Take the first line for a header where no row looks like data."""
    first = plain[0]
    if len(plain) == 1:
        raise CaptureError(
            source,
            "a header but no rows of data",
            "export the recording again, with its samples",
            row=first + 1,
        )
    delimiter = max((",", ";", "\t"), key=lines[first].count)
    rows = [split(lines[i], delimiter) for i in plain[1:]]
    headings = tuple(split(lines[first], delimiter))
    return Dialect(delimiter, False, first + 1, (), headings, None, rows)


def split(line: str, delimiter: str) -> list[str]:
    """Split one line into cells, stripped of spaces and quotes.

    Examples
    --------
    >>> split('"RX 1", 0 ,1', ","), split("  0.5   1 0 ", " ")
    (['RX 1', '0', '1'], ['0.5', '1', '0'])
    """
    return _split_all([line], delimiter)[0]


def _split_all(lines: list[str], delimiter: str) -> list[list[str]]:
    """Split each line into cells, stripped of spaces and quotes."""
    if delimiter == SPACES:
        return [[cell.strip('"') for cell in line.split()] for line in lines]
    if any('"' in line or "\r" in line for line in lines):
        return [_split_quoted(line, delimiter) for line in lines]
    return [[cell.strip() for cell in line.split(delimiter)] for line in lines]


def _split_quoted(line: str, delimiter: str) -> list[str]:
    # A lone carriage return ends no line; csv would stumble over it.
    text = line.replace("\r", " ")
    parsed = next(csv.reader([text], delimiter=delimiter, skipinitialspace=True), [])
    return [cell.strip() for cell in parsed]


def _shape(cells: list[str]) -> str:
    """Write a letter per cell: ``d`` for data, ``t`` for text, ``_`` for nothing."""
    letters = {"text": "t", "empty": "_"}
    return "".join(letters.get(kind_of(cell), "d") for cell in cells)


def _fits(shape: str, usual: str) -> bool:
    return len(shape) == len(usual) and all(
        a in (b, "_") for a, b in zip(shape, usual, strict=True)
    )


def _usual_shape(shapes: list[str]) -> str | None:
    """Find the commonest shape that carries data."""
    counts = Counter(shape for shape in shapes if "d" in shape)
    return max(counts, key=lambda shape: (counts[shape], len(shape))) if counts else None


def _score(body: list[str], delimiter: str) -> tuple[int, int]:
    """Rank a delimiter: rows of nothing but data first, then cells of data in all rows."""
    shapes = [_shape(cells) for cells in _split_all(body, delimiter)]
    usual = _usual_shape([shape for shape in shapes if len(shape) > 1])
    if usual is None:
        return 0, 0
    alike = sum(_fits(shape, usual) for shape in shapes)
    return (alike if "t" not in usual else 0), alike * usual.count("d")


def _has_decimal_comma(rows: list[list[str]], delimiter: str) -> bool:
    if delimiter == ",":
        return False
    cells = [c for row in rows[:_BODY_LINES] for c in row if kind_of(c) in _FRACTIONS]
    return any("," in c for c in cells) and not any("." in c for c in cells)


_FRACTIONS: Final = ("decimal", "level number")


def _find_header(lines: list[str], first: int, delimiter: str) -> tuple[int | None, int | None]:
    """Find the header's line and the line of units, if any, above the first row."""
    above = [i for i in range(first) if lines[i].strip()]
    width = len(split(lines[first], delimiter))
    if not above or not _is_header(lines[above[-1]], delimiter, width):
        return None, None
    cells = split(lines[above[-1]], delimiter)
    if all(not cell or is_unit(cell.strip("()[]")) for cell in cells) and len(above) > 1:
        names = above[-2]
        if _is_header(lines[names], delimiter, width):
            return names, above[-1]
    return above[-1], None


def _is_header(line: str, delimiter: str, width: int) -> bool:
    headings = _headings(line, delimiter)
    # A delimiter after the last cell of each row makes one column more than headings.
    if len(headings) not in (width, width - 1) or not any(headings) or width == 0:
        return False
    if _COMMENT.match(line):
        is_clock = [time_unit_in(cell)[0] or is_sample_number(cell) for cell in headings]
        return any(is_clock) and len(headings) == width
    return len(headings) == width or width > 2


def _headings(line: str, delimiter: str) -> tuple[str, ...]:
    comment = _COMMENT.match(line)
    return tuple(split(line[comment.end() :] if comment else line, delimiter))
