"""Which lines changed together, and which outputs sticks of their own move, which a machine."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from pwmscope.findings.failsafe.losses import JUMP, Loss
from pwmscope.findings.failsafe.response import Change, ChangeKind, LossClass
from pwmscope.findings.failsafe.watched import Watched
from pwmscope.findings.segmentation import Dwells
from pwmscope.model import BoolArray, FloatArray, IntArray, Span, inside

SLACK_FRAMES: Final = 0.25
"""Changes come together whose pulses leave room for one moment, give or take this much."""
RAMP_S: Final = 0.05
"""Ramps are seen to begin so much later than they do, and later still by their slope."""
RAMP_MAX_S: Final = 0.3
MOST: Final = 4
"""So many changes of a line are looked at in each loss, the last ones."""
ONE_CLOCK: Final = 3e-6
"""Frame periods of one clock differ by no more than this part, sampling aside."""
MIN_CLOCK: Final = 20
"""And so many frames tell it."""
MIN_KEPT: Final = 0.5
STEP_S: Final = 20e-6
"""From frame to frame one clock's outputs go apart by no more, but where a width changes."""

CODES: Final = {ChangeKind.JUMP: 1, ChangeKind.MOVE: 2, ChangeKind.STOP: 3, ChangeKind.START: 4}
JUMPS, MOVES, STOPS, STARTS = (CODES[kind] for kind in ChangeKind)
SAME: Final = 0.012
"""Widths within this part of the convention's span are one position of a stick."""

BEGUN_S: Final = 0.25
"""What a stick did last may show for so long."""
IN_STEP: Final = 0.95
"""Correlation of the widths of two lines that move as one."""
MIN_IN_STEP: Final = 30
MIN_MOVES_US: Final = 20.0
MIN_PLACES: Final = 6
"""So many places of a stick, in one order on both its lines, show that it is one stick."""


@dataclass(frozen=True, slots=True)
class ChangeColumns:
    """Changes as arrays of shape (lines, losses, 4); NaN and 0 where there is none."""

    after_s: FloatArray
    by_s: FloatArray
    end_s: FloatArray
    far: FloatArray
    to_us: FloatArray
    kind: IntArray
    doubt_s: FloatArray

    @classmethod
    def of(
        cls, lines: Sequence[Watched], losses: int, which: Sequence[Sequence[Sequence[Change]]]
    ) -> ChangeColumns:
        """Take up to four changes of each line at each loss."""
        shape = len(lines), losses, MOST
        rows = [
            (i, k, m, c.after_s, c.by_s, c.end_s, c.far_us, c.to_us, CODES[c.kind])
            for i, (line, own) in enumerate(zip(lines, which, strict=True))
            for k, changes in zip(line.places, own, strict=True)
            for m, c in enumerate(changes)
        ]
        found = [np.full(shape, np.nan) for _ in range(5)]
        kind = np.zeros(shape, dtype=np.int64)
        if rows:
            table = np.array(rows)
            at = tuple(table[:, :3].astype(np.int64).T)
            for column, values in zip(found, table[:, 3:8].T, strict=True):
                column[at] = values
            kind[at] = table[:, 8].astype(np.int64)
        span = np.array([line.span_us for line in lines]).reshape(-1, 1, 1)
        range_us = np.array([line.range_us for line in lines]).reshape(-1, 1, 1)
        after_s, by_s, end_s, far_us, to_us = found
        slope = np.nan_to_num(far_us / np.maximum(end_s - after_s, 1e-3))
        doubt_s = np.where(kind == MOVES, RAMP_S + range_us / np.maximum(slope, 1.0), 0.0)
        return cls(
            after_s, by_s, end_s, far_us / span, to_us, kind, np.minimum(doubt_s, RAMP_MAX_S)
        )


def _bears_witness(kind: IntArray, other: IntArray, *, apart: bool) -> BoolArray:
    """Say whether changes of two kinds, at one moment, have one cause only if it is the receiver.

    Jumps, and smooth movements, of one stick's lines are one witness. A stick stops no pulses.
    """
    alike = (kind == other) & ((kind == JUMPS) | (kind == MOVES))
    ended = (kind == STOPS) | (kind == STARTS)
    other_ended = (other == STOPS) | (other == STARTS)
    mixed = (ended | other_ended) & (kind != MOVES) & (other != MOVES) & (kind > 0) & (other > 0)
    counts: BoolArray = (alike & apart) | mixed
    return counts


