"""A receiver's own jitter, separated from the scatter that sampling alone gives."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.capture import format_rate
from pwmscope.model import (
    CLOCK_TOLERANCE,
    NORMAL_95,
    FloatArray,
    IntArray,
    chi_squared_above,
    gamma_above,
    normal_below,
    sampling_floor_us,
)

WIDE: Final = 1.0
"""From this deviation on the closed forms hold to 1e-8: their error is exp(-2 pi^2 sigma^2)."""
_REACH: Final = 7
"""Readings further from the mean than this have no chance below that deviation."""
_TICKS: Final = np.arange(-_REACH, _REACH + 1.0)
_BORDERS: Final = np.arange(-_REACH - 1.0, _REACH + 2.0)
_HARMONICS: Final = 8
_MANY_HARMONICS: Final = 64
_DENSE: Final = 1 << 14


def excess_of(part: FloatArray, sigma: float | FloatArray) -> FloatArray:
    """Return what the readings' variance has above that of an interval which does not scatter.

    An interval ``W``, Gaussian, is read as one of its two whole neighbours, so that without jitter
    a part f scatters by ``f (1 - f)``. The excess is the mean of a line with a bend at every whole
    number, 0 between the neighbours of the mean: twice the mean of what ``W`` is above 1, 2, ...
    or below 0, -1, ... It is also the mean of ``(x - k)(x - k - 1)`` over readings ``x``, ``k``
    being the whole number below the mean.

    Notes
    -----
    In Fourier form the variance is ``sigma^2 + 1/6 - sum_n cos(2 pi n mu)
    exp(-2 pi^2 n^2 sigma^2) / (pi n)^2``; own derivation, held against Monte Carlo in
    tests/outside. Its first two terms are the quadrature of JCGM 100, 4.3.9.

    Examples
    --------
    >>> excess_of(np.array([0.25, 0.25]), np.array([0.0, 3.0])).round(6).tolist()
    [0.0, 8.979167]
    """
    wide: FloatArray = sigma * sigma + (1 / 6 - part * (1 - part))
    if np.min(sigma) >= WIDE:
        return wide
    each = np.maximum(np.full(part.shape, sigma), 1e-9)[:, None]
    z = (part[:, None] - _TICKS) / each
    z[:, : _REACH + 1] *= -1.0
    beyond = z * normal_below(z) + np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
    narrow = 2.0 * (each * beyond).sum(axis=1)
    return np.where(each[:, 0] < WIDE, narrow, wide)


def density_at_samples(part: FloatArray, sigma: float) -> FloatArray:
    """How fast the excess grows with the jitter's variance.

    The excess is the mean of a line with a bend of 2 at every whole number, so its growth with
    the variance of a Gaussian is that Gaussian's density there, summed (heat equation).

    >>> density_at_samples(np.array([0.0, 0.5]), 0.3).round(3).tolist()
    [1.34, 0.663]
    """
    if sigma >= WIDE:
        return np.ones(part.size)
    sigma = max(sigma, 1e-9)
    z = (part[:, None] - _TICKS) / sigma
    density: FloatArray = np.exp(-0.5 * z * z).sum(axis=1) / (sigma * math.sqrt(2 * math.pi))
    return density


def spread_of(part: FloatArray, sigma: float) -> FloatArray:
    """Return the variance, for one reading, of the excess about the readings' own mean."""
    if sigma >= WIDE:  # The interval and an independent triangular error, fourth moment 1/15
        return np.full(part.size, 2 * sigma**4 + 2 / 3 * sigma**2 + 7 / 180)
    sigma = max(sigma, 1e-9)
    z = (part[:, None] - _BORDERS) / sigma
    below = normal_below(z)
    area = z * below + np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
    away = _TICKS - part[:, None]
    squares = away * away
    weighted = sigma * _second_difference(area) * squares
    variance = weighted.sum(axis=1)
    third = (weighted * away).sum(axis=1)
    fourth = (weighted * squares).sum(axis=1)
    # How the variance changes with the mean; regressed out, as the mean is known from
    # the same readings.
    slope = (_second_difference(below) * squares).sum(axis=1)
    spread: FloatArray = fourth - variance**2 - 2 * slope * third + slope**2 * variance
    return np.maximum(spread, 0.0)


