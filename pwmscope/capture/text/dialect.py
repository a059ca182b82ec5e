"""How a text table is written: delimiter, decimal comma, lines before the rows, header."""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass
from typing import Final

from pwmscope.capture.text.cells import kind_of
from pwmscope.capture.units import is_sample_number, is_unit, time_unit_in
from pwmscope.errors import CaptureError

SPACES: Final = " "
_DELIMITERS: Final = ("\t", ";", ",", SPACES)
_SAY: Final = {",": "commas", ";": "semicolons", "\t": "tabs", SPACES: "spaces"}
_COMMENT: Final = re.compile(r"\s*(#|//|;|%|--|')\s*")
_BODY_LINES: Final = 200


@dataclass(frozen=True, slots=True)
class Dialect:
    """How the rows of a text table are written.

    Parameters
    ----------
    delimiter : str
        One character between cells; a space stands for any run of spaces.
    decimal_comma : bool
        Whether numbers carry a comma before their decimals.
    skip_lines : int
        Lines before the first row of data.
    preamble : tuple of str
        The lines before the header that are not blank.
    headings : tuple of str or None
        The header's cells; None where there is no header.
    units : tuple of str or None
        The cells of a row of units below the header, where there is one.
    rows : list of list of str
        The first rows of data, cells stripped of spaces and quotes.
    is_quoted : bool
        Whether there are quotes, in pairs, among the first rows of data.
    """

    delimiter: str
    decimal_comma: bool
    skip_lines: int
    preamble: tuple[str, ...]
    headings: tuple[str, ...] | None
    units: tuple[str, ...] | None
    rows: list[list[str]]
    is_quoted: bool = False

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

    Parameters
    ----------
    head : str
        The first lines of the file.
    source : str
        The file's name, for messages.

    Returns
    -------
    Dialect
        The decision.

    Raises
    ------
    CaptureError
        If there is nothing but remarks, or no row below the header.

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
    usual = _usual_shape([_shape(cells) for cells in split_all(body, delimiter)])
    first = None
    if usual is not None:
        shapes = ((i, _shape(split(lines[i], delimiter))) for i in plain)
        first = next((i for i, shape in shapes if _fits(shape, usual)), None)
    if first is None:
        return _without_rows(lines, plain, source)
    header, units = _find_header(lines, first, delimiter)
    rows = split_all([lines[i] for i in plain if i >= first], delimiter)
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
    return split_all([line], delimiter)[0]


def split_all(lines: list[str], delimiter: str) -> list[list[str]]:
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
    shapes = [_shape(cells) for cells in split_all(body, delimiter)]
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
