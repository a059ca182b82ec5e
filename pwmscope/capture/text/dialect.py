"""How a text table is written: its delimiter, decimal comma, header, units and first row."""

from __future__ import annotations

import csv
import functools
import re
from collections import Counter
from dataclasses import dataclass
from typing import Final

from pwmscope.capture.reader.hints import is_sample_number, is_unit, time_unit_in
from pwmscope.capture.text.cells import (
    COMMENT,
    DATE,
    MINUS_SIGNS,
    clean,
    is_footer,
    is_grouped,
    is_remark,
    is_rule,
    kind_of,
    may_be_thousands,
    states_something,
    unit_of,
)
from pwmscope.errors import CaptureError

SPACES: Final = " "
_DELIMITERS: Final = ("\t", ";", ",", "|", SPACES)
_SAY: Final = {
    ",": "commas", ";": "semicolons", "\t": "tabs", "|": "vertical bars", SPACES: "spaces",
}  # fmt: skip
_BODY_LINES: Final = 200
MAX_COLUMNS: Final = 4096
"""Columns that are looked at to find the 64 lines to keep."""
_NEARLY_ALL: Final = 0.8
_STATED_DELIMITER: Final = re.compile(r'"?sep=(?P<mark>[,;|]|\t)"?\s*', re.IGNORECASE)


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
    has_remarks: bool = False  # Whether lines that are no rows stand among or below the first rows
    is_loose: bool = False  # Whether cells carry spaces or typeset minus signs that must come off

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

    @property
    def decimal_mark(self) -> str:
        """What stands before decimals, where the table shows it."""
        if self.decimal_comma:
            return ","
        cells = (cell for row in self.rows[:_BODY_LINES] for cell in row)
        has_points = any("." in cell for cell in cells if kind_of(cell) in _FRACTIONS)
        return "." if has_points or self.delimiter == "," else ""


def find_dialect(head: str, source: str) -> Dialect:
    r"""Decide from the head of a file how its rows are written.

    The rows are the lines that look most alike: as many cells, numbers and
    levels in the same places. Above the first of them, the last line with as many
    cells that names a time, or holds nothing but words, is the header. All lines
    above it are remarks, whatever they begin with. A line between the header and
    the rows is a row of units, or a row that cannot be read.

    >>> dialect = find_dialect("Sample rate: 1 MHz\n\nt;RX1\n0,5;0\n0,6;1\n", "a.csv")
    >>> dialect.delimiter, dialect.decimal_comma, dialect.skip_lines, dialect.headings
    (';', True, 3, ('t', 'RX1'))
    """
    lines = [line.rstrip("\r") for line in head.split("\n")]
    stated = _STATED_DELIMITER.fullmatch(lines[0])
    if stated is not None:
        lines[0] = ""
    plain = [i for i, line in enumerate(lines) if line.strip() and not COMMENT.match(line)]
    if not plain:
        raise CaptureError(
            source, "only comments or blank lines found", "export the recording again, as CSV"
        )
    body = [lines[i] for i in plain[-_BODY_LINES:]]
    delimiter = stated["mark"] if stated else _best_delimiter(body)
    usual = _usual_shape([_shape(cells) for cells in _split_all(body, delimiter)])
    first = None
    if usual is not None:
        shapes = ((i, _shape(split(lines[i], delimiter))) for i in plain)
        first = next((i for i, shape in shapes if "d" in shape and _fits(shape, usual)), None)
    if first is None or usual is None:
        return _without_rows(lines, plain, source)
    _join_headings(lines, first, delimiter, len(usual))
    found = _find_header(lines, first, delimiter, len(usual), source)
    return _described(lines, delimiter, found, len(usual))


def _best_delimiter(body: list[str]) -> str:
    rows = [line for line in body if not is_rule(line)]
    # Spaces beside a mark that nearly every row has as often stand round cells or within them.
    counts = [Counter(row.count(mark) for row in rows) for mark in ("\t", ";", "|", ", ", " ,")]
    usual = [max((times for n, times in count.items() if n), default=0) for count in counts]
    candidates = _DELIMITERS[:-1] if max(usual) > _NEARLY_ALL * len(rows) else _DELIMITERS
    scores = {delimiter: _score(body, delimiter) for delimiter in candidates}
    best = max(candidates, key=scores.__getitem__)
    return best if any(scores[best]) else max(_DELIMITERS, key=lambda d: _score(body, d))


