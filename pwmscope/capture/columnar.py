"""Columnar files: Parquet and Arrow tables of levels, and the edge files that pwmscope keeps."""

from __future__ import annotations

import functools
import json
import operator
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np
import polars as pl

from pwmscope.capture.reader.hints import (
    Hints,
    format_interval,
    format_rate,
    rate_needed,
    size_of_unit,
    time_unit_in,
)
from pwmscope.capture.reader.unpack import (
    find_packing,
    max_bytes,
    name_of,
    reading,
    unprinted,
    watched,
)
from pwmscope.capture.text.columns import LevelColumn, needless_threshold
from pwmscope.capture.text.comparator import MAX_NUMBER
from pwmscope.capture.text.dialect import MAX_COLUMNS
from pwmscope.capture.text.edges import (
    SERVO_PS,
    Changes,
    RowBatch,
    doubted_clock,
    find_clock,
    typical_width_ps,
)
from pwmscope.capture.text.layout import Layout, rows_without_time
from pwmscope.capture.text.table import gather, whole_changes
from pwmscope.capture.text.time_column import assumed_unit
from pwmscope.errors import CaptureError, HintError, OutputError
from pwmscope.model import Assumption, Capture, IntArray, Line
from pwmscope.output import refuse_to_overwrite, replace_file

KEY: Final = "pwmscope_edges"
"""Key of the Parquet metadata that mark an edge file; its value is JSON."""
VERSION: Final = 1
_COLUMNS: Final = ("line", "edge_ps")
_ROW_GROUP: Final = 1_000_000
_MAX_PS: Final = int(np.iinfo(np.int64).max)
_STAMPS: Final = (pl.Datetime, pl.Duration, pl.Time)
_HEAD_ROWS: Final = 1000
_RISING: Final = 9
"""So many rises for each fall tell a time, with a row out of order, from a voltage."""


def write_edges(capture: Capture, path: Path, *, replace: bool = False) -> None:
    """Write a capture's edges as Parquet, whole or not at all.

    The table has the columns ``line`` and ``edge_ps`` (int64, picoseconds
    since the start), line by line. Whatever else a `Capture` holds stands in
    the file's metadata as JSON, in which numbers are exact.

    >>> import tempfile
    >>> line = Line("RX1", np.array([5, 7]), 0)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder, "kept.parquet")
    ...     write_edges(Capture({"RX1": line}, 10, None, "bench.csv"), file)
    ...     read_edges(file, Hints()).lines["RX1"].edges_ps
    array([5, 7])
    """
    refuse_to_overwrite(path, replace=replace)
    frame = _frame(capture)
    notes = {
        "version": VERSION,
        "duration_ps": int(capture.duration_ps),
        "sample_interval_ps": capture.sample_interval_ps,
        "lines": [[name, line.initial_level] for name, line in capture.lines.items()],
        "source": capture.source,
        "assumptions": list(capture.assumptions),
    }

    def fill(out: BinaryIO) -> None:
        try:
            frame.write_parquet(out, row_group_size=_ROW_GROUP, metadata={KEY: json.dumps(notes)})
        except pl.exceptions.PolarsError as error:
            raise OutputError(
                f"{path}: the file cannot be written; check that the disk has room."
            ) from error

    replace_file(path, fill)


def _frame(capture: Capture) -> pl.DataFrame:
    names = pl.Enum(list(capture.lines))
    empty = pl.DataFrame(schema={"line": names, "edge_ps": pl.Int64()})
    lines = (
        pl.select(
            pl.repeat(line.name, line.edges_ps.size, dtype=names).alias("line"),
            pl.Series("edge_ps", line.edges_ps),
        )
        for line in capture.lines.values()
        if line.edges_ps.size
    )
    return pl.concat([empty, *lines])


def is_edge_file(path: Path) -> bool:
    """Say whether a readable Parquet file says that it holds pwmscope's edges."""
    return KEY in pl.read_parquet_metadata(path)


def read_edges(path: Path, hints: Hints) -> Capture:
    """Read back what `write_edges` wrote, exactly."""
    source = name_of(path)
    notes = _parse_notes(pl.read_parquet_metadata(path)[KEY], source)
    _refuse_hints(hints, source)
    edges_ps = _gather(path, notes, source)
    lines = {
        name: replace(notes.lines[name], edges_ps=edges_ps[name])
        for name in chosen_lines(tuple(notes.lines), hints, source)
    }
    interval_ps, said = _interval(notes.sample_interval_ps, hints, source)
    kept = f"The edges were read before, from {notes.source}, and kept in this file."
    return Capture(lines, notes.duration_ps, interval_ps, source, (kept, *notes.assumptions, *said))


