"""What a recording may come from: a file, an open file, a data frame, a capture."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, Final, TypeAlias, cast

import numpy as np

from pwmscope.capture import Capture, Hints, load, time_unit_in
from pwmscope.errors import ArgumentError, PwmscopeError, format_given, require_type

if TYPE_CHECKING:
    import pandas as pd
    import polars as pl

    Source: TypeAlias = (
        str | os.PathLike[str] | BinaryIO | pd.DataFrame | pl.DataFrame | pl.LazyFrame | Capture
    )

TAKEN: Final = "a file's path, an open binary file, a data frame or a Capture"
HINTS: Final = ("rate", "time_unit", "time_column", "lines", "threshold", "keep", "max_gib")
"""The keywords of `pwmscope.load`."""
FRAME: Final = "the data frame"
_CHUNK: Final = 1 << 20


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording that was read, and the file it came from.

    Parameters
    ----------
    capture : Capture
        The recording.
    file : Path or None
        None where it came from no file.
    """

    capture: Capture
    file: Path | None


def check_hints(hints: object) -> dict[str, Any]:
    """Take hints that `pwmscope.load` knows.

    Examples
    --------
    >>> check_hints({"rate": "1MHz"})
    {'rate': '1MHz'}
    """
    expected = f"a mapping with any of the keys {', '.join(HINTS)}"
    if hints is None:
        return {}
    require_type("hints", hints, Mapping, expected)
    assert isinstance(hints, Mapping)  # just seen
    for key in hints:
        if key not in HINTS:
            raise ArgumentError("hints", f"a mapping with the key {key!r}", expected)
    Hints.of(**hints)
    return dict(hints)


def read_source(source: Source, hints: Mapping[str, Any]) -> Recording:
    """Read a recording, whatever it comes from."""
    if isinstance(source, Capture):
        return Recording(source, None)
    if isinstance(source, str | os.PathLike):
        return Recording(load(source, **hints), Path(source))
    polars, pandas = sys.modules.get("polars"), sys.modules.get("pandas")
    if polars is not None and isinstance(source, polars.LazyFrame):
        source = source.collect()
    if polars is not None and isinstance(source, polars.DataFrame):
        return Recording(_read_frame(source, hints), None)
    if pandas is not None and isinstance(source, pandas.DataFrame):
        return Recording(_read_frame(_from_pandas(source), hints), None)
    if not callable(getattr(source, "read", None)):
        raise ArgumentError("source", format_given(source), TAKEN)
    return Recording(_read_open(cast("BinaryIO", source), hints), None)


def _read_open(file: BinaryIO, hints: Mapping[str, Any]) -> Capture:
    """Read an open file from where it stands to its end, under its own name."""
    name = str(getattr(file, "name", "the open file"))
    with tempfile.TemporaryDirectory(prefix="pwmscope-") as folder:
        copy = Path(folder, "recording")
        try:
            with copy.open("wb") as out:
                while chunk := file.read(_CHUNK):
                    if not isinstance(chunk, bytes | bytearray | memoryview):
                        raise ArgumentError(
                            "source", "a file open for text", TAKEN, "Open it with mode 'rb'."
                        )
                    out.write(chunk)
        except (OSError, ValueError) as error:
            raise ArgumentError("source", f"a file that cannot be read ({error})", TAKEN) from None
        try:
            capture = load(copy, **hints)
        except PwmscopeError as error:
            error.args = (str(error).replace(str(copy), name),)
            raise
    said = tuple(sentence.replace(str(copy), name) for sentence in capture.assumptions)
    return replace(capture, source=name, assumptions=said)


def _read_frame(frame: pl.DataFrame, hints: Mapping[str, Any]) -> Capture:
    from pwmscope.capture.columnar import read_frame  # noqa: PLC0415 - polars is slow to import

    if not frame.width or not frame.height:
        raise ArgumentError(
            "source", f"a data frame of {frame.height} rows and {frame.width} columns",
            "a column per line and a row per sample or change",
        )  # fmt: skip
    asked = Hints.of(**hints)
    if asked.rate_hz is None and asked.time_column is None and not _may_have_time(frame):
        raise ArgumentError(
            "source", f"a data frame without a time column ({', '.join(frame.columns)})",
            "a column such as time_s or time_us",
            "Without one, give the sample rate: hints={'rate': '1MHz'}.",
        )  # fmt: skip
    return read_frame(frame, asked, FRAME)


def _may_have_time(frame: pl.DataFrame) -> bool:
    """Say whether a column is named or typed as time, or the first counts beyond 0 and 1."""
    if any(time_unit_in(name)[0] or dtype.is_temporal() for name, dtype in frame.schema.items()):
        return True
    first = frame.to_series(0)
    return first.dtype.is_numeric() and bool((~first.is_in([0, 1])).any())


def _from_pandas(frame: pd.DataFrame) -> pl.DataFrame:
    """Take a pandas frame's columns over, and its index where that is its time."""
    import polars as pl  # noqa: PLC0415 - slow to import

    index = frame.index
    name = "time" if index.name is None else str(index.name)
    is_time = index.dtype.kind in "mM" or (index.name is not None and time_unit_in(name)[0])
    if is_time and name not in frame.columns:
        frame = frame.reset_index(names=name)
    columns = {}
    for at, column in enumerate(frame.columns):
        values = frame.iloc[:, at].to_numpy()
        if values.dtype == object:
            values = _plain(values)
        if values.dtype.kind not in "biufmM":
            raise ArgumentError(
                "source", f"a data frame whose column {column!r} holds {frame.dtypes.iloc[at]}",
                "numbers or truth values", "Leave it out with hints={'lines': [...]}.",
            )  # fmt: skip
        if values.dtype.kind in "mM":
            values = values.astype(f"{values.dtype.kind}8[ns]")
        columns[str(column)] = pl.Series(str(column), values)
    return pl.DataFrame(columns)


def _plain(values: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Take objects that are all truth values or all numbers for what they are."""
    kinds = {type(value) for value in values}
    if kinds <= {bool, np.bool_}:
        return values.astype(bool)
    if kinds and all(issubclass(kind, int | float | np.number) for kind in kinds):
        return values.astype(np.float64)
    return values
