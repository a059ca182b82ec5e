"""Which pulses of a series stand at one level, and what the others do between."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

STANDING_PULSES: Final = 6
"""Pulses at one level that make an output stand; fewer are told as movement."""
SHIFT_LIMIT: Final = 4.0
"""A window does not stand whose halves differ by more deviations of that difference."""
LONGER: Final = (24, 96)
"""Windows through which a stretch that drifts as a whole is looked at again."""
HAND_S: Final = 0.03
"""No hand, and no stick that springs back, gets from one level to another in less
(common practice, from memory)."""
AGREE: Final = 0.75
"""A hand moves on in one direction, so that more than this part of consecutive steps
agree in sign; of a random walk's about half do."""
FEWEST_STEPS: Final = 4
BY_CHANCE: Final = 2.0
"""Steps from pulse to pulse, of which a fast zigzag has many turns, must agree more often
than half by so many standard deviations of what chance gives, ``0.5 / sqrt(n)`` each."""
ON_TIME: Final = 1.5
"""A pulse that comes later than this many frame periods after the one before is not the next."""

Reals = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]
Truths = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Tolerance:
    """What counts as one level, as movement, and as the next frame.

    Parameters
    ----------
    noise_us : float
        Standard deviation of a single width.
    range_us : float
        Widths that range over less are one level.
    interval_us : float
        Sample interval; 0 where it is not known.
    step_us : float
        Smaller steps do not count as movement.
    frame_s : float
        Usual frame period.
    gap_s : float
        Longest pause between pulses that is not yet quiet.
    """

    noise_us: float
    range_us: float
    interval_us: float
    step_us: float
    frame_s: float
    gap_s: float

    def shift_us(self, window: int) -> float:
        """Largest difference of the means of a standing window's halves."""
        half = window // 2
        return SHIFT_LIMIT * self.noise_us * math.sqrt(2.0 / half) + 0.5 * self.interval_us


@dataclass(frozen=True, slots=True)
class Parts:
    """A series of pulses in parts that stand, move on or wander, as columns.

    Parameters
    ----------
    first, count : ndarray of int64, shape (n,)
        Place of each part's first pulse, and its pulses.
    level_us, pace_us : ndarray of float64, shape (n,)
        Mean width, and largest step from one pulse to the next.
    stands, smooth, jumped : ndarray of bool, shape (n,)
        Whether it stands; whether, if not, its steps agree in sign; whether it
        stands and was entered by a jump from a part that stands as well.
    """

    first: Places
    count: Places
    level_us: Reals
    pace_us: Reals
    stands: Truths
    smooth: Truths
    jumped: Truths


def find_parts(
    rise_s: Reals, width_us: Reals, parted: Truths, turns: Truths, tolerance: Tolerance
) -> Parts:
    """Cut a series into parts that stand and parts that do not.

    What stands through a short window but drifts as a whole is cut at the turns and
    looked at through longer windows; what still drifts moves.

    Parameters
    ----------
    rise_s, width_us : ndarray of float64, shape (n,)
        Leading edges and widths, at least one.
    parted : ndarray of bool, shape (n,)
        Pulses before which there is a break; the first is one.
    turns : ndarray of bool, shape (n,)
        Pulses with which a small change of level may come.
    tolerance : Tolerance
        What counts as one level.

    Returns
    -------
    Parts
        In order, covering the series.
    """
    linked = _linked(width_us, parted, tolerance, STANDING_PULSES)
    first, count, stands = _runs(linked, parted)
    for window in LONGER:
        drifts = stands & (_drift_us(width_us, first, count) > tolerance.range_us)
        if not drifts.any():
            break
        seen = _linked(width_us, parted | turns, tolerance, window)
        linked &= seen | ~np.repeat(drifts, count)
        first, count, stands = _runs(linked, parted)
    drifts = stands & (_drift_us(width_us, first, count) > tolerance.range_us)
    inside_us = np.abs(np.diff(width_us, prepend=width_us[0]))
    inside_us[first] = 0.0
    parts = Parts(
        first,
        count,
        width_us[0] + np.add.reduceat(width_us - width_us[0], first) / count,
        np.maximum.reduceat(inside_us, first),
        stands & ~drifts,
        drifts | _is_smooth(width_us, first, count, tolerance),
        np.zeros(first.size, dtype=bool),
    )
    beside = _is_beside(parts, width_us, tolerance.range_us) & ~drifts
    parts = replace(parts, stands=parts.stands | beside)
    return replace(parts, jumped=_is_jumped(rise_s, parts, parted, tolerance))


