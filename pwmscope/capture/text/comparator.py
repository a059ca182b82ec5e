"""State levels of a voltage, and the comparator with hysteresis that finds its edges."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.model import Assumption, Authority, FloatArray, IntArray

MAX_NUMBER: Final = 1e100
"""Sums of such numbers still fit; a larger one is no voltage."""
HYSTERESIS: Final = 0.1
"""Width of the band around the threshold that noise may wander in, as a part of the amplitude."""
IN_NOISE: Final = 6.0
MAX_BAND: Final = 0.7
MAX_HIGH: Final = 1 << 19
"""A high state of more samples is no pulse, and is not measured."""
BEFORE_HIGH: Final = 4096
"""So many samples before a high state its rise may begin."""
SETTLED: Final = 0.98
"""From here on, of the way up to its level, a high state is no longer rising (own choice)."""
_MAX_BINS: Final = 256
_MIN_AMPLITUDE: Final = 0.4
_MIN_NEAR: Final = 0.4
"""Of noise that is as likely anywhere in its range at most 0.32 lie at two levels (own choice)."""
_TIGHT: Final = 0.1
"""Samples this near to a state level, as a part of the amplitude, are no way between the two."""


@dataclass(frozen=True, slots=True)
class StateLevels:
    """What a voltage column's amplitude histogram shows."""

    # The two state levels
    low: float
    high: float
    # The lowest and highest sample
    least: float
    most: float
    # Deviation of the samples beyond the levels, below the low one or above the high one
    noise: float = 0.0
    farthest: float = math.inf  # How far any sample lies from the nearer of the two levels
    near: float = 1.0  # Share of the samples that lie at one of the two levels

    @property
    def are_all(self) -> bool:
        """Whether every sample lies at one of the two levels, none between or beyond."""
        return self.are_two and self.farthest <= _TIGHT * (self.high - self.low)

    @property
    def are_two(self) -> bool:
        """Whether even samples show two levels: noise lies hardly more often there than elsewhere.

        Numbers listed where they change do not count, for on a slope many of them differ.
        """
        return self.lie_apart and self.near >= _MIN_NEAR

    @property
    def lie_apart(self) -> bool:
        """Whether the levels lie apart as those of a digital signal do.

        The halves of a single heap of noise have their modes side by side, near
        its middle; two levels take up most of the range, overshoot included.
        """
        span = self.most - self.least
        return span > 0 and self.high - self.low >= _MIN_AMPLITUDE * span

    @property
    def middle(self) -> float:
        """The mid reference level: halfway between the state levels."""
        return (self.low + self.high) / 2

    @property
    def band(self) -> float:
        """Width of the hysteresis band: six deviations of the noise, where that is more.

        On a slow edge noise crosses a narrower band again and again.
        """
        amplitude = self.high - self.low
        return min(max(HYSTERESIS * amplitude, IN_NOISE * self.noise), MAX_BAND * amplitude)


