"""How a text table is laid out: its delimiter, header, time column and level columns."""

from __future__ import annotations

import csv
import gzip
import re
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, cast

from pwmscope.capture.hints import Hints
from pwmscope.capture.units import time_unit_in
from pwmscope.errors import CaptureError

HEAD_BYTES = 65_536
MOST_LINES = 64
_DELIMITERS = (",", ";", "\t")
_NUMBER = re.compile(r"\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*")


@dataclass(frozen=True, slots=True)
class Layout:
    """How the rows of a text table are to be read.

    Parameters
    ----------
    delimiter : str
        One character between cells.
    skip_lines : int
        Lines before the first row of data (comments and header).
    columns : tuple of str
        Every column's name, in file order, unique.
    time_column : str or None
        The column that holds the time; None where the rows carry none.
    time_unit : str
        Unit of the time column: ``s``, ``ms``, ``us``, ``ns`` or ``ps``.
    time_decimals : int
        Most decimals printed in the time column's first rows.
    assumptions : tuple of str
        What was assumed, each a plain sentence.
    """

    delimiter: str
    skip_lines: int
    columns: tuple[str, ...]
    time_column: str | None
    time_unit: str
    time_decimals: int
    assumptions: tuple[str, ...]

    @property
    def level_columns(self) -> tuple[str, ...]:
        """The columns that hold levels, in file order."""
        return tuple(name for name in self.columns if name != self.time_column)


def open_bytes(path: Path) -> BinaryIO:
    """Open a plain or gzip file for reading its bytes unpacked."""
    with path.open("rb") as file:
        packed = file.read(2) == b"\x1f\x8b"
    return cast("BinaryIO", gzip.open(path)) if packed else path.open("rb")


def read_head(path: Path) -> str:
    """Read the first 64 KiB of a text file, whether plain or gzip.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    str
        Its first text, cut at the last whole line unless that is all there is.

    Raises
    ------
    CaptureError
        If it is missing, a folder, unreadable, empty, or not text.
    """
    source = str(path)
    try:
        with open_bytes(path) as file:
            head = file.read(HEAD_BYTES)
    except FileNotFoundError:
        raise CaptureError(source, "there is no such file", "check the name and folder") from None
    except IsADirectoryError:
        raise CaptureError(
            source, "this is a folder, expected a file", "name one recording inside it"
        ) from None
    except PermissionError:
        raise CaptureError(
            source, "the file may not be read", "give yourself read permission, or copy it"
        ) from None
    except (EOFError, zlib.error, gzip.BadGzipFile):
        raise CaptureError(
            source, "the gzip data are damaged or cut short", "export or copy the file again"
        ) from None
    except OSError as error:
        raise CaptureError(
            source, f"the file cannot be read ({error.strerror})", "check the disk or copy it"
        ) from None
    if not head:
        raise CaptureError(
            source, "the file is empty", "export the recording again, as CSV with digital levels"
        )
    return _text_of(head, source)


def _text_of(head: bytes, source: str) -> str:
    if b"\x00" in head:
        row = head[: head.index(b"\x00")].count(b"\n") + 1
        raise CaptureError(
            source,
            "zero bytes found, expected text",
            "this is not a CSV file, export the recording as CSV",
            row=row,
        )
    if len(head) == HEAD_BYTES and b"\n" in head:
        head = head[: head.rindex(b"\n") + 1]
    try:
        return head.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise CaptureError(
            source,
            f"byte 0x{head[error.start]:02x} is not UTF-8 text",
            "export the recording as CSV in UTF-8",
            row=head[: error.start].count(b"\n") + 1,
        ) from None


