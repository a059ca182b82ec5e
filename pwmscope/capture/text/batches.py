"""Rows of a table on their way to lines: all of some rows, or those that change a level."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, TypeAlias

import numpy as np
import numpy.typing as npt

from pwmscope.capture.reader.unpack import find_packing
from pwmscope.capture.text.layout import Layout
from pwmscope.errors import CaptureError

Words: TypeAlias = npt.NDArray[np.unsignedinteger[Any]]
"""Packed levels, a word per row, in an unsigned type of any size."""


class RowError(CaptureError):
    """A row could not be read as the head of the file promised."""


@dataclass(frozen=True, slots=True)
class RowBatch:
    """Some consecutive rows, all levels of a row packed into one word."""

    first_row: int  # Index of the first row among the rows of data, counted from 0
    # shape (n_rows,): The bits of each level column where the layout places them, in as few bytes
    # as hold them; those of voltages are 0 until a comparator sets them
    words: Words
    # shape (n_rows,): The time column in picoseconds, exact, or sample numbers; None where there is
    # none
    time_ps: npt.NDArray[np.int64] | None
    # Whether the file's last row was cut short and left out of this batch
    lost_last_row: bool = False
    # shape (n_rows,): The voltage columns, in the layout's order
    volts: tuple[npt.NDArray[np.float64], ...] = ()


_DAY_PS: Final = 86_400 * 10**12
_NEARLY_A_DAY_PS: Final = _DAY_PS - 3600 * 10**12


def past_midnight(batches: Iterable[RowBatch]) -> Iterator[RowBatch]:
    """Let times of day go on where they fall back by nearly a day."""
    days, last = 0, None
    for batch in batches:
        if batch.time_ps is None or not batch.time_ps.size:
            yield batch
            continue
        times = batch.time_ps
        before = times[:1] if last is None else np.array([last], np.int64)
        falls = np.diff(times, prepend=before) < -_NEARLY_A_DAY_PS
        passed = days + np.cumsum(falls)
        days, last = int(passed[-1]), int(times[-1])
        yield replace(batch, time_ps=times + _DAY_PS * passed)


@dataclass(frozen=True, slots=True)
class Steps:
    """What the steps of time between consecutive rows are, in picoseconds or sample numbers."""

    # Shortest and longest; beyond every step where there is none
    least_ps: int = np.iinfo(np.int64).max
    most_ps: int = -1
    most_at: int = 0  # The row that ends the longest
    # The first row that is earlier than the one above, and by how much
    backwards_at: int | None = None
    backwards_ps: int = 0


NO_STEPS: Final = Steps()


def find_steps(times: npt.NDArray[np.int64], scale_ps: int = 1) -> Steps:
    """Find the shortest and longest step between rows, and the first one back.

    Examples
    --------
    >>> find_steps(np.array([0, 2, 3, 1, 9]))
    Steps(least_ps=-2, most_ps=8, most_at=4, backwards_at=3, backwards_ps=2)
    """
    steps = np.subtract(times[1:], times[:-1])
    if not steps.size:
        return NO_STEPS
    least, at = int(steps.min()), int(steps.argmax())
    most = int(steps[at])
    if least >= 0:
        return Steps(least * scale_ps, most * scale_ps, at + 1)
    back = int((steps < 0).argmax())
    return Steps(least * scale_ps, most * scale_ps, at + 1, back + 1, -int(steps[back]) * scale_ps)


@dataclass(frozen=True, slots=True)
class ChangedRows:
    """Some consecutive rows of which only those are kept that change a level."""

    first_row: int  # Index of the first row among the rows of data, counted from 0
    row_count: int  # Rows, at least 1
    # Packed levels of the first and the last row
    first_word: int
    last_word: int
    # shape (n_changes,): Rows that differ from the one above, never the first, counted from it
    at: npt.NDArray[np.int64]
    words: Words  # shape (n_changes,): Their packed levels
    # shape (n_changes,): Their times in picoseconds or sample numbers; None where rows carry none
    time_ps: npt.NDArray[np.int64] | None = None
    # Times of the first and the last row
    first_ps: int = 0
    last_ps: int = 0
    steps: Steps = NO_STEPS  # Between two of these rows
    lost_last_row: bool = False  # Whether the file's last row was cut short and left out


def expected_rows(path: Path, layout: Layout) -> int | None:
    """Estimate the rows from the file's size, so that waiting can be told; None if packed."""
    if not layout.row_bytes or find_packing(path) != "plain":
        return None
    return int(path.stat().st_size / layout.row_bytes)