def chosen_lines(names: tuple[str, ...], hints: Hints, source: str) -> tuple[str, ...]:
    """Return the lines to read, in the order the person gave."""
    if hints.lines is None:
        return names
    for name in hints.lines:
        if name not in names:
            raise HintError(
                f"There is no line '{name}' in {source}; the lines are {', '.join(names[:12])}."
            )
    return hints.lines


def _refuse_hints(hints: Hints, source: str) -> None:
    for argument in hints.given:
        if argument not in ("rate", "lines"):
            raise HintError(
                f"{source}: this file holds edges already read, so `{argument}` has no effect; "
                "leave it out, or read the recording again."
            )


def _interval(
    known_ps: float | None, hints: Hints, source: str
) -> tuple[float | None, tuple[str, ...]]:
    if hints.rate_hz is None:
        return known_ps, ()
    stated_ps = 1e12 / hints.rate_hz
    if known_ps is None:
        said = f"The sample rate was {format_rate(stated_ps)}, as you said."
        arguments = ("rate",)
        return stated_ps, (
            Assumption(said, "sampling interval", stated_ps, "ps", "person", arguments),
        )
    if abs(stated_ps / known_ps - 1) > 0.01:
        raise HintError(
            f"{source}: the file says {format_rate(known_ps)} but `rate` says "
            f"{format_rate(stated_ps)}; leave `rate` out, or read the recording itself again."
        )
    return known_ps, ()


def _parse_notes(text: str, source: str) -> Capture:
    """Read what an edge file says beside its edges: a capture without any."""
    try:
        raw = json.loads(text)
        version = raw["version"]
        if isinstance(version, int) and version > VERSION:
            raise CaptureError(
                source,
                f"an edge file of version {version}, this program reads up to {VERSION}",
                "bring pwmscope up to date, or convert the recording again",
            )
        interval_ps = raw["sample_interval_ps"]
        interval_ps = None if interval_ps is None else float(interval_ps)
        duration_ps, source_before = int(raw["duration_ps"]), str(raw["source"])
        levels = {str(name): int(level) for name, level in raw["lines"]}
        said = tuple(str(sentence) for sentence in raw["assumptions"])
    except (KeyError, TypeError, ValueError, OverflowError, RecursionError) as error:
        raise _damaged(source, f"its notes cannot be read ({type(error).__name__})") from None
    is_interval = interval_ps is None or 0 < interval_ps <= _MAX_PS
    are_levels = levels and set(levels.values()) <= {0, 1}
    if not (is_interval and are_levels and 0 <= duration_ps <= _MAX_PS):
        raise _damaged(source, "its notes hold values that cannot be")
    lines = {name: Line(name, np.empty(0, np.int64), level) for name, level in levels.items()}
    return Capture(lines, duration_ps, interval_ps, source_before, said)


def _damaged(source: str, what: str) -> CaptureError:
    return CaptureError(source, f"the edge file is damaged: {what}", "convert the recording again")


def _gather(path: Path, notes: Capture, source: str) -> dict[str, IntArray]:
    """Read the edges line by line, refusing the first that cannot be."""
    scan = pl.scan_parquet(path, glob=False)
    schema = scan.collect_schema()
    if schema.names() != list(_COLUMNS) or schema["edge_ps"] != pl.Int64:
        raise _damaged(source, "its columns must be line and edge_ps")
    names = list(notes.lines)
    total = int(scan.select(pl.len()).collect().item())
    rows = scan.select(
        pl.col("line").cast(pl.Enum(names), strict=False).to_physical(), pl.col("edge_ps")
    )
    last_ps = dict.fromkeys(names, 0)
    parts: dict[str, list[IntArray]] = {name: [] for name in names}
    for batch in watched(rows.collect_batches(maintain_order=True), total, lambda b: b.height):
        if batch.get_column("line").null_count() or batch.get_column("edge_ps").null_count():
            raise _damaged(source, "a line or an edge is missing")
        codes, edges_ps = batch.get_column("line").to_numpy(), batch.get_column("edge_ps")
        for code in np.unique(codes):
            name = names[code]
            new_ps = edges_ps.to_numpy()[codes == code]
            if bool((np.diff(new_ps, prepend=last_ps[name]) <= 0).any()):
                raise _damaged(source, f"the edges of line {name} are out of order")
            last_ps[name] = int(new_ps[-1])
            parts[name].append(new_ps)
    if max(last_ps.values()) > notes.duration_ps:
        raise _damaged(source, "an edge lies behind the end")
    return {name: np.concatenate([np.empty(0, np.int64), *parts[name]]) for name in names}