def find_partners(own: ChangeColumns, lines: Sequence[Watched], apart: BoolArray) -> IntArray:
    """For each change, the place of a line that changed with it; -1 where there is none."""
    found = np.full(own.kind.shape, -1)
    counts = (own.kind > 0) & ((own.kind != JUMPS) | (own.far >= JUMP))
    for i, line in enumerate(lines):
        for j, other in enumerate(lines):
            if i == j:
                continue
            slack_s = SLACK_FRAMES * max(line.frame_s, other.frame_s)
            for m in range(MOST):
                kind = own.kind[j, :, m, None]
                if not kind.any():
                    continue
                doubt_s = slack_s + own.doubt_s[i] + own.doubt_s[j, :, m, None]
                together = own.after_s[i] <= own.by_s[j, :, m, None] + doubt_s
                together &= own.after_s[j, :, m, None] <= own.by_s[i] + doubt_s
                together &= _bears_witness(own.kind[i], kind, apart=bool(apart[i, j]))
                together &= counts[i] & counts[j, :, m, None] & (found[i] < 0)
                found[i][together] = j
    return found


def count_alike(delays_s: FloatArray, counted: BoolArray, reach_s: float) -> IntArray:
    """Count for each delay the counted ones that are alike."""
    chosen = np.sort(delays_s[counted & np.isfinite(delays_s)])
    low = np.searchsorted(chosen, delays_s - reach_s, side="left")
    high = np.searchsorted(chosen, delays_s + reach_s, side="right")
    return np.where(np.isfinite(delays_s), high - low, 0)


def same_clock(lines: Sequence[Watched], losses: Sequence[Loss]) -> BoolArray:
    """Say which lines keep one frame clock, as those of one receiver do; shape (lines, lines).

    How their frames drift apart is added up over the time without a loss: crystals of two
    receivers differ by several ppm (common practice, from memory). Steps are left out: where
    outputs pulse one after another, a width moves all that follow it.
    """
    spans = tuple([Span(loss.earliest_s, loss.back_s) for loss in losses])
    ends_s = np.array([loss.earliest_s for loss in losses])
    starts, stretches = [], []
    for line in lines:
        table = line.output.table
        rise_s = table.rise_s[table.measured]
        starts.append(rise_s[~inside(spans, rise_s)])
        stretches.append(np.searchsorted(ends_s, starts[-1]))
    same: BoolArray = np.eye(len(lines), dtype=bool) & np.array(
        [s.size >= MIN_CLOCK for s in starts]
    )
    for i, line in enumerate(lines):
        for j, other in enumerate(lines[:i]):
            leaders = np.flatnonzero(same[j, :j])
            if leaders.size:  # One clock with an earlier line, which has answered for both
                same[i, j] = same[j, i] = same[i, leaders[0]]
            elif line.expected.receiver == other.expected.receiver:
                pair = line.output.table, other.output.table
                interval_us = max(table.sample_interval_us or 0.0 for table in pair)
                same[i, j] = same[j, i] = _keeps_step(
                    starts[i], starts[j], stretches[i], line.frame_s, interval_us
                )
    return same


def _keeps_step(
    own_s: FloatArray, other_s: FloatArray, stretch: IntArray, frame_s: float, interval_us: float
) -> bool:
    """Say whether frames of two lines do not drift apart, sampling aside."""
    if min(own_s.size, other_s.size) < MIN_CLOCK:
        return False
    place = np.searchsorted(other_s, own_s, side="right") - 1
    apart_s = np.diff(own_s - other_s[np.maximum(place, 0)])
    apart_s = apart_s[(place[:-1] >= 0) & (np.diff(stretch) == 0)]
    apart_s = (apart_s + frame_s / 2.0) % frame_s - frame_s / 2.0
    kept = np.abs(apart_s) <= STEP_S + 2e-6 * interval_us
    count = int(np.count_nonzero(kept))
    if count < max(MIN_CLOCK - 1, MIN_KEPT * apart_s.size):
        return False
    drift = abs(float(apart_s[kept].sum())) / (count * frame_s)
    breaks = 1 + own_s.size - count
    return drift <= ONE_CLOCK + 3e-6 * interval_us * math.sqrt(breaks) / (count * frame_s)


