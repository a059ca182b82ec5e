"""Shifts of the level between the pulses before a place and those after it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.model.median import FROM_MAD

STEP_MARGIN: Final = 6.0
"""By how much a step has to fit better than a line: in squared deviations, which are twice the
logarithm of the likelihoods' ratio. Where no longer window fits the stretch, the better wins."""
SWEEP_MARGIN: Final = 12.0
"""By how much a line has to fit better than a step to be a sweep."""
_NEAR: Final = 3
_SAMPLED: Final = 65_536
_CHUNK: Final = 32_768
_MIN: Final = 16

Whole = npt.NDArray[np.int64]
Real = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Shifts:
    """Places where the level seems to shift, in order, each in one of the stretches."""

    place: Whole
    shift_us: Real
    owner: Whole

    def select(self, mask: Flags) -> Shifts:
        """Keep those where ``mask`` holds."""
        return Shifts(self.place[mask], self.shift_us[mask], self.owner[mask])

    def runs(self) -> tuple[Whole, Whole]:
        """Where runs of neighbouring places with shifts of one sign begin, and each one's run."""
        apart = (np.diff(self.place) != 1) | (np.diff(self.owner) != 0)
        apart |= (self.shift_us[1:] > 0) != (self.shift_us[:-1] > 0)
        starts = np.append(True, apart)
        return np.flatnonzero(starts), np.cumsum(starts) - 1


