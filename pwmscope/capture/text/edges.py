"""From rows to lines of edges: which rows change a level, and when they were."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, Literal, TypeAlias

import numpy as np
import numpy.typing as npt

from pwmscope.capture.reader.hints import (
    MIN_CHANGES,
    Hints,
    check_rate,
    find_listed_interval,
    format_interval,
    format_rate,
    size_of_unit,
)
from pwmscope.capture.reader.unpack import find_packing
from pwmscope.capture.text.columns import LevelColumn
from pwmscope.capture.text.comparator import Comparator, Crossings
from pwmscope.capture.text.layout import Layout
from pwmscope.errors import CaptureError, HintError
from pwmscope.model import Assumption, FloatArray, IntArray, Line, Plateaus, Voltage, at_once

Words: TypeAlias = npt.NDArray[np.unsignedinteger[Any]]
"""Packed levels, a word per row, in an unsigned type of any size."""


class RowError(CaptureError):
    """A row could not be read as the head of the file promised."""

    is_certain: bool = False  # Whether it is no remark, and its letters are no other encoding's


class DisorderError(CaptureError):
    """A row can be read, but contradicts those above it.

    Parameters
    ----------
    first_line : int
        Line of the file on which the rows begin.
    index : int
        The row's index among them, blank lines not counted.
    """

    def __init__(
        self,
        source: str,
        found: str,
        remedy: str,
        *,
        first_line: int,
        index: int,
        column: str | None = None,
    ) -> None:
        super().__init__(source, found, remedy, row=first_line + index, column=column)
        self.index = index
        self._said = (found, remedy)

    def at(self, line: int) -> DisorderError:
        """Say so of the line on which the row stands."""
        return DisorderError(
            self.source, *self._said, first_line=line - self.index, index=self.index,
            column=self.column,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class RowBatch:
    """Some consecutive rows, all levels of a row packed into one word."""

    first_row: int  # Index of the first row among the rows of data, counted from 0
    # shape (n_rows,): The bits of each level column where the layout places them, in as few bytes
    # as hold them; those of voltages are 0 until a comparator sets them
    words: Words
    # shape (n_rows,): The time column in picoseconds, exact, or sample numbers; None where there is
    # none
    time_ps: IntArray | None
    # Whether the file's last row was cut short and left out of this batch
    lost_last_row: bool = False
    # shape (n_rows,): The voltage columns, in the layout's order
    volts: tuple[FloatArray, ...] = ()


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


def find_steps(times: IntArray, scale_ps: int = 1) -> Steps:
    """Find the shortest and longest step between rows, and the first one back.

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
    at: IntArray
    words: Words  # shape (n_changes,): Their packed levels
    # shape (n_changes,): Their times in picoseconds or sample numbers; None where rows carry none
    time_ps: IntArray | None = None
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


@dataclass(frozen=True, slots=True)
class Changes:
    """Every row whose levels differ from the row before, and what the time column did."""

    first_word: int  # Packed levels of the first row
    # The changed rows in pieces: a row of data, and for each changed row how far beyond it it is
    row_parts: tuple[tuple[int, IntArray], ...]
    words: Words  # shape (n_changes,): Packed levels in each changed row
    # Time of each changed row as the file gives it, in as many pieces; None without a time column
    time_parts: tuple[IntArray, ...] | None
    row_count: int  # Rows of data in all
    # Time of the first and last row (0 without a time column)
    start_ps: int
    end_ps: int
    steps: Steps  # Between all consecutive rows
    lost_last_row: bool  # Whether the file's last row was cut short and left out

    @property
    def rows(self) -> IntArray:
        """Index of each changed row among the rows of data, shape (n_changes,)."""
        return np.concatenate([at + first for first, at in self.row_parts])

    @property
    def last_changed(self) -> int:
        """The last of them; there is one."""
        first, at = next(part for part in reversed(self.row_parts) if part[1].size)
        return first + int(at[-1])

    @property
    def time_ps(self) -> IntArray | None:
        """Their times in one piece."""
        return None if self.time_parts is None else np.concatenate(self.time_parts)


