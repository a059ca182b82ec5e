"""Around each loss, the stretches in which an output stands, moves, wanders or is quiet."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np

from pwmscope.findings.failsafe.losses import Loss, quiet_limit_s
from pwmscope.findings.failsafe.standing import (
    STANDING_PULSES,
    Places,
    Reals,
    Tolerance,
    Truths,
    find_parts,
)
from pwmscope.model.spans import Span
from pwmscope.model.uncertainty import sampling_floor_us
from pwmscope.pulses import PulseTable

RANGE_LIMIT: Final = 8.0
"""Widths that range over more noise deviations than this do not stand."""
MOST_NOISE: Final = 0.008
"""Noise, as a part of the convention's span, beyond which it is taken for movement."""
LEAST_NOISE: Final = 5e-5
STEP: Final = 0.001
"""Steps smaller than this part of the span do not count as movement."""
STRAY: Final = 0.015
"""A width that leaves its neighbours by less than this part of the span is not stray."""
MOST_STRAY: Final = 0.3
"""Where more than this part of seven pulses leave their neighbours, none is stray."""
BEFORE_S: Final = 0.5
"""How long before a loss the output is looked at."""
AFTER_S: Final = 10.0
"""And how long after the transmitter came back, until it follows again."""
_NOISE_PULSES: Final = 20_000
_FEWEST_CALM: Final = 50


class Kind(StrEnum):
    """What an output does in a stretch."""

    STANDS = "stands"
    MOVES = "moves"
    WANDERS = "wanders"
    QUIET = "quiet"


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of one output around a loss.

    Parameters
    ----------
    kind : Kind
        What it does.
    start_s : float
        Leading edge of its first pulse; for a quiet stretch, the instant of the
        first frame that is missing.
    end_s : float
        Leading edge of its last pulse; for a quiet stretch, of the next pulse,
        or the capture's end.
    first_us, last_us, level_us : float
        Its first, last and mean width; NaN for a quiet stretch.
    pace_us : float
        Its largest step from pulse to pulse; NaN for a quiet stretch.
    pulses : int
        Pulses in it.
    jumped : bool
        Whether it stands and was entered faster than a hand can move a stick, from
        a stretch that stood as well.
    """

    kind: Kind
    start_s: float
    end_s: float
    first_us: float
    last_us: float
    level_us: float
    pace_us: float
    pulses: int
    jumped: bool

    @property
    def is_movement(self) -> bool:
        """Whether it neither stands nor is quiet."""
        return self.kind is Kind.MOVES or self.kind is Kind.WANDERS


@dataclass(frozen=True, slots=True)
class Stretches:
    """The stretches around each loss of one line.

    Parameters
    ----------
    around : tuple of tuple of Stretch
        For each loss, in order of time, from `BEFORE_S` before it to `AFTER_S`
        after it, neighbouring losses permitting.
    tolerance : Tolerance
        What was taken for one level.
    """

    around: tuple[tuple[Stretch, ...], ...]
    tolerance: Tolerance


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

    Parameters
    ----------
    table : PulseTable
        The line's pulses.
    usual_us : float
        Its usual frame period.
    losses : tuple of Loss
        In order of time.
    start_s, end_s : float
        Start and end of the capture.

    Returns
    -------
    Stretches
    """
    rows = np.flatnonzero(table.measured)
    rise_s, width_us = table.rise_s[rows], table.width_us[rows]
    lost_s = np.array([loss.lost_s - (loss.moment.within_s or 0.0) for loss in losses])
    back_s = np.array([loss.back_s for loss in losses])
    over_s = np.append(back_s, -np.inf)[np.searchsorted(lost_s, rise_s, side="right") - 1]
    tolerance = _tolerance(table, usual_us, width_us, width_us[rise_s > over_s])
    if not losses:
        return Stretches((), tolerance)
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


def _near(rise_s: Reals, begin_s: Reals, until_s: Reals) -> Places:
    """List the pulses within any of some time spans, and one more on either side of each."""
    change = np.zeros(rise_s.size + 2, dtype=np.int64)
    np.add.at(change, np.maximum(np.searchsorted(rise_s, begin_s) - 1, 0), 1)
    np.add.at(change, np.searchsorted(rise_s, until_s, side="right") + 1, -1)
    return np.flatnonzero(np.cumsum(change)[: rise_s.size] > 0)


def _tolerance(table: PulseTable, usual_us: float, width_us: Reals, calm_us: Reals) -> Tolerance:
    """Take the noise from the pulses outside losses: a wandering output is not noise."""
    span_us = table.convention.span_us
    bends_us = np.abs(np.diff((calm_us if calm_us.size >= _FEWEST_CALM else width_us), 2))
    bends_us = bends_us[: _NOISE_PULSES if bends_us.size > _NOISE_PULSES else None]
    scatter_us = 1.4826 * float(np.median(bends_us)) / math.sqrt(6.0) if bends_us.size else 0.0
    floor_us = sampling_floor_us(table.sample_interval_us) or 0.0
    noise_us = max(min(scatter_us, MOST_NOISE * span_us), floor_us, LEAST_NOISE * span_us)
    interval_us = table.sample_interval_us or 0.0
    range_us = RANGE_LIMIT * noise_us + interval_us
    return Tolerance(
        noise_us, range_us, interval_us, STEP * span_us, usual_us / 1e6, quiet_limit_s(usual_us)
    )


@dataclass(frozen=True, slots=True)
class _Pulses:
    """A line's measured pulses, in the span of the capture.

    ``turns`` are the first pulses after each loss and each return.
    """

    rise_s: Reals
    width_us: Reals
    turns: Truths
    capture: Span


def _stretches(
    pulses: _Pulses, near: Places, stray_us: float, tolerance: Tolerance
) -> list[Stretch]:
    """Set stray pulses aside, and cut the others into stretches, quiet ones between."""
    if not near.size:
        return [_quiet(pulses.capture.start_s, pulses.capture.end_s)]
    from scipy import ndimage  # noqa: PLC0415 - slow to import

    around_us = ndimage.median_filter(pulses.width_us[near], 5, mode="nearest")
    stray = np.abs(pulses.width_us[near] - around_us) > max(tolerance.range_us, stray_us)
    # Many of them are no stray pulses but an output that wanders.
    place = near[~stray | (ndimage.uniform_filter1d(stray.astype(float), 7) > MOST_STRAY)]
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