def _described(
    lines: list[str], delimiter: str, found: tuple[int | None, int | None, int], width: int
) -> Dialect:
    header, units, first = found
    filled = [line for line in lines[first:] if line.strip()]
    below = list(zip(filled, _split_all(filled, delimiter), strict=True))
    width = max(width, len(below[0][1]))
    rows = [cells for line, cells in below if not is_remark(line, cells, width)]
    has_remarks = len(rows) < len(below) or any(
        tight(line, delimiter) != line for line in filled if '"' in line
    )
    while len(rows) > 1 and is_footer(rows[-1], width):
        rows.pop()
        has_remarks = True
    above = [line for line in lines[: first if header is None else header] if line.strip()]
    above = [line for line in above if not is_rule(line)]
    headings = None if header is None else _headings(lines[header], delimiter, width)
    return Dialect(
        delimiter,
        _has_decimal_comma(rows, delimiter),
        first,
        tuple(above),
        headings,
        None if units is None else tuple(split(lines[units], delimiter)),
        rows,
        any(_has_pairs(line) for line in filled if '"' in line),
        has_remarks,
        delimiter != SPACES and _is_loose("\n".join(filled[:-1] or filled), delimiter),
    )


def _is_loose(rows: str, delimiter: str) -> bool:
    """Whether the cells of some rows need more than cutting at the delimiter."""
    blanks = " " if delimiter == "\t" else " \t"
    beside = [f" {delimiter}", f"{delimiter} ", f"\t{delimiter}"][: 1 + len(blanks)]
    ends = [f"\n{blank}" for blank in blanks] + [f"{blank}\n" for blank in blanks]
    return any(mark in f"\n{rows}\n" for mark in (*MINUS_SIGNS, *beside, *ends))


def tight(line: str, delimiter: str) -> str:
    """Write a row without blanks between its quotes and its delimiters or ends.

    >>> tight('"0" ; "hi" ;  "lo" ', ";")
    '"0";"hi";"lo"'
    """
    if '"' not in line or delimiter == SPACES:
        return line
    mark = _MARKS[delimiter]
    return re.sub(rf'(?<=")[ ]+(?={mark}|$)|(?:^|(?<={mark}))[ ]+(?=")', "", line)


