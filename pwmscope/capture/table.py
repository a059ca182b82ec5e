"""A text table of levels as a Capture: sampled or change-listed, with or without time."""

from __future__ import annotations

from pathlib import Path
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from pwmscope.capture.capture import Capture, Line
from pwmscope.capture.changes import Changes, gather_changes
from pwmscope.capture.hints import Hints
from pwmscope.capture.lattice import find_interval_ps
from pwmscope.capture.layout import Layout, find_layout, read_head
from pwmscope.capture.rows import stream_rows
from pwmscope.capture.units import EXPONENT_OF_UNIT, say_interval, say_rate
from pwmscope.errors import CaptureError, HintError


def read_table(path: Path, hints: Hints, *, batch_rows: int | None = None) -> Capture:
    """Read a delimited text table of digital levels.

    Three shapes are told apart from the data: one row per sample with a time
    column, one row per change with a time column, and samples without time
    (their rate comes from the hints).

    Parameters
    ----------
    path : Path
        A plain or gzip text file.
    hints : Hints
        What the person said about it.
    batch_rows : int, optional
        Rows to parse at a time; it has no effect on the result.

    Returns
    -------
    Capture
        Edges of every level column; the first row's time is 0.

    Raises
    ------
    CaptureError, HintError
        One sentence: what was found where, and what to do.
    """
    source = str(path)
    layout = find_layout(read_head(path), source, hints)
    if layout.time_column is None and hints.rate_hz is None:
        raise HintError(
            f"{source}: the rows carry no time column, so the sample rate is needed; "
            "add --rate with the analyser's setting, for example --rate 1MHz."
        )
    batches = stream_rows(path, layout, batch_rows=batch_rows)
    changes = gather_changes(batches, source, layout.skip_lines + 1)
    if not changes.rows.size:
        raise _no_edges(changes, layout, source)
    times_ps, duration_ps, interval_ps, said = _clock(changes, layout, hints, source)
    lines, more = _lines(changes, times_ps, layout)
    if not any(line.edges_ps.size for line in lines.values()):
        raise _no_edges(changes, layout, source)
    if changes.lost_last_row:
        more = (*more, "The last row is cut short and was left out.")
    return Capture(lines, duration_ps, interval_ps, source, layout.assumptions + said + more)


def _no_edges(changes: Changes, layout: Layout, source: str) -> CaptureError:
    return CaptureError(
        source,
        f"none of the lines ({', '.join(layout.level_columns)}) changes level in "
        f"{changes.row_count} rows",
        "check the ground wire, the clips and the recording's length, then record again",
    )


_Clock: TypeAlias = tuple[npt.NDArray[np.int64], int, float | None, tuple[str, ...]]


def _clock(changes: Changes, layout: Layout, hints: Hints, source: str) -> _Clock:
    if changes.time_ps is None:
        assert hints.rate_hz is not None  # read_table refused the file otherwise
        interval_ps = 1e12 / hints.rate_hz
        times_ps = _at_rows(changes.rows, interval_ps)
        duration_ps = int(_at_rows(np.array([changes.row_count - 1]), interval_ps)[0])
        said = (f"Samples are {say_interval(interval_ps)} apart ({say_rate(interval_ps)}), as you "
                "said.",)  # fmt: skip
        return times_ps, duration_ps, interval_ps, said
    if changes.end_ps == changes.start_ps:
        raise CaptureError(
            source,
            "every row has the same time",
            "export again with more decimals in the time column",
            row=layout.skip_lines + 1,
            column=layout.time_column,
        )
    # A list of changes may begin and end with a row that changes nothing.
    if 2 * changes.rows.size >= max(1, changes.row_count - 2):
        return _change_clock(changes, changes.time_ps, layout, hints)
    return _sample_clock(changes, changes.time_ps, layout, hints, source)


def _at_rows(rows: npt.NDArray[np.int64], interval_ps: float) -> npt.NDArray[np.int64]:
    """Instants of sample numbers, exact to a picosecond at any length."""
    whole = int(interval_ps)
    instants: npt.NDArray[np.int64] = rows * whole + np.rint(rows * (interval_ps - whole)).astype(
        np.int64
    )
    return instants


def _resolution_ps(layout: Layout) -> int:
    exponent = EXPONENT_OF_UNIT[layout.time_unit] - layout.time_decimals
    return int(10 ** max(0, exponent))


def _origin(changes: Changes) -> tuple[str, ...]:
    if changes.start_ps == 0:
        return ()
    start_s = changes.start_ps / 1e12
    return (f"Time 0 is the first row, which the file calls {start_s:.9g} s.",)