def gather_changes(
    batches: Iterable[ChangedRows | RowBatch], source: str, layout: Layout
) -> Changes:
    """Keep only the changed rows of a stream; samples are never held."""
    rows: list[tuple[int, IntArray]] = []
    words: list[Words] = []
    times: list[IntArray] = []
    first: ChangedRows | None = None
    before: ChangedRows | None = None
    least_ps, most, lost_last_row = NO_STEPS.least_ps, (NO_STEPS.most_ps, 0), False
    for batch in batches:
        lost_last_row = batch.lost_last_row
        piece = _condensed(batch) if isinstance(batch, RowBatch) else batch
        if not piece.row_count:
            continue
        steps_here = [(piece.steps, 0)]
        if before is None:
            first = before = replace(piece, last_word=piece.first_word)
        elif piece.time_ps is not None:
            steps_here.insert(0, (find_steps(np.array([before.last_ps, piece.first_ps])), -1))
        for more, beyond in steps_here:
            row = piece.first_row + beyond
            if more.backwards_at is not None:
                raise backwards(row + more.backwards_at, more.backwards_ps, source, layout)
            longest = (more.most_ps, row + more.most_at)
            most = max(most, longest, key=lambda each: each[0])
            least_ps = min(least_ps, more.least_ps)
        if piece.first_word != before.last_word:
            rows.append((piece.first_row, _FIRST))
            words.append(np.array([piece.first_word], piece.words.dtype))
            times.append(np.array([piece.first_ps]))
        rows.append((piece.first_row, piece.at))
        words.append(piece.words)
        if piece.time_ps is not None:
            times.append(piece.time_ps)
        before = piece
    count = 0 if before is None else before.first_row + before.row_count
    if first is None or before is None or count < 2:
        raise CaptureError(
            source,
            f"{count} row of data found, at least two are needed to see a level change",
            "export the whole recording",
            row=layout.skip_lines + 1,
        )
    return Changes(
        first_word=first.first_word,
        row_parts=tuple(rows),
        words=np.concatenate(words),
        time_parts=None if first.time_ps is None else tuple(times),
        row_count=count,
        start_ps=first.first_ps,
        end_ps=before.last_ps,
        steps=Steps(least_ps, *most),
        lost_last_row=lost_last_row,
    )


_FIRST: Final = np.zeros(1, np.int64)


def _condensed(batch: RowBatch) -> ChangedRows:
    """Keep of rows only those that change a level."""
    words, times = batch.words, batch.time_ps
    if not words.size:
        return ChangedRows(batch.first_row, 0, 0, 0, np.zeros(0, np.int64), words)
    at = np.flatnonzero(words[1:] != words[:-1]) + 1
    kept = slice(1, None) if at.size == words.size - 1 else at  # all, in a list of changes
    changed = ChangedRows(
        batch.first_row, words.size, int(words[0]), int(words[-1]), at, words[kept]
    )
    if times is None:
        return changed
    first_ps, last_ps = int(times[0]), int(times[-1])
    steps = find_steps(times)
    return replace(changed, time_ps=times[kept], first_ps=first_ps, last_ps=last_ps, steps=steps)


def joined(parts: Iterable[Changes]) -> Changes:
    """Join what was gathered from the same rows for other columns: every row that changes any."""
    first, *others = parts
    if not others:
        return first
    rows, at = np.unique(
        np.concatenate([first.rows, *(part.rows for part in others)]), return_index=True
    )
    times = None
    if first.time_parts is not None:
        held = [part.time_ps for part in (first, *others) if part.time_ps is not None]
        times = (np.concatenate(held)[at],)
    # The levels themselves stay with each part; a word here only says that something changed.
    words = np.arange(1, rows.size + 1, dtype=np.uint64) & np.uint64(1)
    return replace(first, first_word=0, row_parts=((0, rows),), words=words, time_parts=times)


def refuse_backwards(batches: Iterable[RowBatch], source: str, layout: Layout) -> None:
    """Look for a time that goes back."""
    last = np.zeros(0, np.int64)
    for batch in batches:
        if batch.time_ps is not None:
            steps = find_steps(np.concatenate([last, batch.time_ps]))
            if steps.backwards_at is not None:
                row = batch.first_row + steps.backwards_at - last.size
                raise backwards(row, steps.backwards_ps, source, layout)
            last = batch.time_ps[-1:] if batch.time_ps.size else last


