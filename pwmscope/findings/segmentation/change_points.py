"""Where, in stretches of widths that stand still for a moment, the level changes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

from pwmscope.findings.segmentation.level_shifts import Scale
from pwmscope.findings.segmentation.remains import left_in_sweeps
from pwmscope.findings.segmentation.width_noise import WidthNoise

FALSE_ALARM: Final = 0.001
"""Chance that noise alone makes any change of level in a recording."""
MIN_STEP: Final = 0.5
"""A change of level is at least this many noise deviations of a single width."""
SIDES: Final = (8, 12)
"""Cells on either side of a place, for each size of cell."""
_GROUPS: Final = 8
_LONG: Final = 1000

Whole = npt.NDArray[np.int64]
Real = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


def deviations_for(chance: float, places: int) -> float:
    """Return how many deviations noise exceeds anywhere with this chance.

    Bonferroni's bound: the chance is shared out evenly among all places, for a
    Gaussian statistic of either sign.

    Examples
    --------
    >>> round(deviations_for(0.001, 1), 3), round(deviations_for(0.001, 10_000_000), 3)
    (3.291, 6.467)
    """
    return math.sqrt(2.0) * float(special.erfcinv(chance / max(places, 1)))


def split_levels(
    width_us: Real,
    begin: Whole,
    end: Whole,
    noise: WidthNoise,
    *,
    cell: int,
    sweep_us: float,
) -> tuple[Whole, Whole]:
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


def _totals(width_us: Real, cell: int) -> Real:
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

    total: Real
    cell: int
    noise: WidthNoise
    deviations: float

    def joined(self, begin: Whole, end: Whole, split: Flags) -> tuple[Whole, Whole]:
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

    def _lean(self, place: Whole, cells: Whole) -> Flags:
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
        lean: Flags = fits & (by_line > by_step) & (left_us <= self.deviations * doubt_us)
        return lean
