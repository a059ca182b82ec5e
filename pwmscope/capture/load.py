"""Open a recording, whatever shape of file it is in."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TypeAlias

from pwmscope.capture.columnar.edge_file import is_edge_file
from pwmscope.capture.columnar.table import PARQUET
from pwmscope.capture.reader.hints import Hints
from pwmscope.capture.reader.unpack import find_packing, read_head
from pwmscope.errors import require_type
from pwmscope.model.recording import Capture

Reader: TypeAlias = Callable[[Path, Hints], Capture]

_COLUMNAR = (b"PAR1", b"ARROW1", b"\xff\xff\xff\xff")
_DUMP_KEYWORDS = (b"$date", b"$version", b"$comment", b"$timescale", b"$scope", b"$var")
"""What a value change dump may begin with (IEEE Std 1364, clause 18)."""


def load(
    path: str | os.PathLike[str],
    *,
    rate: str | float | None = None,
    time_unit: str | None = None,
    time_column: str | None = None,
    lines: str | tuple[str, ...] | list[str] | None = None,
    threshold: float | None = None,
) -> Capture:
    r"""Read a recording.

    Parameters
    ----------
    path : str or path-like
        A text table, value change dump, Parquet or Arrow file. Text may be
        packed with gzip or Zstandard or be the one member of a zip file.
    rate : str or float, optional
        The analyser's sample rate, such as ``"1MHz"`` or ``1e6`` (hertz).
        Needed where the rows carry no time and the file does not state it.
    time_unit : str, optional
        Unit of the time column (``s, ms, us, ns, ps``) where its heading does
        not say it or is wrong.
    time_column : str, optional
        Name of the column that holds the time (``column1``, ``column2``, ...
        where there is no header).
    lines : str or sequence of str, optional
        The lines to read, in this order; a text is split at commas.
    threshold : float, optional
        Threshold between low and high of analogue columns, in their own unit.

    Returns
    -------
    Capture
        Named lines of edges in int64 picoseconds since the first row, and
        every assumption made on the way.

    Raises
    ------
    CaptureError
        If the file cannot be read, naming file, row, column and what to do.
    HintError
        If a hint is not understood, contradicts the file, or is needed.
    ArgumentError
        If an argument is of another type.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder, "two.csv")
    ...     _ = file.write_text("time_us,RX1\n0,0\n10,1\n1510,0\n20000,0\n")
    ...     capture = load(file)
    >>> capture.lines["RX1"].edges_ps
    array([  10000000, 1510000000])
    """
    require_type(
        "path", path, (str, os.PathLike), "the path of a file",
        "Data frames and open files go to pwmscope.analyse.",
    )  # fmt: skip
    hints = Hints.of(
        rate=rate, time_unit=time_unit, time_column=time_column, lines=lines, threshold=threshold
    )
    file = Path(path)
    return _choose_reader(file)(file, hints)


def _choose_reader(path: Path) -> Reader:
    r"""Choose the reader for a file by its first bytes; its name has no say.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder, "a")
    ...     _ = file.write_text("time_us,RX1\n0,0\n")
    ...     _choose_reader(file).__name__
    'read_table'
    """
    head = read_head(path, 4096)
    if head.startswith(_COLUMNAR):
        from pwmscope.capture.columnar import read_columnar  # noqa: PLC0415

        return read_columnar
    first_word = head.removeprefix(b"\xef\xbb\xbf").split(maxsplit=1)[:1]
    if first_word and first_word[0] in _DUMP_KEYWORDS:
        from pwmscope.capture.vcd import read_vcd  # noqa: PLC0415

        return read_vcd
    from pwmscope.capture.text import read_table  # noqa: PLC0415

    return read_table


_PACKED_WITH: Final = {"gzip": "gzip", "zstd": "Zstandard", "zip": "zip"}


@dataclass(frozen=True, slots=True)
class Kind:
    """What kind of file a recording is in.

    Parameters
    ----------
    words : str
        Such as ``text table, packed with gzip``.
    holds_edges : bool
        Whether it is an edge file of pwmscope's own, about which nothing is guessed.
    """

    words: str
    holds_edges: bool = False


def find_kind(path: Path) -> Kind:
    r"""Tell the kind of a file that `pwmscope.load` can read.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder, "a.csv")
    ...     _ = file.write_text("time_us,RX1\n0,0\n")
    ...     find_kind(file).words
    'text table'
    """
    reader = _choose_reader(path).__name__
    if reader == "read_columnar":
        is_parquet = read_head(path, len(PARQUET)) == PARQUET
        if is_parquet and is_edge_file(path):
            return Kind("edges that pwmscope convert kept, in Parquet", holds_edges=True)
        return Kind("Parquet table" if is_parquet else "Arrow table")
    words = "value change dump (IEEE Std 1364)" if reader == "read_vcd" else "text table"
    packing = find_packing(path)
    return Kind(words if packing == "plain" else f"{words}, packed with {_PACKED_WITH[packing]}")
