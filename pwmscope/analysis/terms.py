"""What is analysed, what it is held against, and how its moments of loss are known."""

from __future__ import annotations

import math
import os
import sys
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from numbers import Real
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, Final, TypeAlias, cast

import numpy as np

from pwmscope.bench import (
    COMMON_PRACTICE,
    BenchSheet,
    CapturePlan,
    Limits,
    Marker,
    check_marker,
    load_sheet,
)
from pwmscope.capture import Capture, Hints, called, clip, load, time_unit_in
from pwmscope.errors import ArgumentError, format_given, require_type
from pwmscope.findings.failsafe import reference_of
from pwmscope.pulses import Convention, convention_named

if TYPE_CHECKING:
    import pandas as pd
    import polars as pl

    Source: TypeAlias = (
        str | os.PathLike[str] | BinaryIO | pd.DataFrame | pl.DataFrame | pl.LazyFrame | Capture
    )

TAKEN: Final = "a file's path, an open binary file, a data frame or a Capture"
HINTS: Final = ("rate", "time_unit", "time_column", "lines", "threshold", "keep", "max_gib")
"""The keywords of `pwmscope.load`."""
_CHUNK: Final = 1 << 20


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """A recording that was read, and the file it came from."""

    capture: Capture  # The recording
    file: Path | None  # None where it came from no file


def check_hints(hints: object) -> dict[str, Any]:
    """Take hints that `pwmscope.load` knows.

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


def name_sources(sources: Sequence[object]) -> tuple[str, ...]:
    """Name each source that has no name of its own, numbered where there are several of a kind.

    >>> import io
    >>> name_sources(["a.csv", io.BytesIO(), io.BytesIO()])
    ('', 'open file 1', 'open file 2')
    """
    kinds = [_kind_of(source) for source in sources]
    names = []
    for at, kind in enumerate(kinds):
        nth = f"{kind} {kinds[: at + 1].count(kind)}"
        names.append(nth if kind and kinds.count(kind) > 1 else f"the {kind}" if kind else "")
    return tuple(names)


def _kind_of(source: object) -> str:
    """Say what a source is that has no name of its own; nothing where it has one."""
    if isinstance(source, str | os.PathLike | Capture):
        return ""
    if not hasattr(source, "read"):
        return "data frame"
    own = getattr(source, "name", None)  # a number, where it was opened by one
    return "" if own and isinstance(own, str) else "open file"


def read_source(source: Source, hints: Mapping[str, Any], name: str = "") -> Recording:
    """Read a recording, whatever it comes from; what has no name of its own is called by one."""
    if isinstance(source, Capture):
        return Recording(source, None)
    if isinstance(source, str | os.PathLike):
        return Recording(load(source, **hints), Path(os.fsdecode(source)))
    polars, pandas = sys.modules.get("polars"), sys.modules.get("pandas")
    asked = Hints.of(**hints)
    if polars is not None and isinstance(source, polars.LazyFrame):
        try:
            source = source.collect()
        except (polars.exceptions.PolarsError, OSError) as error:
            reason = str(error).partition("\n")[0]
            raise ArgumentError("source", f"a LazyFrame that fails ({reason})", TAKEN) from None
    if polars is not None and isinstance(source, polars.DataFrame):
        return Recording(_read_frame(source, asked, name), None)
    if pandas is not None and isinstance(source, pandas.DataFrame):
        frame, said = _from_pandas(source, asked)
        capture = _read_frame(frame, asked, name)
        return Recording(replace(capture, assumptions=(*said, *capture.assumptions)), None)
    if not callable(getattr(source, "read", None)):
        raise ArgumentError("source", format_given(source), TAKEN)
    return Recording(_read_open(cast("BinaryIO", source), hints, name), None)


def _read_open(file: BinaryIO, hints: Mapping[str, Any], name: str) -> Capture:
    """Read an open file from its beginning, where it can go back there, to its end."""
    with tempfile.TemporaryDirectory(prefix="pwmscope-") as folder:
        copy = Path(folder, "recording")
        try:
            if getattr(file, "seekable", bool)():
                file.seek(0)
            with copy.open("wb") as out:
                while chunk := file.read(_CHUNK):
                    if not isinstance(chunk, bytes | bytearray | memoryview):
                        raise ArgumentError(
                            "source", "a file open for text", TAKEN, "Open it with mode 'rb'."
                        )
                    out.write(chunk)
        except (OSError, EOFError, ValueError, TypeError, KeyError) as error:
            raise ArgumentError("source", f"a file that cannot be read ({error})", TAKEN) from None
        with called(copy, name or str(file.name)):
            return load(copy, **hints)


def _read_frame(frame: pl.DataFrame, hints: Hints, name: str) -> Capture:
    from pwmscope.capture import has_time, read_frame  # noqa: PLC0415 - polars is slow to import

    if not frame.width or not frame.height:
        raise ArgumentError(
            "source", f"a data frame of {frame.height} rows and {frame.width} columns",
            "a column per line and a row per sample or change",
        )  # fmt: skip
    if hints.rate_hz is None and not has_time(frame, hints, name):
        raise ArgumentError(
            "source", f"a data frame without a time column ({', '.join(frame.columns[:12])})",
            "a column such as time_s or time_us",
            "Without one, give the sample rate: hints={'rate': '1MHz'}.",
        )  # fmt: skip
    return read_frame(frame, hints, name)


def _from_pandas(frame: pd.DataFrame, hints: Hints) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Take a pandas frame's columns over, and its index where that is its time."""
    import polars as pl  # noqa: PLC0415 - slow to import

    if frame.columns.nlevels > 1:
        raise ArgumentError(
            "source", f"a data frame whose columns have {frame.columns.nlevels} levels of names",
            "one name for each column", "Take those of one level, such as frame['RX'].",
        )  # fmt: skip
    frame = _with_time(frame)
    names = [str(name) for name in frame.columns]
    twice = next((name for at, name in enumerate(names) if name in names[:at]), None)
    if twice is not None:
        raise ArgumentError(
            "source", f"a data frame with {names.count(twice)} columns '{twice}'",
            "one name for each column", "Rename all but one.",
        )  # fmt: skip
    numbered = [repr(name) for name in frame.columns if not isinstance(name, str)]
    said = f"Columns that no text names were named as text: {', '.join(numbered[:12])}."
    columns = []
    for at, name in enumerate(names):
        column = _series(name, frame.iloc[:, at])
        if column is not None:
            columns.append(column)
        elif hints.lines is None or name in hints.lines or name == hints.time_column:
            raise _unreadable(name, frame.dtypes.iloc[at], hints)
    return pl.DataFrame(columns), (said,) * bool(numbered)


