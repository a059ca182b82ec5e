"""The first table of a spreadsheet's workbook, as a text table."""

from __future__ import annotations

import csv
import datetime
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pwmscope.capture.reader.unpack import called, max_bytes, name_of, reading, too_large
from pwmscope.errors import CaptureError

if TYPE_CHECKING:
    from python_calamine import CalamineSheet

MAX_BYTES: Final = 2 << 30
"""A workbook's sheets may unpack to 2 GiB."""
_DIGITS: Final = 15
"""A spreadsheet keeps and shows 15 digits."""


@contextmanager
def first_table(path: Path) -> Iterator[Path]:
    """Write the first sheet that holds a table to a temporary text table."""
    source = name_of(path)
    with reading(path), zipfile.ZipFile(path) as archive:
        size = sum(member.file_size for member in archive.infolist())
    if size > max_bytes(MAX_BYTES):
        raise too_large(source, "the workbook holds", max_bytes(MAX_BYTES))
    with tempfile.TemporaryDirectory(prefix="pwmscope-") as folder:
        copy = Path(folder) / "table"
        _write(_sheet_with_table(path, source), copy)
        with called(copy, source):
            yield copy


def _sheet_with_table(path: Path, source: str) -> CalamineSheet:
    try:
        import python_calamine  # noqa: PLC0415
    except ImportError:
        raise CaptureError(
            source,
            "this is a workbook, and the package that reads them is not installed",
            "install pwmscope[xlsx], or save the recording as CSV",
        ) from None
    try:
        book = python_calamine.load_workbook(str(path))
        for name in book.sheet_names:
            sheet = book.get_sheet_by_name(name)
            if sheet.total_height > 1 and sheet.total_width > 0:
                return sheet
    except (python_calamine.CalamineError, OSError, ValueError):
        raise CaptureError(
            source, "the workbook is damaged", "save it again, or save the recording as CSV"
        ) from None
    raise CaptureError(source, "no sheet of the workbook holds a table", "save the recording again")


def _write(sheet: CalamineSheet, copy: Path) -> None:
    with copy.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n")
        for row in sheet.iter_rows():
            writer.writerow([_text(cell) for cell in row])


def _text(cell: Any) -> str:  # noqa: ANN401
    """Write a cell as a text table would: numbers to 15 digits, instants by ISO 8601."""
    if isinstance(cell, bool):
        return "1" if cell else "0"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else f"{cell:.{_DIGITS}g}"
    if isinstance(cell, datetime.datetime):
        return cell.isoformat(" ")
    if isinstance(cell, datetime.time):
        return cell.isoformat()
    if isinstance(cell, datetime.timedelta):
        return f"{cell.total_seconds():.6f}"
    return " ".join(str(cell).split())