def _second_difference(values: FloatArray) -> FloatArray:
    return values[:, 2:] - 2 * values[:, 1:-1] + values[:, :-2]


def unevenness(line_us: FloatArray, rms_us: float, sample_interval_us: float) -> float:
    """Say how far the edges' phases within a sample interval are from uniform.

    Of the phases at which a steady clock puts the edges, the largest Fourier
    coefficient ``|mean of exp(2 pi i k phase)|``, each divided by ``k^2`` as it enters
    the variance that sampling adds, and damped by the edges' own jitter s,
    ``exp(-2 (pi k s / Ts)^2)``. Uniform phases have none (Weyl's criterion).

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
    turn = np.cos(phase) + 1j * np.sin(phase)
    power = np.ones_like(turn)
    for h in range(1, _MANY_HARMONICS + 1):
        if math.exp(-4.0 * (math.pi * h) ** 2 * jitters[0]) < 1e-6:
            break
        weight = 1.0 / (2.0 * (math.pi * h) ** 2)
        power *= turn
        even = float(abs(power.mean())) ** 2
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
    if int(key.max()) < _DENSE:  # quicker than to sort them
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


MAX_SAMPLE: Final = 1 << 16
"""The shape of the scatter is taken from no more readings than these, evenly spread."""


CODE_US: Final = 1.001
"""Receivers count widths in whole microseconds, or parts of one (common practice, from memory):
codes are whole sample intervals apart where those are no longer."""


@dataclass(frozen=True, slots=True)
class Sample:
    """Some readings of each group, as columns."""

    away_us: FloatArray  # shape (n,): How far each is from the reading that stands for its group
    group: IntArray  # shape (n,): Which group it is of, ascending
    alike: bool = False  # Whether they are widths, whose codes may lie whole microseconds apart


@dataclass(frozen=True, slots=True)
class Scatter:
    """Scatter of readings, in groups of one mean each (the dwells, or all periods as one)."""

    # shape (groups,): Mean and sample standard deviation of each group's readings
    mean_us: FloatArray
    std_us: FloatArray
    count: IntArray  # shape (groups,): Readings in each; a group of fewer than two says nothing
    # shape (groups,): Any one reading of each group. It tells where the mean lies between two whole
    # sample intervals, even where the interval between samples is known to few digits. Without it
    # readings are taken as whole multiples of the sample interval as it stands.
    reading_us: FloatArray | None = None
    # Some of the readings, which show whether they crowd at few values
    sample: Sample | None = None
    # Standard uncertainty of the pooled variance for other reasons than sampling, such as which
    # pulses were held
    doubt_us2: float = 0.0

    @property
    def freedom(self) -> int:
        """Degrees of freedom of the pooled variance."""
        return int(np.sum(self.count - 1))

    @property
    def rms_us(self) -> float:
        """Standard deviation pooled over the groups."""
        squares = float(np.sum((self.count - 1) * self.std_us**2))
        return math.sqrt(squares / self.freedom)

    @property
    def usable(self) -> Scatter:
        """The groups of at least two readings."""
        held = self.count > 1
        if held.all():
            return self
        sample = self.sample
        if sample is not None:
            own = held[sample.group]
            group = (np.cumsum(held) - 1)[sample.group[own]]
            sample = replace(sample, away_us=sample.away_us[own], group=group)
        return replace(
            self,
            mean_us=self.mean_us[held],
            std_us=self.std_us[held],
            count=self.count[held],
            reading_us=None if self.reading_us is None else self.reading_us[held],
            sample=sample,
        )


def scatter_of(readings_us: FloatArray, count: IntArray | None = None) -> Scatter:
    """Gather the scatter of readings.

    >>> found = scatter_of(np.array([1500.0, 1501, 1500, 1501, 1200, 1200]), np.array([4, 2]))
    >>> found.mean_us.tolist(), found.std_us.round(3).tolist()
    ([1500.5, 1200.0], [0.577, 0.0])
    """
    if count is None:
        count = np.array([readings_us.size], np.int64)
    if int(count.sum()) != readings_us.size:
        raise ValueError(f"{count.sum()} readings were counted, {readings_us.size} given")
    if not readings_us.size:
        return Scatter(np.zeros(0), np.zeros(0), np.zeros(0, np.int64))
    begin = np.cumsum(count) - count
    # From a reading of its own group each value is small, and keeps all its digits.
    first_us = readings_us[begin]
    away_us = readings_us - np.repeat(first_us, count)
    offset_us = np.add.reduceat(away_us, begin) / count
    squares = np.add.reduceat(away_us * away_us, begin) - count * offset_us**2
    return Scatter(
        first_us + offset_us,
        np.sqrt(np.maximum(squares, 0.0) / np.maximum(count - 1, 1)),
        count,
        first_us,
        _sample(readings_us, first_us, begin),
    )


def _sample(readings_us: FloatArray, first_us: FloatArray, begin: IntArray) -> Sample:
    step = -(-readings_us.size // MAX_SAMPLE)
    place = np.arange(0, readings_us.size, step)
    group = np.searchsorted(begin, place, side="right") - 1
    return Sample(readings_us[place] - first_us[group], group.astype(np.int64), alike=True)


MAX_UNEVENNESS: Final = 0.05
"""From this unevenness of the phases on the law of readings is not trusted."""
SMEARED: Final = 1.0
"""Scatter of so many sample intervals smears the trailing edges over all phases."""
STEP_UP: Final = 10.0
"""No more than about this many times the present sample rate is asked for at once."""
ROOT_WITHIN: Final = 1e-6
"""A jitter is found to this part of itself."""
TAIL: Final = 0.025
"""Chance that the truth lies beyond either end of a 95 % interval."""
MIN_OUTSIDE: Final = 10
MIN_SHARE_OUTSIDE: Final = 0.01
"""Jitter is resolved when at least this many readings, and this share of them, lie outside
the two neighbouring readings that an interval without jitter can give."""
_PARTS: Final = 512


@dataclass(frozen=True, slots=True)
class Separation:
    """Jitter apart from sampling, with its 95 % interval."""

    measured_rms_us: float  # Scatter of the readings, pooled over the groups
    # What sampling alone gives as a rule, Ts / sqrt(6) for an interval; None where events are timed
    # rather than sampled
    floor_rms_us: float | None
    jitter_rms_us: float | None  # The recorded pulses' own; None where it is not resolved
    # Lower and upper end of the 95 % interval of the recorded pulses' own jitter. Where it is not
    # resolved the lower end is 0 and the upper one a bound that holds, with at least 95 %, for
    # jitter of any shape.
    interval_us: tuple[float, float]
    resolved: bool  # Whether the readings show the jitter
    record_at_hz: float | None  # Sample rate from which on it may be resolved; None where it is

    @property
    def to_do(self) -> str:
        """How to record so that it is resolved; empty where it is."""
        if self.record_at_hz is None:
            return ""
        return f"Record at {format_rate(1e12 / self.record_at_hz)} or faster."

    def sentence(self, of_what: str) -> str:
        """Say it in words.

        >>> Separation(0.66, 0.41, 0.52, (0.48, 0.57), True, None).sentence("the width")
        'The jitter of the width is 0.52 us RMS (95 %: 0.48 to 0.57 us), sampling taken out.'
        >>> Separation(0.43, 0.41, None, (0.0, 0.5), False, 5e6).sentence("the width")
        'The jitter of the width is not resolved at this sample rate: it is at most 0.5 us RMS. \
Record at 5 MS/s or faster.'
        """
        low_us, high_us = self.interval_us
        if self.record_at_hz is not None:
            return (
                f"The jitter of {of_what} is not resolved at this sample rate: it is at most "
                f"{high_us:.3g} us RMS. {self.to_do}"
            )
        out = "" if self.floor_rms_us is None else ", sampling taken out"
        return (
            f"The jitter of {of_what} is {self.jitter_rms_us:.3g} us RMS "
            f"(95 %: {low_us:.3g} to {high_us:.3g} us){out}."
        )


def separate(
    scatter: Scatter, sample_interval_us: float | None, *, unevenness: float = 0.0
) -> Separation | None:
    """Separate the jitter of the recorded pulses from the scatter that sampling gives.

    The figure is that of the very pulses that were recorded, before sampling; its interval
    holds what sampling, and `Scatter.doubt_us2`, leave open about them, not how other
    recordings of the receiver would differ. What the readings' variances have above that of
    intervals which do not scatter, summed over all readings, is a weighted count of readings
    outside the two neighbours that such an interval can give. Its expectation and variance for
    jitter of a given size come from `excess_of` and `spread_of`; jitter is estimated where
    the expectation is the count found, and the interval holds every jitter for which a
    gamma distribution of that mean and variance leaves at least 2.5 % on either side. Well
    above the sampling floor this is ``sqrt(s^2 - Ts^2/6)`` (JCGM 100, 4.3.7 and 4.3.9), and
    the interval that of the sum of the products of jitter and sampling error.
    """
    scatter = scatter.usable
    if not scatter.count.size:
        return None
    if sample_interval_us is None:
        return Separation(scatter.rms_us, None, scatter.rms_us, _chi_square(scatter), True, None)
    if unevenness > MAX_UNEVENNESS and scatter.rms_us < SMEARED * sample_interval_us:
        return _bounded(scatter, sample_interval_us)
    return _sampled(scatter, sample_interval_us, unevenness)


def _chi_square(scatter: Scatter) -> tuple[float, float]:
    """95 % interval of a Gaussian's deviation from the readings' own (JCGM 100, G.4.1)."""
    freedom = float(scatter.freedom)
    return (
        scatter.rms_us * math.sqrt(freedom / chi_squared_above(TAIL, freedom)),
        scatter.rms_us * math.sqrt(freedom / chi_squared_above(1.0 - TAIL, freedom)),
    )


def _bounded(scatter: Scatter, sample_interval_us: float) -> Separation:
    """Give or take one sample interval: no errors within it deviate by more."""
    variance_us2, doubt_us2 = scatter.rms_us**2, NORMAL_95 * scatter.doubt_us2
    low_us = math.sqrt(max(variance_us2 - doubt_us2, 0.0)) - sample_interval_us
    high_us = math.sqrt(variance_us2 + doubt_us2) + sample_interval_us
    return Separation(
        scatter.rms_us,
        sampling_floor_us(sample_interval_us),
        None,
        (max(low_us, 0.0), high_us),
        False,
        faster_hz(0.0, sample_interval_us),
    )


def _sampled(scatter: Scatter, sample_interval_us: float, unevenness: float) -> Separation:
    """Estimate the jitter where the readings show it, else bound it."""
    readings = SampledReadings.of(scatter, sample_interval_us, unevenness)
    floor_us = sampling_floor_us(sample_interval_us)
    if not readings.show_jitter:
        high_us = readings.bound() * sample_interval_us
        record_at_hz = faster_hz(readings.largest() * sample_interval_us, sample_interval_us)
        return Separation(scatter.rms_us, floor_us, None, (0.0, high_us), False, record_at_hz)
    jitter_us, low_us, high_us = (each * sample_interval_us for each in readings.estimate())
    return Separation(scatter.rms_us, floor_us, jitter_us, (low_us, high_us), True, None)


@dataclass(frozen=True, slots=True)
class SampledReadings:
    """Readings in sample intervals, groups of nearly one part of an interval put together."""

    part: FloatArray  # shape (parts,): How far above a whole number of sample intervals the mean is
    weight: FloatArray  # shape (parts,): Share of all readings; sum 1
    size: FloatArray  # shape (parts,): Readings in a group, on the average
    total: int  # Readings in all
    # Readings outside the two neighbours of their group's mean, each weighted by `(x - k)(x - k -
    # 1) / 2`: one off counts 1, two off 3
    outside: float
    rms: float  # Scatter of the readings, pooled
    # Standard uncertainty of the jitter's variance for other reasons than chance in sampling
    doubt: float
    # For the closed forms of much jitter, which are far quicker: the smallest size, the means of
    # `1 / size` and of `part (1 - part)`
    least_size: float
    per_size: float
    between: float

    @classmethod
    def of(
        cls, scatter: Scatter, sample_interval_us: float, unevenness: float = 0.0
    ) -> SampledReadings:
        """Take readings, at least two a group."""
        origin_us = 0.0 if scatter.reading_us is None else scatter.reading_us
        part = ((scatter.mean_us - origin_us) / sample_interval_us) % 1.0
        count = scatter.count.astype(np.float64)
        squares = (count - 1) * (scatter.std_us / sample_interval_us) ** 2
        outside = float(np.sum(squares - count * part * (1 - part))) / 2
        place = np.minimum((part * _PARTS).astype(np.int64), _PARTS - 1)
        groups = np.bincount(place)
        held = groups > 0
        readings = np.bincount(place, count)[held]
        sample = scatter.sample
        shape = (
            0.0
            if sample is None
            else shape_doubt(
                sample.away_us / sample_interval_us,
                sample.group,
                alike=sample.alike and sample_interval_us <= CODE_US,
            )
        )
        # Uneven phases may leave all of the 1/6 that sampling adds, or double it.
        uneven = unevenness / 6.0 / math.sqrt(3.0) if unevenness > MAX_UNEVENNESS else 0.0
        clock = 2.0 * CLOCK_TOLERANCE / math.sqrt(3.0) * (scatter.rms_us / sample_interval_us) ** 2
        part = np.bincount(place, count * part)[held] / readings
        weight, size = readings / readings.sum(), readings / groups[held]
        return cls(
            part,
            weight,
            size,
            int(scatter.count.sum()),
            max(outside, 0.0),
            scatter.rms_us / sample_interval_us,
            math.hypot(scatter.doubt_us2 / sample_interval_us**2, shape, uneven, clock),
            float(size.min()),
            float(weight @ (1.0 / size)),
            float(weight @ (part * (1.0 - part))),
        )

    @property
    def show_jitter(self) -> bool:
        """Whether enough readings lie outside the two neighbours."""
        return self.outside >= max(MIN_OUTSIDE, MIN_SHARE_OUTSIDE * self.total)

    def expected(self, sigma: float) -> tuple[float, float]:
        """Return mean and variance of ``outside`` for a jitter in sample intervals.

        The variance is what is left once the variance of the intervals that were recorded
        is given: ``2 sigma^4 D^2`` of a reading's own comes from that, D being how fast the
        expectation grows with it.
        """
        if sigma >= WIDE:
            # Above `2 sigma^4`, the spread of every group is that of an error of sampling.
            growth, spread = 1.0, (1.0 - self.per_size) * (2.0 / 3.0 * sigma**2 + 7.0 / 180.0)
        else:
            at_samples = density_at_samples(self.part, sigma)
            left = spread_of(self.part, sigma) - 2.0 * (sigma**2 * at_samples) ** 2
            spread = float(self.weight * (1.0 - 1.0 / self.size) @ np.maximum(left, 0.0))
            growth = float(self.weight @ at_samples)
        doubted = self.total * growth * self.doubt / 2
        return self.mean(sigma), self.total * spread / 4 + doubted**2

    def mean(self, sigma: float) -> float:
        """Return the first of `expected` alone."""
        # A group's mean has a variance of its own, which blurs the part; the law is taken
        # for as much less jitter.
        wide = sigma**2 + 1 / 6
        if sigma >= WIDE and sigma**2 - wide / self.least_size >= WIDE**2:
            return self.total * (wide - wide * self.per_size - self.between) / 2
        variance = excess_of(self.part, sigma) + self.part * (1 - self.part)
        sharper = np.sqrt(np.maximum(sigma**2 - variance / self.size, 0.0))
        return self.total * float(self.weight @ excess_of(self.part, sharper)) / 2

    def above(self, sigma: float) -> float:
        """Chance of at least the count found, for a jitter in sample intervals."""
        mean, variance = self.expected(sigma)
        if mean <= 0.0 or variance <= 0.0:
            return 0.0
        return gamma_above(mean**2 / variance, self.outside * mean / variance)

    def bound(self) -> float:
        """Largest deviation of jitter of any shape, in sample intervals.

        The mean of a reading's possible errors is zero, so the jitter's variance is at
        most the readings': ``p (1 - p)`` for a share p in the less frequent of the two
        neighbours, and 2 for each outside. Both shares are taken at their 97.5 %
        upper bound (Poisson, from the chi-square distribution).
        """
        fewer = float(self.weight @ np.minimum(self.part, 1 - self.part))
        share = min(_most(fewer * self.total) / self.total, 0.5)
        return math.sqrt(share * (1 - share) + 2 * _most(self.outside) / self.total)

    def largest(self) -> float:
        """Largest deviation of Gaussian jitter, in sample intervals."""
        most = _most(self.outside)
        return _root(lambda sigma: self.mean(sigma) - most, 0.3)

    def estimate(self) -> tuple[float, float, float]:
        """Jitter for which the count found is the one to expect, and its 95 % interval."""
        near = math.sqrt(max(self.rms**2 - 1 / 6, 0.01))
        jitter = _root(lambda sigma: self.mean(sigma) - self.outside, near)
        # Where a Gaussian count's ends would be; the search starts there.
        reach = min(math.sqrt(self.expected(jitter)[1]) / self.outside, 1.0)
        low = _root(lambda sigma: self.above(sigma) - TAIL, jitter * math.exp(-reach))
        high = _root(lambda sigma: self.above(sigma) - (1.0 - TAIL), jitter * math.exp(reach))
        return jitter, low, high


def _most(count: float) -> float:
    """Upper 97.5 % bound of the expectation of a count."""
    return chi_squared_above(TAIL, 2.0 * (count + 1.0)) / 2.0


def _root(rising: Callable[[float], float], near: float) -> float:
    """Find where a function of the jitter that rises from below 0 crosses it."""

    def of_logarithm(logarithm: float) -> float:
        return rising(math.exp(logarithm))

    low = high = math.log(near)
    at_low = at_high = of_logarithm(low)
    step = 0.05
    if at_high < 0.0:
        while at_high < 0.0:
            low, at_low = high, at_high
            high, step = high + step, 2.0 * step
            at_high = of_logarithm(high)
    else:
        while at_low >= 0.0:
            high, at_high = low, at_low
            low, step = low - step, 2.0 * step
            at_low = of_logarithm(low)
    return math.exp(_crossing(of_logarithm, (low, at_low), (high, at_high)))


def _crossing(
    rising: Callable[[float], float], below: tuple[float, float], above: tuple[float, float]
) -> float:
    """Find where a function crosses 0 between two places with its values, by the Illinois method.

    The library for this takes a fifth of a second to import (Dowell and Jarratt 1971, cited from
    memory).
    """
    (low, at_low), (high, at_high) = below, above
    side, before = 0, math.inf
    while high - low > ROOT_WITHIN and at_high != at_low:
        middle = high - at_high * (high - low) / (at_high - at_low)
        if not low < middle < high:
            middle = 0.5 * (low + high)
        at_middle = rising(middle)
        if abs(middle - before) < ROOT_WITHIN:
            return middle
        before = middle
        if at_middle < 0.0:
            low, at_low = middle, at_middle
            at_high *= 0.5 if side < 0 else 1.0
            side = -1
        else:
            high, at_high = middle, at_middle
            at_low *= 0.5 if side > 0 else 1.0
            side = 1
    return 0.5 * (low + high)


def faster_hz(jitter_us: float, sample_interval_us: float) -> float:
    """Sample rate whose interval is no longer than a jitter, in steps of 1, 2, 5.

    Faster than the present rate, by about ten times at most.

    >>> faster_hz(0.3, 1.0), faster_hz(0.0, 1.0)
    (5000000.0, 10000000.0)
    """
    wanted_us = min(max(jitter_us, sample_interval_us / STEP_UP), sample_interval_us)
    # The next step above the present rate, which may itself be one.
    least_hz = max(1e6 / wanted_us, 1e6 / sample_interval_us * 1.001)
    decade_hz = 10.0 ** math.floor(math.log10(least_hz))
    return next(
        step * decade_hz for step in (1.0, 2.0, 5.0, 10.0) if step * decade_hz >= least_hz * 0.9999
    )