def _unreadable(name: str, dtype: object, hints: Hints) -> ArgumentError:
    """Refuse a column that holds no levels, voltages or times."""
    is_time = name == hints.time_column or time_unit_in(name)[0]
    return ArgumentError(
        "source", f"a data frame whose column '{name}' holds {dtype}",
        "numbers or time stamps" if is_time else "numbers or truth values",
        "Name another with hints={'time_column': ...}." if is_time
        else "Leave it out with hints={'lines': [...]}.",
    )  # fmt: skip


def _with_time(frame: pd.DataFrame) -> pd.DataFrame:
    """Take an index that is time as a column; one that a column repeats is not taken again."""
    index = frame.index
    name = "time" if index.name is None else str(index.name)
    if index.nlevels > 1 or not (
        index.dtype.kind in "mM" or (index.name is not None and time_unit_in(name)[0])
    ):
        return frame
    if name not in frame.columns:
        return frame.reset_index(names=name)
    same = frame.columns.get_loc(name)
    if isinstance(same, int) and index.equals(type(index)(frame.iloc[:, same])):
        return frame
    raise ArgumentError(
        "source", f"a data frame whose index and whose column '{name}' may both be its time",
        "one of them", "Leave the index out with frame.reset_index(drop=True).",
    )  # fmt: skip


def _series(name: str, column: pd.Series[Any]) -> pl.Series | None:
    """Take over one column of levels, voltages or times; None where it holds something else."""
    import pandas as pd  # noqa: PLC0415 - it is there already
    import polars as pl  # noqa: PLC0415 - slow to import

    if getattr(column.dtype, "tz", None) is not None:
        column = column.dt.tz_convert("UTC").dt.tz_localize(None)
    values = column.to_numpy()
    if values.dtype.kind in "mM":
        return pl.Series(name, values.astype(f"{values.dtype.kind}8[ns]"))
    if values.dtype.kind == "f" and values.dtype.itemsize > 8:
        values = values.astype(np.float64)
    if values.dtype.kind in "biuf":
        # What a column of pandas' own types lacks comes as NaN.
        return pl.Series(name, values, nan_to_null=not isinstance(column.dtype, np.dtype))
    if values.dtype != object:
        return None
    lacking = pd.isna(values)
    return _plain(name, [None if no else cell for cell, no in zip(values, lacking, strict=True)])


