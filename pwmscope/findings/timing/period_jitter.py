"""How frame periods scatter: period jitter and cycle-to-cycle jitter."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.timing.frame_numbers import run_starts, taken
from pwmscope.findings.timing.scatter import Scatter
from pwmscope.model.median import median_of
from pwmscope.model.moments import Summary, mean_of, product, std_of
from pwmscope.model.uncertainty import sampling_floor_us
from pwmscope.pulses import Frames, PulseTable
from pwmscope.pulses.excerpt import excerpt, without

PERCENTS: Final = (2.5, 97.5)
_BATCHES: Final = 32
_MOST_LAGS: Final = 20
"""Frames over which periods are taken to influence one another, given 20 times as many."""
_SAMPLED: Final = (64, 16_384)
Whole = npt.NDArray[np.int64]
Real = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Jitter:
    """Scatter of an interval that ought to repeat, beside what sampling alone gives.

    Parameters
    ----------
    rms, peak_to_peak : float or None
        In microseconds; None where there is nothing to take them from.
    sampling_floor_rms : float or None
        What sampling alone gives, in microseconds: Ts / sqrt(6) for an interval,
        Ts / sqrt(2) for the difference of two that share an edge, Ts / sqrt(12) for
        a single edge; None where the sample interval is not known.
    percentile_spread : float or None
        From the 2.5th to the 97.5th percentile, in microseconds.
    """

    rms: float | None
    peak_to_peak: float | None
    sampling_floor_rms: float | None
    percentile_spread: float | None = None


@dataclass(frozen=True, slots=True)
class Periods:
    """The regular frame periods of a channel.

    Parameters
    ----------
    summary : Summary
        Of the periods, in microseconds.
    scatter : Scatter
        Of the periods about the mean of their place in the pattern.
    jitter : Jitter
        Of the same deviations (period jitter).
    change : Jitter
        Of the difference of the deviations of each two adjacent periods
        (cycle-to-cycle jitter), its RMS about zero.
    change_uncertainty_us : float
        Standard uncertainty of that RMS.
    first, last : int or None
        Rows in the pulse table of the pulses that begin the first and the last of
        them; None where there is none.
    """

    summary: Summary
    scatter: Scatter
    jitter: Jitter
    change: Jitter
    change_uncertainty_us: float
    first: int | None
    last: int | None


def read_periods(table: PulseTable, frames: Frames, periods: Whole) -> Periods:
    """Gather the regular periods.

    Parameters
    ----------
    table : PulseTable
        One channel's pulses.
    frames : Frames
        Its frames.
    periods : ndarray of int64, shape (n_periods,)
        Places in ``frames`` of the periods that count. Of these the odd ones (with
        dropped, late or extra frames) are left out, or, where most are odd, those
        with missing frames only.

    Returns
    -------
    Periods
    """
    used, is_irregular = _used(frames, periods)
    floor_us = sampling_floor_us(table.sample_interval_us)
    # The difference of two intervals that share an edge: six times Ts^2/12 instead of two.
    change_floor_us = None if floor_us is None else floor_us * math.sqrt(3.0)
    if not used.size:
        scatter = Scatter(np.zeros(0), np.zeros(0), np.zeros(0, np.int64))
        nothing = Summary(0, None, None, None, None, None)
        jitter, change = Jitter(None, None, floor_us), Jitter(None, None, change_floor_us)
        return Periods(nothing, scatter, jitter, change, 0.0, None, None)
    period_us = taken(frames.period_us, used)
    borders = run_starts(table, frames, used)[1:]
    if frames.is_steady or is_irregular:
        mean_us = float(period_us.mean())
        deviation_us = period_us - mean_us
        rounding_us = float(deviation_us.mean())
        deviation_us -= rounding_us
        mean_us += rounding_us
        squares_us2 = np.array([product(deviation_us, deviation_us)])
        count = np.array([used.size], np.int64)
        groups = _Groups(np.array([mean_us]), count, period_us[:1], squares_us2)
    else:
        deviation_us, groups = _by_place(frames, used, period_us)
    std_us = np.sqrt(groups.squares_us2 / np.maximum(groups.count - 1, 1))
    shape = _shape(deviation_us, borders)
    scatter = Scatter(groups.mean_us, std_us, groups.count, groups.reading_us, *shape)
    whole = used.size == frames.period_us.size and frames.is_steady
    summary = Summary(
        int(used.size),
        frames.usual_us if whole else median_of(period_us),
        float(groups.mean_us[0]) if groups.count.size == 1 else mean_of(period_us),
        float(period_us.min()),
        float(period_us.max()),
        _std_of(period_us, std_us),
    )
    rms_us = scatter.usable.rms_us if np.any(groups.count > 1) else None
    jitter = jitter_of(deviation_us, rms_us, floor_us)
    change_us = np.diff(deviation_us)
    if borders.size:
        change_us = without(change_us, borders - 1)
    change = jitter_of(change_us, rms_of(change_us), change_floor_us)
    return Periods(
        summary,
        scatter,
        jitter,
        change,
        0.0 if change.rms is None else rms_uncertainty_us(change_us, change.rms, change_floor_us),
        int(frames.index[used[0]]),
        int(frames.index[used[-1]]),
    )


def _std_of(period_us: Real, std_us: Real) -> float | None:
    if period_us.size < 2:
        return None
    return float(std_us[0]) if std_us.size == 1 else std_of(period_us)


def _used(frames: Frames, periods: Whole) -> tuple[Whole, bool]:
    if not frames.odd.size:
        return periods, False
    regular = np.zeros(frames.period_us.size, bool)
    regular[periods] = True
    is_irregular = 2 * frames.odd.size > frames.period_us.size
    regular[frames.odd[frames.missing[frames.odd] > 0] if is_irregular else frames.odd] = False
    return np.flatnonzero(regular), is_irregular


@dataclass(frozen=True, slots=True)
class _Groups:
    """Periods of one place in a pattern each: mean, count, one reading, sum of squares."""

    mean_us: Real
    count: Whole
    reading_us: Real
    squares_us2: Real


def _by_place(frames: Frames, used: Whole, period_us: Real) -> tuple[Real, _Groups]:
    """Take each period from the mean of its place in its pattern."""
    lengths = [len(pattern) for pattern in frames.patterns]
    offset = (np.cumsum(lengths) - lengths).astype(np.int16)
    group = offset[taken(frames.pattern, used)] + taken(frames.place, used)
    origin_us = np.concatenate([pattern.periods_us for pattern in frames.patterns])
    deviation_us = period_us - origin_us[group]
    count = np.bincount(group, minlength=sum(lengths))
    total_us = np.bincount(group, deviation_us, sum(lengths)).astype(np.float64)
    excess_us = total_us / np.maximum(count, 1)
    deviation_us -= excess_us[group]
    held = np.flatnonzero(count)
    squares_us2 = np.bincount(group, deviation_us**2, sum(lengths)).astype(np.float64)
    return deviation_us, _Groups(
        (origin_us + excess_us)[held],
        count[held].astype(np.int64),
        period_us[[int((group == k).argmax()) for k in held]],
        squares_us2[held],
    )


def _shape(deviation_us: Real, borders: Whole) -> tuple[Real | None, float]:
    """Return autocorrelation, not across borders, and excess kurtosis, of parts of the record."""
    sample_us = excerpt(deviation_us, *_SAMPLED)
    total_us2 = float(np.vdot(sample_us, sample_us))
    lags = min(_MOST_LAGS, deviation_us.size // _MOST_LAGS)
    if not lags or not total_us2:
        return None, 0.0
    joined = np.ones(deviation_us.size if borders.size else 0, bool)
    joined[borders] = False
    follows = linked = excerpt(joined, *_SAMPLED)
    products = []
    for lag in range(1, lags + 1):
        before_us, after_us = sample_us[:, :-lag], sample_us[:, lag:]
        if borders.size:
            linked = (
                linked[:, : before_us.shape[1]] & follows[:, lag:] if lag > 1 else follows[:, 1:]
            )
            after_us = after_us * linked
        products.append(float(np.sum(before_us * after_us)))
    squares = sample_us * sample_us
    kurtosis = sample_us.size * float(np.vdot(squares, squares)) / total_us2**2 - 3.0
    return np.array(products) / total_us2, kurtosis


def jitter_of(values_us: Real, rms_us: float | None, floor_us: float | None) -> Jitter:
    """Describe scatter by its RMS, peak to peak and percentile spread.

    The percentiles of more than a million values are those of 64 parts of the
    record, a million values in all.
    """
    if not values_us.size or rms_us is None:
        return Jitter(None, None, floor_us)
    low_us, high_us = np.percentile(excerpt(values_us, *_SAMPLED), PERCENTS)
    return Jitter(
        rms_us, float(values_us.max() - values_us.min()), floor_us, float(high_us - low_us)
    )


def rms_of(values_us: Real) -> float | None:
    """Return the root mean square, about zero; None without a value.

    Examples
    --------
    >>> rms_of(np.array([3.0, -4.0, 0.0, 0.0]))
    2.5
    """
    return math.sqrt(product(values_us, values_us) / values_us.size) if values_us.size else None


def rms_uncertainty_us(values_us: Real, rms_us: float, floor_us: float | None = None) -> float:
    """Return the standard uncertainty of an RMS value.

    ``s / sqrt(2 n)`` (JCGM 100, E.4.3), or by the scatter of the mean squares of 32
    parts of the record, where that is more: values that are not independent, or
    not Gaussian, know their RMS less well.

    Parameters
    ----------
    values_us : ndarray of float64, shape (n,)
        The values in order of time, at least one.
    rms_us : float
        Their root mean square.
    floor_us : float, optional
        What sampling alone gives; values that scatter by less, as those of a clock in
        step with the analyser's do, are known no better than that.

    Returns
    -------
    float
        In microseconds.
    """
    if floor_us is not None and rms_us < floor_us:
        return floor_us
    independent_us = rms_us / math.sqrt(2.0 * values_us.size)
    if values_us.size < 2 * _BATCHES or not rms_us:
        return independent_us
    begin = np.linspace(0, values_us.size, _BATCHES + 1).astype(np.int64)
    parts = [values_us[a:b] for a, b in itertools.pairwise(begin)]
    squares_us2 = np.array([product(part, part) / part.size for part in parts])
    return max(independent_us, std_of(squares_us2) / math.sqrt(_BATCHES) / (2.0 * rms_us))