def _linked(width_us: Reals, parted: Truths, tolerance: Tolerance, window: int) -> Truths:
    """Say for each pulse whether some standing window holds it and the one before."""
    linked = np.zeros(width_us.size, dtype=bool)
    windows = width_us.size - window + 1
    if windows < 1:
        return linked
    from scipy import ndimage  # noqa: PLC0415 - slow to import

    centre, half = window // 2, window // 2
    kept = slice(centre, centre + windows)
    still = (
        ndimage.maximum_filter1d(width_us, window)[kept]
        - ndimage.minimum_filter1d(width_us, window)[kept]
    ) <= tolerance.range_us
    total = np.append(0.0, np.cumsum(width_us - width_us[0]))
    first_us = (total[half : half + windows] - total[:windows]) / half
    second_us = (total[window:] - total[window - half : -half]) / half
    still &= np.abs(second_us - first_us) <= tolerance.shift_us(window)
    section = np.cumsum(parted)
    still &= section[:windows] == section[window - 1 :]
    # Pulse i is linked if a standing window begins at i - window + 1 to i - 1.
    begun = np.append(0, np.cumsum(still))
    place = np.arange(1, width_us.size)
    upto = np.minimum(place, windows)
    linked[1:] = begun[upto] > begun[np.minimum(np.maximum(place - window + 1, 0), upto)]
    return linked


def _runs(linked: Truths, parted: Truths) -> tuple[Places, Places, Truths]:
    """Join linked pulses, and neighbours that are linked to nothing, into parts."""
    alone = ~linked & ~np.append(linked[1:], False)
    starts = ~linked & ~(alone & np.append(False, alone[:-1]) & ~parted)
    first = np.flatnonzero(starts)
    return first, np.diff(np.append(first, linked.size)), ~alone[first]


def _drift_us(width_us: Reals, first: Places, count: Places) -> Reals:
    """Difference between the means of a part's first and last six pulses."""
    total = np.append(0.0, np.cumsum(width_us - width_us[0]))
    end = first + count
    few = np.minimum(count, STANDING_PULSES)
    drift_us: Reals = np.abs(total[first + few] - total[first] - total[end] + total[end - few])
    return drift_us / few