def find_own_sticks(lines: Sequence[Watched], lost: tuple[Span, ...]) -> BoolArray:
    """Say of each pair of lines whether two sticks move them.

    One stick makes the width of one line a function of the other's. Where, outside the
    losses, neither is a monotone function of the other, there are two: each was seen at
    two places while the other stood at one, or they went together and against each other.
    A mixed drive is two sticks.
    """
    own = np.zeros((len(lines), len(lines)), dtype=bool)
    whole = [_outside(line, lost) for line in lines]
    span_us = [line.span_us for line in lines]
    for i, j in itertools.combinations(range(len(whole)), 2):
        first_us, second_us = _standing_together(whole[i], whole[j])
        own[i, j] = own[j, i] = are_apart(first_us / span_us[i], second_us / span_us[j])
    return own


def _outside(line: Watched, lost: tuple[Span, ...]) -> Dwells:
    """Take the dwells at which a line's stick may have been, with the link there."""
    dwells, lost = line.output.dwells, (Span(-np.inf, line.linked_s), *lost)
    middle_s = 0.5 * (dwells.start_s + dwells.end_s)
    return dwells.select(~inside(lost, middle_s))


def _standing_together(first: Dwells, second: Dwells) -> tuple[FloatArray, FloatArray]:
    """List the levels of two lines wherever both stood."""
    if not len(first) or not len(second):
        return np.zeros(0), np.zeros(0)
    begin_s = np.unique(np.concatenate([first.start_s, second.start_s]))
    places = [np.searchsorted(d.start_s, begin_s, side="right") - 1 for d in (first, second)]
    stands = np.ones(begin_s.size, dtype=bool)
    for dwells, place in zip((first, second), places, strict=True):
        stands &= (place >= 0) & (dwells.end_s[np.maximum(place, 0)] > begin_s)
    return first.level_us[places[0][stands]], second.level_us[places[1][stands]]


def are_apart(first: FloatArray, second: FloatArray) -> bool:
    """Say whether neither of two lines' levels is a monotone function of the other's.

    >>> one = np.array([0.5, 0.7, 0.7, 0.5])
    >>> are_apart(one, np.array([0.5, 0.5, 0.3, 0.3])), are_apart(one, 1.0 - one)
    (True, False)
    """
    if first.size < 3:
        return False
    if _varies(first, second) and _varies(second, first):
        return True
    return _turns(first, second) and _turns(second, first)


def _varies(given: FloatArray, levels: FloatArray) -> bool:
    """Say whether a line was at two levels while the other was at one."""
    order = np.argsort(given, kind="stable")
    given, levels = given[order], levels[order]
    begin, end = np.arange(given.size), np.searchsorted(given, given + SAME, side="right")
    # Windows that hold no more than the one before are left out.
    kept = np.append(True, np.diff(end) > 0) & (end - begin > 1)
    return any(
        float(np.ptp(levels[first:upto])) > JUMP
        for first, upto in zip(begin[kept], end[kept], strict=True)
    )


def _turns(given: FloatArray, levels: FloatArray) -> bool:
    """Say whether a line's level both rises and falls as the other's rises."""
    order = np.argsort(given, kind="stable")
    levels = levels[order]
    rises = float((levels - np.minimum.accumulate(levels)).max())
    falls = float((np.maximum.accumulate(levels) - levels).max())
    return min(rises, falls) > JUMP


def with_wandering(
    lines: list[Watched], losses: Sequence[Loss], apart: BoolArray, lost: tuple[Span, ...]
) -> list[Watched]:
    """Tell lines that move, while the signal is lost, as no hand moves them.

    Lines of two sticks move as one, or lines of one stick not as that stick moves them.
    """
    by_loss: dict[int, list[int]] = {}
    for i, line in enumerate(lines):
        for k, own in line.at_losses:
            if own.behaviour is LossClass.KEEPS_FOLLOWING:
                by_loss.setdefault(k, []).append(i)
    found: set[tuple[int, int]] = set()
    for k, moving in by_loss.items():
        for i, j in itertools.combinations(moving, 2):
            widths = _moving_together(lines[i], lines[j], losses[k])
            if widths is None:
                continue
            if apart[i, j]:
                wanders = abs(np.corrcoef(*widths)[0, 1]) >= IN_STEP
            else:
                wanders = _leaves_way(lines[i], lines[j], lost, widths)
            if wanders:
                found |= {(i, k), (j, k)}
    if not found:
        return lines
    return [
        replace(
            line,
            responses=tuple(
                [
                    replace(own, behaviour=LossClass.WANDERS, moved_until_s=None, why_not="")
                    if (i, k) in found
                    else own
                    for k, own in line.at_losses
                ]
            ),
        )
        for i, line in enumerate(lines)
    ]


