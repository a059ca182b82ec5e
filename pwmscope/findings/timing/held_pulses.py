"""The pulses that came while the stick was held, stray ones included, and how far they went."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.findings.segmentation import Record, extremes, joined_dwells
from pwmscope.findings.timing.separation import Scatter, scatter_of
from pwmscope.model import MIN_US, BoolArray, FloatArray, IntArray, quantile_of
from pwmscope.pulses import taken

MAX_BEFORE: Final = 250
MAX_WITHIN: Final = 12
MAX_WITHIN_SHARE: Final = 0.1
"""A hold may begin so many pulses before a dwell is seen to, or after, but no later than
this share of the dwell."""
PASSES: Final = 2
"""The ends are looked for once more with what was found to be held."""
MOVING_US: Final = 200.0
"""Widths of a move are taken as likely anywhere within this (common practice: a hand moves a
stick by 10 to 50 us in a frame)."""
NEVER_SEEN: Final = 2e-4
"""Chance, for each microsecond, of a held width where none was seen."""
WIDE: Final = (0.05, 2.0)
"""With this chance a held width comes from a normal distribution so many times as wide as the
scatter, as where it wanders slowly."""
KERNEL: Final = 0.3
NEAR: Final = 5.0
MIN_RUN: Final = 5
"""So many widths in a row off the level, outside a dwell, end a hold."""
MAX_KERNEL: Final = 128
"""Held widths are as likely as a kernel estimate from so many of them, evenly spread, says;
its kernel has this part of their scatter, and at least the sample interval's."""
END_SPARE: Final = 2
MAX_SPARE: Final = 20
MAX_SPARE_SHARE: Final = 0.25
"""Of the outermost pulses at the level as many may belong to a move that slows down as its
visible part tells; so many where it tells nothing, and no more than these."""
VISIBLE: Final = (4.0, 8.0)
"""A move shows where it is so many deviations off the level, and is followed up to so many
times as far: where a movement of minimum jerk, whose distance is cubic in time, is as long
before its end once more."""
SLOW_S: Final = 0.4
MAX_SLOW: Final = 0.01
"""A width that moves by no more than this part of the convention's span, beside its scatter,
in this time may be a hand's or a receiver's that wanders."""
SMOOTH: Final = 5
MIN_SLOW_SHARE: Final = 0.1
USUAL: Final = 0.999
"""The share of the pulses that the excursion is told for, beside the farthest."""
MIN_PULSES: Final = 6


@dataclass(frozen=True, slots=True)
class HeldPulses:
    """Pulses of the holds, hold after hold."""

    # shape (n,): Rows in the pulse table of the pulses that were surely held, stray widths included
    rows: IntArray
    count: IntArray  # shape (holds,): Pulses in each hold
    # The same of the dwells that were seen, of which several may make one hold
    dwell_rows: IntArray
    dwell_count: IntArray
    # The same with the pulses at the ends that may have been held, and all others around them that
    # moved no faster than a hand can be told from a width that wanders; empty where there are none
    slow_rows: IntArray
    slow_count: IntArray
    # How much the sum of squares about the holds' means depends on those, end by end: root of the
    # sum of the squares
    ends_us2: float
    # The scatter about each hold's mean of the pulses surely held, and with those at the ends
    scatter: Scatter
    outer_scatter: Scatter

    @classmethod
    def none(cls) -> HeldPulses:
        """Return those of a channel whose stick was never held."""
        rows = np.zeros(0, np.int64)
        scatter = scatter_of(np.zeros(0))
        return cls(rows, rows, rows, rows, rows, rows, 0.0, scatter, scatter)

    def away_us(self, width_us: FloatArray) -> FloatArray:
        """Distance of each width held from the mean of its hold."""
        return np.abs(width_us[self.rows] - np.repeat(self.scatter.mean_us, self.count))


