"""What sampling makes of an interval that scatters: chances, variance, evenness of phases.

Everything here is in sample intervals. An interval of length ``W`` between two edges, the
first of them at a phase that is uniform within a sample interval, reads as the whole number
``k`` with chance ``max(0, 1 - |W - k|)``: as one of its two neighbours, and on the average as
``W`` itself. Where ``W`` is Gaussian, the chance of each reading is a second difference of
``z Phi(z) + phi(z)``, the integral of the normal distribution function.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.model import FloatArray, IntArray, special

WIDE: Final = 1.0
"""From this deviation on the closed forms hold to 1e-8: their error is exp(-2 pi^2 sigma^2)."""
_REACH: Final = 7
"""Readings further from the mean than this have no chance below that deviation."""
_TICKS: Final = np.arange(-_REACH, _REACH + 1.0)
_BORDERS: Final = np.arange(-_REACH - 1.0, _REACH + 2.0)
_HARMONICS: Final = 8
_MANY_HARMONICS: Final = 64
_DENSE: Final = 1 << 14


@dataclass(frozen=True, slots=True)
class ReadingLaw:
    """Moments of the readings of a Gaussian interval, in sample intervals."""

    variance: FloatArray  # shape (n,): Of the readings about their mean
    fourth: FloatArray  # shape (n,): Their fourth central moment
    # shape (n,): What the variance has above `f (1 - f)`, that of an interval which does not
    # scatter; also the mean of `(x - k)(x - k - 1)` over readings `x`, `k` being the whole number
    # below the mean
    excess: FloatArray
    # shape (n,): Variance, for one reading, of that excess when it is worked out with the mean of
    # the readings themselves
    spread: FloatArray


def reading_law(part: FloatArray, sigma: float | FloatArray) -> ReadingLaw:
    """Work out the law of the readings of a Gaussian interval.

    Notes
    -----
    In Fourier form the variance is ``sigma^2 + 1/6 - sum_n cos(2 pi n mu)
    exp(-2 pi^2 n^2 sigma^2) / (pi n)^2``; own derivation, held against Monte Carlo in
    tests/outside. Its first two terms are the quadrature of JCGM 100, 4.3.9.

    Examples
    --------
    Without jitter a part of a quarter scatters by ``f (1 - f)``; with much jitter
    the quadrature holds.

    >>> round(float(reading_law(np.array([0.25]), 0.0).variance[0]), 6)
    0.1875
    >>> round(float(reading_law(np.array([0.25]), 3.0).variance[0]), 6)
    9.166667
    """
    deviation = np.full(part.shape, sigma)
    wide = deviation >= WIDE
    if wide.all():
        return _wide_law(part, deviation)
    if not wide.any():
        return _narrow_law(part, deviation)
    law, narrow = _wide_law(part, deviation), _narrow_law(part[~wide], deviation[~wide])
    law.variance[~wide], law.fourth[~wide] = narrow.variance, narrow.fourth
    law.excess[~wide], law.spread[~wide] = narrow.excess, narrow.spread
    return law


def excess_of(part: FloatArray, sigma: FloatArray) -> FloatArray:
    """Work out the excess of `reading_law` alone.

    The mean of a line with a bend at every whole number, 0 between the neighbours of the
    mean: twice the mean of what ``W`` is above 1, 2, ... or below 0, -1, ...

    Examples
    --------
    >>> part, sigma = np.array([0.2]), np.array([0.3])
    >>> bool(np.isclose(excess_of(part, sigma), reading_law(part, sigma).excess))
    True
    """
    wide: FloatArray = sigma**2 + 1 / 6 - part * (1 - part)
    if (sigma >= WIDE).all():
        return wide
    sigma = np.maximum(sigma, 1e-9)[:, None]
    z = (part[:, None] - _TICKS) / sigma
    z[:, : _REACH + 1] *= -1.0
    beyond = z * special.ndtr(z) + np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
    narrow = 2.0 * (sigma * beyond).sum(axis=1)
    return np.where(sigma[:, 0] < WIDE, narrow, wide)


def density_at_samples(part: FloatArray, sigma: float) -> FloatArray:
    """How fast the excess grows with the jitter's variance.

    The excess is the mean of a line with a bend of 2 at every whole number, so its growth with
    the variance of a Gaussian is that Gaussian's density there, summed (heat equation).

    Examples
    --------
    >>> density_at_samples(np.array([0.0, 0.5]), 0.3).round(3).tolist()
    [1.34, 0.663]
    """
    if sigma >= WIDE:
        return np.ones(part.size)
    sigma = max(sigma, 1e-9)
    z = (part[:, None] - _TICKS) / sigma
    density: FloatArray = np.exp(-0.5 * z * z).sum(axis=1) / (sigma * math.sqrt(2 * math.pi))
    return density


def _wide_law(part: FloatArray, sigma: FloatArray) -> ReadingLaw:
    """Sum of the interval and an independent triangular error, fourth moment 1/15."""
    variance = sigma**2 + 1 / 6
    fourth = 3 * sigma**4 + sigma**2 + 1 / 15
    return ReadingLaw(variance, fourth, variance - part * (1 - part), fourth - variance**2)


def _narrow_law(part: FloatArray, sigma: FloatArray) -> ReadingLaw:
    """Sum over the readings, each with its chance."""
    sigma = np.maximum(sigma, 1e-9)[:, None]
    z = (part[:, None] - _BORDERS) / sigma
    below = special.ndtr(z)
    area = z * below + np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
    chance = sigma * _second_difference(area)
    away = _TICKS - part[:, None]
    squares = away * away
    weighted = chance * squares
    variance = weighted.sum(axis=1)
    third = (weighted * away).sum(axis=1)
    fourth = (weighted * squares).sum(axis=1)
    # How the variance changes with the mean; regressed out, as the mean is known from
    # the same readings.
    slope = (_second_difference(below) * squares).sum(axis=1)
    spread = fourth - variance**2 - 2 * slope * third + slope**2 * variance
    excess = chance @ (_TICKS * (_TICKS - 1.0))
    return ReadingLaw(variance, fourth, np.maximum(excess, 0.0), np.maximum(spread, 0.0))


def _second_difference(values: FloatArray) -> FloatArray:
    return values[:, 2:] - 2 * values[:, 1:-1] + values[:, :-2]


def unevenness(line_us: FloatArray, rms_us: float, sample_interval_us: float) -> float:
    """Say how far the edges' phases within a sample interval are from uniform.

    Of the phases at which a steady clock puts the edges, the largest Fourier
    coefficient ``|mean of exp(2 pi i k phase)|``, each divided by ``k^2`` as it enters
    the variance that sampling adds, and damped by the edges' own jitter s,
    ``exp(-2 (pi k s / Ts)^2)``. Uniform phases have none (Weyl's criterion).

    Examples
    --------
    >>> frames = np.arange(3000)
    >>> unevenness(20_000.0 * frames, 0.0, 1.0)
    1.0
    >>> round(unevenness(20_000.31 * frames, 0.35, 1.0), 3)
    0.0
    """
    if not sample_interval_us:
        return 0.0
    phase = 2.0 * np.pi * (line_us.ravel() / sample_interval_us % 1.0)
    # An edge at a fixed phase flickers between two samples: by at most 1/4, without any jitter.
    jitter = max((rms_us / sample_interval_us) ** 2 - 0.25, 0.0)
    turn = np.cos(phase) + 1j * np.sin(phase)
    power, largest = turn.copy(), 0.0
    for k in range(1, _HARMONICS + 1):
        most = math.exp(-2.0 * (math.pi * k) ** 2 * jitter) / k**2
        if most <= largest:
            break
        largest = max(largest, float(abs(power.mean())) * most)
        power *= turn
    return largest


def variance_of_mean(line_us: FloatArray, rms_us: float, sample_interval_us: float) -> float:
    """Return the variance of the mean sampling error of many edges.

    The error is a sawtooth of the edge's phase. Its mean over n edges has the variance ``sum
    (|D_h|^2 C_h^2 + (1 - C_h^2) / n) / (2 pi^2 h^2)`` over harmonics h, ``D_h`` the mean of
    ``exp(2 pi i h phase)`` where a steady clock puts the edges and ``C_h = exp(-2 pi^2 h^2
    s^2)`` what their own jitter s leaves of it: 1/12 for edges at one phase, 1/(12 n) for
    independent ones (own derivation).

    Examples
    --------
    >>> frames = np.arange(1000)
    >>> round(12 * variance_of_mean(20_000.0 * frames, 0.0, 1.0), 2)
    0.99
    >>> round(12_000 * variance_of_mean(20_000.0 * frames, 5.0, 1.0), 6)
    1.0
    """
    phase = 2.0 * np.pi * (line_us / sample_interval_us % 1.0)
    measured = (rms_us / sample_interval_us) ** 2
    # Sampling alone gives 1/12 as a rule, and at most 1/4, where an edge flickers.
    jitters = [max(measured - sampled, 0.0) for sampled in (0.25, 1.0 / 12.0)]
    totals = [0.0, 0.0]
    left = 1.0 / 12.0
    for h in range(1, _MANY_HARMONICS + 1):
        if math.exp(-4.0 * (math.pi * h) ** 2 * jitters[0]) < 1e-6:
            break
        weight = 1.0 / (2.0 * (math.pi * h) ** 2)
        even = float(np.cos(h * phase).mean()) ** 2 + float(np.sin(h * phase).mean()) ** 2
        for k, jitter in enumerate(jitters):
            kept = math.exp(-4.0 * (math.pi * h) ** 2 * jitter)
            totals[k] += weight * (even * kept + (1.0 - kept) / phase.size)
        left -= weight
    return (max(totals) + left / phase.size) * sample_interval_us**2


def variance_of_change(
    part: FloatArray, weight: FloatArray, sigma: float, sigma_of_two: float
) -> float:
    """Return the variance that sampling adds to the change from one interval to the next.

    Three edges e, 2e and e, each uniform within a sample interval: 6/12, less what they share
    because the intervals between them are near whole ones, ``1/2 - 4 B(w) + B(w + w')`` with
    ``B(w) = sum cos(2 pi h w) exp(-2 pi^2 h^2 s^2) / (pi h)^2`` (own derivation).

    Examples
    --------
    >>> one = np.ones(1)
    >>> [round(variance_of_change(np.array([f]), one, 0.0, 0.0), 3) for f in (0.0, 0.25, 0.5)]
    [0.0, 0.5, 1.0]
    >>> round(variance_of_change(np.array([0.0]), one, 2.0, 2.0), 3)
    0.5
    """
    single = float(weight @ _shared(part, sigma))
    double = float(weight @ _shared(part + np.roll(part, -1), sigma_of_two))
    return 0.5 - 4.0 * single + double


def _shared(part: FloatArray, sigma: float) -> FloatArray:
    """Twice the covariance of the sampling errors of two edges an interval apart."""
    if sigma < 0.02:
        f = part % 1.0
        exact: FloatArray = f * f - f + 1.0 / 6.0
        return exact
    h = np.arange(1, _HARMONICS + 1)[:, None]
    damped = np.exp(-2.0 * (math.pi * h * sigma) ** 2) / (math.pi * h) ** 2
    total: FloatArray = (np.cos(2.0 * math.pi * h * part) * damped).sum(axis=0)
    return total


FULLEST: Final = 4
"""Two values that alternate are read as no more than so many."""
CROWDED: Final = 0.9
"""Readings crowd where the fullest ones of each group hold at least this share of all."""
ALIKE: Final = 4.6
"""Groups at random add up to so many times what they do apart once in a hundred (Rayleigh)."""


def shape_doubt(away: FloatArray, group: IntArray, *, alike: bool = False) -> float:
    """Return how uncertain the variance that sampling adds is for the shape of the jitter.

    Intervals ``k + f`` are read with a variance of ``f (1 - f)``, whose mean over smooth
    jitter is 1/6. Jitter of few values, such as a code that flickers, has few ``f``, each
    anywhere from 0 to 1: their ``f (1 - f)`` has the variance 1/30 - 1/36 = 1/180. Where the
    codes of a group may be whole intervals apart they are ``alike``, one ``f`` for all. Its first
    harmonic turns with the group's mean, so two groups add as the cosine of what those are apart.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> group = np.zeros(500, np.int64)
    >>> shape_doubt(np.rint(5.0 * rng.standard_normal(500)), group)
    0.0
    >>> round(shape_doubt(np.tile([0.0, 1.0, 9.0, 10.0], 125), group), 4)
    0.0527
    """
    whole = np.rint(away).astype(np.int64)
    low = int(whole.min())
    width = int(whole.max()) - low + 3
    key = group * width + (whole - low)
    if int(key.max()) < _DENSE:
        count = np.bincount(key)
        key = np.flatnonzero(count)
        count = count[key]
    else:
        key, count = np.unique(key, return_counts=True)
    of, share = key // width, count / away.size
    order = np.lexsort((-count, of))
    of, key, share = of[order], key[order], share[order]
    begin = np.flatnonzero(np.diff(of, prepend=-1))
    rank = np.arange(of.size) - np.repeat(begin, np.diff(begin, append=of.size))
    if float(share[rank < FULLEST].sum()) < CROWDED:
        return 0.0
    total = np.bincount(of, share)[of[begin]]
    # A value is read as two neighbours; the fullest reading and its fuller neighbour are one.
    by_key = np.argsort(key)
    beside = np.zeros(begin.size)
    for step in (-1, 1):
        wanted = key[begin] + step
        at = np.minimum(np.searchsorted(key[by_key], wanted), key.size - 1)
        there = key[by_key][at] == wanted
        beside = np.maximum(beside, np.where(there, share[by_key][at], 0.0))
    fullest = share[begin] + beside
    # Groups whose means end on like parts of an interval, as levels whole steps apart, have
    # like `f`.
    mean = np.bincount(group, away)[of[begin]] / np.bincount(group)[of[begin]]
    squares = 0.0
    for part in (total,) if alike else (fullest, total - fullest):
        apart, joined = float(part @ part), float(abs(part @ np.exp(2j * np.pi * mean))) ** 2
        squares += joined if joined > ALIKE * apart else apart
    return math.sqrt(squares / 180.0)
