"""Dwells, in which a width stands still, and positions in which all lines stand still together."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.findings.segmentation.change_points import SIDES, in_passing, split_levels
from pwmscope.findings.segmentation.stretches import (
    CALM,
    WidthNoise,
    find_noise,
    halved,
    measure_ranges,
    settled,
    still_stretches,
    stray_widths,
    trimmed,
)
from pwmscope.model import BoolArray, Evidence, FloatArray, IntArray
from pwmscope.pulses import Frames, PulseTable, find_frames, without

MIN_PULSES: Final = 6
MIN_S: Final = 0.4
"""A dwell lasts at least this long, unless the whole record is shorter."""
SWEEP_PER_S: Final = 0.0015
"""A steady drift slower than this part of the convention's span in a second is not a
hand's: it would take eleven minutes from end to end (common practice, from memory)."""
DRIFT: Final = 0.01
"""A dwell drifts by no more than this part of the span in all."""
LINE_LIMIT: Final = 3.5
"""A dwell's own line rises by no more than so many of its deviations above a slow drift."""


@dataclass(frozen=True, slots=True)
class Dwells:
    """The dwells of one channel, as columns, in order of time."""

    # shape (n,): Rows in the pulse table of each dwell's first and last pulse
    first: IntArray
    last: IntArray
    # shape (n,): Leading edges of those pulses in seconds
    start_s: FloatArray
    end_s: FloatArray
    # shape (n,): Mean width, its sample standard deviation, and largest minus smallest
    level_us: FloatArray
    std_us: FloatArray
    range_us: FloatArray
    count: IntArray  # shape (n,): Pulses counted in each
    # shape (n,): Pulses at the ends that were cut off since a hand may still have moved
    # (`settled`); most of them stood at the level too
    unsettled: IntArray
    noise_us: float  # Noise of the widths, as the segmentation took it
    # Rows of measured pulses whose width jumped away for one or two frames and back; they are in no
    # dwell
    stray: IntArray

    def __len__(self) -> int:
        return int(self.first.size)

    @property
    def evidence(self) -> tuple[Evidence, ...]:
        """The dwells as evidence, each a time span with its rows."""
        columns = (self.start_s, self.end_s, self.count, self.first, self.last)
        return tuple(
            Evidence(float(start), float(end), int(count), int(first), int(last))
            for start, end, count, first, last in zip(*columns, strict=True)
        )

    def select(self, mask: BoolArray) -> Dwells:
        """Keep the dwells where ``mask`` holds; bool, shape (n,)."""
        return replace(
            self,
            first=self.first[mask],
            last=self.last[mask],
            start_s=self.start_s[mask],
            end_s=self.end_s[mask],
            level_us=self.level_us[mask],
            std_us=self.std_us[mask],
            range_us=self.range_us[mask],
            count=self.count[mask],
            unsettled=self.unsettled[mask],
        )


def find_dwells(table: PulseTable, frames: Frames, breaks_s: tuple[float, ...] = ()) -> Dwells:
    """Segment a channel's widths into dwells.

    Widths that jump away for a pulse or two are set aside (`stray_widths`).
    Stretches that stand still for `MIN_S` at a time are found
    (`still_stretches`) and their ends trimmed (`trimmed`). Inside them changes of
    level are found and slow sweeps cut out (`split_levels`). What drifts by more than `DRIFT`
    in all is halved. What lasts `MIN_S`, give or take a tenth, and shows
    no slope that is steeper than `SWEEP_PER_S` beyond doubt, is a dwell; its ends, in
    which a hand may still have moved, are cut off at last (`settled`).
    """
    pulses = _Pulses.of(table, np.flatnonzero(~table.measured))
    span_us = table.convention.span_us
    noise = find_noise(pulses.width_us, table.sample_interval_us, span_us)
    if pulses.width_us.size < MIN_PULSES:
        return _no_dwells(noise, np.zeros(0, np.int64))
    window = _window(frames, pulses.width_us.size)
    stray = pulses.rows(stray_widths(pulses.width_us, noise, window, far_us=CALM * span_us))
    pulses = pulses.without(stray)
    if pulses.width_us.size < window:
        return _no_dwells(noise, stray)
    period_s = (frames.usual_us or table.convention.period_us) / 1e6
    slow_us = SWEEP_PER_S * span_us * period_s
    shortest = max(MIN_PULSES, round(0.9 * window))
    begin, end = still_stretches(pulses.width_us, pulses.places(breaks_s), noise, window)
    begin, end = trimmed(pulses.width_us, begin, end, noise, window)
    cell = max(1, round(window / 10))
    begin, end = split_levels(pulses.width_us, begin, end, noise, cell=cell, sweep_us=slow_us)
    most_us = DRIFT * span_us + noise.range_limit_us * 2.0 / math.sqrt(window)
    begin, end = halved(pulses.width_us, begin, end, window, most_us)
    long = end - begin >= shortest
    begin, end = begin[long], end[long]
    passing = in_passing(
        pulses.width_us, begin, end, noise, around=2 * SIDES[0] * cell, sweep_us=slow_us
    )
    begin, end = begin[~passing], end[~passing]
    lasts = end - begin
    for _ in range(2):
        begin, end = settled(pulses.width_us, begin, end, noise, pulses.places(breaks_s))
    found = measure_ranges(pulses.width_us, begin, end)
    doubt_us = noise.lasting_us(window) * np.sqrt(12.0 / np.maximum(found.count, 1))
    flat = np.abs(found.rise_us) <= (
        slow_us * found.count + noise.interval_us + LINE_LIMIT * doubt_us
    )
    first, last = pulses.rows(begin), pulses.rows(end - 1)
    return Dwells(
        first,
        last,
        table.rise_s[first],
        table.rise_s[last],
        found.level_us,
        found.std_us,
        found.range_us,
        found.count,
        lasts - found.count,
        noise.spread_us,
        stray,
    ).select(flat)