def backwards(row: int, step: int, source: str, layout: Layout) -> DisorderError:
    """Say that a row's time is so much before that of the row above."""
    by = f"{step:g} samples" if layout.time_kind == "sample" else format_interval(float(step))
    remedy = "export the recording again, or split the file here if it holds two recordings"
    found = f"time goes backwards by {by}"
    return DisorderError(source, found, remedy, first_line=layout.skip_lines + 1, index=row)


@dataclass(frozen=True, slots=True)
class Clock:
    """How rows become instants."""

    # Instants come from the row's index, from the sample number that the row holds, or from the
    # time that it holds
    basis: Literal["row", "number", "time"]
    start: int  # The first row's number or time
    duration_ps: int  # From the first row to the last
    interval_ps: float | None  # The sampling interval
    assumptions: tuple[str, ...]  # What was assumed, each a plain sentence
    source: str  # The file's name, for messages
    # Whether a voltage of two values changes at its row's time, not somewhere since the row above
    is_uneven: bool = False

    def instants_ps(self, rows: IntArray, held: IntArray | None) -> IntArray:
        """Instants of rows in picoseconds since the first."""
        if self.basis == "time" and held is not None:
            return held - self.start
        numbers = held - self.start if self.basis == "number" and held is not None else rows
        return at_samples(numbers, self.interval_ps or 0.0, self.source)

    def edges_ps(self, comparator: Comparator) -> IntArray:
        """Instants at which a voltage changed level."""
        crossings = comparator.crossings
        if self.is_uneven and comparator.is_two_valued:
            return self.instants_ps(crossings.rows, crossings.after)
        return self.crossing_instants_ps(crossings)

    def crossing_instants_ps(self, crossings: Crossings) -> IntArray:
        """Instants between two rows at which a voltage crossed its threshold, never at 0."""
        before = self.instants_ps(crossings.rows - 1, crossings.before)
        after = self.instants_ps(crossings.rows, crossings.after)
        part = np.rint(crossings.parts * (after - before)).astype(np.int64)
        crossed: IntArray = np.maximum(before + part, 1)
        return crossed


_MAX_PS: Final = 9e18


def at_samples(numbers: IntArray, interval_ps: float, source: str) -> IntArray:
    """Instants of sample numbers, exact to a picosecond; refused after 106 days."""
    if numbers.size and max(abs(int(numbers.min())), int(numbers.max())) * interval_ps > _MAX_PS:
        raise CaptureError(
            source,
            "at this rate the samples come to more than 106 days",
            "give the rate at which they were taken with `rate`",
        )
    whole = int(interval_ps)
    part = np.rint(numbers * (interval_ps - whole)).astype(np.int64)
    instants: IntArray = numbers * whole + part
    return instants


def find_clock(
    changes: Changes,
    layout: Layout,
    hints: Hints,
    source: str,
    voltages: Mapping[str, Comparator],
) -> Clock:
    """Find out when rows were, and whether each stands for a change or for a sample."""
    rate_hz = hints.rate_hz or layout.rate_hz
    moving = {n: each for n, each in voltages.items() if each.crossings.rows.size}
    if changes.time_parts is None:
        clock = _counted(changes, rate_hz, hints, source)
        return replace(clock, assumptions=(*clock.assumptions, *_said_of_edges(moving, clock)))
    if changes.end_ps == changes.start_ps:
        raise CaptureError(
            source,
            "every row has the same time",
            "export again with more decimals in the time column",
            row=layout.skip_lines + 1,
            column=layout.time_column,
        )
    if layout.time_kind == "sample":
        interval_ps, evenly = 0.0, changes.steps.most_ps == changes.steps.least_ps
    else:
        interval_ps, evenly = _mean_interval(changes, layout, source)
    is_list = lists_changes(changes)
    if is_list and not evenly:
        _refuse_sloping_changes(moving, layout, source)
    if layout.time_kind == "sample":
        clock = replace(_counted(changes, rate_hz, hints, source), is_uneven=not evenly)
    elif is_list and (not layout.analogue or not evenly):
        said = "Most rows change a level, so the file is read as one row per change."
        clock = _change_clock(changes, layout, hints, source, said)
    elif not evenly and not moving and _lack_lines(changes, hints, layout, source):
        said = (
            "Rows are changes, though most change none of the lines read: pulses repeat far more "
            "closely than rows come."
        )
        clock = _change_clock(changes, layout, hints, source, said)
    else:
        clock = _sample_clock(changes, layout, hints, source, interval_ps, is_even=evenly)
    return replace(clock, assumptions=(*clock.assumptions, *_said_of_edges(moving, clock)))