def _plain(name: str, cells: list[Any]) -> pl.Series | None:
    """Take objects that are all truth values, numbers or stamps for what they are."""
    import polars as pl  # noqa: PLC0415 - slow to import

    kinds = {type(cell) for cell in cells if cell is not None}
    if kinds and kinds <= {bool, np.bool_}:
        return pl.Series(name, [None if cell is None else bool(cell) for cell in cells], pl.Boolean)
    if kinds and all(issubclass(kind, int | np.integer) for kind in kinds):
        cells = [None if cell is None else int(cell) for cell in cells]
    elif kinds and all(issubclass(kind, int | float | np.number) for kind in kinds):
        cells = [None if cell is None else float(cell) for cell in cells]
    try:
        series = pl.Series(name, cells)
    except (TypeError, ValueError, OverflowError, pl.exceptions.PolarsError):
        return None
    is_known = series.dtype.is_numeric() or isinstance(
        series.dtype, pl.Datetime | pl.Duration | pl.Time
    )
    return series if is_known else None


PathLike: TypeAlias = str | os.PathLike[str]
SheetLike: TypeAlias = PathLike | Mapping[str, Any] | BenchSheet
PlanLike: TypeAlias = PathLike | CapturePlan
MarkerLike: TypeAlias = str | Marker
OffAt: TypeAlias = Real | float | Sequence[float | tuple[float, float]]
LimitsLike: TypeAlias = Limits | Mapping[str, float]

STATED_WITHIN_S: Final = 0.5
"""Half-width of the uncertainty of a moment that is stated in seconds alone: a hand and a
stopwatch (common practice)."""


@dataclass(frozen=True, slots=True)
class Terms:
    """What recordings are held against, and how their moments of loss are known."""

    sheet: BenchSheet | None  # The bench sheet
    plan: CapturePlan | None  # The plan that the hands followed
    marker: MarkerLike | None  # A marker line that goes before the sheet's
    # Stated moments in seconds, each with the half-width of its uncertainty
    off_at_s: tuple[tuple[float, float], ...]
    convention: Convention | None  # What every line is held against; None chooses line by line
    limits: Limits  # The limits
    # The part of each recording that is examined, in seconds; None from its start, to its end
    span: tuple[float | None, float | None]

    @property
    def named_lines(self) -> tuple[str, ...]:
        """Names of lines that sheet and marker give: kept where a recording holds too many."""
        named = [] if self.sheet is None else list(self.sheet.channels)
        markers = [self.marker, None if self.sheet is None else self.sheet.marker]
        for marker in markers:
            if marker is not None:
                named.append(marker if isinstance(marker, str) else marker.line)
        return tuple(dict.fromkeys(named))

    def part_of(self, capture: Capture) -> Capture:
        """Cut the part out of a recording that is examined.

        Refuse one that begins at the other level, where the level at the recording's start alone
        tells what means on.
        """
        part = clip(capture, *self.span)
        reference = reference_of(capture, self.marker, (), self.sheet)
        if reference.line is not None and reference.on_level is None:
            was, now = (c.lines[reference.line].initial_level for c in (capture, part))
            if was != now:
                raise ArgumentError(
                    "span", f"a part that begins at {part.start_s:g} s, where the marker "
                    f"line {reference.line} says that the transmitter is off",
                    "a beginning at which it is on, as at the recording's start",
                )  # fmt: skip
        return part


def read_terms(
    *,
    sheet: SheetLike | None,
    plan: PlanLike | None,
    marker: MarkerLike | None,
    off_at: OffAt | None,
    convention: Convention | str | None,
    limits: LimitsLike | None,
    span: tuple[float | None, float | None] | None,
    recordings: int,
) -> Terms:
    """Read the arguments of `analyse` but its recordings."""
    of_bench = read_sheet(sheet)
    if marker is not None:
        require_type("marker", marker, (str, Marker), "the name of a line or a Marker")
    if isinstance(marker, Marker):
        check_marker("marker", marker)
    if off_at is not None and marker is not None:
        raise ArgumentError("off_at", "given together with marker", "one of the two")
    off_at_s = read_off_at(off_at)
    if off_at_s and recordings > 1:
        raise ArgumentError(
            "off_at", f"given for {recordings} recordings", "moments of one recording",
            "Analyse them one by one, or record a marker line.",
        )  # fmt: skip
    return Terms(
        of_bench, _read_plan(plan), marker, off_at_s, _read_convention(convention),
        _read_limits(limits, of_bench), _read_span(span),
    )  # fmt: skip


