"""A comparator with hysteresis: from voltages to levels and interpolated crossings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

Indices: TypeAlias = npt.NDArray[np.int64]
Parts: TypeAlias = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Crossings:
    """Where a voltage crossed its threshold, between two samples.

    Parameters
    ----------
    rows : ndarray of int64, shape (n,)
        Index of the sample after the crossing.
    parts : ndarray of float64, shape (n,)
        How far between the sample before (0) and that sample (1) it lies, by
        linear interpolation.
    before, after : ndarray of int64, shape (n,)
        What the time column says of the two samples; their index without one.
    """

    rows: Indices
    parts: Parts
    before: Indices
    after: Indices

    def at(self, places: Indices) -> Crossings:
        """Pick some of them."""
        return Crossings(
            self.rows[places], self.parts[places], self.before[places], self.after[places]
        )

    @classmethod
    def joined(cls, pieces: Sequence[Crossings]) -> Crossings:
        """Join several, in order."""
        none = np.zeros(0, np.int64)
        return cls(
            np.concatenate([none, *(c.rows for c in pieces)]),
            np.concatenate([np.zeros(0), *(c.parts for c in pieces)]),
            np.concatenate([none, *(c.before for c in pieces)]),
            np.concatenate([none, *(c.after for c in pieces)]),
        )


@dataclass(slots=True)
class Comparator:
    """Turns one voltage into levels, batch by batch, and keeps its crossings.

    The level changes once the voltage leaves a band around the threshold on
    its other side; the edge is where it last crossed the threshold itself
    before that. What is carried from batch to batch makes the result
    independent of how the samples are cut.

    Parameters
    ----------
    threshold : float
        The threshold.
    band : float
        Width of the hysteresis band around it.
    """

    threshold: float
    band: float
    _level: int | None = None
    _last: tuple[float, int] = (0.0, 0)
    _rise: Crossings = field(default_factory=lambda: Crossings.joined([]))
    _fall: Crossings = field(default_factory=lambda: Crossings.joined([]))
    _found: list[Crossings] = field(default_factory=list)

    def feed(self, volts: Parts, times: Indices | None, first_row: int) -> npt.NDArray[np.uint64]:
        """Take the next samples.

        Parameters
        ----------
        volts : ndarray of float64, shape (n,)
            The samples.
        times : ndarray of int64, shape (n,), or None
            The time column.
        first_row : int
            Index of the first of them.

        Returns
        -------
        ndarray of uint64, shape (n,)
            The level, 0 or 1, at each sample.
        """
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
        was_high, is_high = before_v >= self.threshold, volts >= self.threshold
        edges = _Edges(first_row, before_v, volts, before_t, stamps)
        ups = changed[levels[changed] == 1]
        downs = changed[levels[changed] == 0]
        rises, self._rise = edges.last_before(ups, ~was_high & is_high, self.threshold, self._rise)
        falls, self._fall = edges.last_before(
            downs, was_high & ~is_high, self.threshold, self._fall
        )
        order = np.argsort(np.concatenate([ups, downs]), kind="stable")
        self._found.append(Crossings.joined([rises, falls]).at(order))
        self._level = int(levels[-1])
        self._last = (float(volts[-1]), int(stamps[-1]))
        return levels.astype(np.uint64)

    def _levels(self, volts: Parts) -> npt.NDArray[np.int8]:
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


@dataclass(frozen=True, slots=True)
class _Edges:
    """Samples and the samples before them."""

    first_row: int
    before_v: Parts
    after_v: Parts
    before_t: Indices
    after_t: Indices

    def last_before(
        self,
        ends: Indices,
        is_crossing: npt.NDArray[np.bool_],
        threshold: float,
        carried: Crossings,
    ) -> tuple[Crossings, Crossings]:
        """For each end, find the last crossing at or before it; and the last of all, to carry."""
        at = np.flatnonzero(is_crossing)
        parts = (threshold - self.before_v[at]) / (self.after_v[at] - self.before_v[at])
        here = Crossings(at + self.first_row, parts, self.before_t[at], self.after_t[at])
        known = Crossings.joined([carried, here])
        # An edge always has a crossing before it, in this batch or carried.
        last = np.searchsorted(at, ends, side="right") + carried.rows.size - 1
        return known.at(last), known.at(np.arange(known.rows.size)[-1:])