class AmplitudeHistogram:
    """An amplitude histogram that widens its bins as the range grows, in bounded memory.

    A bin's width is a power of two and its borders are whole multiples of it, so
    that two bins join into one exactly; at most 256 bins are in use.

    >>> histogram = AmplitudeHistogram()
    >>> histogram.add(np.array([0.1, 0.1, 0.1, 1.7, 3.2, 3.2]))
    >>> levels = histogram.state_levels()
    >>> round(levels.low, 9), round(levels.high, 9)
    (0.1, 3.2)
    """

    def __init__(self) -> None:
        self._exponent = -1074
        self._first_bin = 0
        self._counts = np.zeros(0, np.int64)
        self._sums = np.zeros(0)
        self._least, self._most = math.inf, -math.inf

    @property
    def is_empty(self) -> bool:
        """Whether nothing was counted yet."""
        return not self._counts.size

    def add(self, volts: FloatArray) -> None:
        """Count samples."""
        if not volts.size:
            return
        self._least = min(self._least, float(volts.min()))
        self._most = max(self._most, float(volts.max()))
        exponent = max(self._exponent, self._fitting_exponent())
        first = math.floor(math.ldexp(self._least, -exponent))
        last = math.floor(math.ldexp(self._most, -exponent))
        counts, sums = np.zeros(last - first + 1, np.int64), np.zeros(last - first + 1)
        if self._counts.size:
            shift = min(62, exponent - self._exponent)
            old = ((np.arange(self._counts.size) + self._first_bin) >> shift) - first
            np.add.at(counts, old, self._counts)
            np.add.at(sums, old, self._sums)
        bins = np.floor(np.ldexp(volts, -exponent)).astype(np.int64) - first
        counts += np.bincount(bins, minlength=counts.size)
        sums += np.bincount(bins, weights=volts, minlength=counts.size)
        self._exponent, self._first_bin = exponent, first
        self._counts, self._sums = counts, sums

    def _fitting_exponent(self) -> int:
        """Find the smallest bin, as a power of two, of which 256 reach from least to most."""
        largest = max(abs(self._least), abs(self._most))
        # Bin numbers stay below 2**40.
        exponent = math.frexp(largest)[1] - 40
        while (
            math.floor(math.ldexp(self._most, -exponent))
            - math.floor(math.ldexp(self._least, -exponent))
            >= _MAX_BINS
        ):
            exponent += 1
        return exponent

    def state_levels(self) -> StateLevels:
        """Find the mode of each half of the histogram.

        The range is halved; the state level of a half is the mean of the samples
        in its fullest bin (IEEE Std 181, the histogram method's modes).
        """
        if not self._counts.size:
            raise ValueError("the histogram is empty")
        # The bins below the middle of the range; a bin on the middle belongs to the upper half.
        middle = math.floor(math.ldexp((self._least + self._most) / 2, -self._exponent))
        split = max(1, middle - self._first_bin)
        low = int(self._counts[:split].argmax())
        high = split + int(self._counts[split:].argmax()) if self._counts.size > split else low
        means = self._sums[[low, high]] / self._counts[[low, high]]
        levels = means.tolist()
        noise = max(
            self._beyond(levels[0], np.arange(low + 1)),
            self._beyond(levels[1], np.arange(high, self._counts.size)),
        )
        counts = self._counts[self._counts > 0]
        away = np.abs(self._sums[self._counts > 0] / counts - means[:, np.newaxis]).min(axis=0)
        near = counts[away <= _TIGHT * (levels[1] - levels[0])].sum() / counts.sum()
        farthest = max(float(away.max()), abs(self._least - levels[0]), abs(self._most - levels[1]))
        return StateLevels(
            levels[0], levels[1], self._least, self._most, noise, farthest, float(near)
        )

    def _beyond(self, level: float, bins: IntArray) -> float:
        """Distance from a level within which 68 % of some bins' samples lie: one deviation."""
        counts = self._counts[bins]
        away = np.abs(self._sums[bins] / np.maximum(counts, 1) - level)
        order = np.argsort(away)
        within = np.searchsorted(np.cumsum(counts[order]), 0.68 * counts.sum())
        return float(away[order[int(within)]])


@dataclass(frozen=True, slots=True)
class Crossings:
    """Where a voltage crossed its threshold, between two samples."""

    rows: IntArray  # shape (n,): Index of the sample after the crossing
    # shape (n,): How far between the sample before (0) and that sample (1) it lies, by linear
    # interpolation
    parts: FloatArray
    # shape (n,): What the time column says of the two samples; their index without one
    before: IntArray
    after: IntArray

    def at(self, places: IntArray) -> Crossings:
        """Pick some of them."""
        return Crossings(
            self.rows[places], self.parts[places], self.before[places], self.after[places]
        )

    @classmethod
    def joined(cls, pieces: Sequence[Crossings]) -> Crossings:
        """Join several, in order."""
        none = np.zeros(0, np.int64)
        all_of = (cls(none, np.zeros(0), none, none), *pieces)
        rows, parts, before, after = zip(
            *((c.rows, c.parts, c.before, c.after) for c in all_of), strict=True
        )
        return cls(*map(np.concatenate, (rows, parts, before, after)))