def _moving_together(
    first: Watched, second: Watched, loss: Loss
) -> tuple[FloatArray, FloatArray] | None:
    """Take the widths of two lines in a loss, frame by frame; None where they do not move."""
    tables = first.output.table, second.output.table
    begin_s = loss.latest_s + BEGUN_S
    rows = [
        np.flatnonzero(t.measured & (t.rise_s > begin_s) & (t.rise_s < loss.back_s)) for t in tables
    ]
    if min(own.size for own in rows) < MIN_IN_STEP:
        return None
    after = np.searchsorted(tables[1].rise_s[rows[1]], tables[0].rise_s[rows[0]], side="right")
    pair = np.maximum(after - 1, 0)
    widths = tables[0].width_us[rows[0]], tables[1].width_us[rows[1]][pair]
    return widths if min(float(np.std(own)) for own in widths) >= MIN_MOVES_US else None


def _leaves_way(
    first: Watched, second: Watched, lost: tuple[Span, ...], widths: tuple[FloatArray, FloatArray]
) -> bool:
    """Say whether two lines of one stick are mostly not where it puts them together."""
    levels_us = _standing_together(_outside(first, lost), _outside(second, lost))
    order = np.argsort(levels_us[0], kind="stable")
    at_us, beside_us = levels_us[0][order], levels_us[1][order]
    span_us = first.span_us
    places = np.append(True, np.diff(at_us) > SAME * span_us) if at_us.size else np.zeros(0, bool)
    if np.count_nonzero(places) < MIN_PLACES:
        return False
    seen = (widths[0] >= at_us[0]) & (widths[0] <= at_us[-1])
    if np.count_nonzero(seen) < MIN_IN_STEP:
        return False
    away_us = np.abs(np.interp(widths[0][seen], at_us, beside_us) - widths[1][seen])
    return bool(np.median(away_us) > JUMP * second.span_us)


SIDE_S: Final = 0.4
"""The levels before and after are taken from so long, and from five pulses at least."""
MIN_SIDE: Final = 5
MIN_FAR_US: Final = 40.0
MIN_FAR: Final = 6.0
"""A ramp goes so far, and so many deviations of a pulse's width."""
INNER: Final = (0.1, 0.9)
"""The parts of the way between which a line is laid through the widths."""
MIN_ON_WAY: Final = 6
EVEN: Final = 0.04
"""The widths lie on it within this part of the way, noise aside: no hand moves so evenly."""
CORNER: Final = 0.15
ROUNDED: Final = 0.015
"""Beside its ends, for this part of its time, it is this near its levels: a hand goes softly."""
STRAY: Final = 0.02
"""So many pulses may be odd."""
SLOW_S: Final = 0.25
"""Hands keep in step over no longer, at both ends, again and again (common practice)."""
ALIKE: Final = 0.1
"""A receiver's ramps last alike, or are alike steep, within this part."""
MIN_ALIKE: Final = 3


class Ramp(NamedTuple):
    """An even way from one level to another."""

    begin_s: float
    end_s: float
    doubt_s: float  # How far off either instant may be
    far_us: float