@dataclass(frozen=True, slots=True)
class _TimeColumn:
    """How a column of numbers or stamps becomes picoseconds since its first row."""

    name: str  # The column
    unit: str  # What one of it is: `s`, `ms`, `us`, `ns` or `ps`
    # Decimals of a fixed-point column, 0 for whole numbers and stamps, None for floating-point
    # numbers, which do not say
    decimals: int | None
    first: float  # The first row's value, a fixed-point one as its whole number of last digits
    is_single: bool  # Whether they are floating-point numbers of only 32 bits
    assumptions: tuple[str, ...]  # What was assumed, each a plain sentence
    is_stamp: bool = False  # Whether they are stamps, which carry their own unit

    @property
    def number(self) -> pl.Expr:
        """The column as int64 (fixed-point in last digits) or float64."""
        column = pl.col(self.name)
        if self.decimals is None:
            return column.cast(pl.Float64)
        if self.decimals:
            column = column.cast(pl.Decimal(38, self.decimals))
        return column.to_physical().cast(pl.Int64, strict=False)

    @property
    def _size_ps(self) -> int:
        """One of `number`, in picoseconds."""
        multiple, exponent = size_of_unit(self.unit)
        return int(multiple * 10 ** (exponent - (self.decimals or 0)))

    @property
    def is_readable(self) -> pl.Expr:
        """Whether a row's time is there and within 106 days of the first row."""
        reach = _MAX_PS // self._size_ps - 1
        if self.decimals is None:
            return self.number.is_between(self.first - reach, self.first + reach)
        low = max(-_MAX_PS, int(self.first) - reach)
        return self.number.is_between(low, min(_MAX_PS, int(self.first) + reach))

    @property
    def since_first_ps(self) -> pl.Expr:
        """Int64 picoseconds since the first row; meaningless where not readable."""
        since = (self.number - self.first) * self._size_ps
        return since.round().cast(pl.Int64, strict=False) if self.decimals is None else since

    def precision(self, changes: Changes, *, is_sampled: bool) -> tuple[int, tuple[str, ...]]:
        """Tell to how many decimals of the unit the times were written.

        Floating-point numbers do not say: the coarsest power of ten on which all
        times lie is taken, unless even samples rounded to it would lie closer.
        """
        if self.decimals is not None:
            return self.decimals, ()
        assert changes.time_parts is not None  # there is a time column
        steps_ps = (changes.steps.least_ps, changes.steps.most_ps, changes.end_ps)
        common_ps = int(np.gcd.reduce(np.concatenate([*changes.time_parts, steps_ps])))
        power = 0
        while common_ps and common_ps % 10 ** (power + 1) == 0:
            power += 1
        if is_sampled and changes.steps.most_ps - changes.steps.least_ps > 10**power:
            power = 0
        farthest = max(abs(self.first), abs(self.first + changes.end_ps / self._size_ps))
        kind = np.float32 if self.is_single else np.float64
        step_ps = float(np.spacing(kind(farthest))) * self._size_ps
        said: tuple[str, ...] = ()
        if step_ps > 1:
            power = max(power, int(np.ceil(np.log10(step_ps))))
            said = (
                "The times are floating-point numbers that tell instants at the end of the "
                f"recording apart to {format_interval(step_ps)} only.",
            )
        return size_of_unit(self.unit)[1] - power, said