def find_layout(head: str, source: str, hints: Hints) -> Layout:
    r"""Decide from the head of a file how its rows are to be read.

    Parameters
    ----------
    head : str
        The first lines of the file.
    source : str
        The file's name, for messages.
    hints : Hints
        What the person said; a hint wins over the header.

    Returns
    -------
    Layout
        The decision, with every assumption as a sentence.

    Raises
    ------
    CaptureError
        If there is no data row, or it cannot be told which columns are levels.

    Examples
    --------
    >>> layout = find_layout("time_us,RX1\n0,0\n1.5,1\n", "a.csv", Hints())
    >>> layout.time_column, layout.time_unit, layout.level_columns
    ('time_us', 'us', ('RX1',))
    """
    lines = head.splitlines()
    first = next((i for i, line in enumerate(lines) if _carries_cells(line)), None)
    if first is None:
        raise CaptureError(
            source, "only comments or blank lines found", "export the recording again, as CSV"
        )
    delimiter = max(_DELIMITERS, key=lines[first].count)
    cells = _split(lines[first], delimiter)
    has_header = not all(_NUMBER.fullmatch(cell) for cell in cells)
    skip_lines = first + int(has_header)
    rows = [_split(line, delimiter) for line in lines[skip_lines:] if line.strip()]
    if not rows:
        raise CaptureError(
            source,
            "a header but no rows of data",
            "export the recording again, with its samples",
            row=first + 1,
        )
    names = _unique_names(cells) if has_header else _numbered_names(len(cells))
    said = [f"Cells are separated by {_SAY_DELIMITER[delimiter]}."]
    if not has_header:
        said.append("There is no header row, so columns are named by their position.")
    time_column = _find_time_column(names, rows, source, has_header=has_header, first=skip_lines)
    unit, unit_sentence = _time_unit(time_column, hints)
    said.append(unit_sentence)
    if len(names) - (time_column is not None) < 1:
        raise CaptureError(
            source,
            "no column of levels beside the time column",
            "export at least one digital line",
            row=first + 1,
        )
    if len(names) - (time_column is not None) > MOST_LINES:
        raise CaptureError(
            source,
            f"{len(names)} columns, at most {MOST_LINES} lines are read",
            "export fewer lines",
            row=first + 1,
        )
    decimals = 0
    if time_column is not None:
        position = names.index(time_column)
        decimals = max(_decimals(row[position]) for row in rows if position < len(row))
    return Layout(delimiter, skip_lines, tuple(names), time_column, unit, decimals, tuple(said))


_SAY_DELIMITER = {",": "commas", ";": "semicolons", "\t": "tabs"}


def _carries_cells(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _split(line: str, delimiter: str) -> list[str]:
    return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter))]


def _numbered_names(count: int) -> list[str]:
    return [f"column{i + 1}" for i in range(count)]


def _unique_names(cells: list[str]) -> list[str]:
    names: list[str] = []
    for i, cell in enumerate(cells):
        name = cell or f"column{i + 1}"
        while name in names:
            name += "'"
        names.append(name)
    return names


def _decimals(cell: str) -> int:
    mantissa, _, exponent = cell.strip().lower().partition("e")
    try:
        return max(0, len(mantissa.partition(".")[2]) - int(exponent or 0))
    except ValueError:
        return 0


def _find_time_column(
    names: list[str], rows: list[list[str]], source: str, *, has_header: bool, first: int
) -> str | None:
    timed = [name for name in names if time_unit_in(name)[0]] if has_header else []
    if len(timed) > 1:
        raise CaptureError(
            source,
            f"two columns are headed as time ({timed[0]} and {timed[1]})",
            "keep one of them in the file",
            row=first,
        )
    if timed:
        return timed[0]
    level_words = {"0", "1", ""}
    other = [
        name
        for i, name in enumerate(names)
        if any(i < len(row) and row[i] not in level_words for row in rows)
    ]
    numeric = [
        name
        for name in other
        if all(
            _NUMBER.fullmatch(row[names.index(name)])
            for row in rows
            if names.index(name) < len(row)
        )
    ]
    if not other:
        return None
    if len(numeric) == 1 and numeric[0] == names[0]:
        return numeric[0]
    position = names.index(other[0])
    row, cell = next(
        (i, row[position])
        for i, row in enumerate(rows)
        if position < len(row) and row[position] not in level_words
    )
    raise CaptureError(
        source,
        f"the level is '{cell}', expected 0 or 1",
        "head the time column with a name such as time_s, and export lines as digital levels",
        row=first + row + 1,
        column=other[0],
    )


def _time_unit(time_column: str | None, hints: Hints) -> tuple[str, str]:
    if time_column is None:
        return "s", "The rows carry no time; they are samples at even intervals."
    headed = time_unit_in(time_column)[1]
    if hints.time_unit is not None:
        return hints.time_unit, f"Column '{time_column}' is time in {hints.time_unit}, as you said."
    if headed is not None:
        return headed, f"Column '{time_column}' is time in {headed}, as its heading says."
    return "s", f"Column '{time_column}' is taken as time in seconds; no unit is stated."