_MARKS: Final = {mark: re.escape(mark) for mark in _DELIMITERS}


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

    >>> split('"RX 1", 0 ,1', ","), split("  0.5   1 0 ", " ")
    (['RX 1', '0', '1'], ['0.5', '1', '0'])
    """
    return _split_all([line], delimiter)[0]


def _split_all(lines: list[str], delimiter: str) -> list[list[str]]:
    """Split each line into cells, stripped of spaces and quotes."""
    if delimiter == SPACES:
        return [[clean(cell.strip('"')) for cell in line.split()] for line in lines]
    text = "\n".join(lines)
    plain = clean if any(sign in text for sign in MINUS_SIGNS) else str.strip
    if '"' not in text and "\r" not in text:
        return [list(map(plain, line.split(delimiter))) for line in lines]
    return [
        _split_quoted(line, delimiter)
        if '"' in line or "\r" in line
        else list(map(plain, line.split(delimiter)))
        for line in lines
    ]


def _split_quoted(line: str, delimiter: str) -> list[str]:
    # A lone carriage return ends no line; csv would stumble over it.
    text = line.replace("\r", " ")
    parsed = next(csv.reader([text], delimiter=delimiter, skipinitialspace=True), [])
    return [clean(cell) for cell in parsed] or [""]


def _shape(cells: list[str]) -> str:
    """Write a letter per cell: ``d`` for data, ``t`` for text, ``_`` for nothing."""
    return "".join(map(_letter, cells))


@functools.lru_cache(maxsize=1 << 12)
def _letter(cell: str) -> str:
    letters = {"text": "t", "empty": "_"}
    return "d" if is_grouped(cell) else letters.get(kind_of(cell), "d")


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
    if delimiter != SPACES and not any(delimiter in line for line in body):
        return 0, 0
    shapes = [_shape(cells) for cells in _split_all(body, delimiter)]
    usual = _usual_shape([shape for shape in shapes if len(shape) > 1])
    if usual is None:
        return 0, 0
    alike = sum(_fits(shape, usual) for shape in shapes)
    return (alike if "t" not in usual else 0), alike * usual.count("d")


def _has_decimal_comma(rows: list[list[str]], delimiter: str) -> bool:
    cells = [c for row in rows[:_BODY_LINES] for c in row if "," in c]
    if delimiter == ",":  # only quoted cells hold one
        decimals = [c for c in cells if kind_of(c) in _FRACTIONS]
        return bool(decimals) and not may_be_thousands(decimals, ",")
    points = any("." in c for row in rows[:_BODY_LINES] for c in row if kind_of(c) in _FRACTIONS)
    return any(kind_of(c) in _FRACTIONS or ("," in c and unit_of(c)) for c in cells) and not points


_FRACTIONS: Final = ("decimal", "level number")


def two_readings_of_commas(dialect: Dialect) -> bool:
    """Whether every number with a comma may have decimals or thousands behind it."""
    if not dialect.decimal_comma:
        return False
    cells = (c for row in dialect.rows for c in row if "," in c)
    numbers = [c for c in cells if kind_of(c) in _FRACTIONS]
    return bool(numbers) and may_be_thousands(numbers, ",")


def _find_header(
    lines: list[str], first: int, delimiter: str, width: int, source: str
) -> tuple[int | None, int | None, int]:
    """Find the header's line, the row of units below it, and the first line that is a row."""
    block: list[int] = []
    odd: list[int] = []  # rows with another number of cells, or none filled, below a header
    for i in range(first - 1, -1, -1):
        if not lines[i].strip() or is_rule(lines[i]):
            continue
        if _is_as_wide(lines[i], delimiter, width):
            is_named = _names_time(lines[i], delimiter)
            if not odd or (is_named and not _holds_data(split(lines[i], delimiter))):
                block.insert(0, i)
        elif not COMMENT.match(lines[i]):
            if len(odd) == _MAX_ODD_ROWS or not _is_odd_row(lines[i], delimiter):
                break
            odd.insert(0, i)
    exact = [i for i in block if len(_headings(lines[i], delimiter)) == width]
    if exact and exact[-1] == block[-1]:
        block = exact  # a shorter line above it is a remark
    data = {i for i in block if _holds_data(split(lines[i], delimiter))}
    timed = [i for i in block if _names_time(lines[i], delimiter)]
    if len(data.intersection(timed)) > 1:  # rows of a line called "T" or "N", no headers
        timed = [i for i in timed if i not in data]
    unmarked = [i for i in block if not COMMENT.match(lines[i]) or i in timed]
    _refuse_two_headers([i for i in timed if i not in data], source)
    header = timed[-1] if timed else _worded_header(lines, unmarked, delimiter, source)
    if header is None:
        _refuse_other_width(lines, first, delimiter, width, source)
        mixed = [i for i in unmarked if i in data and not states_something(lines[i])]
        return None, None, mixed[0] if mixed and width > 1 else first
    units, begin = None, next((i for i in odd if i > header), first)
    for i in (i for i in block if i > header):
        cells = split(lines[i], delimiter)
        if _are_units(cells):
            units = i
        elif not is_remark(lines[i], cells, width):
            begin = min(i, begin)  # neither header nor units: a row, refused by its place
            break
    return header, units, begin


_MAX_ODD_ROWS: Final = 2


def _is_odd_row(line: str, delimiter: str) -> bool:
    """Whether a line of another width than the rows may be a row with a fault."""
    cells = split(line, delimiter)
    return len(cells) > 1 and not states_something(line) and (not any(cells) or _holds_data(cells))


def _join_headings(lines: list[str], first: int, delimiter: str, width: int) -> None:
    """Write a header whose quoted names have line breaks in them into its last line."""
    for begin in range(first):
        if '"' not in lines[begin] or _has_pairs(lines[begin]):
            continue
        for end in range(begin + 1, first):
            whole = " ".join(lines[begin : end + 1])
            if _has_pairs(whole) and len(split(whole, delimiter)) == width:
                lines[begin : end + 1] = [""] * (end - begin) + [whole]
                return


def _is_as_wide(line: str, delimiter: str, width: int) -> bool:
    headings = _headings(line, delimiter, width)
    if len(headings) == width:
        return any(headings)
    # A delimiter after the last cell of each row makes one column more than headings.
    return width > 2 and len(headings) == width - 1 and all(headings)