@dataclass(frozen=True, slots=True)
class Scale:
    """The search for shifts through windows of one length."""

    width_us: Real  # shape (n,): Widths in microseconds
    # shape (cells + 1,): Their cumulative sums, about one of them, before each cell and after the
    # last
    total: Real
    cell: int  # Pulses in a cell
    # Cells on either side of a place in these windows, and in the next longer ones
    side: int
    longer: int
    deviation_us: float  # Standard deviation that noise gives a shift
    limit_us: float  # Largest shift that may be noise
    sweep_us: float  # Steepest slope, in microseconds per pulse, that is no sweep

    def split(self, begin: Whole, end: Whole) -> tuple[Whole, Whole]:
        """Split stretches at steps and cut sweeps out, the largest shift of each run first."""
        shifts = self._shifts(0.5 * self.limit_us)
        while True:
            shifts = self._inside(shifts, begin, end)
            if not shifts.place.size:
                return begin, end
            starts, run = shifts.runs()
            size_us = np.abs(shifts.shift_us)
            largest_us = np.maximum.reduceat(size_us, starts)
            over = largest_us > self.limit_us
            if not over.any():
                return begin, end
            peak = np.zeros(starts.size, np.int64)
            at = np.flatnonzero(size_us == largest_us[run])
            peak[run[at]] = at
            first, last = self._cells(begin, end)
            is_last = (last - first)[shifts.owner[peak]] < 2 * self.longer
            better, steep = self._shapes(shifts.place[peak], shifts.shift_us[peak])
            step = over & (better < np.where(is_last, 0.0, -STEP_MARGIN))
            sweep = over & steep & ~step & (better > np.where(is_last, 0.0, SWEEP_MARGIN))
            alone = self._largest_near(step, shifts.place[peak], largest_us)
            low, high = _around(peak, starts, run, size_us >= 0.5 * largest_us[run])
            begin, end = _cut(
                begin,
                end,
                border=self._borders(shifts.place[peak[alone]]),
                low=shifts.place[low[sweep]] * self.cell,
                high=shifts.place[high[sweep]] * self.cell,
            )
            near = np.abs(shifts.place - shifts.place[peak][run]) < self.side
            again = step | sweep
            shifts = shifts.select((again | (over & (better < 0.0)))[run] & (again[run] | ~near))

    def scatter_us(self, begin: Whole, end: Whole) -> float | None:
        """Robust deviation of the shifts inside stretches; None where windows are few.

        At most some 65 000 places, evenly spaced, are looked at.
        """
        first, last = self._cells(begin, end)
        if int(np.maximum(last - first, 0).sum()) < _MIN * 2 * self.side:
            return None
        stride = -(-self.total.size // _SAMPLED)
        place = np.arange(self.side, self.total.size - self.side, stride)
        shifts = self._inside(Shifts(place, self._shift_us(place), place), begin, end)
        if not shifts.place.size:
            return None
        return FROM_MAD * float(np.median(np.abs(shifts.shift_us)))

    def _cells(self, begin: Whole, end: Whole) -> tuple[Whole, Whole]:
        """First whole cell of each stretch, and the one after its last."""
        return -(-begin // self.cell), end // self.cell

    def _shift_us(self, place: Whole) -> Real:
        total, side = self.total, self.side
        double: Real = total[place + side] - 2.0 * total[place] + total[place - side]
        return double / (side * self.cell)

    def _shifts(self, least_us: float) -> Shifts:
        """All places where the means on either side differ by more than so much."""
        side, total = self.side, self.total
        least = least_us * side * self.cell
        places, sums = [np.zeros(0, np.int64)], [np.zeros(0)]
        for low in range(side, total.size - side, _CHUNK):
            high = min(low + _CHUNK, total.size - side)
            double = total[low + side : high + side] + total[low - side : high - side]
            double -= 2.0 * total[low:high]
            at = np.flatnonzero(np.abs(double) > least)
            places.append(at + low)
            sums.append(double[at])
        place = np.concatenate(places)
        return Shifts(place, np.concatenate(sums) / (side * self.cell), place)

    def _inside(self, shifts: Shifts, begin: Whole, end: Whole) -> Shifts:
        """Keep the shifts whose window lies in one stretch, and name it."""
        first, last = self._cells(begin, end)
        if not begin.size:
            return shifts.select(np.zeros(shifts.place.size, dtype=bool))
        owner = np.searchsorted(first, shifts.place - self.side, side="right") - 1
        inside = (owner >= 0) & (shifts.place + self.side <= last[owner])
        return Shifts(shifts.place[inside], shifts.shift_us[inside], owner[inside])

    def _shapes(self, place: Whole, shift_us: Real) -> tuple[Real, Flags]:
        """Say how much better a line fits each window than a step, and which are steep.

        In squared deviations of noise: the sum of squares that a line explains is
        its slope squared times the sum of its squared levers, that a step in the
        middle explains ``m d^2 / 2``.
        """
        window = np.arange(-self.side, self.side + 1)
        means_us = np.diff(self.total[place[:, None] + window], axis=1) / self.cell
        lever = window[:-1] + 0.5
        slope_us = means_us @ lever / (lever @ lever)
        by_line = slope_us**2 * (lever @ lever)
        by_step = 0.5 * self.side * shift_us**2
        better: Real = (by_line / by_step - 1.0) * (shift_us / self.deviation_us) ** 2
        return better, np.abs(slope_us) > self.sweep_us * self.cell

    def _largest_near(self, step: Flags, place: Whole, size_us: Real) -> Flags:
        """Keep the steps that are the largest within half a window."""
        at = np.flatnonzero(step)
        near = np.diff(place[at]) < self.side
        rises = size_us[at[1:]] > size_us[at[:-1]]
        kept = step.copy()
        kept[at[:-1][near & rises]] = False
        kept[at[1:][near & ~rises]] = False
        return kept

    def _borders(self, place: Whole) -> Whole:
        """Move each border to the pulse at which two levels are likeliest to part."""
        if not place.size:
            return place
        level_us = [
            (self.total[place + b] - self.total[place + a]) / ((b - a) * self.cell)
            for a, b in ((-self.side, -_NEAR), (_NEAR, self.side))
        ]
        about_us = self.width_us[self.width_us.size // 2]
        near = np.arange(-_NEAR * self.cell, _NEAR * self.cell)
        pulses_us = self.width_us[place[:, None] * self.cell + near] - about_us
        lead = pulses_us - (0.5 * (level_us[0] + level_us[1]))[:, None]
        lead *= np.sign(level_us[0] - level_us[1])[:, None]
        likely = np.cumsum(np.pad(lead, ((0, 0), (1, 0))), axis=1)
        border: Whole = (place - _NEAR) * self.cell + np.argmax(likely, axis=1)
        return border


def _around(peak: Whole, starts: Whole, run: Whole, inner: Flags) -> tuple[Whole, Whole]:
    """First and last shift of the unbroken inner stretch about each run's peak."""
    at = np.arange(run.size)
    before = np.where(~inner & (at < peak[run]), at, starts[run] - 1)
    ends = np.append(starts[1:], run.size)
    after = np.where(~inner & (at > peak[run]), at, ends[run])
    return np.maximum.reduceat(before, starts) + 1, np.minimum.reduceat(after, starts) - 1


def _cut(
    begin: Whole, end: Whole, *, border: Whole, low: Whole, high: Whole
) -> tuple[Whole, Whole]:
    """Split stretches at borders and cut sweeps out of them."""
    begins = np.sort(np.concatenate([begin, border, high]))
    ends = np.sort(np.concatenate([end, border, low]))
    return begins[ends > begins], ends[ends > begins]
