"""Where, in stretches of widths that stand still for a moment, the level changes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.segmentation.stretches import WidthNoise, measure_ranges
from pwmscope.model import FROM_MAD, BoolArray, FloatArray, IntArray, median_of, normal_quantile

LINE_FIT: Final = 1.5
"""A line fits if the widths scatter about it by no more than so many noise deviations."""
SLOPE_LIMIT: Final = 3.0
"""A sweep is steeper than a slow drift by at least so many deviations of its slope."""
_BATCH: Final = 2048


def left_in_sweeps(
    begin: IntArray,
    end: IntArray,
    before: tuple[IntArray, IntArray],
    whole: tuple[IntArray, IntArray],
    shorter: int,
) -> BoolArray:
    """Say which stretches are too short to be told from the sweeps on either side.

    >>> whole = (np.array([0]), np.array([900]))
    >>> left_in_sweeps(np.array([0, 200, 600]), np.array([100, 230, 900]), whole, whole, 50)
    array([False,  True, False])
    """
    first, last = _chains(begin, end)
    left = end[last] - begin[first] < shorter
    if left.any():
        left &= ~_among(begin[first], whole[0]) & ~_among(end[last], whole[1])
        left &= ~(_among(begin[first], before[0]) & _among(end[first], before[1]))
    return np.repeat(left, last - first + 1)


def _among(places: IntArray, known: IntArray) -> BoolArray:
    """Say which places are among known ones, which ascend; quicker than `numpy.isin`."""
    found: BoolArray = np.append(known, -1)[np.searchsorted(known, places)] == places
    return found


def in_passing(
    width_us: FloatArray,
    begin: IntArray,
    end: IntArray,
    noise: WidthNoise,
    *,
    around: int,
    sweep_us: float,
) -> BoolArray:
    """Say which short stretches only seem to stand still in the midst of a sweep.

    A line fits the pulses around such a stretch: they scatter about it by no more
    than `LINE_FIT` noise deviations. It is steeper than ``sweep_us`` by
    `SLOPE_LIMIT` deviations of its slope, and the stretch's own line leans the
    same way, more than half as steeply.
    """
    first, last = _chains(begin, end)
    opens, closes = begin[first], end[last]
    middle = (opens + closes) // 2
    passing = np.zeros(first.size, dtype=bool)
    for shorter, reach in ((0, around), (around, 2 * around), (2 * around, 4 * around)):
        lever = np.arange(-reach, reach) + 0.5
        limit_us = sweep_us + SLOPE_LIMIT * noise.lasting_us(reach) / math.sqrt(lever @ lever)
        short = (closes - opens >= shorter) & (closes - opens < reach)
        at = np.flatnonzero(short & (middle >= reach) & (middle + reach <= width_us.size))
        own = measure_ranges(width_us, opens[at], closes[at])
        for low in range(0, at.size, _BATCH):
            some = slice(low, low + _BATCH)
            pulses_us = width_us[middle[at[some], None] + np.arange(-reach, reach)]
            pulses_us -= pulses_us.mean(axis=1, keepdims=True)
            wide_us = pulses_us @ lever / (lever @ lever)
            about_us = np.std(pulses_us - wide_us[:, None] * lever, axis=1)
            own_us = own.rise_us[some] / own.count[some] * np.sign(wide_us)
            passing[at[some]] = (
                (np.abs(wide_us) > limit_us)
                & (about_us <= LINE_FIT * noise.spread_us)
                & (own_us > 0.5 * np.abs(wide_us))
            )
    return np.repeat(passing, last - first + 1)


def _chains(begin: IntArray, end: IntArray) -> tuple[IntArray, IntArray]:
    """First and last of each run of stretches that touch."""
    apart = begin[1:] != end[:-1]
    first = np.flatnonzero(np.append(True, apart)[: begin.size])
    return first, np.append(first[1:], begin.size)[: first.size] - 1


STEP_MARGIN: Final = 6.0
"""By how much a step has to fit better than a line: in squared deviations, which are twice the
logarithm of the likelihoods' ratio. Where no longer window fits the stretch, the better wins."""
SWEEP_MARGIN: Final = 12.0
"""By how much a line has to fit better than a step to be a sweep."""
_NEAR: Final = 3
_SAMPLED: Final = 65_536
_CHUNK: Final = 32_768
_MIN: Final = 16