def _is_smooth(width_us: Reals, first: Places, count: Places, tolerance: Tolerance) -> Truths:
    """Say for each part whether its steps agree in sign.

    Steps are taken between means of three pulses, from pulse to pulse, and where too
    few of these are large enough, between means of a sixth of the part. In a part of
    few pulses all steps, those into and out of it included, must agree.
    """
    pairs, agree = _agreement(width_us, first, count, np.full(first.size, 3), tolerance)
    few = pairs < FEWEST_STEPS
    wide = np.where(few & (count >= 18), count // 6, count + 1)
    wide_pairs, wide_agree = _agreement(width_us, first, count, wide, tolerance)
    few &= wide_pairs < FEWEST_STEPS
    agree = np.where(pairs >= FEWEST_STEPS, agree, wide_agree)
    smooth = agree > AGREE
    near, near_agree = _agreement(width_us, first, count, np.ones(first.size, np.int64), tolerance)
    least = np.maximum(0.62, 0.5 + BY_CHANCE / np.sqrt(np.maximum(near, 1)))
    smooth |= (near >= FEWEST_STEPS) & (near_agree > least)
    smooth[few] = _is_monotone(width_us, first[few], count[few], tolerance)
    return smooth


def _agreement(
    width_us: Reals, first: Places, count: Places, size: Places, tolerance: Tolerance
) -> tuple[Places, Reals]:
    """Count pairs of consecutive steps that are large enough, and the part that agree."""
    bins = count // size
    owner = np.repeat(np.arange(first.size), bins)
    inside = np.arange(owner.size) - np.repeat(np.cumsum(bins) - bins, bins)
    begin = first[owner] + inside * size[owner]
    total = np.append(0.0, np.cumsum(width_us - width_us[0]))
    mean_us = (total[begin + size[owner]] - total[begin]) / size[owner]
    step_us = np.diff(mean_us)
    least_us = np.maximum(tolerance.step_us, 3.0 * tolerance.noise_us / np.sqrt(size[owner]))[1:]
    counted = (np.abs(step_us) > least_us) & (np.diff(owner) == 0)
    pair = counted[1:] & counted[:-1]
    same = pair & (step_us[1:] * step_us[:-1] > 0)
    whose = owner[2:]
    pairs = np.bincount(whose[pair], minlength=first.size)
    agree = np.bincount(whose[same], minlength=first.size) / np.maximum(pairs, 1)
    return pairs, agree


def _is_monotone(width_us: Reals, first: Places, count: Places, tolerance: Tolerance) -> Truths:
    """Say whether a part's steps, and those into and out of it, all have one sign."""
    step_us = np.append(np.append(0.0, np.diff(width_us)), 0.0)
    least_us = max(tolerance.step_us, 3.0 * tolerance.noise_us)
    up, down = (np.append(0, np.cumsum(sign * step_us > least_us)) for sign in (1, -1))
    end = np.minimum(first + count + 1, step_us.size)
    ups, downs = up[end] - up[first], down[end] - down[first]
    one_way: Truths = (np.minimum(ups, downs) == 0) & (ups + downs > 0)
    return one_way


def _is_beside(parts: Parts, width_us: Reals, range_us: float) -> Truths:
    """Say which parts are of one level with a standing part beside them."""
    first, stands = parts.first, parts.stands
    low_us, high_us = np.minimum.reduceat(width_us, first), np.maximum.reduceat(width_us, first)
    near = np.abs(np.diff(parts.level_us)) <= range_us
    beside = np.append(near & stands[1:], False) | np.append(False, near & stands[:-1])
    is_level: Truths = beside & ~stands & (high_us - low_us <= range_us)
    return is_level


def _is_jumped(rise_s: Reals, parts: Parts, parted: Truths, tolerance: Tolerance) -> Truths:
    """Say which standing parts follow another within one frame, or faster than a hand."""
    first, stands = parts.first, parts.stands
    last, on_time_s = first + parts.count - 1, ON_TIME * tolerance.frame_s
    jumped = np.zeros(first.size, dtype=bool)
    whole = stands & ~parted[first]
    took_s = rise_s[first[1:]] - rise_s[last[:-1]]
    far = np.abs(np.diff(parts.level_us)) > tolerance.range_us
    jumped[1:] = whole[1:] & stands[:-1] & far & (took_s <= on_time_s) & (took_s < 2 * HAND_S)
    took_s = rise_s[first[2:]] - rise_s[last[:-2]]
    gaps = np.append(0, np.cumsum(np.append(False, np.diff(rise_s) > on_time_s)))
    on_time = gaps[first[2:] + 1] == gaps[last[:-2] + 1]
    jumped[2:] |= (
        whole[2:] & ~stands[1:-1] & stands[:-2] & ~parted[first[1:-1]] & on_time
        & (took_s <= HAND_S)
    )  # fmt: skip
    return jumped