def _find_time_column(scan: pl.LazyFrame, hints: Hints, source: str) -> _TimeColumn | None:
    """Decide which column is the time and what it counts."""
    schema = scan.collect_schema()
    name, said = _which(scan, schema, hints, source)
    if name is None:
        return None
    dtype = schema[name]
    if isinstance(dtype, _STAMPS):
        unit, assumption = _stamp_unit(name, dtype, hints, source)
        decimals: int | None = 0
    elif isinstance(dtype, pl.Decimal) or dtype.is_numeric():
        unit, assumption = _unit(name, dtype, hints, source)
        decimals = 0 if dtype.is_integer() else None
        if isinstance(dtype, pl.Decimal):
            decimals = min(dtype.scale, size_of_unit(unit)[1])
    else:
        raise CaptureError(
            source,
            f"the time column holds {dtype}, expected numbers or time stamps",
            "name another with `time_column`, or write the times as numbers",
            column=name,
        )
    is_single = dtype == pl.Float32
    is_stamp = isinstance(dtype, _STAMPS)
    column = _TimeColumn(name, unit, decimals, 0, is_single, (*said, assumption), is_stamp)
    return _with_origin(column, scan, dtype, source)


def _which(
    scan: pl.LazyFrame, schema: pl.Schema, hints: Hints, source: str
) -> tuple[str | None, tuple[str, ...]]:
    if hints.time_column is not None:
        if hints.time_column not in schema:
            raise HintError(
                f"There is no column '{hints.time_column}' in {source}; "
                f"the columns are {', '.join(schema)}."
            )
        return hints.time_column, ()
    free = {name: dtype for name, dtype in schema.items() if name not in (hints.lines or ())}
    timed = [n for n, dtype in free.items() if time_unit_in(n)[0] or isinstance(dtype, _STAMPS)]
    if len(timed) > 1:
        found = f"{len(timed)} columns could be the time ({', '.join(timed)})"
        raise CaptureError(source, found, "say which with `time_column`")
    if timed:
        return timed[0], ()
    asked = [name for name in hints.lines or () if name in schema and time_unit_in(name)[0]]
    if asked and hints.rate_hz is None:
        raise HintError(f"{source}: `lines` names the time column {asked[0]}; leave it out there.")
    name = next(iter(schema))
    if len(schema) == 1 or name not in free or not schema[name].is_numeric():
        return None, ()
    head = scan.head(_HEAD_ROWS).select(pl.col(name).cast(pl.Float64)).collect().to_series()
    steps = head.diff().drop_nulls()
    rises, falls = int((steps > 0).sum()), int((steps < 0).sum())
    if not ((head != 0) & (head != 1)).any() or rises <= _RISING * falls:
        return None, ()
    said = "The first column holds more than 0 and 1, and rises, so it is taken as the time."
    arguments = ("time_column", "time_unit")
    return name, (Assumption(said, "time column", name, "", "data", arguments),)


def _stamp_unit(name: str, dtype: pl.DataType, hints: Hints, source: str) -> tuple[str, Assumption]:
    if hints.time_unit is not None:
        raise HintError(
            f"{source}: column '{name}' holds time stamps that carry their own unit; "
            "leave `time_unit` out."
        )
    unit = getattr(dtype, "time_unit", "ns")
    return unit, Assumption(
        f"Column '{name}' is time: stamps that count in {unit}.",
        "time unit", unit, "", "file", ("time_column",),
    )  # fmt: skip


def _unit(name: str, dtype: pl.DataType, hints: Hints, source: str) -> tuple[str, Assumption]:
    if hints.time_unit is not None:
        said = f"Column '{name}' is time in {hints.time_unit}, as you said."
        return hints.time_unit, assumed_unit(said, hints.time_unit, "person")
    headed = time_unit_in(f"time {name}")[1]
    if headed is not None:
        said = f"Column '{name}' is time in {headed}, as its heading says."
        return headed, assumed_unit(said, headed, "file")
    if dtype.is_integer():
        raise HintError(
            f"{source}: column '{name}' counts time in whole numbers, but of which unit is not "
            "stated; add `time_unit`, for example `time_unit='us'`."
        )
    said = f"Column '{name}' is taken as time in seconds; no unit is stated."
    return "s", assumed_unit(said, "s", "convention")


def _with_origin(
    column: _TimeColumn, scan: pl.LazyFrame, dtype: pl.DataType, source: str
) -> _TimeColumn:
    """Add the first row's time, from which all others count."""
    first = scan.select(pl.col(column.name), column.number.alias("number")).head(1).collect()
    said = list(column.assumptions)
    if not first.height or first.item(0, "number") is None:
        raise CaptureError(
            source,
            "there is no row of data" if not first.height else "the first row has no time",
            "write the recording again, with its samples",
            column=column.name,
        )
    origin = first.item(0, "number")
    if isinstance(dtype, _STAMPS):
        said.append(f"Time 0 is the first row, which the file calls {_shown(first, 0)}.")
    elif origin != 0:
        origin_s = origin * column._size_ps / 1e12
        said.append(f"Time 0 is the first row, which the file calls {origin_s:.9g} s.")
    return replace(column, first=origin, assumptions=tuple(said))