@dataclass(slots=True)
class PlateauMeter:
    """Measures each high state of a voltage that lies whole in the recording, batch by batch.

    Samples are kept from somewhat before a high state to its end, and no longer; one of more
    than `MAX_HIGH` samples is no pulse and not measured.
    """

    _rows: list[tuple[int, int]] = field(default_factory=list)
    _figures: list[tuple[float, float]] = field(default_factory=list)
    _reached: list[Crossings] = field(default_factory=list)
    _left: list[Crossings] = field(default_factory=list)
    _volts: FloatArray = field(default_factory=lambda: np.zeros(0))
    _stamps: IntArray = field(default_factory=lambda: np.zeros(0, np.int64))
    _levels: npt.NDArray[np.int8] = field(default_factory=lambda: np.zeros(0, np.int8))

    def feed(
        self,
        volts: FloatArray,
        stamps: IntArray,
        levels: npt.NDArray[np.int8],
        first_row: int,
        low: float,
    ) -> None:
        """Take the next samples with their levels."""
        first_row -= self._volts.size
        self._volts = np.concatenate([self._volts, volts])
        self._stamps = np.concatenate([self._stamps, stamps])
        self._levels = np.concatenate([self._levels, levels])
        step = np.diff(self._levels)
        begins, ends = np.flatnonzero(step > 0) + 1, np.flatnonzero(step < 0) + 1
        after = np.searchsorted(begins, ends, side="right") - 1
        previous = 0
        for begin, end in zip(begins[after[after >= 0]], ends[after >= 0], strict=True):
            if end - begin <= MAX_HIGH:
                self._measure(max(previous, begin - BEFORE_HIGH), begin, end, first_row, low)
            previous = end
        kept = max(self._volts.size - BEFORE_HIGH, previous)
        if self._levels[-1] and begins.size and self._volts.size - begins[-1] <= MAX_HIGH:
            kept = max(begins[-1] - BEFORE_HIGH, previous)
        self._volts, self._stamps = self._volts[kept:].copy(), self._stamps[kept:].copy()
        self._levels = self._levels[kept:].copy()

    def _measure(self, start: int, begin: int, end: int, first_row: int, low: float) -> None:
        high = self._volts[begin:end]
        level = float(np.median(high))
        ninety, ten = low + 0.9 * (level - low), low + 0.1 * (level - low)
        reached = np.flatnonzero(high >= ninety)
        if level <= low or not reached.size:
            return
        first, last = begin + int(reached[0]), begin + int(reached[-1])
        below = np.flatnonzero(self._volts[start:first] < ten)
        settled = np.flatnonzero(high >= low + SETTLED * (level - low))
        self._figures.append((level, float(high[settled[0] : settled[-1] + 1].min())))
        self._rows.append((first_row + first, first_row + last))
        self._reached.append(self._crossing(first, ninety, first_row))
        at = start + int(below[-1]) + 1 if below.size else 0
        none = Crossings(*(np.array([value]) for value in (-1, np.nan, 0, 0)))
        self._left.append(self._crossing(at, ten, first_row) if at else none)

    def _crossing(self, at: int, volts: float, first_row: int) -> Crossings:
        before_v, after_v = self._volts[at - 1], self._volts[at]
        part = 1.0 if after_v == before_v else (volts - before_v) / (after_v - before_v)
        values = (first_row + at, part, self._stamps[at - 1], self._stamps[at])
        return Crossings(*(np.array([value]) for value in values))

    @property
    def found(self) -> tuple[Crossings, Crossings, IntArray, FloatArray]:
        """Crossings at nine tenths and at one tenth (row -1: not seen); rows; levels, lowest."""
        rows = np.array(self._rows, np.int64).reshape(-1, 2)
        figures = np.array(self._figures).reshape(-1, 2)
        return Crossings.joined(self._reached), Crossings.joined(self._left), rows, figures


@dataclass(slots=True)
class VoltMeter:
    """Keeps least, mean and most of each millisecond of a voltage, batch by batch."""

    rows_per_ms: int | None = None  # Samples in a millisecond; None until the times tell
    _kept: list[npt.NDArray[np.float32]] = field(default_factory=list)
    _left: FloatArray = field(default_factory=lambda: np.zeros(0))

    def feed(self, volts: FloatArray, times: IntArray | None) -> None:
        """Take the next samples."""
        if self.rows_per_ms is None:
            if times is None or times.size < 2:
                return
            mean_ps = float(times[-1] - times[0]) / (times.size - 1)
            self.rows_per_ms = max(int(1e9 / mean_ps + 1e-6), 1) if mean_ps > 0 else 1
        volts = np.concatenate([self._left, volts])
        whole = volts.size - volts.size % self.rows_per_ms
        self._left = volts[whole:].copy()
        each = volts[:whole].reshape(-1, self.rows_per_ms)
        if whole:
            columns = np.stack([each.min(axis=1), each.mean(axis=1), each.max(axis=1)])
            most = np.finfo(np.float32).max
            self._kept.append(np.clip(columns, -most, most).astype(np.float32))

    @property
    def found(self) -> npt.NDArray[np.float32]:
        """Least, mean and most of each whole millisecond; shape (3, n)."""
        return np.concatenate([np.zeros((3, 0), np.float32), *self._kept], axis=1)


