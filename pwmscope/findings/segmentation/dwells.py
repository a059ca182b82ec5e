"""Dwells: stretches in which a channel's pulse width stands still."""

from __future__ import annotations

import math
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
from pwmscope.pulses import Frames, PulseTable, without

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