def lists_changes(changes: Changes) -> bool:
    """Whether most rows change a level; the first and the last of a list may change nothing."""
    return 2 * changes.words.size >= max(1, changes.row_count - 2)


def come_evenly(changes: Changes, layout: Layout, source: str) -> bool:
    """Whether rows are samples at even steps, whatever they change."""
    if changes.time_parts is None or layout.time_kind == "sample":
        return True
    return changes.end_ps == changes.start_ps or _mean_interval(changes, layout, source)[1]


_FEW_PS: Final = 250 * 10**6
"""Samples further apart than this show a servo pulse by three rows or fewer."""
_NEARLY_EVEN: Final = 1.5
_LUMPY: Final = 8
"""A sampling clock's shortest step is no shorter than this part of the mean; steps so far both
below and above it are no clock's (own choices)."""
_REPEATS: Final = 0.05
"""Of the mean step: samples would scatter each span by 0.39 of it (median of four uniform errors),
so spans that repeat this closely were not timed by them."""


def _lack_lines(changes: Changes, hints: Hints, layout: Layout, source: str) -> bool:
    """Whether rows that mostly change nothing are changes of lines that are not among them.

    Where rows are neither these nor samples, no interval is right: they are refused.
    """
    least_ps, most_ps = changes.steps.least_ps, changes.steps.most_ps
    mean_ps = (changes.end_ps - changes.start_ps) / (changes.row_count - 1)
    is_lumpy = _LUMPY * least_ps < mean_ps < most_ps / _LUMPY
    are_few = mean_ps > _FEW_PS and _NEARLY_EVEN * least_ps < mean_ps
    if hints.rate_hz is not None and (is_lumpy or are_few):
        return True
    if are_few and _repetition_ps(changes) <= _REPEATS * mean_ps:
        return True
    if not is_lumpy:
        return False
    raise CaptureError(
        source,
        f"rows come {format_interval(least_ps)} to {format_interval(most_ps)} apart, and most "
        "change none of the lines",
        "keep all lines of a list of changes, or leave out rows that change none, or give `rate`",
        row=layout.skip_lines + 1 + changes.steps.most_at,
    )


def _repetition_ps(changes: Changes) -> float:
    """Tell by how much a line's spans differ from the one before of the same level, as a median."""
    flipped, times_ps = _flipped(changes), changes.time_ps
    assert times_ps is not None  # rows without times are samples
    found = []
    for bit in range(8 * flipped.dtype.itemsize):
        spans_ps = np.diff(times_ps[(flipped >> flipped.dtype.type(bit)) & 1 == 1])
        found.append(np.abs(spans_ps[2:] - spans_ps[:-2]))
    differences_ps = np.concatenate(found)
    return float(np.median(differences_ps)) if differences_ps.size else float("inf")


def _mean_interval(changes: Changes, layout: Layout, source: str) -> tuple[float, bool]:
    """Find the mean step of time from row to row, and whether every step is as long."""
    resolution = resolution_ps(layout.time_unit, layout.time_decimals)
    mean_ps = (changes.end_ps - changes.start_ps) / (changes.row_count - 1)
    tolerance_ps = resolution / (changes.row_count - 1)
    interval_ps = _round_interval(mean_ps, tolerance_ps, layout.rate_hz)
    if changes.steps.most_ps - changes.steps.least_ps > max(2 * resolution, 0.01 * mean_ps):
        return interval_ps, False
    listed_ps = changes.time_ps
    assert listed_ps is not None  # rows without times have no step either
    times_ps = at_samples(changes.rows, interval_ps, source)
    error_ps = int(np.abs(times_ps - (listed_ps - changes.start_ps)).max())
    return interval_ps, error_ps <= resolution + 0.01 * interval_ps