def read_sheet(sheet: SheetLike | None) -> BenchSheet | None:
    """Read a bench sheet from its file or its table."""
    if sheet is None:
        return sheet
    if isinstance(sheet, BenchSheet):
        # It may be a copy in which something was replaced.
        if sheet.marker is not None:
            check_marker("sheet", sheet.marker)
        try:
            sheet.limits  # noqa: B018 - it refuses what no limit is
        except ArgumentError as error:
            raise ArgumentError(
                "sheet", f"one whose {error.argument} is {error.found}", error.expected
            ) from None
        return sheet
    if isinstance(sheet, Mapping):
        from pwmscope.bench import sheet_of  # noqa: PLC0415 - it imports what validates

        return sheet_of(sheet)
    _require_path("sheet", sheet, "a bench sheet: its file, its table or a BenchSheet")
    return load_sheet(sheet)


def _require_path(argument: str, path: object, expected: str) -> None:
    require_type(argument, path, (str, os.PathLike), expected)
    if path == "":
        raise ArgumentError(argument, "an empty text", expected)


def _read_plan(plan: PlanLike | None) -> CapturePlan | None:
    if plan is None or isinstance(plan, CapturePlan):
        return plan
    _require_path("plan", plan, "a capture plan: its file or a CapturePlan")
    from pwmscope.bench import load_plan  # noqa: PLC0415 - it imports what validates

    return load_plan(plan)


def read_off_at(off_at: object) -> tuple[tuple[float, float], ...]:
    """Read moments, each in seconds or with the half-width of its uncertainty.

    >>> read_off_at(12.4), read_off_at([(12.4, 0.05), 20])
    (((12.4, 0.5),), ((12.4, 0.05), (20.0, 0.5)))
    """
    expected = "seconds, or pairs of seconds and the half-width of their uncertainty"
    if off_at is None:
        return ()
    if off_at is not True and isinstance(off_at, Real):
        off_at = [float(off_at)]
    if isinstance(off_at, str) or not isinstance(off_at, Sequence):
        raise ArgumentError("off_at", format_given(off_at), expected)
    stated = []
    for moment in off_at:
        pair = (moment, STATED_WITHIN_S) if isinstance(moment, Real) else moment
        if isinstance(pair, str) or not isinstance(pair, Sequence) or len(pair) != 2:
            raise ArgumentError("off_at", f"a sequence with {format_given(moment)} in it", expected)
        time_s, within_s = (_seconds("off_at", value, expected) for value in pair)
        if within_s < 0:
            raise ArgumentError("off_at", f"given with a half-width of {within_s:g} s", expected)
        stated.append((time_s, within_s))
    if stated != sorted(stated):
        raise ArgumentError(
            "off_at", "moments that do not rise", expected,
            "One moment with its uncertainty is a list of one pair, such as [(17.3, 0.5)].",
        )  # fmt: skip
    return tuple(stated)


def _seconds(argument: str, value: object, expected: str) -> float:
    if isinstance(value, bool) or not isinstance(value, Real) or not math.isfinite(value):
        raise ArgumentError(argument, f"given with {format_given(value)}", expected)
    return float(value)


def _read_convention(convention: Convention | str | None) -> Convention | None:
    if convention is None or isinstance(convention, Convention):
        return convention
    require_type("convention", convention, str, "a Convention or its name")
    return convention_named(convention)


def _read_limits(limits: LimitsLike | None, sheet: BenchSheet | None) -> Limits:
    """Take the sheet's limits, or common practice's, with those that are stated."""
    usual = COMMON_PRACTICE if sheet is None else sheet.limits
    if limits is None or isinstance(limits, Limits):
        return limits or usual
    names = [field.name for field in fields(Limits) if field.name not in ("source", "scale")]
    expected = f"Limits, or a mapping with any of {', '.join(names)}"
    require_type("limits", limits, Mapping, expected)
    for name, value in limits.items():
        if name not in names:
            raise ArgumentError("limits", f"a mapping with the key {name!r}", expected)
        _seconds("limits", value, f"a number for {name}")
    said = ", ".join(f"{name} = {value:g}" for name, value in limits.items())
    source = f"{COMMON_PRACTICE.source}; as asked for: {said}"
    try:
        return replace(usual, **dict(limits), source=source)
    except ArgumentError as error:
        found = f"{limits[error.argument]:g} for {error.argument}"
        raise ArgumentError("limits", found, error.expected) from None


def _read_span(span: tuple[float | None, float | None] | None) -> tuple[float | None, float | None]:
    expected = "a pair of seconds, from and to, each of which may be None"
    if span is None:
        return None, None
    if isinstance(span, str) or not isinstance(span, Sequence) or len(span) != 2:
        raise ArgumentError("span", format_given(span), expected)
    begin_s, end_s = (None if at is None else _seconds("span", at, expected) for at in span)
    if begin_s is not None and end_s is not None and end_s <= begin_s:
        raise ArgumentError(
            "span", f"from {begin_s:g} to {end_s:g} s", "an end after its beginning"
        )
    return begin_s, end_s
