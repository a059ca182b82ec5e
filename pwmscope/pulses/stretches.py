"""Stretches of frames in which a pattern of periods repeats without a break."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.model.median import median_of
from pwmscope.pulses.frame_pattern import Pattern, Recognition, reach_us

FEWEST: Final = 12
"""Fewest periods in a row that show a pattern."""
FEWEST_TURNS: Final = 4
"""Fewest times in a row that a pattern of several periods must repeat."""
MOST_PATTERNS: Final = 8
"""Most patterns told apart in one recording."""
TOLERANCE: Final = 6.0 * 2**0.5
"""Two periods that differ by more than so many deviations of their scatter are unlike."""
_SPREAD_DEVIATIONS: Final = 6.0
_SPREAD_SHARE: Final = 1e-3
_SPREAD_SAMPLES: Final = 4.0


@dataclass(frozen=True, slots=True)
class _Stretches:
    """Stretches in which each period returns after ``lag`` ones, as columns.

    `periods_us` has shape (n, lag): the mean period at each place, counted from
    the stretch's begin; NaN where it is too short to tell.
    """

    begin: npt.NDArray[np.int64]
    length: npt.NDArray[np.int64]
    periods_us: npt.NDArray[np.float64]

    def select(self, mask: npt.NDArray[np.bool_]) -> _Stretches:
        return replace(
            self,
            begin=self.begin[mask],
            length=self.length[mask],
            periods_us=self.periods_us[mask],
        )


def by_stretches(
    period_us: npt.NDArray[np.float64], interval_us: float, lag: int, scatter_us: float
) -> Recognition | None:
    """Recognise the patterns that stretches of periods follow.

    Parameters
    ----------
    period_us : ndarray of float64, shape (n,)
        The periods, more than ``lag`` of them.
    interval_us : float
        Interval between samples; 0 where it is not known.
    lag : int
        After how many periods the same one returns.
    scatter_us : float
        Standard deviation of the periods about their pattern.

    Returns
    -------
    Recognition or None
        None where nothing repeats for long enough.
    """
    scatter_us = max(scatter_us, interval_us / 6**0.5)
    stretches = _cut(period_us, lag, TOLERANCE * scatter_us + 1e-6)
    founding = stretches.length >= max(FEWEST, FEWEST_TURNS * lag)
    patterns = _found(stretches.select(founding), scatter_us, interval_us)
    if not patterns:
        return None
    if lag > 1 and max(map(len, patterns)) == 1:
        return by_stretches(period_us, interval_us, 1, scatter_us)
    usual_us = patterns[0].mean_us
    limit_us = reach_us(scatter_us, usual_us, interval_us)
    patterns = _without_multiples(patterns, limit_us)
    which, turn = _fit(stretches, founding, patterns, limit_us)
    order = list(dict.fromkeys(which[which >= 0].tolist()))
    renamed = np.full(len(patterns) + 1, -1)
    renamed[order] = np.arange(len(order))
    patterns, which = tuple(patterns[k] for k in order), renamed[which]
    owner = np.repeat(np.arange(which.size), stretches.length)
    place = np.arange(period_us.size) - (stretches.begin - turn)[owner]
    own, fits = _filled(which)[owner], (which >= 0)[owner]
    lengths = np.array([len(pattern) for pattern in patterns])
    place %= lengths[own]
    table_us = np.zeros((len(patterns), lengths.max()))
    for k, pattern in enumerate(patterns):
        table_us[k, : len(pattern)] = pattern.periods_us
    odd = np.flatnonzero(~fits | (np.abs(period_us - table_us[own, place]) > limit_us))
    one = len(patterns) == 1 and len(patterns[0]) == 1
    usual_us = median_of(period_us) if one else usual_us
    return Recognition(
        usual_us, patterns, own.astype(np.int8), place.astype(np.int8), odd, limit_us
    )


def _filled(which: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Give each stretch without a pattern that of the one before it, or of the first with one."""
    known = np.where(which >= 0, np.arange(which.size), -1)
    last = np.maximum.accumulate(known)
    return which[np.where(last < 0, int((which >= 0).argmax()), last)]


def _cut(period_us: npt.NDArray[np.float64], lag: int, tolerance_us: float) -> _Stretches:
    away_us = period_us[lag:] - period_us[:-lag]
    np.abs(away_us, out=away_us)
    begin = np.concatenate([[0], np.flatnonzero(away_us > tolerance_us) + lag])
    length = np.diff(np.append(begin, period_us.size))
    owner = np.repeat(np.arange(begin.size), length)
    cell = owner * lag + (np.arange(period_us.size) - begin[owner]) % lag
    counted = np.bincount(cell, minlength=begin.size * lag)
    total_us = np.bincount(cell, period_us, begin.size * lag)
    mean_us = np.where(counted > 0, total_us / np.maximum(counted, 1), np.nan)
    periods_us = mean_us.reshape(-1, lag)
    if lag > 1:
        periods_us[length < 2 * lag] = np.nan
    return _Stretches(begin, length, periods_us)


