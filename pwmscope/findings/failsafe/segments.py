"""Around each loss, the stretches in which an output stands, moves, wanders or is quiet."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from pwmscope.findings.failsafe.losses import Loss, quiet_limit_s
from pwmscope.model import (
    FROM_MAD,
    BoolArray,
    FloatArray,
    IntArray,
    Span,
    median_of,
    sampling_floor_us,
)
from pwmscope.pulses import PulseTable, excerpt, taken

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
MIN_STEPS: Final = 4
BY_CHANCE: Final = 2.0
"""Steps from pulse to pulse, of which a fast zigzag has many turns, must agree more often
than half by so many standard deviations of what chance gives, ``0.5 / sqrt(n)`` each."""
ON_TIME: Final = 1.5
"""A pulse that comes later than this many frame periods after the one before is not the next."""
MISSED: Final = 3.2
"""Two frames may be missing where the width jumps, and it is one jump still."""
SLOW_S: Final = 0.13
"""Frames that slow down are followed up to this period."""

RANGE_LIMIT: Final = 8.0
"""Widths that range over more noise deviations than this do not stand."""
MAX_NOISE: Final = 0.008
"""Noise, as a part of the convention's span, beyond which it is taken for movement."""
MIN_NOISE: Final = 5e-5
STEP: Final = 0.001
"""Steps smaller than this part of the span do not count as movement."""
STRAY: Final = 0.015
"""A width that leaves its neighbours by less than this part of the span is not stray."""
MAX_STRAY: Final = 0.3
"""Where more than this part of seven pulses leave their neighbours, none is stray."""
BEFORE_S: Final = 0.5
"""How long before a loss the output is looked at."""
AFTER_S: Final = 40.0
"""And how long after the transmitter came back, until it follows again: some boot for 30 s
(common practice, from memory)."""
DITHER_PULSES: Final = 12
"""An output that goes to another width of its receiver's timer and back does so in so many pulses,
which a step, and a stick, do not;"""
MIN_DITHERS: Final = 24
"""and in so many such windows, nearly all by one distance."""
ONE_STEP: Final = 0.9
ALIKE: Final = 0.1
TWO_VALUED: Final = 0.3
"""Widths lie within this part of the distance from either; no noise leaves out the middle."""
MAX_STEP: Final = 0.011
"""The coarsest timers count in steps of so much of the span (common practice, from memory)."""
_NOISE_PULSES: Final = 20_000
_MIN_CALM: Final = 50