@dataclass(frozen=True, slots=True)
class _Pulses:
    """A table's widths without some of its rows, which are mostly few."""

    table: PulseTable
    skipped: IntArray
    width_us: FloatArray

    @classmethod
    def of(cls, table: PulseTable, skipped: IntArray) -> _Pulses:
        width_us = without(table.width_us, skipped) if skipped.size else table.width_us
        return cls(table, skipped, width_us)

    def without(self, rows: IntArray) -> _Pulses:
        """Skip further rows."""
        return _Pulses.of(self.table, np.union1d(self.skipped, rows)) if rows.size else self

    def rows(self, places: IntArray) -> IntArray:
        """Rows of the table at these places among the pulses."""
        before = self.skipped - np.arange(self.skipped.size)
        rows: IntArray = places + np.searchsorted(before, places, side="right")
        return rows

    def places(self, times_s: tuple[float, ...]) -> IntArray:
        """Places of the first pulses at or after these times, in order."""
        rows = np.searchsorted(self.table.rise_s, np.sort(np.asarray(times_s, dtype=float)))
        places: IntArray = rows - np.searchsorted(self.skipped, rows)
        return places


def _no_dwells(noise: WidthNoise, stray: IntArray) -> Dwells:
    whole, real = np.zeros(0, np.int64), np.zeros(0)
    return Dwells(
        whole, whole, real, real, real, real, real, whole, whole, noise.spread_us, stray
    )  # fmt: skip


def _window(frames: Frames, pulses: int) -> int:
    usual_us = frames.usual_us
    window = MIN_PULSES if usual_us is None else math.ceil(MIN_S * 1e6 / usual_us)
    return max(MIN_PULSES, min(window, pulses))


SAME_POSITION: Final = 0.015
"""Levels that differ by less than this part of the span are one position."""
MIN_HELD_S: Final = 0.25
MIN_STILL: Final = 0.25
"""A line that stands still for less than this part of the recording tells nothing of the hands."""
_GAP_FRAMES: Final = 5.0
_NONE: Final = np.zeros(0)


@dataclass(frozen=True, slots=True)
class HeldPositions:
    """The held positions of a recording, as columns, in order of time."""

    lines: tuple[str, ...]  # The lines that moved and stood still
    # shape (n,): When each was held, in seconds
    start_s: FloatArray
    end_s: FloatArray
    # shape (n, lines): Width of each line in parts of its convention's span; NaN while it was
    # silent
    level: FloatArray

    def __len__(self) -> int:
        return int(self.start_s.size)

    @property
    def apart(self) -> FloatArray:
        """How far each position lies from each other, largest line; shape (n, n).

        Where one of the two was silent on a line and the other not, they lie infinitely far
        apart.
        """
        return distances(self.level, self.level)