def _shown(rows: pl.DataFrame, column: str | int) -> str:
    """Write a first row's cell; a date beyond the calendar as the number that it is kept as."""
    try:
        return str(rows.item(0, column))
    except (ValueError, OverflowError):
        found = rows.to_series(column) if isinstance(column, int) else rows.get_column(column)
        return str(found.to_physical()[0])


PARQUET: Final = b"PAR1"
ARROW: Final = b"ARROW1"
_ARROW_STREAM: Final = b"\xff\xff\xff\xff"


@dataclass(frozen=True, slots=True)
class _Table:
    """A table that is understood but not read yet."""

    source: str
    scan: pl.LazyFrame
    time: _TimeColumn | None
    layout: Layout
    row_count: int


def read_columnar(path: Path, hints: Hints, *, batch_rows: int | None = None) -> Capture:
    """Read a Parquet or Arrow file: an edge file of pwmscope's own, or a table of levels.

    A table has a column per line, of truth values, of the numbers 0 and 1, or
    of voltages, and the shapes of text tables: one row per sample or per
    change with a time column (whole, fixed-point or floating-point numbers, or
    time stamps), or samples without time, whose rate comes from the hints.

    How many rows are held at a time has no effect on the result.
    """
    source = name_of(path)
    kind = _kind(path)
    try:
        with unprinted():
            if kind == "Parquet" and is_edge_file(path):
                return read_edges(path, hints)
            return _read(_find_table(path, kind, hints), hints, batch_rows)
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError, EOFError):
        raise CaptureError(
            source, f"the {kind} data are damaged or cut short", "copy or write the file again"
        ) from None


def _kind(path: Path) -> str:
    with reading(path), path.open("rb") as file:
        head = file.read(8)
    if head.startswith(PARQUET):
        return "Parquet"
    if head.startswith(ARROW):
        return "Arrow"
    if find_packing(path) != "plain":
        raise CaptureError(
            name_of(path), "expected a Parquet or an Arrow file as it is, not packed", "unpack it"
        )
    if head.startswith(_ARROW_STREAM):
        return "Arrow stream"
    raise CaptureError(
        name_of(path),
        "expected a Parquet or an Arrow file, and this is neither",
        "write the recording as Parquet",
    )


def _find_table(path: Path, kind: str, hints: Hints) -> _Table:
    source = name_of(path)
    if kind == "Arrow stream":
        _refuse_large_stream(path, source)
        scan = pl.read_ipc_stream(path).lazy()
    elif kind == "Parquet":
        scan = pl.scan_parquet(path, glob=False, hive_partitioning=False)
    else:
        scan = pl.scan_ipc(path, glob=False, hive_partitioning=False)
    return _described(scan, f"The file is {_AN[kind]} table of", hints, source)


MAX_STREAM_BYTES: Final = 2 << 30
"""An Arrow stream is held in memory, and may have 2 GiB."""


def _refuse_large_stream(path: Path, source: str) -> None:
    most = max_bytes(MAX_STREAM_BYTES)
    if path.stat().st_size > most:
        raise CaptureError(
            source,
            f"an Arrow stream of more than {most / 2**30:.3g} GiB",
            "write the recording as Parquet, or allow more memory with `max_gib`",
        )


def has_time(frame: pl.DataFrame, hints: Hints, source: str) -> bool:
    """Say whether a column of a data frame is the time."""
    return _which(frame.lazy(), frame.schema, hints, source)[0] is not None


def read_frame(frame: pl.DataFrame, hints: Hints, source: str) -> Capture:
    """Read a data frame as if it stood in a file of this name."""
    return _read(_described(frame.lazy(), "The data frame has", hints, source), hints, None)