def fit_ramp(line: Watched, loss: Loss) -> Ramp | None:
    """Lay a straight line through the widths of a loss between its two levels; None without."""
    table = line.output.table
    first, end = np.searchsorted(table.rise_s, (loss.earliest_s - SIDE_S, loss.back_s))
    measured = table.measured[first:end]
    at_s, width_us = table.rise_s[first:end][measured], table.width_us[first:end][measured]
    before = width_us[at_s < loss.earliest_s]
    after = width_us[at_s > loss.back_s - SIDE_S]
    if min(before.size, after.size) < MIN_SIDE:
        return None
    from_us, to_us = float(np.median(before)), float(np.median(after))
    far_us = to_us - from_us
    noise_us = float(max(np.std(before), np.std(after))) + (table.sample_interval_us or 0.0) / 3.0
    if abs(far_us) < max(MIN_FAR_US, MIN_FAR * noise_us):
        return None
    part = (width_us - from_us) / far_us
    noise = noise_us / abs(far_us)
    low, high = INNER
    late = at_s >= loss.earliest_s
    begun = np.flatnonzero(late & (part > max(low, 3.0 * noise)))
    arrived = np.flatnonzero(part < min(high, 1.0 - 3.0 * noise))
    if not begun.size or not arrived.size or arrived[-1] - begun[0] + 1 < MIN_ON_WAY:
        return None
    way = slice(int(begun[0]), int(arrived[-1]) + 1)
    slope, start = np.polyfit(at_s[way] - at_s[way][0], part[way], 1)
    if slope <= 0.0:
        return None
    begin_s = float(at_s[way][0] - start / slope)
    ramp = Ramp(begin_s, begin_s + 1.0 / float(slope), 0.0, far_us)
    even = np.clip((at_s - ramp.begin_s) * slope, 0.0, 1.0)
    stray = np.abs(part - even) > EVEN + 4.0 * noise
    if np.count_nonzero(stray) > max(1.0, STRAY * part.size) or _is_rounded(
        at_s, part, ramp, noise
    ):
        return None
    count = way.stop - way.start
    doubt_s = line.frame_s + 4.0 * noise / float(slope) / float(np.sqrt(count))
    return ramp._replace(doubt_s=doubt_s)


def _is_rounded(at_s: FloatArray, part: FloatArray, ramp: Ramp, noise: float) -> bool:
    """Say whether a way begins and ends softly, as a hand's does, and not at once."""
    beside_s = CORNER * (ramp.end_s - ramp.begin_s)
    before = part[(at_s > ramp.begin_s - beside_s) & (at_s < ramp.begin_s)]
    after = 1.0 - part[(at_s > ramp.end_s) & (at_s < ramp.end_s + beside_s)]
    return any(
        corner.size > 1
        and float(corner.mean()) > ROUNDED + 3.0 * noise / float(np.sqrt(corner.size))
        for corner in (before, after)
    )


def find_ramps(lines: Sequence[Watched], losses: Sequence[Loss], apart: BoolArray) -> FloatArray:
    """Give when an output had ramped as another stick's did, and as in other losses; NaN elsewhere.

    Both begin and end at one time; and in three losses or more the ways last alike, or are
    alike steep.
    """
    shape = len(lines), len(losses)
    found: list[list[Ramp | None]] = [[None] * shape[1] for _ in lines]
    for i, line in enumerate(lines):
        for k, own in line.at_losses:
            if losses[k].is_marked and not own.is_quiet and len(own.during) > 1:
                found[i][k] = fit_ramp(line, losses[k])
    together = np.zeros(shape, dtype=bool)
    for i, j in np.argwhere(apart).tolist():
        for k in range(shape[1]):
            one, other = found[i][k], found[j][k]
            together[i, k] |= one is not None and other is not None and _in_step(one, other)
    ends_s = np.full(shape, np.nan)
    for i in range(shape[0]):
        ramps = [(k, ramp) for k, ramp in enumerate(found[i]) if ramp is not None]
        ramps = [(k, ramp) for k, ramp in ramps if together[i, k]]
        if len(ramps) < MIN_ALIKE:
            continue
        lasts_s = np.array([ramp.end_s - ramp.begin_s for _, ramp in ramps])
        doubt_s = np.array([2.0 * ramp.doubt_s for _, ramp in ramps])
        steep = np.array([abs(ramp.far_us) for _, ramp in ramps]) / lasts_s
        usual_s, usual = float(np.median(lasts_s)), float(np.median(steep))
        alike = np.abs(lasts_s - usual_s) <= ALIKE * usual_s + doubt_s
        alike_steep = np.abs(steep - usual) <= (ALIKE + doubt_s / lasts_s) * usual
        alike = max((alike, alike_steep), key=np.count_nonzero)
        if np.count_nonzero(alike) >= MIN_ALIKE:
            until_s = [ramp.end_s + ramp.doubt_s for _, ramp in ramps]
            ends_s[i, [k for k, _ in ramps]] = np.where(alike, until_s, np.nan)
    return ends_s


def _in_step(one: Ramp, other: Ramp) -> bool:
    """Say whether two ramps begin and end at one time, and last longer than hands keep step."""
    most_s = max(one.doubt_s, other.doubt_s)
    return (
        min(one.end_s - one.begin_s, other.end_s - other.begin_s) >= SLOW_S
        and abs(one.begin_s - other.begin_s) <= most_s
        and abs(one.end_s - other.end_s) <= most_s
    )