class Kind(StrEnum):
    """What an output does in a stretch."""

    STANDS = "stands"
    MOVES = "moves"
    WANDERS = "wanders"
    QUIET = "quiet"


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of one output around a loss."""

    kind: Kind  # What it does
    # Leading edge of its first pulse; for a quiet stretch, the instant of the first frame that is
    # missing
    start_s: float
    # Leading edge of its last pulse; for a quiet stretch, of the next pulse, or the capture's end
    end_s: float
    # Its first, last and mean width; NaN for a quiet stretch
    first_us: float
    last_us: float
    level_us: float
    pace_us: float  # Its largest step from pulse to pulse; NaN for a quiet stretch
    pulses: int  # Pulses in it
    # Whether it stands and was entered faster than a hand can move a stick, from a stretch that
    # stood as well
    jumped: bool

    @property
    def is_movement(self) -> bool:
        """Whether it neither stands nor is quiet."""
        return self.kind is Kind.MOVES or self.kind is Kind.WANDERS


@dataclass(frozen=True, slots=True)
class Stretches:
    """The stretches around each loss of one line."""

    # For each loss, in order of time, from `BEFORE_S` before it to `AFTER_S` after it, neighbouring
    # losses permitting
    around: tuple[tuple[Stretch, ...], ...]
    tolerance: Tolerance  # What was taken for one level


def find_stretches(
    table: PulseTable, usual_us: float, losses: tuple[Loss, ...], start_s: float, end_s: float
) -> Stretches:
    """Cut one line's pulses around each loss into stretches.

    Six pulses in a row stand where their range stays within 8 noise deviations
    and a sample interval, and the means of their halves agree; what stands and
    overlaps is one stretch, unless it drifts as a whole. All other pulses move.
    Movement whose consecutive steps mostly agree in sign is a hand's, or a ramp;
    other movement wanders. A pause of more than 0.2 s and 5 frames is quiet.
    Own algorithm.
    """
    rows = np.flatnonzero(table.measured)
    rise_s, width_us = taken(table.rise_s, rows), taken(table.width_us, rows)
    lost_s = np.array([loss.seen_from_s for loss in losses])
    back_s = np.array([loss.back_s for loss in losses])
    if not losses:
        return Stretches((), _tolerance(table, usual_us, width_us, width_us))
    over_s = np.append(back_s, -np.inf)[np.searchsorted(lost_s, rise_s, side="right") - 1]
    tolerance = _tolerance(table, usual_us, width_us, width_us[rise_s > over_s])
    before_s = max(BEFORE_S, 2 * STANDING_PULSES * usual_us / 1e6)
    begin_s = np.maximum(lost_s - before_s, np.append(-np.inf, back_s[:-1]))
    until_s = np.minimum(back_s + AFTER_S, np.append(lost_s[1:], np.inf))
    near = _near(rise_s, begin_s, until_s)
    turns = np.zeros(rise_s.size + 1, dtype=bool)
    turns[np.searchsorted(rise_s, np.concatenate([lost_s, back_s]))] = True
    pulses = _Pulses(rise_s, width_us, turns[:-1], Span(start_s, end_s))
    stretches = _stretches(pulses, near, STRAY * table.convention.span_us, tolerance)
    first = np.searchsorted([stretch.end_s for stretch in stretches], begin_s)
    end = np.searchsorted([stretch.start_s for stretch in stretches], until_s, side="right")
    places = zip(first.tolist(), end.tolist(), strict=True)
    return Stretches(tuple([tuple(stretches[i:j]) for i, j in places]), tolerance)


def _near(rise_s: FloatArray, begin_s: FloatArray, until_s: FloatArray) -> IntArray:
    """List the pulses within any of some time spans, and one more on either side of each."""
    change = np.zeros(rise_s.size + 2, dtype=np.int64)
    np.add.at(change, np.maximum(np.searchsorted(rise_s, begin_s) - 1, 0), 1)
    np.add.at(change, np.searchsorted(rise_s, until_s, side="right") + 1, -1)
    return np.flatnonzero(np.cumsum(change)[: rise_s.size] > 0)


def _tolerance(
    table: PulseTable, usual_us: float, width_us: FloatArray, calm_us: FloatArray
) -> Tolerance:
    """Take the noise from the pulses outside losses: a wandering output is not noise."""
    span_us = table.convention.span_us
    calm_us = calm_us if calm_us.size >= _MIN_CALM else width_us
    bends_us = np.abs(np.diff(calm_us[: _NOISE_PULSES + 2], 2))
    scatter_us = FROM_MAD * median_of(bends_us) / math.sqrt(6.0) if bends_us.size else 0.0
    floor_us = sampling_floor_us(table.sample_interval_us) or 0.0
    noise_us = max(min(scatter_us, MAX_NOISE * span_us), floor_us, MIN_NOISE * span_us)
    interval_us = table.sample_interval_us or 0.0
    noise_us = max(noise_us, _dither_us(width_us, interval_us, MAX_STEP * span_us) / 2.0)
    range_us = RANGE_LIMIT * noise_us + interval_us
    return Tolerance(
        noise_us, range_us, interval_us, STEP * span_us, usual_us / 1e6, quiet_limit_s(usual_us)
    )


def _dither_us(width_us: FloatArray, interval_us: float, most_us: float) -> float:
    """Give the step of a receiver's timer between two of whose widths a line goes back and forth.

    A width that lies between two ticks comes out as either, pulse by pulse, also where the line
    stands. It scatters by half the step at most. 0 where that is not seen. Of a long record parts
    are looked at.
    """
    if width_us.size < DITHER_PULSES:
        return 0.0
    rows = sliding_window_view(excerpt(width_us), DITHER_PULSES, axis=1)
    rows = rows.reshape(-1, DITHER_PULSES)
    low_us = rows.min(axis=1)
    step_us = rows.max(axis=1) - low_us
    seen = np.flatnonzero((step_us > 2.5 * interval_us) & (step_us <= most_us))
    part = (rows[seen] - low_us[seen, None]) / step_us[seen, None]
    is_either = (np.minimum(part, 1.0 - part) <= TWO_VALUED).all(axis=1)
    goes_back = np.count_nonzero(np.diff(part > 0.5, axis=1), axis=1) > 1
    dithers_us = step_us[seen][is_either & goes_back]
    if dithers_us.size < MIN_DITHERS:
        return 0.0
    usual_us = median_of(dithers_us)
    is_usual = np.abs(dithers_us - usual_us) <= max(1.01 * interval_us, ALIKE * usual_us)
    return usual_us if np.count_nonzero(is_usual) >= ONE_STEP * is_usual.size else 0.0


@dataclass(frozen=True, slots=True)
class _Pulses:
    """A line's measured pulses, in the span of the capture.

    ``turns`` are the first pulses after each loss and each return.
    """

    rise_s: FloatArray
    width_us: FloatArray
    turns: BoolArray
    capture: Span


def _stretches(
    pulses: _Pulses, near: IntArray, stray_us: float, tolerance: Tolerance
) -> list[Stretch]:
    """Set stray pulses aside, and cut the others into stretches, quiet ones between."""
    if not near.size:
        return [_quiet(pulses.capture.start_s, pulses.capture.end_s)]
    around_us = np.median(sliding_window_view(np.pad(pulses.width_us[near], 2, "edge"), 5), axis=1)
    stray = np.abs(pulses.width_us[near] - around_us) > max(tolerance.range_us, stray_us)
    # Many of them are no stray pulses but an output that wanders.
    many = sliding_window_view(np.pad(stray, 3, "symmetric"), 7).mean(axis=1) > MAX_STRAY
    place = near[~stray | many]
    rise_s, width_us = pulses.rise_s[place], pulses.width_us[place]
    apart = ~np.isin(place[1:] - 1, near[:-1])  # pulses between them were not looked at
    parted = np.append(True, apart | (np.diff(rise_s) > tolerance.gap_s))
    parts = find_parts(rise_s, width_us, parted, pulses.turns[place], tolerance)
    first, last = parts.first, parts.first + parts.count - 1
    start_s, end_s = pulses.capture.start_s, pulses.capture.end_s
    before_s = np.append(start_s - tolerance.frame_s, pulses.rise_s)[place[first]]
    after_s = np.append(pulses.rise_s, end_s)[place[last] + 1]
    kinds = np.where(parts.stands, 0, np.where(parts.smooth, 1, 2))
    columns = (before_s, after_s, kinds, rise_s[first], rise_s[last], width_us[first],
               width_us[last], parts.level_us, parts.pace_us, parts.count,
               parts.jumped)  # fmt: skip
    gap_s, frame_s, range_us = tolerance.gap_s, tolerance.frame_s, tolerance.range_us
    whole: list[Stretch] = []
    for came_s, next_s, kind, begin_s, *rest in zip(*(c.tolist() for c in columns), strict=True):
        if begin_s - came_s > gap_s and not (whole and whole[-1].kind is Kind.QUIET):
            whole.append(_quiet(came_s + frame_s, begin_s))
        stretch = Stretch(_KINDS[kind], begin_s, *rest)
        if (
            whole
            and begin_s - whole[-1].end_s <= gap_s
            and _is_one_level(whole[-1], stretch, range_us)
        ):
            whole[-1] = _joined(whole[-1], stretch)
        else:
            whole.append(stretch)
        if next_s - stretch.end_s > gap_s:
            whole.append(_quiet(stretch.end_s + frame_s, next_s))
    return whole


_KINDS: Final = (Kind.STANDS, Kind.MOVES, Kind.WANDERS)
_NAN: Final = float("nan")


def _is_one_level(before: Stretch, after: Stretch, range_us: float) -> bool:
    stand = before.kind is Kind.STANDS and after.kind is Kind.STANDS and not after.jumped
    return stand and abs(after.level_us - before.level_us) <= range_us


def _joined(before: Stretch, after: Stretch) -> Stretch:
    pulses = before.pulses + after.pulses
    return replace(
        before,
        end_s=after.end_s,
        last_us=after.last_us,
        level_us=before.level_us + (after.level_us - before.level_us) * after.pulses / pulses,
        pace_us=max(before.pace_us, after.pace_us),
        pulses=pulses,
    )


def _quiet(start_s: float, end_s: float) -> Stretch:
    return Stretch(Kind.QUIET, start_s, end_s, _NAN, _NAN, _NAN, _NAN, 0, jumped=False)


@dataclass(frozen=True, slots=True)
class Tolerance:
    """What counts as one level, as movement, and as the next frame."""

    noise_us: float  # Standard deviation of a single width
    range_us: float  # Widths that range over less are one level
    interval_us: float  # Sample interval; 0 where it is not known
    step_us: float  # Smaller steps do not count as movement
    frame_s: float  # Usual frame period
    gap_s: float  # Longest pause between pulses that is not yet quiet

    def shift_us(self, window: int) -> float:
        """Largest difference of the means of a standing window's halves."""
        half = window // 2
        return SHIFT_LIMIT * self.noise_us * math.sqrt(2.0 / half) + 0.5 * self.interval_us