def _change_clock(
    changes: Changes, listed_ps: npt.NDArray[np.int64], layout: Layout, hints: Hints
) -> _Clock:
    times_ps = listed_ps - changes.start_ps
    duration_ps = changes.end_ps - changes.start_ps
    said = ["Most rows change a level, so the file is read as one row per change."]
    if changes.rows[-1] == changes.row_count - 1:
        said.append(
            "The last row is itself a change, so the recording is taken to end there; "
            "lines that went quiet together after it could not be seen."
        )
    resolution_ps = _resolution_ps(layout)
    if hints.rate_hz is not None:
        interval_ps: float | None = 1e12 / hints.rate_hz
        said.append(f"Samples were {say_interval(1e12 / hints.rate_hz)} apart, as you said.")
    else:
        interval_ps = find_interval_ps(listed_ps, resolution_ps)
        if interval_ps is not None:
            said.append(
                f"All {listed_ps.size} changes lie on ticks {say_interval(interval_ps)} apart, "
                f"which is taken as the sampling interval ({say_rate(interval_ps)})."
            )
        else:
            said.append(
                "The sampling interval is not stated and does not show in the change times "
                f"(printed to {say_interval(resolution_ps)}); --rate would tell it."
            )
    return times_ps, duration_ps, interval_ps, (*_origin(changes), *said)


def _sample_clock(
    changes: Changes, listed_ps: npt.NDArray[np.int64], layout: Layout, hints: Hints, source: str
) -> _Clock:
    duration_ps = changes.end_ps - changes.start_ps
    resolution_ps = _resolution_ps(layout)
    mean_ps = duration_ps / (changes.row_count - 1)
    is_even = changes.step_most_ps - changes.step_least_ps <= max(2 * resolution_ps, 0.01 * mean_ps)
    said = [*_origin(changes)]
    if is_even:
        interval_ps = _round_interval(mean_ps, resolution_ps / (changes.row_count - 1))
        times_ps = _at_rows(changes.rows, interval_ps)
        error_ps = int(np.abs(times_ps - (listed_ps - changes.start_ps)).max())
        is_even = error_ps <= resolution_ps + 0.01 * interval_ps
    if is_even:
        said.append(
            f"Rows are samples {say_interval(interval_ps)} apart ({say_rate(interval_ps)}), "
            "found from the time column."
        )
    else:
        interval_ps = float(changes.step_most_ps)
        times_ps = listed_ps - changes.start_ps
        line = layout.skip_lines + 1 + changes.step_most_row
        said.append(
            f"Rows are samples at uneven steps of {say_interval(changes.step_least_ps)} to "
            f"{say_interval(interval_ps)} (row {line}); the longest step is taken as the "
            "sampling interval, so uncertainties are on the large side."
        )
    _check_rate(hints, interval_ps, source)
    return times_ps, duration_ps, interval_ps, tuple(said)


def _round_interval(mean_ps: float, tolerance_ps: float) -> float:
    """Take the round sample rate next to a fitted one where the printed digits allow it."""
    rate_hz = float(f"{1e12 / mean_ps:.4g}")
    nearest_ps = 1e12 / rate_hz
    return nearest_ps if abs(nearest_ps - mean_ps) <= tolerance_ps else mean_ps


def _check_rate(hints: Hints, interval_ps: float, source: str) -> None:
    if hints.rate_hz is None:
        return
    if abs(interval_ps * hints.rate_hz / 1e12 - 1) > 0.01:
        raise HintError(
            f"{source}: the time column shows {say_rate(interval_ps)} but --rate says "
            f"{say_rate(1e12 / hints.rate_hz)}; leave --rate out, or give the right --time-unit."
        )


def _lines(
    changes: Changes, times_ps: npt.NDArray[np.int64], layout: Layout
) -> tuple[dict[str, Line], tuple[str, ...]]:
    lines: dict[str, Line] = {}
    vanished = 0
    previous = np.concatenate([np.array([changes.first_word], np.uint64), changes.words[:-1]])
    flipped = previous ^ changes.words
    for bit, name in enumerate(layout.level_columns):
        mask = np.uint64(1 << bit)
        edges_ps = times_ps[(flipped & mask) != 0]
        kept_ps = _without_zero_widths(edges_ps)
        vanished += edges_ps.size - kept_ps.size
        lines[name] = Line(name, kept_ps, int(bool(changes.first_word & int(mask))))
    if vanished:
        return lines, (
            f"{vanished} level changes share their time with another change of the same line; "
            "pulses of no length were left out.",
        )
    return lines, ()


def _without_zero_widths(edges_ps: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Drop edges that cancel: of each run of equal times keep one if its count is odd."""
    if edges_ps.size < 2 or bool(np.all(np.diff(edges_ps) > 0)):
        return edges_ps
    instants, counts = np.unique(edges_ps, return_counts=True)
    kept: npt.NDArray[np.int64] = instants[counts % 2 == 1]
    return kept
