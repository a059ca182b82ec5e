"""A channel's frames: the patterns that frame periods follow, and which frames are missing."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.model import (
    FROM_MAD,
    BoolArray,
    FloatArray,
    IntArray,
    median_of,
    normal_quantile,
    quantile_of,
)
from pwmscope.pulses.table import PulseTable, excerpt, shelved, slices

_REACH_DEVIATIONS: Final = 8.0
_REACH_SHARE: Final = 0.01
_REACH_US: Final = 100.0
"""An interrupt pushes an edge by tens of microseconds however fast the frames are: jitter, no
frame out of time (common practice, from memory)."""
REACH_MAX: Final = 0.25
"""A period farther from its pattern's than this part of it is odd whatever the scatter."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """Frame periods that repeat in this order.

    >>> Pattern((9000.0, 13000.0)).count(np.array([22000.0, 31100.0]), np.array([0, 0]))
    (array([2, 3]), array([  0., 100.]))
    """

    # One for steady frames, two to eight for several periods by turns
    periods_us: tuple[float, ...]

    def __len__(self) -> int:
        return len(self.periods_us)

    @property
    def mean_us(self) -> float:
        """Mean frame period in microseconds."""
        return sum(self.periods_us) / len(self.periods_us)

    @property
    def starts_us(self) -> FloatArray:
        """Leading edges of one turn, from the first; microseconds, shape (len(self),)."""
        return np.concatenate([[0.0], np.cumsum(self.periods_us)[:-1]])

    def count(self, elapsed_us: FloatArray, place: IntArray) -> tuple[IntArray, FloatArray]:
        """Count the frames that begin within times since a leading edge, to the nearest.

        The edge begins the period at this place of the pattern. Also say how far behind the
        last frame each time ends.
        """
        turns = self._turns_us()
        cycle_us = turns[0, -1]
        cycles = np.floor(elapsed_us / cycle_us)
        rest_us = (elapsed_us - cycles * cycle_us)[:, None] - turns[place]
        nearest = np.abs(rest_us).argmin(axis=1)
        late_us = np.take_along_axis(rest_us, nearest[:, None], axis=1)[:, 0]
        return cycles.astype(np.int64) * len(self) + nearest, late_us

    def count_anywhere(self, elapsed_us: FloatArray) -> IntArray:
        """Count the frames that begin within a time, at the place where they fit best."""
        at = [self.count(elapsed_us, np.full(elapsed_us.size, k)) for k in range(len(self))]
        best = np.abs([late_us for _, late_us in at]).argmin(axis=0)
        frames: IntArray = np.choose(best, [count for count, _ in at])
        return frames

    def elapsed_us(self, frames: IntArray, place: IntArray) -> FloatArray:
        """Return how long a number of frames takes from a place in the pattern on."""
        turns = self._turns_us()
        cycles, rest = np.divmod(frames, len(self))
        took_us: FloatArray = cycles * turns[0, -1] + turns[place, rest]
        return took_us

    def reversed(self) -> Pattern:
        """Return the pattern as it runs backwards in time."""
        return Pattern(self.periods_us[::-1])

    def _turns_us(self) -> FloatArray:
        """Leading edges from each place on, one turn and the next; shape (len, len + 1)."""
        turns = np.zeros((len(self), len(self) + 1))
        for place in range(len(self)):
            turned = self.periods_us[place:] + self.periods_us[:place]
            turns[place, 1:] = np.cumsum(turned)
        return turns


@dataclass(frozen=True, slots=True)
class Recognition:
    """Which pattern each period follows."""

    # The median period where one period repeats throughout; else the mean period of the most
    # frequent pattern
    usual_us: float
    patterns: tuple[Pattern, ...]  # In the order in which they first appear
    # shape (n_periods,): The pattern of each period; that of its neighbours where it fits none
    which: npt.NDArray[np.int8]
    # shape (n_periods,): Its place in the pattern; of no meaning for an odd one
    place: npt.NDArray[np.int8]
    odd: IntArray  # shape (n_odd,): Periods that fit no pattern, in order
    reach_us: float  # How far a period may lie from its pattern's


def reach_us(scatter_us: float, usual_us: float, interval_us: float) -> float:
    """Return how far a period may lie from its pattern's without being odd.

    >>> reach_us(1.0, 20_000.0, 1.0)
    200.0
    """
    deviation_us = max(scatter_us, interval_us / 6**0.5)
    wanted_us = max(_REACH_DEVIATIONS * deviation_us, _REACH_SHARE * usual_us, _REACH_US)
    return min(wanted_us, REACH_MAX * usual_us)


def describe(patterns: tuple[Pattern, ...]) -> str:
    """Say patterns in milliseconds, in the order in which they appear.

    >>> describe((Pattern((20000.0,)), Pattern((7000.0, 7000.0, 22000.0))))
    '20 ms, then 7 (twice) and 22 ms by turns'
    """
    return ", then ".join(_turn(pattern) for pattern in patterns)


def _turn(pattern: Pattern) -> str:
    said = []
    for period_us, group in itertools.groupby(pattern.periods_us):
        times = sum(1 for _ in group)
        often = {1: "", 2: " (twice)"}.get(times, f" ({times} times)")
        said.append(f"{format_ms(period_us)}{often}")
    if len(said) == 1:
        return f"{said[0]} ms"
    return f"{', '.join(said[:-1])} and {said[-1]} ms by turns"


def format_ms(period_us: float) -> str:
    """Write a period in milliseconds, to the microsecond.

    >>> format_ms(20_000.2), format_ms(2_750.0)
    ('20', '2.75')
    """
    return f"{period_us / 1e3:.3f}".rstrip("0").rstrip(".")


def multiples(pattern: Pattern) -> tuple[tuple[float, float], ...]:
    """List each two unlike periods of a pattern of which one is a whole multiple of the other.

    >>> multiples(Pattern((7000.0, 14001.0)))
    ((7000.0, 14001.0),)
    """
    periods_us = sorted(set(pattern.periods_us))
    return tuple(
        (short, long)
        for short, long in itertools.combinations(periods_us, 2)
        if round(long / short) >= 2
        and abs(long - round(long / short) * short) <= _REACH_SHARE * short
    )


MIN: Final = 12
"""Fewest periods in a row that show a pattern."""
MIN_TURNS: Final = 4
"""Fewest times in a row that a pattern of several periods must repeat."""
MAX_PATTERNS: Final = 8
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

    begin: IntArray
    length: IntArray
    periods_us: FloatArray

    def select(self, mask: BoolArray) -> _Stretches:
        return _Stretches(self.begin[mask], self.length[mask], self.periods_us[mask])


def by_stretches(
    period_us: FloatArray, interval_us: float, lag: int, scatter_us: float
) -> Recognition | None:
    """Recognise the patterns that stretches of periods follow."""
    scatter_us = max(scatter_us, interval_us / 6**0.5)
    stretches = _cut(period_us, lag, TOLERANCE * scatter_us + 1e-6)
    founding = stretches.length >= max(MIN, MIN_TURNS * lag)
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


def _filled(which: IntArray) -> IntArray:
    """Give each stretch without a pattern that of the one before it, or of the first with one."""
    known = np.where(which >= 0, np.arange(which.size), -1)
    last = np.maximum.accumulate(known)
    return which[np.where(last < 0, int((which >= 0).argmax()), last)]


def _cut(period_us: FloatArray, lag: int, tolerance_us: float) -> _Stretches:
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


def _turned(periods_us: FloatArray, pattern: Pattern) -> tuple[IntArray, FloatArray]:
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
    while stretches.length.size and len(found) < MAX_PATTERNS:
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
    founding: BoolArray,
    patterns: tuple[Pattern, ...],
    limit_us: float,
) -> tuple[IntArray, IntArray]:
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


MAX: Final = 8
"""Most periods in a repeating pattern."""
_SHARES: Final = (0.8, 0.6)
"""Shares of the differences that tell a lag: the first withstands rare periods in a
pattern, the second more faults."""


def recognise(period_us: FloatArray, interval_us: float | None) -> Recognition:
    """Find the pattern or patterns that frame periods follow. Own algorithm.

    A pattern of m periods is one in which each period returns m periods later;
    m is the smallest lag at which four of five differences (three of five, where
    that leaves most periods odd) are hardly larger than at the best lag from 1 to
    8. It counts as several periods only where they differ by more than six
    deviations of their scatter, four sample intervals and a thousandth of their
    mean; else their mean repeats. Stretches of at least 12 periods (and four turns)
    without a break found a pattern; other stretches follow that of their
    neighbours if they fit. A steady stretch at a whole multiple of the most frequent
    period is frames left out, not a pattern.

    A period is odd if it lies farther from its pattern's than eight deviations of
    the scatter and one percent of the mean period (a quarter at most).

    >>> by_turns = recognise(np.array([9000.0, 13000.0] * 20), 1.0)
    >>> by_turns.patterns
    (Pattern(periods_us=(9000.0, 13000.0)),)
    """
    interval_us = interval_us or 0.0
    plain, plain_us = _plain(period_us, interval_us)
    for share in _SHARES:
        lag, scatter_us = _best_lag(period_us, interval_us, share)
        if period_us.size < MIN or (lag == 1 and _is_steady(plain.odd, period_us.size)):
            return plain
        if lag == 1:  # the median withstands more odd periods, the differences a change of rate
            scatter_us = min(scatter_us, plain_us)
        if TOLERANCE * scatter_us <= REACH_MAX * plain.usual_us:
            found = by_stretches(period_us, interval_us, lag, scatter_us)
            if found is not None and 2 * found.odd.size <= period_us.size:
                return found
    return plain


def _is_steady(odd: IntArray, periods: int) -> bool:
    """Say whether few periods are odd, and not enough in a row for a pattern of their own."""
    has_run = np.any(odd[MIN - 1 :] - odd[: -MIN + 1] == MIN - 1)
    return bool(odd.size <= 0.05 * periods and not has_run)


def _best_lag(period_us: FloatArray, interval_us: float, share: float) -> tuple[int, float]:
    """Find the lag after which the periods return, and their scatter about that."""
    sample_us = excerpt(period_us)
    lags = range(1, min(MAX, sample_us.shape[1] // MIN_TURNS) + 1)
    change_us = [
        quantile_of(np.abs(sample_us[:, lag:] - sample_us[:, :-lag]).ravel(), share) for lag in lags
    ]
    if not change_us:
        return 1, 0.0
    enough_us = 1.5 * min(change_us) + interval_us
    lag = next(lag for lag, change in zip(lags, change_us, strict=True) if change <= enough_us)
    return lag, change_us[lag - 1] / normal_quantile(0.5 + share / 2) / 2**0.5


def _plain(period_us: FloatArray, interval_us: float) -> tuple[Recognition, float]:
    """Take the median for the one period that repeats; return the scatter about it, too."""
    usual_us = median_of(period_us)
    scatter_us = FROM_MAD * median_of(np.abs(excerpt(period_us).ravel() - usual_us))
    limit_us = reach_us(scatter_us, usual_us, interval_us)
    found, excess_us = [np.zeros(0, np.int64)], 0.0
    for part in slices(period_us.size):
        away_us = period_us[part] - usual_us
        odd = np.flatnonzero((away_us > limit_us) | (away_us < -limit_us))
        found.append(odd + part.start)
        excess_us += float(away_us.sum() - away_us[odd].sum())
    odd = np.concatenate(found)
    excess_us /= max(period_us.size - odd.size, 1)
    zero = np.broadcast_to(np.int8(0), period_us.size)
    steady = Pattern((usual_us + excess_us,))
    return Recognition(usual_us, (steady,), zero, zero, odd, limit_us), scatter_us


@dataclass(frozen=True, slots=True)
class Frames:
    """The frames of one channel."""

    # Median period in microseconds, or the mean period of the most frequent pattern where there are
    # several patterns or one of several periods; None with fewer than two frame pulses
    usual_us: float | None
    # shape (n_periods,): Row in the pulse table of the pulse that begins each period
    index: IntArray
    period_us: FloatArray  # shape (n_periods,): The periods in microseconds
    # shape (n_periods,): Where at least one frame is missing inside the period
    is_gap: BoolArray
    # shape (n_periods,): Frames missing inside each period, to the nearest whole frame
    missing: IntArray
    # What repeats: one pattern, mostly of one period, or several where the rate changes during the
    # recording, in the order in which they appear
    patterns: tuple[Pattern, ...]
    pattern: npt.NDArray[np.int8]  # shape (n_periods,): Which of them each period belongs to
    # shape (n_periods,): Its place in the pattern; of no meaning for an odd period
    place: npt.NDArray[np.int8]
    # shape (n_odd,): Places in `period_us` of the periods that depart from their pattern, in order
    odd: IntArray
    reach_us: float  # How far a period may lie from its pattern's without being odd

    @property
    def steady_us(self) -> FloatArray:
        """Periods in which no frame is missing, in microseconds."""
        return self.period_us[~self.is_gap]

    @property
    def is_steady(self) -> bool:
        """Whether a single period repeats from the first frame to the last."""
        return len(self.patterns) == 1 and len(self.patterns[0]) == 1

    @property
    def is_irregular(self) -> bool:
        """Whether most periods follow no pattern."""
        return 2 * self.odd.size > self.period_us.size

    def regular(self, periods: IntArray) -> BoolArray:
        """Mark those of some periods that follow their pattern; shape (n_periods,)."""
        marked = np.zeros(self.period_us.size, bool)
        marked[periods] = True
        marked[self.odd] = False
        return marked


def find_frames(table: PulseTable) -> Frames:
    """Read the frames off a pulse table: periods between frame pulses, with the gaps marked.

    A period holds missing frames where it departs from its pattern and is nearer
    to two of the pattern's periods, or more, than to one.
    """
    index = np.flatnonzero(np.isfinite(table.period_us))
    if not index.size:
        none = np.zeros(0, np.int64)
        return Frames(
            None, none, np.zeros(0), none.astype(bool), none, (), none.astype(np.int8),
            none.astype(np.int8), none, 0.0,
        )  # fmt: skip
    first, last = int(index[0]), int(index[-1])
    is_whole = last - first == index.size - 1  # then a view does
    period_us = table.period_us[first : last + 1] if is_whole else table.period_us[index]
    found = recognise(period_us, table.sample_interval_us)
    missing = np.zeros(period_us.size, np.int64)
    for k, pattern in enumerate(found.patterns):
        own = found.odd[found.which[found.odd] == k]
        missing[own] = np.maximum(pattern.count_anywhere(period_us[own]) - 1, 0)
    is_gap = np.zeros(period_us.size, bool)
    is_gap[found.odd] = missing[found.odd] > 0
    return Frames(
        found.usual_us,
        shelved(index),
        period_us if is_whole else shelved(period_us),
        shelved(is_gap),
        shelved(missing),
        found.patterns,
        shelved(found.which),
        shelved(found.place),
        shelved(found.odd),
        found.reach_us,
    )


def closing_rows(table: PulseTable, frames: Frames, periods: IntArray) -> IntArray:
    """Find the rows of the pulses whose leading edges end some periods, by their places."""
    end_s = table.rise_s[frames.index[periods]] + frames.period_us[periods] / 1e6
    # A nanosecond is far below a pulse and far above the rounding of a day in seconds.
    return np.searchsorted(table.rise_s, end_s - 1e-9).astype(np.int64)
