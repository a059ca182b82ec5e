"""Recognising the pattern that frame periods follow."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from pwmscope.model.median import FROM_MAD, median_of
from pwmscope.pulses.excerpt import excerpt, slices
from pwmscope.pulses.frame_pattern import REACH_MOST, Pattern, Recognition, reach_us
from pwmscope.pulses.stretches import FEWEST, FEWEST_TURNS, TOLERANCE, by_stretches

LONGEST: Final = 8
"""Most periods in a repeating pattern."""
_SHARES: Final = (0.8, 0.6)
"""Shares of the differences that tell a lag: the first withstands rare periods in a
pattern, the second more faults."""


def recognise(period_us: npt.NDArray[np.float64], interval_us: float | None) -> Recognition:
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

    Parameters
    ----------
    period_us : ndarray of float64, shape (n,)
        At least one period, in order.
    interval_us : float or None
        Interval between samples.

    Returns
    -------
    Recognition

    Examples
    --------
    >>> by_turns = recognise(np.array([9000.0, 13000.0] * 20), 1.0)
    >>> by_turns.patterns
    (Pattern(periods_us=(9000.0, 13000.0)),)
    """
    interval_us = interval_us or 0.0
    plain, plain_us = _plain(period_us, interval_us)
    for share in _SHARES:
        lag, scatter_us = _best_lag(period_us, interval_us, share)
        if period_us.size < FEWEST or (lag == 1 and _is_steady(plain.odd, period_us.size)):
            return plain
        if lag == 1:  # the median withstands more odd periods, the differences a change of rate
            scatter_us = min(scatter_us, plain_us)
        if TOLERANCE * scatter_us <= REACH_MOST * plain.usual_us:
            found = by_stretches(period_us, interval_us, lag, scatter_us)
            if found is not None and 2 * found.odd.size <= period_us.size:
                return found
    return plain


def _is_steady(odd: npt.NDArray[np.int64], periods: int) -> bool:
    """Say whether few periods are odd, and not enough in a row for a pattern of their own."""
    has_run = np.any(odd[FEWEST - 1 :] - odd[: -FEWEST + 1] == FEWEST - 1)
    return bool(odd.size <= 0.05 * periods and not has_run)


def _best_lag(
    period_us: npt.NDArray[np.float64], interval_us: float, share: float
) -> tuple[int, float]:
    """Find the lag after which the periods return, and their scatter about that."""
    sample_us = excerpt(period_us)
    lags = range(1, min(LONGEST, sample_us.shape[1] // FEWEST_TURNS) + 1)
    change_us = [
        float(np.quantile(np.abs(sample_us[:, lag:] - sample_us[:, :-lag]), share)) for lag in lags
    ]
    if not change_us:
        return 1, 0.0
    enough_us = 1.5 * min(change_us) + interval_us
    lag = next(lag for lag, change in zip(lags, change_us, strict=True) if change <= enough_us)
    return lag, change_us[lag - 1] / float(ndtri(0.5 + share / 2)) / 2**0.5


def _plain(period_us: npt.NDArray[np.float64], interval_us: float) -> tuple[Recognition, float]:
    """Take the median for the one period that repeats; return the scatter about it, too."""
    usual_us = median_of(period_us)
    scatter_us = FROM_MAD * float(np.median(np.abs(excerpt(period_us) - usual_us)))
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