def _holds_data(cells: list[str]) -> bool:
    kinds = (kind_of(cell) for cell in cells if not DATE.fullmatch(cell))
    return any(kind not in ("text", "empty", "word") for kind in kinds)


def _names_time(line: str, delimiter: str) -> bool:
    headings = _headings(line, delimiter)
    if states_something(line) and not _is_whole_heading(headings):
        return False
    named = [cell for cell in headings if time_unit_in(cell)[0] or is_sample_number(cell)]
    others = [cell for cell in headings if cell not in named]
    is_units = _are_units(list(headings))
    values = any(DATE.fullmatch(cell) or kind_of(cell) in ("stamp", "decimal") for cell in others)
    return bool(named) and not values and not (is_units and len(headings) > 1)


def _is_whole_heading(headings: tuple[str, ...]) -> bool:
    return len(headings) > 1 and time_unit_in(headings[0])[0]


def _worded_header(lines: list[str], block: list[int], delimiter: str, source: str) -> int | None:
    """Find the header among lines that name no time: the one that holds words alone."""
    worded = [
        i
        for i in block
        if not _holds_data(split(lines[i], delimiter)) and not states_something(lines[i])
    ]
    units = [i for i in worded if _are_units(split(lines[i], delimiter))]
    names = [i for i in worded if i not in units] or worded[-1:]
    if len(names) > 1 and len(split(lines[names[-1]], delimiter)) == 1:
        names = [i for i in names if " " not in lines[i].strip()] or names[-1:]
    _refuse_two_headers(names, source)
    return names[0] if names else None


def _refuse_two_headers(names: list[int], source: str) -> None:
    if len(names) > 1:
        raise CaptureError(
            source,
            f"rows {names[-2] + 1} and {names[-1] + 1} may both hold the names of the columns",
            "leave one of them, or mend the row that is none",
            row=names[-1] + 1,
        )


def _are_units(cells: list[str]) -> bool:
    stripped = [cell.strip("()[]{} ") for cell in cells]
    none = ("", "-", "1")
    return any(cell not in none for cell in stripped) and all(
        cell in none or is_unit(cell) for cell in stripped
    )


def _refuse_other_width(
    lines: list[str], first: int, delimiter: str, width: int, source: str
) -> None:
    """Refuse a table whose header has another number of cells than its rows."""
    above = [i for i in range(first) if lines[i].strip() and not is_rule(lines[i])]
    if not above:
        return
    headings = _headings(lines[above[-1]], delimiter)
    kinds = {kind_of(cell) for cell in headings if cell}
    are_data = kinds and not kinds & {"text", "word"} and not DATE.search(headings[0])
    if len(headings) > 1 and are_data:
        raise CaptureError(
            source,
            f"{len(headings)} cells found, and the rows below have {width}",
            "give all rows as many cells, or export the recording again",
            row=above[-1] + 1,
        )
    if width < 2:
        return
    is_named = any(time_unit_in(cell)[0] or is_sample_number(cell) for cell in headings)
    is_worded = not COMMENT.match(lines[above[-1]]) and not _holds_data(list(headings))
    has_count = (1 < len(headings) != width and delimiter != SPACES) or is_named
    if len(headings) > 1 and has_count and (is_named or is_worded):
        if states_something(lines[above[-1]]) and not is_named:
            return
        raise CaptureError(
            source,
            f"the header has {len(headings)} cells and the rows have {width}",
            "give the header and the rows as many cells, or export the recording again",
            row=above[-1] + 1,
        )


def _headings(line: str, delimiter: str, width: int = MAX_COLUMNS) -> tuple[str, ...]:
    """Names in a header, without what delimiters behind the last make of it beyond a width."""
    comment = COMMENT.match(line)
    is_cell = delimiter != SPACES and line.startswith("#" + delimiter)  # the sign for a number
    if comment and not is_cell and not (delimiter == ";" and comment[1] == ";"):
        line = line[comment.end() :]
    if delimiter == SPACES:  # a unit in brackets belongs to the name before it
        line = re.sub(r"(?<=\w) +(?=[(\[])", "", line)
    headings = split(line, delimiter)
    while len(headings) > width and not headings[-1]:
        del headings[-1]
    return tuple(headings)
