"""The bench sheet: one TOML file that says what is wired to what and what is expected."""

from __future__ import annotations

import os
from typing import Final

from pwmscope.bench.equipment import DEFAULT_STOP, BenchChannel, BenchSheet, Gap, Marker
from pwmscope.bench.toml_text import SheetError, read_toml_text

__all__ = [
    "DEFAULT_STOP",
    "BenchChannel",
    "BenchSheet",
    "Gap",
    "Marker",
    "SheetError",
    "load_sheet",
    "parse_sheet",
]

MAX_BYTES: Final = 256 * 1024


def load_sheet(path: str | os.PathLike[str]) -> BenchSheet:
    """Read a bench sheet.

    Parameters
    ----------
    path : str or path-like
        A TOML file; its keys are listed in docs/sheet.md.

    Returns
    -------
    BenchSheet

    Raises
    ------
    SheetError
        If it is not TOML, or a key is unknown, missing, contradicted by another
        or its value not allowed.
    PwmscopeError
        If the file cannot be read, or is no bench sheet by its size.

    Examples
    --------
    >>> sheet = load_sheet("captures/bench.toml")
    >>> sheet.robot, sheet.channels["RX3"].role
    ('Quince', 'weapon')
    """
    text = read_toml_text(
        path,
        "bench sheet",
        most_bytes=MAX_BYTES,
        otherwise="name the TOML file that describes the bench",
    )
    return parse_sheet(text, source=os.fspath(path))


def parse_sheet(text: str, *, source: str = "bench sheet") -> BenchSheet:
    """Read a bench sheet from its text.

    Parameters
    ----------
    text : str
        TOML.
    source : str
        The file's name, for messages.

    Returns
    -------
    BenchSheet

    Raises
    ------
    SheetError
        As `load_sheet`.
    """
    # The library that validates takes a tenth of a second to import; only sheets need it.
    from pwmscope.bench.sheet_reading import read_sheet  # noqa: PLC0415

    return read_sheet(text, source)