def _turned(periods_us: npt.NDArray[np.float64], pattern: Pattern) -> tuple[
    npt.NDArray[np.int64], npt.NDArray[np.float64]
]:  # fmt: skip
    """Find for each stretch at which place of a pattern it begins, and its farthest misfit."""
    lag = periods_us.shape[1]
    repeated = np.resize(np.array(pattern.periods_us), lag)
    misfit_us = np.stack(
        [np.abs(periods_us - np.roll(repeated, -k)).max(axis=1) for k in range(len(pattern))]
    )
    misfit_us = np.where(np.isnan(misfit_us), np.inf, misfit_us)
    turn = misfit_us.argmin(axis=0)
    return turn, misfit_us[turn, np.arange(turn.size)]


def _found(stretches: _Stretches, scatter_us: float, interval_us: float) -> tuple[Pattern, ...]:
    """List the unlike patterns of long stretches, the one with most periods first."""
    found: list[tuple[int, Pattern]] = []
    while stretches.length.size and len(found) < MOST_PATTERNS:
        longest = int(stretches.length.argmax())
        seed = Pattern(tuple(stretches.periods_us[longest].tolist()))
        tolerance_us = reach_us(scatter_us, seed.mean_us, interval_us)
        turn, misfit_us = _turned(stretches.periods_us, seed)
        like = misfit_us <= tolerance_us
        columns = (np.arange(len(seed)) - turn[like, None]) % len(seed)
        aligned_us = np.take_along_axis(stretches.periods_us[like], columns, axis=1)
        weight = stretches.length[like].astype(np.float64)
        mean_us = np.average(aligned_us, axis=0, weights=weight)
        pattern = _shortest(tuple(mean_us.tolist()), scatter_us, interval_us)
        found.append((int(weight.sum()), pattern))
        stretches = stretches.select(~like)
    found.sort(key=lambda pair: -pair[0])
    return tuple(pattern for _, pattern in found)


def _shortest(periods_us: tuple[float, ...], scatter_us: float, interval_us: float) -> Pattern:
    """Reduce a pattern that repeats itself, or whose periods hardly differ."""
    mean_us = sum(periods_us) / len(periods_us)
    alike_us = max(
        _SPREAD_DEVIATIONS * scatter_us, _SPREAD_SAMPLES * interval_us, _SPREAD_SHARE * mean_us
    )
    lag = len(periods_us)
    for length in range(1, lag):
        if lag % length:
            continue
        turns_us = np.reshape(periods_us, (-1, length))
        if np.ptp(turns_us, axis=0).max() <= alike_us:
            periods_us = tuple(turns_us.mean(axis=0).tolist())
            break
    snapped = _snapped(periods_us, alike_us)
    return Pattern(min(snapped[k:] + snapped[:k] for k in range(len(snapped))))


def _snapped(periods_us: tuple[float, ...], alike_us: float) -> tuple[float, ...]:
    """Give periods that hardly differ their common mean."""
    order = np.argsort(periods_us)
    ordered_us = np.array(periods_us)[order]
    group = np.concatenate([[0], np.cumsum(np.diff(ordered_us) > alike_us)])
    mean_us = np.bincount(group, ordered_us) / np.bincount(group)
    snapped_us = np.empty(order.size)
    snapped_us[order] = mean_us[group]
    return tuple(snapped_us.tolist())


def _without_multiples(patterns: tuple[Pattern, ...], limit_us: float) -> tuple[Pattern, ...]:
    """Drop steady patterns at a whole multiple of the first one's period."""
    if len(patterns[0]) > 1:
        return patterns
    usual_us = patterns[0].mean_us
    return tuple(
        pattern
        for pattern in patterns
        if len(pattern) > 1
        or round(pattern.mean_us / usual_us) < 2
        or abs(pattern.mean_us - round(pattern.mean_us / usual_us) * usual_us) > limit_us
    )


def _fit(
    stretches: _Stretches,
    founding: npt.NDArray[np.bool_],
    patterns: tuple[Pattern, ...],
    limit_us: float,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Give each stretch its pattern, -1 for none, and the place at which it begins.

    A short stretch may only follow the pattern of the long one before or after it.
    """
    which = np.full(stretches.length.size, -1)
    turn = np.zeros_like(which)
    fits = [_turned(stretches.periods_us, pattern) for pattern in patterns]
    misfit_us = np.array([misfit for _, misfit in fits])
    misfit_us[misfit_us > limit_us] = np.inf
    best = misfit_us.argmin(axis=0)
    sure = founding & np.isfinite(misfit_us.min(axis=0))
    which[sure] = best[sure]
    if not sure.any():
        return which, turn
    before = np.maximum.accumulate(np.where(sure, np.arange(which.size), -1))
    after = np.minimum.accumulate(np.where(sure, np.arange(which.size), which.size)[::-1])[::-1]
    for neighbour in (before, after):
        open_ = (which < 0) & (neighbour >= 0) & (neighbour < which.size)
        candidate = best[neighbour[open_]]
        fitting = np.isfinite(misfit_us[candidate, np.flatnonzero(open_)])
        which[np.flatnonzero(open_)[fitting]] = candidate[fitting]
    for k, (turns, _) in enumerate(fits):
        turn[which == k] = turns[which == k]
    return which, turn