def _refuse_sloping_changes(
    voltages: Mapping[str, Comparator], layout: Layout, source: str
) -> None:
    """Refuse uneven rows that mostly change a level where a voltage is seen on its way."""
    sloping = [name for name, each in voltages.items() if not each.is_two_valued]
    if sloping:
        raise CaptureError(
            source,
            "most rows change a level at uneven times, so they may be changes or samples of a "
            "voltage",
            "export levels as 0 and 1, or samples at even steps, or name the digital `lines`",
            row=layout.skip_lines + 1,
            column=sloping[0],
        )


def _said_of_edges(voltages: Mapping[str, Comparator], clock: Clock) -> list[str]:
    """Say where between two rows a voltage's edge lies."""
    by_row = [f"'{n}'" for n, each in voltages.items() if each.is_two_valued and clock.is_uneven]
    said = []
    if by_row:
        names = ", ".join(by_row[:8])
        said.append(f"Voltages of two values change at the time of their row: {names}.")
    if len(by_row) < len(voltages):
        said.append("Edges are interpolated between the two samples around the threshold.")
    return said


def _counted(changes: Changes, rate_hz: float | None, hints: Hints, source: str) -> Clock:
    assert rate_hz is not None  # the file was refused otherwise
    interval_ps = 1e12 / rate_hz
    basis: Literal["row", "number"] = "row" if changes.time_parts is None else "number"
    last = changes.row_count - 1 if basis == "row" else changes.end_ps - changes.start_ps
    duration_ps = int(at_samples(np.array([last]), interval_ps, source)[0])
    why = "the file states" if hints.rate_hz is None else "you said"
    said = Assumption(
        f"Samples are {format_interval(interval_ps)} apart ({format_rate(interval_ps)}), as {why}.",
        "sampling interval", interval_ps, "ps",
        "file" if hints.rate_hz is None else "person", ("rate",),
    )  # fmt: skip
    return Clock(basis, changes.start_ps, duration_ps, interval_ps, (said,), source)


def resolution_ps(unit: str, decimals: int) -> int:
    """One unit of the last printed digit, in whole picoseconds, at least 1."""
    multiple, exponent = size_of_unit(unit)
    return int(multiple * 10 ** max(0, exponent - decimals))


def _origin(changes: Changes, layout: Layout) -> tuple[str, ...]:
    multiple, exponent = size_of_unit(layout.time_unit)
    start_ps = changes.start_ps + layout.time_origin * multiple * 10**exponent
    if start_ps == 0 or layout.time_kind == "stamp" or layout.runs is not None:
        return ()
    start_s = start_ps / 1e12
    return (f"Time 0 is the first row, which the file calls {start_s:.9g} s.",)


def passes_midnight(layout: Layout, end_ps: int) -> bool:
    """Whether a recording that begins at a time of day ends on another day."""
    start_s = 0 if layout.stamp is None else layout.stamp.origin_s
    return start_s * 10**12 + end_ps >= 86_400 * 10**12


def _change_clock(
    changes: Changes, layout: Layout, hints: Hints, source: str, sentence: str
) -> Clock:
    said = [sentence]
    if changes.last_changed == changes.row_count - 1:
        said.append(
            "The recording is taken to end at its last row, a change. Lines that went quiet "
            "together after it cannot be seen."
        )
    resolution = resolution_ps(layout.time_unit, layout.time_decimals)
    rate_hz = hints.rate_hz or layout.rate_hz
    listed_ps = changes.time_parts or ()
    interval_ps, more = find_listed_interval(listed_ps, resolution, rate_hz, hints, source)
    interval_ps, coarse = no_finer_than_printed(interval_ps, resolution)
    duration_ps = changes.end_ps - changes.start_ps
    assumptions = (*_origin(changes, layout), *said, more, *coarse)
    start_ps = changes.start_ps
    return Clock("time", start_ps, duration_ps, interval_ps, assumptions, source, is_uneven=True)


_COARSE_PS: Final = 10**5
"""Times printed more coarsely than 100 ns limit what can be told of a width."""


