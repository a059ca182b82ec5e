"""A list of events (time, line, level) or pulses (time, line, high duration) as a Capture."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from pwmscope.capture.reader.hints import (
    MAX_LINES,
    Hints,
    find_listed_interval,
    format_interval,
    kept,
)
from pwmscope.capture.text.dialect import MAX_COLUMNS
from pwmscope.capture.text.edges import (
    DisorderError,
    at_samples,
    doubted_clock,
    format_vanished,
    no_edges,
    no_finer_than_printed,
    resolution_ps,
    select_lines,
    without_zero_widths,
)
from pwmscope.capture.text.layout import Layout, Text
from pwmscope.capture.text.rows import (
    is_blank,
    negative_length,
    read_duration,
    read_event_level,
    read_time,
    scan_table,
    time_type,
    whole_rows,
)
from pwmscope.errors import CaptureError
from pwmscope.model import PS_PER_S, Capture, IntArray, Line

_MARGIN_PS = PS_PER_S // 1000
"""Silence put before a first event that has no time 0 before it, so that it counts as one."""


@dataclass(slots=True)
class _Listed:
    """What the list says of one line so far: instants, and the level after each."""

    times: list[IntArray] = field(default_factory=list)
    levels: list[npt.NDArray[np.int8]] = field(default_factory=list)
    last_time: int | None = None
    last_level: int = -1
    end: int = 0  # Where the lengths of its levels have come to

    @property
    def times_ps(self) -> IntArray:
        return np.concatenate(self.times)


def read_event_list(
    text: Text, layout: Layout, hints: Hints, *, batch_rows: int | None = None
) -> Capture:
    """Read a list of events or pulses.

    Rows may be in order of time, or grouped by line.
    """
    listed: dict[str, _Listed] = {}
    end, count, is_cut = 0, 0, False
    scan = _scan(text.path, layout)
    for frame, lacks_last in whole_rows(text.path, layout, scan, batch_rows):
        is_cut = lacks_last
        batch = _batch(frame, layout, text.source)
        _take(batch, listed, layout, text.source, count)
        if layout.listed.is_run:
            end, count = _ended(listed), count + batch.times.size
            continue
        ends = batch.times if batch.durations is None else batch.times + batch.durations
        end = max(end, int(ends.max(initial=end))) if count else int(ends.max(initial=0))
        count += batch.times.size
    if count < 1 or not listed:
        raise CaptureError(
            text.source,
            "0 rows of data found, at least one is needed",
            "export the whole recording",
            row=layout.skip_lines + 1,
        )
    origin, said = _origin(listed, layout)
    lines, vanished = _lines(listed, origin, layout)
    edges_ps = np.unique(np.concatenate([line.edges_ps for line in lines.values()]))
    if len(lines) > MAX_LINES and hints.lines is None:
        lines, more = kept([lines], hints, text.source)
        said = (*said, more)
    else:
        lines = select_lines(lines, hints, text.source)
    if not any(line.edges_ps.size for line in lines.values()):
        raise no_edges(lines, f"{count} rows", text.source)
    interval_ps, more = find_listed_interval(
        (edges_ps,), _resolution(layout), layout.rate_hz, hints, text.source
    )
    interval_ps, coarse = no_finer_than_printed(interval_ps, _resolution(layout))
    assumptions = [*text.assumptions, *layout.assumptions, *said, more, *coarse]
    assumptions += doubted_clock(lines, layout, hints)
    if vanished:
        assumptions.append(format_vanished(vanished))
    if is_cut:
        assumptions.append("The last row is cut short and was left out.")
    return Capture(lines, end - origin, interval_ps, text.source, tuple(assumptions))


def _ended(listed: dict[str, _Listed]) -> int:
    return max((line.end for line in listed.values()), default=0)


def _resolution(layout: Layout) -> int:
    events = layout.listed
    coarsest = resolution_ps(layout.time_unit, layout.time_decimals)
    if events.duration is not None:
        coarsest = max(coarsest, resolution_ps(events.duration_unit, events.duration_decimals))
    return coarsest


@dataclass(frozen=True, slots=True)
class _Batch:
    """Some rows: instants, names of lines, and levels or else durations."""

    times: IntArray
    names: pl.Series
    levels: npt.NDArray[np.int8]
    durations: IntArray | None


def refuse_disorder(frames: Iterable[pl.DataFrame], layout: Layout, source: str) -> None:
    """Look through rows, in cells of text, for one that contradicts those above it."""
    listed: dict[str, _Listed] = {}
    count = 0
    for frame in frames:
        cells = _select(frame.lazy(), replace(layout, is_loose=True)).collect()
        batch = _batch(cells, layout, source)
        _take(batch, listed, layout, source, count)
        count += batch.times.size


def _batch(frame: pl.DataFrame, layout: Layout, source: str) -> _Batch:
    times = frame.get_column("time").to_numpy()
    events = layout.listed
    durations = frame.get_column("value").to_numpy() if events.duration is not None else None
    if layout.time_kind == "sample" and layout.rate_hz is not None:
        numbers, times = times, at_samples(times, 1e12 / layout.rate_hz, source)
        if durations is not None and events.duration_unit == layout.time_unit:  # in samples too
            ends = durations if events.is_end else numbers + durations
            durations = at_samples(ends, 1e12 / layout.rate_hz, source) - times
    levels = frame.get_column("value").cast(pl.Int8, strict=False).to_numpy()
    return _Batch(times, frame.get_column("line"), levels, durations)


def _scan(path: Path, layout: Layout) -> pl.LazyFrame:
    return _select(scan_table(path, layout, {layout.time_place: time_type(layout)}), layout)


def _select(table: pl.LazyFrame, layout: Layout) -> pl.LazyFrame:
    events, time, is_text = layout.listed, layout.time_place, layout.is_text
    if events.level is not None:
        value = read_event_level(layout)
    else:
        value = read_duration(layout)
        if events.is_end and layout.time_kind != "sample":
            value = value - read_time(layout, is_text=is_text)
    line = (
        pl.lit("line1")
        if events.line is None
        else pl.col(f"c{events.line}").str.strip_chars(' \t\r"')
    )
    return table.select(
        read_time(layout, is_text=is_text).alias("time"),
        line.alias("line"),
        value.alias("value"),
        pl.lit(value=False).alias("bad"),
        is_blank(p for p in (time, *events.positions) if p is not None).alias("blank"),
    )


def _take(
    batch: _Batch, listed: dict[str, _Listed], layout: Layout, source: str, first_row: int
) -> None:
    disorders: list[DisorderError] = []
    is_run = layout.listed.is_run
    if is_run and bool((batch.times < 0).any()):
        disorders.append(
            negative_length(layout, source, first_row + int((batch.times < 0).argmax()))
        )
    for name in batch.names.unique(maintain_order=True):
        at = np.flatnonzero((batch.names == name).to_numpy())
        line = listed.setdefault(name, _Listed())
        if len(listed) > MAX_COLUMNS:
            disorders.append(
                DisorderError(
                    source,
                    f"more than {MAX_COLUMNS} lines are named",
                    "export fewer lines, or name the column that names them 'line'",
                    first_line=layout.skip_lines + 1,
                    index=first_row + int(at[0]),
                    column=layout.columns[layout.listed.line or 0],
                )
            )
            break
        times, levels = batch.times[at], batch.levels[at]
        if is_run:
            ends = line.end + np.cumsum(times)
            times, line.end = ends - times, int(ends[-1])
        if batch.durations is not None:
            times = np.stack([times, times + batch.durations[at]], axis=1).ravel()
            levels = np.tile(np.array([1, 0], np.int8), at.size)
        disorder = _find_disorder(line, times, at, (layout, source, first_row), name)
        if disorder is not None:
            disorders.append(disorder)
            continue
        line.last_time = int(times[-1])
        # A row that repeats the level is no change.
        kept = np.diff(levels, prepend=np.int8(line.last_level)) != 0
        line.last_level = int(levels[-1])
        line.times.append(times[kept])
        line.levels.append(levels[kept])
    if disorders:
        raise min(disorders, key=lambda disorder: disorder.index)


def _find_disorder(
    line: _Listed,
    times: IntArray,
    at: IntArray,
    place: tuple[Layout, str, int],
    name: str,
) -> DisorderError | None:
    first = times[0] if line.last_time is None else line.last_time
    steps = np.diff(times, prepend=first)
    if not bool((steps < 0).any()):
        return None
    layout, source, first_row = place
    index = int((steps < 0).argmax())
    by = format_interval(-float(steps[index]))
    per_row = times.size // at.size
    row = first_row + int(at[index // per_row])
    if per_row == 1:
        found = f"the time of line {name} goes backwards by {by}"
    elif index % 2:
        found = f"a pulse of line {name} lasts {by} less than nothing"
    else:
        found = f"a pulse of line {name} begins {by} before the one above it ends"
    remedy = "mend this row, or export the recording again"
    return DisorderError(source, found, remedy, first_line=layout.skip_lines + 1, index=row)


def _origin(listed: dict[str, _Listed], layout: Layout) -> tuple[int, tuple[str, ...]]:
    starts = [int(line.times_ps[0]) for line in listed.values()]
    start = min(starts)
    lists_edges, lists_pulses = layout.listed.is_edge, layout.listed.duration is not None
    is_lone_low = _is_lone_low(listed) and not lists_edges
    lists_levels = starts.count(start) > 1 and not lists_pulses and not lists_edges
    # All lines at one instant, some of them low: levels, for no two lines fall with the first row.
    firsts = [int(line.levels[0][0]) for line in listed.values()]
    is_state = lists_levels and starts.count(start) == len(starts) and 0 in firsts
    is_own = layout.time_kind != "stamp" and not layout.time_origin and 0 <= start <= PS_PER_S
    if is_own and not (is_state and start):
        if start == 0:
            return 0, ("What is listed at time 0 is the level at the start.",)
        said = (f"Time 0 is the file's own, {format_interval(start)} before the first row.",)
        return 0, (*said, *("The first row lists the level at the start.",) * is_lone_low)
    if lists_levels or (is_lone_low and not lists_pulses):
        return start, (f"Time 0 is the first row ({start / PS_PER_S:.9g} s in the file). It lists "
                       "the levels at the start.",)  # fmt: skip
    return start - _MARGIN_PS, (
        f"Time 0 is {format_interval(_MARGIN_PS)} before the first row, so that it "
        "counts as an edge.",
    )


def _is_lone_low(listed: dict[str, _Listed]) -> bool:
    """Whether the only line is first listed low: a level, for nothing shows that it was high."""
    return [int(line.levels[0][0]) for line in listed.values()] == [0]


def _lines(listed: dict[str, _Listed], origin: int, layout: Layout) -> tuple[dict[str, Line], int]:
    lines: dict[str, Line] = {}
    vanished = 0
    is_lone_low = _is_lone_low(listed) and not layout.listed.is_edge
    for name, line in listed.items():
        times = line.times_ps - origin
        levels = np.concatenate(line.levels)
        at_start = int(np.searchsorted(times, 0, side="right")) or int(is_lone_low)
        initial = int(levels[at_start - 1]) if at_start else 1 - int(levels[0])
        kept = without_zero_widths(times[at_start:])
        vanished += times.size - at_start - kept.size
        lines[name] = Line(name, kept, initial)
    return lines, vanished
