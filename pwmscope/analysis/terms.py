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
from pwmscope.capture import Capture, Hints, clip, load, time_unit_in
from pwmscope.errors import ArgumentError, PwmscopeError, format_given, require_type
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
FRAME: Final = "the data frame"
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
    from pwmscope.capture import read_frame  # noqa: PLC0415 - polars is slow to import

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

        Raises
        ------
        ArgumentError
            If what means on is told by the level at the recording's start only, and the
            part begins at the other level.
        HintError
            If nothing lies in the part.
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