def _described(scan: pl.LazyFrame, said_first: str, hints: Hints, source: str) -> _Table:
    """Understand a table; the first sentence about it goes on with how many rows it has."""
    schema = scan.collect_schema()
    if not schema:
        raise CaptureError(source, "the table has no columns", "write the recording again")
    time = _find_time_column(scan, hints, source)
    if time is None and hints.rate_hz is None:
        raise rate_needed(source, "carry no time column")
    names = tuple(name for name in schema if time is None or name != time.name)
    lines = chosen_lines(names, hints, source)
    levels = _find_levels(scan, schema, lines, hints, source)
    row_count = int(scan.select(pl.len()).collect().item())
    said = [f"{said_first} {row_count} rows."]
    if time is None:
        said.append(rows_without_time())
        layout = Layout(
            "", 0, lines, None, "s", 0, tuple(said), levels=levels, rate_hz=hints.rate_hz
        )
    else:
        said += time.assumptions
        columns = (time.name, *lines)
        layout = Layout("", 0, columns, time.name, time.unit, 0, tuple(said), levels=levels)
    return _Table(source, scan, time, layout, row_count)


_AN: Final = {"Parquet": "a Parquet", "Arrow": "an Arrow", "Arrow stream": "an Arrow stream's"}


def _find_levels(
    scan: pl.LazyFrame, schema: pl.Schema, lines: tuple[str, ...], hints: Hints, source: str
) -> tuple[LevelColumn, ...]:
    """Decide which columns are levels and which voltages."""
    if not 0 < len(lines) <= MAX_COLUMNS:
        raise CaptureError(
            source,
            f"{len(lines)} columns of levels, 1 to {MAX_COLUMNS} are looked at",
            "name the lines to read with `lines`",
        )
    for name in lines:
        if not (schema[name] == pl.Boolean or schema[name].is_numeric()):
            raise CaptureError(
                source,
                f"the column holds {schema[name]}, expected levels",
                "write it as truth values or as 0 and 1, or leave it out with `lines`",
                column=name,
            )
    # Whole numbers count as voltages only where the person says so.
    asked = [n for n in lines if hints.threshold_v is not None or not schema[n].is_integer()]
    asked = [name for name in asked if schema[name] != pl.Boolean]
    voltages: set[str] = set()
    if asked:
        # A row that lacks its level makes no voltage of the others.
        only_levels = scan.select(((pl.col(n) == 0) | (pl.col(n) == 1)).all() for n in asked)
        found = only_levels.collect(engine="streaming").row(0, named=True)
        voltages = {name for name, is_level in found.items() if not is_level}
    if hints.threshold_v is not None and not voltages:
        raise needless_threshold(source)
    return tuple(
        LevelColumn(name, bit, "analogue" if name in voltages else "digit", bit)
        for bit, name in enumerate(lines)
    )


def _left_out(table: _Table) -> tuple[LevelColumn, ...]:
    """Find the columns of levels that `lines` leaves out."""
    schema = table.scan.collect_schema()
    names = [name for name in schema if name not in table.layout.columns]
    names = [name for name in names if schema[name] == pl.Boolean or schema[name].is_numeric()]
    if not names:
        return ()
    are_levels = table.scan.select(_is_level(name).all() for name in names)
    found = are_levels.collect(engine="streaming").row(0, named=True)
    return tuple(LevelColumn(name, at, "digit") for at, name in enumerate(names) if found[name])


def _is_level(name: str) -> pl.Expr:
    column = pl.col(name)
    return ((column == 0) | (column == 1)).fill_null(value=False)


def _is_readable(level: LevelColumn) -> pl.Expr:
    if level.kind == "analogue":
        return pl.col(level.name).cast(pl.Float64).abs().lt(MAX_NUMBER).fill_null(value=False)
    return _is_level(level.name)


def _stream(table: _Table, batch_rows: int | None) -> Iterator[RowBatch]:
    digits = [level for level in table.layout.levels if level.kind == "digit"]
    bits = [
        (pl.col(level.name) == 1).cast(pl.UInt64) * pl.lit(1 << level.first_bit, pl.UInt64)
        for level in digits
    ]
    good = [_is_readable(level) for level in table.layout.levels]
    if table.time is not None:
        good.append(table.time.is_readable.fill_null(value=False))
    columns = [functools.reduce(operator.and_, good).alias("good")]
    columns.append(functools.reduce(operator.or_, bits, pl.lit(0, pl.UInt64)).alias("word"))
    if table.time is not None:
        columns.append(table.time.since_first_ps.alias("time"))
    for i, level in enumerate(table.layout.analogue):
        columns.append(pl.col(level.name).cast(pl.Float64).alias(f"v{i}"))
    batches = table.scan.select(columns).collect_batches(
        chunk_size=batch_rows, maintain_order=True, engine="streaming"
    )
    first_row = 0
    for batch in watched(batches, table.row_count, lambda batch: batch.height):
        good_rows = batch.get_column("good")
        if not good_rows.all():
            raise _wrong_cell(table, first_row + int(good_rows.arg_min() or 0))
        time = None if table.time is None else batch.get_column("time").to_numpy()
        volts = tuple(
            batch.get_column(f"v{i}").to_numpy() for i in range(len(table.layout.analogue))
        )
        yield RowBatch(first_row, batch.get_column("word").to_numpy(), time, volts=volts)
        first_row += batch.height