@dataclass(slots=True)
class Comparator:
    """Turns one voltage into levels, batch by batch, and keeps its crossings.

    The level changes once the voltage leaves a band around the threshold on
    its other side; the edge is where it last crossed the threshold itself
    before that. What is carried from batch to batch makes the result
    independent of how the samples are cut.
    """

    threshold: float  # The threshold
    band: float  # Width of the hysteresis band around it
    low: float = 0.0  # The low state level
    is_two_valued: bool = False  # Whether no sample lies between the two levels
    plateaus: PlateauMeter = field(default_factory=PlateauMeter)
    meter: VoltMeter = field(default_factory=VoltMeter)
    _level: int | None = None
    _last: tuple[float, int] = (0.0, 0)
    _rise: Crossings = field(default_factory=lambda: Crossings.joined([]))
    _fall: Crossings = field(default_factory=lambda: Crossings.joined([]))
    _found: list[Crossings] = field(default_factory=list)

    def feed(
        self, volts: FloatArray, times: IntArray | None, first_row: int
    ) -> npt.NDArray[np.uint64]:
        """Take the next samples."""
        if not volts.size:
            return np.zeros(0, np.uint64)
        stamps = np.arange(first_row, first_row + volts.size) if times is None else times
        if self._level is None:
            self._level = int(volts[0] >= self.threshold)
            self._last = (float(volts[0]), int(stamps[0]))
        levels = self._levels(volts)
        changed = np.flatnonzero(np.diff(levels, prepend=self._level))
        before_v = np.concatenate([[self._last[0]], volts[:-1]])
        before_t = np.concatenate([[self._last[1]], stamps[:-1]])

        def last_before(
            ends: IntArray, at: IntArray, carried: Crossings
        ) -> tuple[Crossings, Crossings]:
            """For each end, find the last crossing at or before it; and the last of all."""
            parts = (self.threshold - before_v[at]) / (volts[at] - before_v[at])
            here = Crossings(at + first_row, parts, before_t[at], stamps[at])
            known = Crossings.joined([carried, here])
            # An edge always has a crossing before it, in this batch or carried.
            last = np.searchsorted(at, ends, side="right") + carried.rows.size - 1
            return known.at(last), known.at(np.arange(known.rows.size)[-1:])

        was_high, is_high = before_v >= self.threshold, volts >= self.threshold
        ups, downs = (changed[levels[changed] == level] for level in (1, 0))
        rises, self._rise = last_before(ups, np.flatnonzero(~was_high & is_high), self._rise)
        falls, self._fall = last_before(downs, np.flatnonzero(was_high & ~is_high), self._fall)
        order = np.argsort(np.concatenate([ups, downs]), kind="stable")
        self._found.append(Crossings.joined([rises, falls]).at(order))
        self.plateaus.feed(volts, stamps, levels, first_row, self.low)
        self.meter.feed(volts, times)
        self._level = int(levels[-1])
        self._last = (float(volts[-1]), int(stamps[-1]))
        return levels.astype(np.uint64)

    def _levels(self, volts: FloatArray) -> npt.NDArray[np.int8]:
        """Levels with hysteresis: inside the band each sample keeps the level before it."""
        above = volts >= self.threshold + self.band / 2
        below = volts < self.threshold - self.band / 2
        decided = np.where(above | below, np.arange(volts.size), -1)
        last = np.maximum.accumulate(decided)
        held = np.int8(self._level or 0)
        return np.where(last >= 0, above[np.maximum(last, 0)].astype(np.int8), held)

    @property
    def crossings(self) -> Crossings:
        """All crossings that made an edge so far, in order."""
        return Crossings.joined(self._found)


def assumed_threshold(sentence: str, value: float | None, source: Authority) -> Assumption:
    """Say of a voltage's threshold what was found, with what would change it."""
    return Assumption(sentence, "threshold", value, "", source, ("threshold",))


@dataclass(frozen=True, slots=True)
class Threshold:
    """How a voltage is read as a line."""

    level: float  # Where low ends and high begins
    band: float  # Width of the hysteresis band around it
    assumption: Assumption  # What is said about it


def judge_levels(
    line: str, levels: StateLevels, threshold: float | None, *, are_shown: bool, more: str = ""
) -> Threshold:
    """Take the threshold that a person gives, else halfway between two state levels that show.

    `line` begins a sentence: what is called how.
    """
    if threshold is None and not are_shown:
        said = (
            f"{line} between {levels.least:.4g} and {levels.most:.4g} without two state levels. It "
            "is taken as low; `threshold` overrules this."
        )
        return Threshold(math.inf, 0.0, assumed_threshold(said, None, "data"))
    level = levels.middle if threshold is None else threshold
    halfway = f"{level:.4g}, halfway" if threshold is None else f"{level:g}, as you said"
    said = (
        f"{line} with state levels {levels.low:.4g} and {levels.high:.4g} (histogram modes, "
        f"IEEE Std 181). Its threshold is {halfway}.{more}"
    )
    source: Authority = "data" if threshold is None else "person"
    return Threshold(level, levels.band, assumed_threshold(said, level, source))