@dataclass(frozen=True, slots=True)
class Parts:
    """A series of pulses in parts that stand, move on or wander, as columns."""

    # shape (n,): Place of each part's first pulse, and its pulses
    first: IntArray
    count: IntArray
    # shape (n,): Mean width, and largest step from one pulse to the next
    level_us: FloatArray
    pace_us: FloatArray
    # shape (n,): Whether it stands; whether, if not, its steps agree in sign; whether it stands and
    # was entered by a jump from a part that stands as well
    stands: BoolArray
    smooth: BoolArray
    jumped: BoolArray


def find_parts(
    rise_s: FloatArray,
    width_us: FloatArray,
    parted: BoolArray,
    turns: BoolArray,
    tolerance: Tolerance,
) -> Parts:
    """Cut a series into parts that stand and parts that do not.

    What stands through a short window but drifts as a whole is cut at the turns and
    looked at through longer windows; what still drifts moves.
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


def _linked(
    width_us: FloatArray, parted: BoolArray, tolerance: Tolerance, window: int
) -> BoolArray:
    """Say for each pulse whether some standing window holds it and the one before."""
    linked = np.zeros(width_us.size, dtype=bool)
    windows = width_us.size - window + 1
    if windows < 1:
        return linked
    half = window // 2
    within_us = sliding_window_view(width_us, window)
    still = within_us.max(axis=1) - within_us.min(axis=1) <= tolerance.range_us
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


def _runs(linked: BoolArray, parted: BoolArray) -> tuple[IntArray, IntArray, BoolArray]:
    """Join linked pulses, and neighbours that are linked to nothing, into parts."""
    alone = ~linked & ~np.append(linked[1:], False)
    starts = ~linked & ~(alone & np.append(False, alone[:-1]) & ~parted)
    first = np.flatnonzero(starts)
    return first, np.diff(np.append(first, linked.size)), ~alone[first]


def _drift_us(width_us: FloatArray, first: IntArray, count: IntArray) -> FloatArray:
    """How far apart the means of a part's six pulses lie: at its ends, or anywhere on its way.

    A stick may be moved, and a ramp may come back, so slowly that no window shows it.
    """
    total = np.append(0.0, np.cumsum(width_us - width_us[0]))
    end = first + count
    few = np.minimum(count, STANDING_PULSES)
    drift_us: FloatArray = np.abs(total[first + few] - total[first] - total[end] + total[end - few])
    drift_us /= few
    if width_us.size < STANDING_PULSES:
        return drift_us
    mean_us = np.full(width_us.size, np.nan)
    windows = width_us.size - STANDING_PULSES + 1
    mean_us[:windows] = (total[STANDING_PULSES:] - total[:windows]) / STANDING_PULSES
    left = np.repeat(end, count) - np.arange(width_us.size)
    mean_us[left < STANDING_PULSES] = np.nan
    apart_us = np.fmax.reduceat(mean_us, first) - np.fmin.reduceat(mean_us, first)
    np.fmax(drift_us, apart_us, out=drift_us)
    return drift_us


def _is_smooth(
    width_us: FloatArray, first: IntArray, count: IntArray, tolerance: Tolerance
) -> BoolArray:
    """Say for each part whether its steps agree in sign.

    Steps are taken between means of three pulses, from pulse to pulse, and where too
    few of these are large enough, between means of a sixth of the part. In a part of
    few pulses all steps, those into and out of it included, must agree.
    """
    pairs, agree = _agreement(width_us, first, count, np.full(first.size, 3), tolerance)
    few = pairs < MIN_STEPS
    wide = np.where(few & (count >= 18), count // 6, count + 1)
    wide_pairs, wide_agree = _agreement(width_us, first, count, wide, tolerance)
    few &= wide_pairs < MIN_STEPS
    agree = np.where(pairs >= MIN_STEPS, agree, wide_agree)
    smooth = agree > AGREE
    near, near_agree = _agreement(width_us, first, count, np.ones(first.size, np.int64), tolerance)
    least = np.maximum(0.62, 0.5 + BY_CHANCE / np.sqrt(np.maximum(near, 1)))
    smooth |= (near >= MIN_STEPS) & (near_agree > least)
    smooth[few] = _is_monotone(width_us, first[few], count[few], tolerance)
    return smooth


def _agreement(
    width_us: FloatArray, first: IntArray, count: IntArray, size: IntArray, tolerance: Tolerance
) -> tuple[IntArray, FloatArray]:
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


def _is_monotone(
    width_us: FloatArray, first: IntArray, count: IntArray, tolerance: Tolerance
) -> BoolArray:
    """Say whether a part's steps, and those into and out of it, all have one sign."""
    step_us = np.append(np.append(0.0, np.diff(width_us)), 0.0)
    least_us = max(tolerance.step_us, 3.0 * tolerance.noise_us)
    up, down = (np.append(0, np.cumsum(sign * step_us > least_us)) for sign in (1, -1))
    end = np.minimum(first + count + 1, step_us.size)
    ups, downs = up[end] - up[first], down[end] - down[first]
    one_way: BoolArray = (np.minimum(ups, downs) == 0) & (ups + downs > 0)
    return one_way


