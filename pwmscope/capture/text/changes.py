"""Rows in which any level changed, gathered from a stream of row batches."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pwmscope.capture.text.rows import RowBatch, Words
from pwmscope.capture.units import say_interval
from pwmscope.errors import CaptureError


@dataclass(frozen=True, slots=True)
class Changes:
    """Every row whose levels differ from the row before, and what the time column did.

    Parameters
    ----------
    first_word : int
        Packed levels of the first row.
    rows : ndarray of int64, shape (n_changes,)
        Index of each changed row among the rows of data.
    words : ndarray of unsigned int, shape (n_changes,)
        Packed levels in each changed row.
    time_ps : ndarray of int64, shape (n_changes,), or None
        Time of each changed row as the file gives it; None without a time column.
    row_count : int
        Rows of data in all.
    start_ps, end_ps : int
        Time of the first and last row (0 without a time column).
    step_least_ps, step_most_ps : int
        Shortest and longest step between consecutive rows.
    step_most_row : int
        Index of the row that ends the longest step.
    lost_last_row : bool
        Whether the file's last row was cut short and left out.
    """

    first_word: int
    rows: npt.NDArray[np.int64]
    words: Words
    time_ps: npt.NDArray[np.int64] | None
    row_count: int
    start_ps: int
    end_ps: int
    step_least_ps: int
    step_most_ps: int
    step_most_row: int
    lost_last_row: bool


def gather_changes(
    batches: Iterable[RowBatch],
    source: str,
    first_line: int,
    say_step: Callable[[float], str] = say_interval,
) -> Changes:
    """Keep only the changed rows of a stream; samples are never held.

    Parameters
    ----------
    batches : iterable of RowBatch
        Consecutive batches. How the rows are cut into batches has no effect.
    source : str
        The file's name, for messages.
    first_line : int
        Line of the file that holds the first row, counted from 1.
    say_step : callable, optional
        Writes a difference of two values of the time column; picoseconds unless told.

    Returns
    -------
    Changes
        The changed rows.

    Raises
    ------
    CaptureError
        If time goes backwards, or there are fewer than two rows.
    """
    rows: list[npt.NDArray[np.int64]] = []
    words: list[Words] = []
    times: list[npt.NDArray[np.int64]] = []
    first_word = previous_word = 0
    start_ps = previous_ps = 0
    least, most, most_row, count = np.iinfo(np.int64).max, -1, 0, 0
    lost_last_row = False
    for batch in batches:
        lost_last_row = batch.lost_last_row
        if not batch.words.size:
            continue
        is_first = count == 0
        if is_first:
            first_word = previous_word = int(batch.words[0])
        at = _changed(batch.words, previous_word)
        all_changed = at.size == batch.words.size  # the usual case in a list of changes
        rows.append(at + batch.first_row)
        words.append(batch.words if all_changed else batch.words[at])
        previous_word = int(batch.words[-1])
        if batch.time_ps is not None:
            if is_first:
                start_ps = previous_ps = int(batch.time_ps[0])
            steps = np.diff(batch.time_ps, prepend=previous_ps)[int(is_first) :]
            if steps.size:
                low, high = int(steps.min()), int(steps.max())
                if low < 0:
                    _refuse_backwards(batch, steps, source, first_line, say_step)
                least = min(least, low)
                if high > most:
                    most = high
                    most_row = batch.first_row + int(is_first) + int(steps.argmax())
            times.append(batch.time_ps if all_changed else batch.time_ps[at])
            previous_ps = int(batch.time_ps[-1])
        count = batch.first_row + batch.words.size
    if count < 2:
        raise CaptureError(
            source,
            f"{count} row of data found, at least two are needed to see a level change",
            "export the whole recording",
            row=first_line,
        )
    return Changes(
        first_word,
        np.concatenate(rows),
        np.concatenate(words),
        np.concatenate(times) if times else None,
        count,
        start_ps,
        previous_ps,
        int(least),
        most,
        most_row,
        lost_last_row,
    )


def _changed(words: Words, previous_word: int) -> npt.NDArray[np.int64]:
    """Rows whose word differs from the one before."""
    differs = np.empty(words.size, dtype=bool)
    differs[0] = int(words[0]) != previous_word
    np.not_equal(words[1:], words[:-1], out=differs[1:])
    return np.flatnonzero(differs)


def _refuse_backwards(
    batch: RowBatch,
    steps: npt.NDArray[np.int64],
    source: str,
    first_line: int,
    say_step: Callable[[float], str],
) -> None:
    at = int((steps < 0).argmax())
    row = batch.first_row + batch.words.size - steps.size + at
    raise CaptureError(
        source,
        f"time goes backwards by {say_step(-float(steps[at]))}",
        "export the recording again, or split the file here if it holds two recordings",
        row=first_line + row,
    )