def no_finer_than_printed(
    interval_ps: float | None, resolution: int
) -> tuple[float | None, tuple[str, ...]]:
    """Widen the sampling interval to what the printed digits of the times tell apart."""
    if interval_ps is None or resolution <= max(_COARSE_PS, interval_ps):
        return interval_ps, ()  # an unknown interval claims less than any known one
    said = (
        f"Times are printed to {format_interval(resolution)} only, which counts as the sampling "
        "interval; export more digits to know widths better."
    )
    arguments = ("rate",)
    return float(resolution), (
        Assumption(said, "sampling interval", float(resolution), "ps", "file", arguments),
    )


def doubted_clock(lines: Mapping[str, Line], layout: Layout, hints: Hints) -> tuple[str, ...]:
    """Say that pulses contradict the rate or unit on which all times rest."""
    by_rate = layout.time_column is None or layout.time_kind == "sample"
    if not by_rate and (hints.rate_hz is not None or hints.time_unit is not None):
        return ()  # held against the times themselves
    known = _SERVO_PULSES_PS if by_rate else _PULSES_PS
    trains = {
        name: (typical_width_ps(line), float(np.median(line.edges_ps[2:] - line.edges_ps[:-2])))
        for name, line in lines.items()
        if line.edges_ps.size > 3
    }
    is_known = any(low <= width <= high for width, _ in trains.values() for low, high in known)
    servo = [trains[name] for name in trains if lines[name].edges_ps.size >= MIN_CHANGES]
    factors = _servo_factors(servo) if by_rate and layout.rate_hz else None
    if not trains or (is_known and factors is None):
        return ()  # one line of pulses will do
    widths_ps = [width for width, _ in (trains.values() if factors is None else servo)]
    last = f"{format_interval(float(np.median(widths_ps)))}"
    likely = ""
    if factors is not None and layout.rate_hz:
        last = f"{format_interval(min(widths_ps))} to {format_interval(max(widths_ps))}"
        slow, fast = (format_rate(1e12 * factor / layout.rate_hz) for factor in reversed(factors))
        likely = f" All lines would show such at {slow} to {fast}."
    what, argument = ("stated rate", "rate") if by_rate else ("unit of time", "time_unit")
    return (
        Assumption(
            f"With the {what} pulses last {last}, and servo pulses 0.75 ms to 2.25 ms.{likely} If "
            f"that is wrong, give `{argument}`.",
            "time unit" if not by_rate else "sampling rate", None, "", "data", (argument,),
        ),
    )  # fmt: skip


def typical_width_ps(line: Line) -> float:
    """Tell how long a line's pulses last: the median of the shorter of each two spans."""
    spans_ps = np.diff(line.edges_ps)
    return float(np.median(np.minimum(spans_ps[:-1], spans_ps[1:])))


def _servo_factors(trains: list[tuple[float, float]]) -> tuple[float, float] | None:
    """Bound by what times must be stretched so that trains of one frame rate are all servo pulses.

    None where they are as they stand, or never would be.
    """
    if not trains:
        return None
    widths_ps, periods_ps = zip(*trains, strict=True)
    least = max(SERVO_PS[0] / min(widths_ps), _FRAMES_PS[0] / min(periods_ps))
    most = min(SERVO_PS[1] / max(widths_ps), _FRAMES_PS[1] / max(periods_ps))
    is_one_rate = max(periods_ps) <= 1.02 * min(periods_ps)
    return (least, most) if is_one_rate and least <= most and not least <= 1 <= most else None


SERVO_PS: Final = (750 * 10**6, 2250 * 10**6)
_FRAMES_PS: Final = (2400 * 10**6, 25 * 10**9)
"""Widths and frame periods of servo pulses (common practice)."""
_SERVO_PULSES_PS: Final = ((250 * 10**6, 600 * 10**6), (750 * 10**6, 3 * 10**9))
"""Servo pulses, and the marks of sum trains; a rate may be wrong by any factor."""
_PULSES_PS: Final = ((30 * 10**6, 100 * 10**6), (110 * 10**6, 3 * 10**9))
"""Pulses of the narrow conventions, and all others with the marks of sum trains."""