def _is_beside(parts: Parts, width_us: FloatArray, range_us: float) -> BoolArray:
    """Say which parts are of one level with a standing part beside them."""
    first, stands = parts.first, parts.stands
    low_us, high_us = np.minimum.reduceat(width_us, first), np.maximum.reduceat(width_us, first)
    near = np.abs(np.diff(parts.level_us)) <= range_us
    beside = np.append(near & stands[1:], False) | np.append(False, near & stands[:-1])
    is_level: BoolArray = beside & ~stands & (high_us - low_us <= range_us)
    return is_level


def _is_jumped(
    rise_s: FloatArray, parts: Parts, parted: BoolArray, tolerance: Tolerance
) -> BoolArray:
    """Say which standing parts follow another within one frame, or faster than a hand."""
    first, stands = parts.first, parts.stands
    last, on_time_s = first + parts.count - 1, ON_TIME * tolerance.frame_s
    jumped = np.zeros(first.size, dtype=bool)
    whole = stands & ~parted[first]
    took_s = rise_s[first[1:]] - rise_s[last[:-1]]
    far = np.abs(np.diff(parts.level_us)) > tolerance.range_us
    # A receiver may change its frame rate when the signal is lost.
    own_s = ON_TIME * (rise_s[last] - rise_s[first]) / np.maximum(parts.count - 1, 1)
    next_s = np.maximum(np.maximum(own_s[1:], own_s[:-1]), MISSED * tolerance.frame_s)
    jumped[1:] = whole[1:] & stands[:-1] & far & (took_s <= np.minimum(next_s, SLOW_S))
    took_s = rise_s[first[2:]] - rise_s[last[:-2]]
    gaps = np.append(0, np.cumsum(np.append(False, np.diff(rise_s) > on_time_s)))
    on_time = gaps[first[2:] + 1] == gaps[last[:-2] + 1]
    jumped[2:] |= (
        whole[2:] & ~stands[1:-1] & stands[:-2] & ~parted[first[1:-1]] & on_time
        & (took_s <= HAND_S)
    )  # fmt: skip
    return jumped