def distances(level: FloatArray, others: FloatArray) -> FloatArray:
    """Largest difference over the lines between positions, in parts of the span.

    Examples
    --------
    >>> distances(np.array([[1.0, 1.5]]), np.array([[1.0, 1.4], [1.0, np.nan]])).round(3)
    array([[0.1, inf]])
    """
    one, other = level[:, None, :], others[None, :, :]
    apart = np.abs(one - other)
    absent, absent_too = np.isnan(one), np.isnan(other)
    apart = np.where(absent & absent_too, 0.0, np.where(absent ^ absent_too, np.inf, apart))
    found: FloatArray = apart.max(axis=2, initial=0.0)
    return found


def find_held_positions(tables: Mapping[str, PulseTable]) -> HeldPositions:
    """Find the stretches in which all lines that move stand still together."""
    found = {line: _Line.of(table) for line, table in tables.items()}
    used = {line: f for line, f in found.items() if f is not None and f.moves}
    if not used:
        return HeldPositions((), _NONE, _NONE, np.zeros((0, 0)))
    border_s = np.unique(np.concatenate([f.borders_s for f in used.values()]))
    middle_s = (border_s[1:] + border_s[:-1]) / 2.0
    columns = [f.state_at(middle_s) for f in used.values()]
    level = np.stack([level for level, _ in columns], axis=1)
    still = np.stack([still for _, still in columns], axis=1).all(axis=1)
    return _joined(tuple(used), border_s[:-1][still], border_s[1:][still], level[still])


def _joined(
    lines: tuple[str, ...], start_s: FloatArray, end_s: FloatArray, level: FloatArray
) -> HeldPositions:
    """Join neighbours at one position, and leave out what was held too briefly."""
    for least_s in (0.0, MIN_HELD_S):
        long = end_s - start_s > least_s
        start_s, end_s, level = start_s[long], end_s[long], level[long]
        if not start_s.size:
            break
        apart = distances(level, level).diagonal(1) if len(level) > 1 else _NONE
        new = np.concatenate([[True], (apart > SAME_POSITION)])
        first = np.flatnonzero(new)
        last = np.append(first[1:], start_s.size) - 1
        weight = end_s - start_s
        total = np.add.reduceat(weight, first)
        mean = np.add.reduceat(level * weight[:, None], first, axis=0) / total[:, None]
        start_s, end_s, level = start_s[first], end_s[last], mean
    return HeldPositions(lines, start_s, end_s, level)


@dataclass(frozen=True, slots=True)
class _Line:
    """One line's dwells and silences."""

    dwells: Dwells
    span_us: float
    period_s: float
    gap_start_s: FloatArray
    gap_end_s: FloatArray

    @classmethod
    def of(cls, table: PulseTable) -> _Line | None:
        """Take a line's dwells; None where it hardly ever stands still."""
        frames = find_frames(table)
        dwells = find_dwells(table, frames)
        if not len(dwells):
            return None
        rise_s = table.rise_s[table.measured]
        still_s = float((dwells.end_s - dwells.start_s).sum())
        if still_s < MIN_STILL * float(rise_s[-1] - rise_s[0]):
            return None
        period_s = (frames.usual_us or table.convention.period_us) / 1e6
        gap = np.flatnonzero(np.diff(rise_s) > _GAP_FRAMES * period_s)
        gap_start_s, gap_end_s = rise_s[gap] + period_s, rise_s[gap + 1]
        return cls(dwells, table.convention.span_us, period_s, gap_start_s, gap_end_s)

    @property
    def moves(self) -> bool:
        """Whether it stood at several positions, or fell silent."""
        level_us = self.dwells.level_us
        moved = float(level_us.max() - level_us.min()) > 2.0 * SAME_POSITION * self.span_us
        return moved or bool(self.gap_start_s.size)

    @property
    def borders_s(self) -> FloatArray:
        """Instants at which it begins or ends to stand still."""
        ends_s = self.dwells.end_s + self.period_s
        return np.concatenate([self.dwells.start_s, ends_s, self.gap_start_s, self.gap_end_s])

    def state_at(self, time_s: FloatArray) -> tuple[FloatArray, BoolArray]:
        """Level, NaN in silence, and whether it stands still, at some instants."""
        at = np.searchsorted(self.dwells.start_s, time_s, side="right") - 1
        still = (at >= 0) & (time_s < self.dwells.end_s[at] + self.period_s)
        level = np.where(still, self.dwells.level_us[at] / self.span_us, np.nan)
        absent = np.zeros(time_s.size, dtype=bool)
        if self.gap_start_s.size:
            gap = np.searchsorted(self.gap_start_s, time_s, side="right") - 1
            absent = (gap >= 0) & (time_s < self.gap_end_s[gap])
        return np.where(absent, np.nan, level), still | absent
