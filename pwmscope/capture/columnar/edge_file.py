"""Edges kept as a Parquet file, so that a long recording is read once."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
import numpy.typing as npt
import polars as pl

from pwmscope.capture.reader.hints import Hints, format_rate
from pwmscope.capture.reader.unpack import name_of, watched
from pwmscope.errors import CaptureError, HintError, OutputError
from pwmscope.model import Assumption, Capture, Line
from pwmscope.output import refuse_to_overwrite, replace_file

KEY: Final = "pwmscope_edges"
"""Key of the Parquet metadata that mark an edge file; its value is JSON."""
VERSION: Final = 1
_COLUMNS: Final = ("line", "edge_ps")
_ROW_GROUP: Final = 1_000_000
_MAX_PS: Final = np.iinfo(np.int64).max


@dataclass(frozen=True, slots=True)
class _Notes:
    """What an edge file says beside its edges."""

    duration_ps: int
    sample_interval_ps: float | None
    lines: Mapping[str, int]
    source: str
    assumptions: tuple[str, ...]


def write_edges(capture: Capture, path: Path, *, replace: bool = False) -> None:
    """Write a capture's edges as Parquet, whole or not at all.

    The table has the columns ``line`` and ``edge_ps`` (int64, picoseconds
    since the start), line by line. Whatever else a `Capture` holds stands in
    the file's metadata as JSON, in which numbers are exact.

    Parameters
    ----------
    capture : Capture
        What to keep.
    path : Path
        Where; by custom its name ends in ``.parquet``.
    replace : bool
        Whether a file that is already there may be replaced.

    Raises
    ------
    OutputError
        If a file is in the way, or it cannot be written.

    Examples
    --------
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
    metadata = {KEY: json.dumps(_notes(capture))}

    def fill(out: BinaryIO) -> None:
        try:
            frame.write_parquet(out, row_group_size=_ROW_GROUP, metadata=metadata)
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


def _notes(capture: Capture) -> dict[str, Any]:
    return {
        "version": VERSION,
        "duration_ps": int(capture.duration_ps),
        "sample_interval_ps": capture.sample_interval_ps,
        "lines": [[name, line.initial_level] for name, line in capture.lines.items()],
        "source": capture.source,
        "assumptions": list(capture.assumptions),
    }


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
        name: Line(name, edges_ps[name], notes.lines[name])
        for name in chosen_lines(tuple(notes.lines), hints, source)
    }
    interval_ps, said = _interval(notes, hints, source)
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
    if len(set(hints.lines)) < len(hints.lines) or not hints.lines:
        raise HintError("`lines` must name each line once, for example `lines='RX1,RX2'`.")
    return hints.lines


def _refuse_hints(hints: Hints, source: str) -> None:
    for argument in hints.given:
        if argument not in ("rate", "lines"):
            raise HintError(
                f"{source}: this file holds edges already read, so `{argument}` has no effect; "
                "leave it out, or read the recording again."
            )


def _interval(notes: _Notes, hints: Hints, source: str) -> tuple[float | None, tuple[str, ...]]:
    known_ps = notes.sample_interval_ps
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
            f"{format_rate(stated_ps)}; "
            "leave `rate` out, or read the recording itself again."
        )
    return known_ps, ()


def _parse_notes(text: str, source: str) -> _Notes:
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
        notes = _Notes(
            int(raw["duration_ps"]),
            None if interval_ps is None else float(interval_ps),
            {str(name): int(level) for name, level in raw["lines"]},
            str(raw["source"]),
            tuple(str(sentence) for sentence in raw["assumptions"]),
        )
    except (KeyError, TypeError, ValueError, OverflowError, RecursionError) as error:
        raise _damaged(source, f"its notes cannot be read ({type(error).__name__})") from None
    positive = notes.sample_interval_ps is None or 0 < notes.sample_interval_ps <= _MAX_PS
    levels = set(notes.lines.values()) <= {0, 1}
    if not (positive and levels and notes.lines and 0 <= notes.duration_ps <= _MAX_PS):
        raise _damaged(source, "its notes hold values that cannot be")
    return notes


def _damaged(source: str, what: str) -> CaptureError:
    return CaptureError(source, f"the edge file is damaged: {what}", "convert the recording again")


def _gather(path: Path, notes: _Notes, source: str) -> dict[str, npt.NDArray[np.int64]]:
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
    parts: dict[str, list[npt.NDArray[np.int64]]] = {name: [] for name in names}
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