def _sample_clock(
    changes: Changes,
    layout: Layout,
    hints: Hints,
    source: str,
    interval_ps: float,
    *,
    is_even: bool,
) -> Clock:
    duration_ps = changes.end_ps - changes.start_ps
    resolution = resolution_ps(layout.time_unit, layout.time_decimals)
    said: list[str] = [*_origin(changes, layout)]
    if is_even:
        sentence = (
            f"Rows are samples {format_interval(interval_ps)} apart ({format_rate(interval_ps)}), "
            "found from the time column."
        )
    else:
        interval_ps = float(changes.steps.most_ps)
        line = layout.skip_lines + 1 + changes.steps.most_at
        sentence = (
            f"Rows are samples at uneven steps of {format_interval(changes.steps.least_ps)} to "
            f"{format_interval(interval_ps)} (row {line}). The longest is taken as the sampling "
            "interval, so uncertainties are large."
        )
    said.append(Assumption(sentence, "sampling interval", interval_ps, "ps", "data", ("rate",)))
    if is_even and resolution > interval_ps:
        said.append(
            f"Times are printed to {format_interval(resolution)} only, so instants are taken from "
            "the row number."
        )
    check_rate(hints, interval_ps, source)
    said += _contradicted(layout, hints, interval_ps)
    basis: Literal["row", "time"] = "row" if is_even else "time"
    start_ps, is_uneven = changes.start_ps, not is_even
    return Clock(basis, start_ps, duration_ps, interval_ps, tuple(said), source, is_uneven)


def _round_interval(mean_ps: float, tolerance_ps: float, stated_hz: float | None) -> float:
    """Take the stated rate, else the roundest, that the printed digits allow for a mean step."""
    rates = (float(f"{1e12 / mean_ps:.{digits}g}") for digits in range(1, 5))
    near = (1e12 / rate for rate in (*((stated_hz,) if stated_hz else ()), *rates))
    return next((each for each in near if abs(each - mean_ps) <= tolerance_ps), mean_ps)


def _contradicted(layout: Layout, hints: Hints, interval_ps: float) -> tuple[str, ...]:
    """Say that the time column shows another rate than the lines above the table."""
    rate_hz = layout.rate_hz
    if hints.rate_hz is not None or rate_hz is None:
        return ()
    if abs(interval_ps * rate_hz / 1e12 - 1) <= 0.01:
        return ()
    return (
        f"The time column shows {format_rate(interval_ps)} where the lines above the table state "
        f"{format_rate(1e12 / rate_hz)}; the time column counts.",
    )


def _voltage(comparator: Comparator, clock: Clock, changes: Changes) -> Voltage | None:
    """Put instants to a voltage's milliseconds; None where no time was known as it was read."""
    rows = comparator.meter.rows_per_ms
    if rows is None:
        return None
    step_ps = rows * clock.duration_ps / max(changes.row_count - 1, 1)
    return Voltage(0, step_ps, *comparator.meter.found)


def _plateaus(comparator: Comparator, clock: Clock, changes: Changes) -> Plateaus:
    """Put instants to what was seen of a voltage's high states."""
    reached, left, rows, figures = comparator.plateaus.found
    begin_ps = clock.crossing_instants_ps(reached)
    seen = left.rows >= 0
    rise_ps = np.full(begin_ps.size, np.nan)
    rise_ps[seen] = begin_ps[seen] - clock.crossing_instants_ps(left.at(np.flatnonzero(seen)))
    interval_ps = clock.duration_ps / max(changes.row_count, 1)
    lasts_ps = np.rint((rows[:, 1] - rows[:, 0]) * interval_ps).astype(np.int64)
    return Plateaus(begin_ps, lasts_ps, figures[:, 0], figures[:, 1], rise_ps, interval_ps)