@dataclass(frozen=True, slots=True)
class Shifts:
    """Places where the level seems to shift, in order, each in one of the stretches."""

    place: IntArray
    shift_us: FloatArray
    owner: IntArray

    def select(self, mask: BoolArray) -> Shifts:
        """Keep those where ``mask`` holds."""
        return Shifts(self.place[mask], self.shift_us[mask], self.owner[mask])

    def runs(self) -> tuple[IntArray, IntArray]:
        """Where runs of neighbouring places with shifts of one sign begin, and each one's run."""
        apart = (np.diff(self.place) != 1) | (np.diff(self.owner) != 0)
        apart |= (self.shift_us[1:] > 0) != (self.shift_us[:-1] > 0)
        starts = np.append(True, apart)
        return np.flatnonzero(starts), np.cumsum(starts) - 1


@dataclass(frozen=True, slots=True)
class Scale:
    """The search for shifts through windows of one length."""

    width_us: FloatArray  # shape (n,): Widths in microseconds
    # shape (cells + 1,): Their cumulative sums, about one of them, before each cell and after the
    # last
    total: FloatArray
    cell: int  # Pulses in a cell
    # Cells on either side of a place in these windows, and in the next longer ones
    side: int
    longer: int
    deviation_us: float  # Standard deviation that noise gives a shift
    limit_us: float  # Largest shift that may be noise
    sweep_us: float  # Steepest slope, in microseconds per pulse, that is no sweep

    def split(self, begin: IntArray, end: IntArray) -> tuple[IntArray, IntArray]:
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

    def scatter_us(self, begin: IntArray, end: IntArray) -> float | None:
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
        return FROM_MAD * median_of(np.abs(shifts.shift_us))

    def _cells(self, begin: IntArray, end: IntArray) -> tuple[IntArray, IntArray]:
        """First whole cell of each stretch, and the one after its last."""
        return -(-begin // self.cell), end // self.cell

    def _shift_us(self, place: IntArray) -> FloatArray:
        total, side = self.total, self.side
        double: FloatArray = total[place + side] - 2.0 * total[place] + total[place - side]
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

    def _inside(self, shifts: Shifts, begin: IntArray, end: IntArray) -> Shifts:
        """Keep the shifts whose window lies in one stretch, and name it."""
        first, last = self._cells(begin, end)
        if not begin.size:
            return shifts.select(np.zeros(shifts.place.size, dtype=bool))
        owner = np.searchsorted(first, shifts.place - self.side, side="right") - 1
        inside = (owner >= 0) & (shifts.place + self.side <= last[owner])
        return Shifts(shifts.place[inside], shifts.shift_us[inside], owner[inside])

    def _shapes(self, place: IntArray, shift_us: FloatArray) -> tuple[FloatArray, BoolArray]:
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
        better: FloatArray = (by_line / by_step - 1.0) * (shift_us / self.deviation_us) ** 2
        return better, np.abs(slope_us) > self.sweep_us * self.cell

    def _largest_near(self, step: BoolArray, place: IntArray, size_us: FloatArray) -> BoolArray:
        """Keep the steps that are the largest within half a window."""
        at = np.flatnonzero(step)
        near = np.diff(place[at]) < self.side
        rises = size_us[at[1:]] > size_us[at[:-1]]
        kept = step.copy()
        kept[at[:-1][near & rises]] = False
        kept[at[1:][near & ~rises]] = False
        return kept

    def _borders(self, place: IntArray) -> IntArray:
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
        border: IntArray = (place - _NEAR) * self.cell + np.argmax(likely, axis=1)
        return border


def _around(
    peak: IntArray, starts: IntArray, run: IntArray, inner: BoolArray
) -> tuple[IntArray, IntArray]:
    """First and last shift of the unbroken inner stretch about each run's peak."""
    at = np.arange(run.size)
    before = np.where(~inner & (at < peak[run]), at, starts[run] - 1)
    ends = np.append(starts[1:], run.size)
    after = np.where(~inner & (at > peak[run]), at, ends[run])
    return np.maximum.reduceat(before, starts) + 1, np.minimum.reduceat(after, starts) - 1


def _cut(
    begin: IntArray, end: IntArray, *, border: IntArray, low: IntArray, high: IntArray
) -> tuple[IntArray, IntArray]:
    """Split stretches at borders and cut sweeps out of them."""
    begins = np.sort(np.concatenate([begin, border, high]))
    ends = np.sort(np.concatenate([end, border, low]))
    return begins[ends > begins], ends[ends > begins]


FALSE_ALARM: Final = 0.001
"""Chance that noise alone makes any change of level in a recording."""
MIN_STEP: Final = 0.5
"""A change of level is at least this many noise deviations of a single width."""
SIDES: Final = (8, 12)
"""Cells on either side of a place, for each size of cell."""
_GROUPS: Final = 8
_LONG: Final = 1000


def deviations_for(chance: float, places: int) -> float:
    """Return how many deviations noise exceeds anywhere with this chance.

    Bonferroni's bound: the chance is shared out evenly among all places, for a
    Gaussian statistic of either sign.

    >>> round(deviations_for(0.001, 1), 3), round(deviations_for(0.001, 10_000_000), 3)
    (3.291, 6.467)
    """
    return -normal_quantile(0.5 * chance / max(places, 1))


def split_levels(
    width_us: FloatArray,
    begin: IntArray,
    end: IntArray,
    noise: WidthNoise,
    *,
    cell: int,
    sweep_us: float,
) -> tuple[IntArray, IntArray]:
    """Split stretches where their level changes, and cut slow sweeps out of them.

    At each place the mean of the ``m`` widths after it is held against that of
    the ``m`` before (moving sums: Bauer and Hackl 1978, Eichinger and Kirch 2018;
    a windowed form of Page's cumulative sums, 1954), for ``m`` growing by a half
    and by a third in turn, so that the narrowest window that shows a change
    places it (Messer et al. 2014; Baranowski, Chen and Fryzlewicz 2019).

    A shift counts if noise makes one as large anywhere in the recording with
    chance `FALSE_ALARM` (Bonferroni; the threshold grows as ``sqrt(2 log n)``, as in Yao
    1988), and is larger than a sample interval, by 3 of its own deviations, and
    than `MIN_STEP` deviations of a single width. The largest shift of each
    run of places is taken first and its stretch split there, all stretches at
    once, and again until none is left (binary segmentation: Scott and Knott
    1974). The border goes where the likelihood of two levels is greatest
    (Hinkley 1970). All sources from memory.

    A step has to fit its window better than a straight line by `STEP_MARGIN`. Where
    the line fits better by `SWEEP_MARGIN` and is steeper than ``sweep_us``, the
    places around at which the shift is more than half as large are a sweep and
    cut out, with what is left between two such if shorter than the window. In the end
    a border stays only if the whole levels beside it differ by enough, and a
    step still fits all that lies beside it better than a line, or as well as one.

    The deviation of a shift is the larger of what the noise's memory predicts
    and what the shifts in windows of a quarter of the length, or less, really
    scatter by; so noise whose neighbours are alike is not split to crumbs.
    """
    deviations = deviations_for(FALSE_ALARM, width_us.size)
    finest = _totals(width_us, cell), cell
    total, whole = finest[0], (begin, end)
    seen: list[tuple[int, float]] = []
    while begin.size and int((end - begin).max()) >= 2 * SIDES[0] * cell:
        for side, longer in zip(SIDES, (*SIDES[1:], 2 * SIDES[0]), strict=True):
            pulses = side * cell
            lasting_us = max([noise.lasting_us(pulses), *(us for m, us in seen if 4 * m <= pulses)])
            deviation_us = lasting_us * math.sqrt(2.0 / pulses)
            limit_us = max(
                deviations * deviation_us,
                noise.interval_us + 3.0 * deviation_us,
                MIN_STEP * noise.spread_us,
            )
            scale = Scale(width_us, total, cell, side, longer, deviation_us, limit_us, sweep_us)
            before, (begin, end) = (begin, end), scale.split(begin, end)
            left = left_in_sweeps(begin, end, before, whole, 2 * pulses)
            begin, end = begin[~left], end[~left]
            really_us = scale.scatter_us(begin, end)
            if really_us is not None:
                seen.append((pulses, really_us * math.sqrt(pulses / 2.0)))
        total, cell = np.ascontiguousarray(total[::2]), 2 * cell
    kept = _Kept(*finest, noise, deviations)
    return kept.joined(begin, end, ~np.isin(begin, whole[0]))


def _totals(width_us: FloatArray, cell: int) -> FloatArray:
    """Cumulative sums of the widths, about one of them, at every cell's end."""
    cells = width_us.size // cell
    if not cells:
        return np.zeros(1)
    total = np.zeros(cells + 1)
    sums = total[1:]
    sums += width_us[: cells * cell : cell]
    for at in range(1, cell):
        sums += width_us[at : cells * cell : cell]
    sums -= cell * width_us[width_us.size // 2]
    np.cumsum(sums, out=sums)
    return total


@dataclass(frozen=True, slots=True)
class _Kept:
    """Which borders are kept in the light of all that lies on either side of them."""

    total: FloatArray
    cell: int
    noise: WidthNoise
    deviations: float

    def joined(self, begin: IntArray, end: IntArray, split: BoolArray) -> tuple[IntArray, IntArray]:
        """Join again what was split for too little, the levels most alike first."""
        least_us = max(self.noise.interval_us, MIN_STEP * self.noise.spread_us)
        while True:
            first, last = -(-begin // self.cell), end // self.cell
            cells = np.maximum(last - first, 0)
            sums_us = self.total[np.maximum(last, first)] - self.total[first]
            level_us = sums_us / np.maximum(cells * self.cell, 1)
            border = np.flatnonzero(split[1:] & (begin[1:] == end[:-1])) + 1
            border = border[(cells[border] > 0) & (cells[border - 1] > 0)]
            shift_us = np.abs(level_us[border] - level_us[border - 1])
            little = (shift_us < least_us) | self._lean(
                first[border], np.minimum(cells[border], cells[border - 1])
            )
            if not little.any():
                return begin, end
            little_us = np.full(begin.size + 1, np.inf)
            little_us[border[little]] = shift_us[little]
            join = (little_us[:-1] < little_us[1:]) & np.isfinite(little_us[:-1])
            join[1:] &= little_us[1:-1] <= little_us[:-2]
            begin, split, end = begin[~join], split[~join], end[~np.append(join[1:], False)]

    def _lean(self, place: IntArray, cells: IntArray) -> BoolArray:
        """Say where a line fits better than a step and leaves no significant step.

        Eight groups of cells on either side, as long as the shorter side allows.
        """
        group = cells // _GROUPS
        fits = group > 0
        window = np.arange(-_GROUPS, _GROUPS + 1)
        bounds = self.total[(place[:, None] + group[:, None] * window) * fits[:, None]]
        size = np.maximum(group * self.cell, 1)
        means_us = np.diff(bounds, axis=1) / size[:, None]
        lever = window[:-1] + 0.5
        step = np.sign(lever)
        by_line = (means_us @ lever) ** 2 / (lever @ lever)
        by_step = (means_us @ step) ** 2 / (step @ step)
        beside = step - lever * (step @ lever) / (lever @ lever)
        left_us = np.abs(means_us @ beside) / math.sqrt(beside @ beside)
        doubt_us = self.noise.lasting_us(_LONG) / np.sqrt(size)
        lean: BoolArray = fits & (by_line > by_step) & (left_us <= self.deviations * doubt_us)
        return lean