def find_held_pulses(record: Record) -> HeldPulses:
    """Find the pulses that came while the stick was held.

    A hold is a dwell, or several next to each other whose levels are no farther apart than
    their widths scatter. Stray widths in it count. It begins and ends where the widths are
    likeliest to part into those of the hold and those of a move (maximum likelihood of a
    change point; Hinkley 1970, from memory); whether the `END_SPARE` outermost pulses at
    either end were held is in doubt, but for the recording's own ends.
    """
    dwells, width_us = record.dwells, record.table.width_us
    used = record.rows
    if not len(dwells):
        return HeldPulses.none()
    first, last, joined = joined_dwells(record)
    begins = np.flatnonzero(~joined)
    begin = np.searchsorted(used, first[begins])
    after = np.searchsorted(used, last[np.append(begins[1:], joined.size) - 1], side="right")
    some = after - begin >= MIN_PULSES
    if not some.any():
        return HeldPulses.none()
    begin, after = begin[some], after[some]
    used_us, outer = width_us[used], np.stack([begin, after])
    for _ in range(PASSES):
        outer, inner, ends_us2 = _bounded(
            used_us, outer[0], outer[1], record.table.sample_interval_us
        )
    long = inner[1] - inner[0] >= MIN_PULSES
    places, count = _between(inner[:, long])
    outer_places, outer_count = _between(outer[:, long])
    rows = taken(used, places)
    dwell = np.stack([np.searchsorted(rows, first), np.searchsorted(rows, last, side="right")])
    own, parts = _between(dwell[:, dwell[1] > dwell[0]])
    slow_places, slow_count = _between(_slow(record, used_us, outer[:, long]))
    return HeldPulses(
        rows, count, taken(rows, own), parts, used[slow_places], slow_count, ends_us2,
        scatter_of(width_us[rows], count), scatter_of(used_us[outer_places], outer_count),
    )  # fmt: skip


_EVEN: Final = np.full(SMOOTH, 1.0 / SMOOTH)