def timed_lines(
    changes: Changes, clock: Clock, layout: Layout, comparators: Mapping[str, Comparator]
) -> tuple[dict[str, Line], tuple[str, ...]]:
    """Split the changed words of a table into its lines, at the clock's instants."""
    masks: dict[str, int] = {}
    said: list[str] = []
    flipped = _flipped(changes)
    most = int(np.iinfo(flipped.dtype).max)
    if clock.basis == "time" and changes.time_parts is not None:
        parts, start = changes.time_parts, clock.start
    else:
        parts, start = (clock.instants_ps(changes.rows, changes.time_ps),), 0

    def split(name: str) -> tuple[Line, int]:
        comparator = comparators.get(name)
        if comparator is not None:
            edges_ps = clock.edges_ps(comparator)
        else:
            own, begin, found = flipped.dtype.type(masks[name] & most), 0, []
            for part in parts:
                is_edge = (flipped[begin : begin + part.size] & own) != 0
                found.append(part[is_edge])
                begin += part.size
            edges_ps = np.concatenate(found)
            edges_ps -= start
        kept_ps = without_zero_widths(edges_ps)
        line = Line(name, kept_ps, int(bool(changes.first_word & masks[name])))
        if comparator is not None and not (clock.is_uneven and comparator.is_two_valued):
            plateaus = _plateaus(comparator, clock, changes)  # two values show no rise
            voltage = None if clock.is_uneven else _voltage(comparator, clock, changes)
            line = replace(line, plateaus=plateaus, voltage=voltage)
        return line, edges_ps.size - kept_ps.size

    for level in layout.levels:
        width = _width(level, changes)
        if level.is_bus and not level.has_stated_width:
            said.append(
                f"Bus '{level.name}' is taken to be {width} bits wide: no higher bit is ever set."
            )
        names = level.line_names(width)
        masks.update((name, 1 << (level.first_bit + i)) for i, name in enumerate(names))
    found = at_once(split, masks, flipped.size)
    vanished = sum(count for _, count in found.values())
    if vanished:
        said.append(format_vanished(vanished))
    return {name: line for name, (line, _) in found.items()}, tuple(said)


def _flipped(changes: Changes) -> Words:
    """Bits that changed in each row, in as few bytes as hold them."""
    flipped = changes.words.copy()
    flipped[1:] ^= changes.words[:-1]
    flipped[:1] ^= flipped.dtype.type(changes.first_word)
    most = int(np.bitwise_or.reduce(flipped, initial=0))
    return flipped.astype(np.min_scalar_type(most))


def format_vanished(count: int) -> str:
    """Say that pulses of no length were left out."""
    return (
        f"{count} level changes share their time with another change of the same line; "
        "pulses of no length were left out."
    )


def _width(level: LevelColumn, changes: Changes) -> int:
    if not level.is_bus or level.has_stated_width:
        return level.bits
    seen = int(np.bitwise_or.reduce(changes.words, initial=0)) | changes.first_word
    bits = (seen >> level.first_bit) & ((1 << level.bits) - 1)
    return max(1, bits.bit_length())


def without_zero_widths(edges_ps: IntArray) -> IntArray:
    """Drop edges that cancel: of each run of equal times keep one if its count is odd."""
    if bool((edges_ps[1:] > edges_ps[:-1]).all()):
        return edges_ps
    instants, counts = np.unique(edges_ps, return_counts=True)
    kept: IntArray = instants[counts % 2 == 1]
    return kept


def select_lines(lines: dict[str, Line], hints: Hints, source: str) -> dict[str, Line]:
    """Keep the lines that the person asked for, in that order; a bus's name means its bits."""
    if hints.lines is None:
        return lines
    chosen: dict[str, Line] = {}
    for wanted in hints.lines:
        base = wanted.partition("[")[0].strip() if ":" in wanted else wanted
        names = [n for n in lines if n in (wanted, base) or n.startswith(f"{base}[")]
        if not names:
            raise HintError(
                f"{source}: there is no line '{wanted}' for `lines`; "
                f"the lines are {', '.join(lines)}."
            )
        chosen.update((name, lines[name]) for name in names)
    return chosen


def no_edges(
    names: Iterable[str], length: str, source: str, quiet: Iterable[str] = ()
) -> CaptureError:
    """Say that no line ever changes in so many rows, or so long."""
    shown = list(names)
    shown[8:] = ["..."] * (len(shown) > 8)
    found = f"none of the lines ({', '.join(shown)}) changes level in {length}"
    flat = ", ".join(list(quiet)[:8])
    if flat:
        found += f"; the voltage of {flat} does not show two state levels"
        return CaptureError(
            source, found, "check the ground wire and the clips, or give `threshold`"
        )
    remedy = "check the ground wire, the clips and the recording's length, then record again"
    return CaptureError(source, found, remedy)