def _wrong_cell(table: _Table, row: int) -> CaptureError:
    """Say what is wrong with the first row that cannot be read."""
    checks = {level.name: _is_readable(level) for level in table.layout.levels}
    expected = {
        level.name: "a finite voltage" if level.kind == "analogue" else "the level 0 or 1"
        for level in table.layout.levels
    }
    if table.time is not None:
        checks[table.time.name] = table.time.is_readable.fill_null(value=False)
        expected[table.time.name] = "a time (of at most 106 days)"
    cells = table.scan.slice(row, 1).select(table.layout.columns).collect()
    good = cells.select(check.alias(name) for name, check in checks.items())
    column = next(name for name in table.layout.columns if not good.item(0, name))
    is_empty = cells.get_column(column).null_count()
    found = "nothing" if is_empty else f"'{_shown(cells, column)[:40]}'"
    is_time = table.time is not None and column == table.time.name
    otherwise = "write the recording again" if is_time else "leave this line out with `lines`"
    return CaptureError(
        table.source,
        f"{found} stands where {expected[column]} was expected",
        f"mend or remove this row, or {otherwise}",
        row=row + 1,
        column=column,
    )


def _read(table: _Table, hints: Hints, batch_rows: int | None) -> Capture:
    source = table.source

    def rows(placed: Layout, size: int | None) -> Iterator[RowBatch]:
        return _stream(replace(table, layout=placed), size)

    gathered = gather(rows, table.layout, hints, source, batch_rows)
    layout, _ = _with_decimals(table, gathered.changes)
    shape = whole_changes(
        gathered, layout, lambda: _left_out(table),
        changed=rows, source=source, batch_rows=batch_rows,
    )  # fmt: skip
    layout, more = _with_decimals(table, shape)
    clock = find_clock(shape, layout, hints, source, gathered.voltages)
    lines, notes = gathered.lines(clock, hints, source)
    said = (*layout.assumptions, *gathered.said, *more, *clock.assumptions, *notes)
    if table.time is None or not table.time.is_stamp:
        _refuse_against_heading(table, lines, hints)
        said += doubted_clock(lines, layout, hints)
    return Capture(lines, clock.duration_ps, clock.interval_ps, source, said)


def _refuse_against_heading(table: _Table, lines: Mapping[str, Line], hints: Hints) -> None:
    """Refuse a unit that a person states where pulses show that the heading's is right."""
    time = table.time
    headed = None if time is None else time_unit_in(f"time {time.name}")[1]
    if time is None or headed is None or hints.time_unit in {None, headed}:
        return
    (stated, power), (other, other_power) = size_of_unit(time.unit), size_of_unit(headed)
    longer = other * 10.0**other_power / (stated * 10.0**power)
    widths_ps = [typical_width_ps(line) for line in lines.values() if line.edges_ps.size > 3]
    as_stated, as_headed = (
        any(SERVO_PS[0] <= factor * width_ps <= SERVO_PS[1] for width_ps in widths_ps)
        for factor in (1.0, longer)
    )
    if as_headed and not as_stated:
        raise HintError(
            f"{table.source}, column {time.name}: the heading says {headed}, and only then do "
            "levels last like servo pulses; leave `time_unit` out."
        )


def _with_decimals(table: _Table, changes: Changes) -> tuple[Layout, tuple[str, ...]]:
    if table.time is None:
        return table.layout, ()
    is_sampled = 2 * changes.words.size < changes.row_count - 2 or bool(table.layout.analogue)
    decimals, said = table.time.precision(changes, is_sampled=is_sampled)
    return replace(table.layout, time_decimals=decimals), said