def _running(choose: np.ufunc, values: FloatArray, window: int) -> FloatArray:
    """Choose the extreme value of a window about each."""
    padded = np.pad(values, (window // 2, window - 1 - window // 2), "edge")
    return extremes(choose, padded, window)


def _slow(record: Record, width_us: FloatArray, held: IntArray) -> IntArray:
    """Join holds with the pulses around them that moved slowly, where there are many.

    Beginnings and ends, shape (2, stretches); none where no such pulses last a window.
    """
    none = np.zeros((2, 0), np.int64)
    window = max(MIN_PULSES, round(SLOW_S * 1e6 / record.period_us))
    if width_us.size < window or not held.size:
        return none
    smooth_us = np.convolve(np.pad(width_us, SMOOTH // 2, "symmetric"), _EVEN, "valid")
    range_us = _running(np.maximum, smooth_us, window)
    range_us -= _running(np.minimum, smooth_us, window)
    scatter_us = float(np.median([width_us[a:b].std() for a, b in held.T]))
    still = range_us <= MAX_SLOW * record.table.convention.span_us + 4.0 * scatter_us / SMOOTH**0.5
    slow = _running(np.maximum, still.astype(float), window).astype(bool)
    rest = slow.copy()
    for begin, after in held.T:
        slow[begin:after], rest[begin:after] = True, False
    edges = np.flatnonzero(np.diff(np.concatenate([[False], rest, [False]])))
    length = np.diff(edges)[::2]
    if int(length[length >= window].sum()) < MIN_SLOW_SHARE * int(np.sum(held[1] - held[0])):
        return none
    edges = np.flatnonzero(np.diff(np.concatenate([[False], slow, [False]])))
    return np.stack([edges[::2], edges[1::2]])


def _between(bounds: IntArray) -> tuple[IntArray, IntArray]:
    """List the places from each beginning to each end, and how many each time."""
    count = bounds[1] - bounds[0]
    offset = bounds[0] - (np.cumsum(count) - count)
    return np.repeat(offset, count) + np.arange(int(count.sum())), count


def _bounded(
    width_us: FloatArray, begin: IntArray, after: IntArray, interval_us: float | None
) -> tuple[IntArray, IntArray, float]:
    """Say where each hold begins and ends at the most and surely, and what hangs on that."""
    outer = np.stack([begin, after])
    inner = outer.copy()
    ends_us4 = 0.0
    free = np.concatenate([[begin[0]], begin[1:] - after[:-1], [width_us.size - after[-1]]])
    for k in range(begin.size):
        start, stop = int(begin[k]), int(after[k])
        within = min(MAX_WITHIN, int(MAX_WITHIN_SHARE * (stop - start)))
        inner_us = width_us[start + within : stop - within]
        level_us = float(np.add.reduce(inner_us)) / inner_us.size
        squares_us2 = (inner_us - level_us) ** 2
        variance_us2 = float(np.add.reduce(squares_us2)) / inner_us.size
        scatter_us = math.sqrt(variance_us2)
        # What one pulse more or less changes the squares by.
        one_us4 = float(np.add.reduce((squares_us2 - variance_us2) ** 2)) / inner_us.size
        kernel_us = max(KERNEL * scatter_us, (interval_us or 0.0) / 6**0.5, MIN_US)
        some_us = inner_us[:: -(-inner_us.size // MAX_KERNEL)]
        low = start - min(MAX_BEFORE, int(free[k]))
        high = stop + min(MAX_BEFORE, int(free[k + 1]))
        for side, end_us in (
            (0, width_us[low : start + within]),
            (1, width_us[stop - within : high][::-1]),
        ):
            cut = _first_held(end_us, some_us, kernel_us, scatter_us, end_us.size - within)
            at_end = cut == 0 and (low == 0 if side == 0 else high == width_us.size)
            spare = 0
            if not at_end:
                most = min(MAX_SPARE, int(MAX_SPARE_SHARE * (stop - start)), end_us.size - cut)
                off_us = np.abs(end_us[:cut][::-1] - level_us)
                spare = min(_hidden(off_us, max(scatter_us, kernel_us)), most)
            away_us = end_us[cut : cut + spare][::-1] - level_us
            sums_us2 = np.cumsum(away_us**2 - scatter_us**2)
            ends_us4 += max(float(np.max(sums_us2**2, initial=0.0)), 0.0 if at_end else one_us4)
            if side == 0:
                outer[0, k], inner[0, k] = low + cut, low + cut + spare
            else:
                outer[1, k], inner[1, k] = high - cut, high - cut - spare
    for bounds in (outer, inner):
        both = np.flatnonzero(bounds[0, 1:] < bounds[1, :-1])
        bounds[0, both + 1] = bounds[1, both] = (bounds[0, both + 1] + bounds[1, both]) // 2
    return outer, inner, math.sqrt(ends_us4)


def _hidden(off_us: FloatArray, noise_us: float) -> int:
    """Count the pulses at the level that a move before, outwards from the level, still hides in."""
    near, times = VISIBLE
    seen = np.flatnonzero(off_us >= near * noise_us)
    if not seen.size:
        return END_SPARE
    first = int(seen[0])
    beyond = np.flatnonzero(off_us[first:] >= times * near * noise_us)
    second = int(beyond[0]) if beyond.size else int(np.argmax(off_us[first:]))
    if not second:
        return 1
    ratio = float(off_us[first + second]) / (near * noise_us)
    left = second / max(float(np.cbrt(min(ratio, times))) - 1.0, 0.25)
    return max(math.ceil(left) - first, 1)


def _first_held(
    end_us: FloatArray, held_us: FloatArray, kernel_us: float, scatter_us: float, outside: int
) -> int:
    """Find where widths, from outside inwards, part into those of a move and those held.

    The first ``outside`` of them lie outside the dwell.
    """
    share, times = WIDE
    # What lies farther out than the last width near the level is likelier a move's; so is what
    # lies beyond a run of widths off the level, such as a click of the trim and back.
    level_us = float(np.add.reduce(held_us)) / held_us.size
    near = np.abs(end_us - level_us) <= NEAR * max(times * scatter_us, kernel_us)
    skipped = int(near.argmax()) if near.any() else end_us.size
    seen = np.concatenate([[0], np.cumsum(near[:outside])])
    runs = np.flatnonzero(seen[MIN_RUN:] == seen[:-MIN_RUN])
    if runs.size:
        skipped = max(skipped, int(runs[-1]) + MIN_RUN)
    end_us = end_us[skipped:]
    density = np.add.reduce(_normal(end_us[:, None] - held_us, kernel_us), axis=1) / held_us.size
    wide = _normal(end_us - level_us, math.hypot(times * scatter_us, kernel_us))
    likelier = np.log(((1.0 - share) * density + share * wide + NEVER_SEEN) * MOVING_US)
    total = np.append(np.cumsum(likelier[::-1])[::-1], 0.0)
    return skipped + int(np.argmax(total))


def _normal(away_us: FloatArray, deviation_us: float) -> FloatArray:
    density: FloatArray = away_us * (math.sqrt(0.5) / deviation_us)
    np.multiply(density, density, out=density)
    np.exp(np.negative(density, out=density), out=density)
    density /= deviation_us * math.sqrt(2.0 * math.pi)
    return density


def scatter_of_held(
    held: HeldPulses, width_us: FloatArray
) -> tuple[Scatter, Scatter | None, Scatter | None]:
    """Gather the scatter of the widths about each hold's mean."""
    whole = held.scatter
    half_us2 = (held.outer_scatter.rms_us**2 - whole.rms_us**2) / 2.0
    by_end_us2 = held.ends_us2 / whole.freedom
    doubt_us2 = max(abs(half_us2), by_end_us2)
    parted = None
    if held.dwell_count.size > held.count.size:
        parted = scatter_of(width_us[held.dwell_rows], held.dwell_count)
        parted = replace(parted, doubt_us2=doubt_us2)
    slow = None
    if held.slow_count.size:
        slow = scatter_of(width_us[held.slow_rows], held.slow_count)
    return replace(whole, doubt_us2=doubt_us2), parted, slow


@dataclass(frozen=True, slots=True)
class Excursion:
    """How far single widths went from their hold's level."""

    peak_us: float  # The farthest
    usual_us: float  # What 99.9 % of the pulses kept within
    # The true farthest lies between: each reading is right within a sample interval, the level as
    # the pulses at the hold's ends leave it, and what lies at a hold's end may be of a move
    interval_us: tuple[float, float]
    row: int  # Row in the pulse table of the farthest
    count: int  # Pulses that were held


def worst_excursion(
    held: HeldPulses, width_us: FloatArray, interval_us: float | None
) -> Excursion | None:
    """Find how far widths strayed while the stick was held."""
    if not held.rows.size:
        return None
    away_us = held.away_us(width_us)
    at = int(np.argmax(away_us))
    peak_us = most_us = float(away_us[at])
    if held.slow_count.size:
        most_us = max(most_us, float(_away_us(held.slow_rows, held.slow_count, width_us).max()))
    # The level is as uncertain as the pulses that may have been held too would shift it.
    hold = int(np.searchsorted(np.cumsum(held.count), at, side="right"))
    shift_us = float(held.scatter.mean_us[hold] - held.outer_scatter.mean_us[hold])
    reach_us = (interval_us or 0.0) + abs(shift_us)
    # Where dwells were joined the stick may have been moved a little between them, and the widths
    # at a hold's ends that lie on one side of its level may be the last of a move.
    least_us = float(np.max(away_us[_crossed(held, width_us)], initial=0.0))
    if held.dwell_count.size > held.count.size:
        apart_us = _away_us(held.dwell_rows, held.dwell_count, width_us)
        least_us = min(least_us, float(apart_us.max(initial=0.0)))
    return Excursion(
        peak_us,
        quantile_of(away_us, USUAL),
        (max(least_us - reach_us, 0.0), most_us + reach_us),
        int(held.rows[at]),
        int(held.rows.size),
    )


def _crossed(held: HeldPulses, width_us: FloatArray) -> BoolArray:
    """Say which held pulses lie between the first and the last crossing of their hold's level.

    Shape of ``held.rows``. No more than a quarter of a hold is left out at either end, nothing
    at the recording's own.
    """
    kept = np.ones(held.rows.size, bool)
    ends = np.cumsum(held.count)
    for begin, end in zip((ends - held.count).tolist(), ends.tolist(), strict=True):
        readings_us = width_us[held.rows[begin:end]]
        above = readings_us > readings_us.mean()
        most = int(MAX_SPARE_SHARE * above.size)
        first = int((above != above[0]).argmax())
        last = int((above != above[-1])[::-1].argmax())
        if held.rows[begin] > 0:
            kept[begin : begin + min(first, most)] = False
        if held.rows[end - 1] < width_us.size - 1:
            kept[end - min(last, most) : end] = False
    return kept


def _away_us(rows: IntArray, count: IntArray, width_us: FloatArray) -> FloatArray:
    """Distance of each width from the mean of its hold."""
    readings_us = width_us[rows]
    return np.abs(readings_us - np.repeat(scatter_of(readings_us, count).mean_us, count))
