"""Ramps that a receiver makes: outputs of two sticks that go evenly, at one time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from pwmscope.findings.failsafe.coincidence import Watched
from pwmscope.findings.failsafe.losses import Loss

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

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


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
        for k, own in zip(line.places, line.responses, strict=True):
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
