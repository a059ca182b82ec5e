"""How much widths, periods and edges scatter, and what is said about it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from pwmscope.bench import Limits
from pwmscope.findings.timing.frame_clock import run_starts
from pwmscope.findings.timing.held_pulses import Excursion
from pwmscope.findings.timing.separation import (
    MAX_SAMPLE,
    MAX_UNEVENNESS,
    SMEARED,
    Sample,
    Scatter,
    Separation,
    faster_hz,
    scatter_of,
    separate,
    shape_doubt,
    variance_of_change,
)
from pwmscope.model import (
    CLOCK_TOLERANCE,
    MAX_SPANS,
    NORMAL_95,
    Definition,
    Evidence,
    Finding,
    FloatArray,
    IntArray,
    Summary,
    Verdict,
    format_us,
    measured,
    not_shown,
    product,
    quantiles_of,
    sampling_floor_us,
    summarise,
)
from pwmscope.pulses import Frames, PulseTable, excerpt, taken, without

_MIDDLE: Final = (0.025, 0.975)
_SAMPLED: Final = (64, 16_384)


@dataclass(frozen=True, slots=True)
class Jitter:
    """Scatter of an interval that ought to repeat, beside what sampling alone gives."""

    # In microseconds; None where there is nothing to take them from
    rms: float | None
    peak_to_peak: float | None
    # What sampling alone gives, in microseconds: Ts / sqrt(6) for an interval, Ts / sqrt(2) for the
    # difference of two that share an edge, Ts / sqrt(12) for a single edge; None where the sample
    # interval is not known
    sampling_floor_rms: float | None
    # From the 2.5th to the 97.5th percentile, in microseconds
    percentile_spread: float | None = None


@dataclass(frozen=True, slots=True)
class Periods:
    """The regular frame periods of a channel."""

    summary: Summary  # Of the periods, in microseconds
    scatter: Scatter  # Of the periods about the mean of their place in the pattern
    jitter: Jitter  # Of the same deviations (period jitter)
    # Of the difference of the deviations of each two adjacent periods (cycle-to-cycle jitter), its
    # RMS about zero
    change: Jitter
    # Mean square of the second difference of those, which tells how much of them sampling errors of
    # single edges take part in
    bend_us2: float
    # Rows in the pulse table of the pulses that begin the first and the last of them; None where
    # there is none
    first: int | None
    last: int | None


def read_periods(table: PulseTable, frames: Frames, periods: IntArray) -> Periods:
    """Gather the regular periods."""
    used, is_irregular = _used(frames, periods)
    floor_us = sampling_floor_us(table.sample_interval_us)
    # The difference of two intervals that share an edge: six times Ts^2/12 instead of two.
    change_floor_us = None if floor_us is None else floor_us * math.sqrt(3.0)
    period_us = taken(frames.period_us, used)
    if not used.size:
        jitter, change = Jitter(None, None, floor_us), Jitter(None, None, change_floor_us)
        return Periods(summarise(period_us), scatter_of(period_us), jitter, change, 0.0, None, None)
    borders = run_starts(table, frames, used)[1:]
    group, origin_us = np.zeros(used.size, np.int8), period_us.mean(keepdims=True)
    if not (frames.is_steady or is_irregular):
        group, origin_us = _places(frames, used)
    deviation_us, scatter = _by_group(period_us, group, origin_us)
    rms_us = scatter.usable.rms_us if np.any(scatter.count > 1) else None
    jitter = jitter_of(deviation_us, rms_us, floor_us)
    change_us = np.diff(deviation_us)
    if borders.size:
        change_us = without(change_us, borders - 1)
    change = jitter_of(change_us, rms_of(change_us), change_floor_us)
    bend_us2 = 0.0
    if change_us.size > 2:
        bend_us2 = float(np.mean(np.diff(excerpt(change_us, *_SAMPLED), 2) ** 2))
    return Periods(
        summarise(period_us),
        scatter,
        jitter,
        change,
        bend_us2,
        int(frames.index[used[0]]),
        int(frames.index[used[-1]]),
    )


def _used(frames: Frames, periods: IntArray) -> tuple[IntArray, bool]:
    if not frames.odd.size:
        return periods, False
    if frames.is_irregular:
        return periods[frames.missing[periods] == 0], True
    return np.flatnonzero(frames.regular(periods)), False


def _places(frames: Frames, used: IntArray) -> tuple[npt.NDArray[Any], FloatArray]:
    """Return the place of each period in its pattern, and the pattern's period at each place."""
    lengths = [len(pattern) for pattern in frames.patterns]
    offset = (np.cumsum(lengths) - lengths).astype(np.int16)
    place = offset[taken(frames.pattern, used)] + taken(frames.place, used)
    return place, np.concatenate([pattern.periods_us for pattern in frames.patterns])


def _by_group(
    period_us: FloatArray, group: npt.NDArray[Any], origin_us: FloatArray
) -> tuple[FloatArray, Scatter]:
    """Take each period from the mean of its group, which lies near its origin."""
    groups = origin_us.size
    deviation_us = period_us - origin_us[group]
    count = np.bincount(group, minlength=groups)
    excess_us = np.bincount(group, deviation_us, groups) / np.maximum(count, 1)
    deviation_us -= excess_us[group]
    squares_us2 = np.bincount(group, deviation_us**2, groups)
    std_us = np.sqrt(squares_us2 / np.maximum(count - 1, 1))
    held = np.flatnonzero(count)
    reading_us = period_us[[int((group == k).argmax()) for k in held]]
    # Some of the periods, evenly spread.
    step = -(-period_us.size // MAX_SAMPLE)
    some = (np.cumsum(count > 0) - 1)[group[::step]]
    sample = Sample(period_us[::step] - reading_us[some], some)
    mean_us = (origin_us + excess_us)[held]
    return deviation_us, Scatter(mean_us, std_us[held], count[held], reading_us, sample)


def jitter_of(values_us: FloatArray, rms_us: float | None, floor_us: float | None) -> Jitter:
    """Describe scatter by its RMS, peak to peak and percentile spread.

    The percentiles of more than a million values are those of 64 parts of the
    record, a million values in all.
    """
    if not values_us.size or rms_us is None:
        return Jitter(None, None, floor_us)
    sample_us = excerpt(values_us, *_SAMPLED).ravel()
    low_us, high_us = quantiles_of(sample_us, *_MIDDLE)
    return Jitter(rms_us, float(values_us.max() - values_us.min()), floor_us, high_us - low_us)


def rms_of(values_us: FloatArray) -> float | None:
    """Return the root mean square, about zero; None without a value.

    >>> rms_of(np.array([3.0, -4.0, 0.0, 0.0]))
    2.5
    """
    return math.sqrt(product(values_us, values_us) / values_us.size) if values_us.size else None


def separate_periods(
    periods: Periods, sample_interval_us: float | None, unevenness: float
) -> Separation | None:
    """Separate period jitter from sampling."""
    scatter, change = periods.scatter, periods.change
    if sample_interval_us is not None and change.rms is not None:
        scatter = with_shared_edges(scatter, change.rms, sample_interval_us)
    return separate(scatter, sample_interval_us, unevenness=unevenness)


def with_shared_edges(scatter: Scatter, change_us: float, sample_interval_us: float) -> Scatter:
    """Add the doubt that comes from edges which two periods share.

    A sampling error moves two periods, one up and one down, so that it is the change c from
    period to period on which the doubt of the variance rests: ``4 c^2 Ts^2/12 / n``, of
    which `separate` has the part of periods without edges in common, ``c^2 = 2 s^2``.
    """
    count = int(scatter.count.sum())
    if count < 2 or not scatter.freedom:
        return scatter
    more_us2 = max(change_us**2 - 2.0 * scatter.usable.rms_us**2, 0.0)
    return replace(scatter, doubt_us2=sample_interval_us * math.sqrt(more_us2 / (3.0 * count)))


def separate_changes(
    periods: Periods,
    of_period: Separation | None,
    sample_interval_us: float | None,
    unevenness: float,
) -> Separation | None:
    """Separate cycle-to-cycle jitter from sampling."""
    change = periods.change
    if change.rms is None or of_period is None:
        return None
    count = max(periods.summary.count - 1, 1)
    if sample_interval_us is None:
        return _timed(change.rms, count)
    scatter = periods.scatter.usable
    origin_us = 0.0 if scatter.reading_us is None else scatter.reading_us
    part = ((scatter.mean_us - origin_us) / sample_interval_us) % 1.0
    weight = scatter.count / scatter.count.sum()
    own = (of_period.jitter_rms_us or 0.0) / sample_interval_us
    own_change = change.rms / sample_interval_us
    added = 0.5
    for _ in range(3):  # the variance of two periods together follows from both figures
        two = math.sqrt(max(4.0 * own**2 - max(own_change**2 - added, 0.0), 0.0))
        added = variance_of_change(part, weight, own, two)
    shape = _shape_doubt(scatter, sample_interval_us, own)
    return _freed(
        change.rms,
        _Sampling(added, 0.67, 70.0 / 12.0, 2.0, math.sqrt(6.0), shape, 0.0),
        interval_us=sample_interval_us,
        bend_us2=periods.bend_us2,
        count=count,
        unevenness=unevenness,
        shown=of_period.resolved,
    )


def separate_errors(
    errors_us: FloatArray, rms_us: float, sample_interval_us: float | None, unevenness: float
) -> Separation:
    """Separate the time interval error from sampling."""
    if sample_interval_us is None:
        return _timed(rms_us, errors_us.size)
    return _freed(
        rms_us,
        _Sampling(1.0 / 12.0, 1.0 / 180.0, 1.0 / 12.0, 0.5, 1.0, 0.0, 1.0 / 12.0),
        interval_us=sample_interval_us,
        bend_us2=rms_us**2,
        count=errors_us.size,
        unevenness=unevenness,
    )


@dataclass(frozen=True, slots=True)
class _Sampling:
    """What sampling does to a mean square of sums of edges, in sample intervals.

    `added` : the variance it adds. `spread` : variance of that, for one value. `of_bend` : what
    it adds to the mean square of the values' own gradient by edge. `most` : by how much it can
    move the root mean square. `edges` : root of the squares of the edges' weights. `shape` :
    standard uncertainty of `added` for the shape of the jitter. `least` : the least that it
    adds, whatever the shape.
    """

    added: float
    spread: float
    of_bend: float
    most: float
    edges: float
    shape: float
    least: float


RESOLVED: Final = 3.0
"""Jitter is resolved where its variance exceeds so many deviations of what sampling adds."""


def _freed(
    rms_us: float,
    sampling: _Sampling,
    *,
    interval_us: float,
    bend_us2: float,
    count: int,
    unevenness: float,
    shown: bool = True,
) -> Separation:
    """Take out of a mean square what sampling added, and say how well that is known.

    With the edges' errors independent of one another and of the edges, the mean square of
    values y = B t has the variance ``(4 g^2 Ts^2 / 12 + v Ts^4) / n``, g^2 the mean square of
    B' y and v that of the errors alone.
    """
    floor_us = math.sqrt(sampling.edges**2 / 12.0) * interval_us
    if unevenness > MAX_UNEVENNESS and rms_us < SMEARED * sampling.edges * interval_us:
        reach_us = sampling.most * interval_us
        return Separation(
            rms_us, floor_us, None, (0.0, rms_us + reach_us), False, faster_hz(0.0, interval_us)
        )
    uneven = sampling.edges**2 / 12.0 * unevenness if unevenness > MAX_UNEVENNESS else 0.0
    variance = (rms_us / interval_us) ** 2 - sampling.added
    bend = max(bend_us2 / interval_us**2 - sampling.of_bend, 0.0)
    chance = sampling.spread / count
    clock = 2.0 * max(variance, 0.0) * CLOCK_TOLERANCE
    doubt = math.sqrt(
        bend / (3.0 * count) + chance + sampling.shape**2 + (uneven**2 + clock**2) / 3.0
    )
    high_us = math.sqrt(max(variance, 0.0) + NORMAL_95 * doubt) * interval_us
    low = variance - NORMAL_95 * doubt
    if shown and low > 0.0 and variance > RESOLVED * math.sqrt(chance):
        low_us = math.sqrt(low) * interval_us
        own_us = math.sqrt(variance) * interval_us
        return Separation(rms_us, floor_us, own_us, (low_us, high_us), True, None)
    variance = max((rms_us / interval_us) ** 2 - sampling.least, 0.0)
    high_us = math.sqrt(variance + NORMAL_95 * doubt) * interval_us
    return Separation(
        rms_us, floor_us, None, (0.0, high_us), False, faster_hz(high_us, interval_us)
    )


FLAT: Final = 2.1
"""Kurtosis below which values are spread as those of a sinusoid or more evenly."""


def _shape_doubt(scatter: Scatter, interval_us: float, sigma: float) -> float:
    """Return how uncertain the variance of a change is for the shape of the jitter.

    A period's own enters fourfold, that of two together once. Values of a sinusoid of
    amplitude a leave ``J0(2 pi a)``, of the order of ``1 / (pi sqrt(a))``, of the cosine in
    the variance that sampling adds, where a Gaussian leaves nothing.
    """
    if scatter.sample is None:
        return 0.0
    away, group = scatter.sample.away_us / interval_us, scatter.sample.group
    doubt = math.sqrt(17.0) * shape_doubt(away, group)
    about = away - np.bincount(group, away)[group] / np.bincount(group)[group]
    squares = about * about
    if sigma > 0.0 and float(np.mean(squares**2)) < FLAT * float(np.mean(squares)) ** 2:
        left = 1.0 / (math.pi * math.sqrt(math.sqrt(2.0) * sigma))
        doubt = math.hypot(doubt, 4.0 / math.pi**2 * min(left, 1.0) / math.sqrt(2.0))
    return doubt


def _timed(rms_us: float, count: int) -> Separation:
    """Take what was measured where the timing of edges is not known (JCGM 100, E.4.3)."""
    reach_us = NORMAL_95 * rms_us / math.sqrt(2.0 * count)
    interval_us = (max(rms_us - reach_us, 0.0), rms_us + reach_us)
    return Separation(rms_us, None, rms_us, interval_us, True, None)


EXCURSION: Final = "worst excursion while held"
OF_JITTER: Final[tuple[Definition, ...]] = (
    Definition(
        "width jitter",
        "How much the width scatters while the stick is still, stray widths included. A servo "
        "hums and a motor creeps where it is large. What sampling alone gives is taken out.",
        "pooled over holds, s^2 = sum (n - 1) s_i^2 / sum (n - 1); jitter^2 = s^2 - Ts^2/6 well "
        "above the floor, below by the share of readings outside the two neighbouring ones; "
        "95 % interval: of the recorded pulses' own jitter",
        "JCGM 100, 4.3.7, 4.3.9 and 5.1.2; own law of readings near the floor",
    ),
    Definition(
        EXCURSION,
        "The worst single width while the stick was still, stray widths included. One wrong pulse "
        "can start a motor.",
        "greatest |w - mean of its hold|, and its 99.9 % quantile; each reading is right within Ts",
        "own definition; 20 us is a narrow ESC deadband (common practice, from memory)",
    ),
    Definition(
        "period jitter",
        "How much the frame period scatters about its mean, or about its pattern where several "
        "periods interleave. What sampling alone gives is taken out.",
        "RMS of T[n] - mean, n - 1 (one more for each further period of a pattern); "
        "jitter^2 = s^2 - Ts^2/6 well above the floor",
        "IEEE Std 2414 (period jitter), from memory; JCGM 100, 4.3.7, 4.3.9 and 5.1.2",
    ),
    Definition(
        "cycle-to-cycle jitter",
        "How much the frame period changes from one frame to the next. What sampling alone "
        "gives is taken out.",
        "RMS of T[n+1] - T[n] over adjacent regular frames, about zero; jitter^2 = s^2 - Ts^2/2 "
        "well above the floor",
        "IEEE Std 2414 (cycle-to-cycle jitter), from memory; JCGM 100, 4.3.7 and 5.1.2",
    ),
    Definition(
        "time interval error",
        "How far the leading edges lie from the steady clock that fits them best. Unlike period "
        "jitter it shows a clock that wanders slowly. What sampling alone gives is taken out.",
        "TIE[n] = t[n] - (a + T n), least squares, n counted across gaps; RMS = "
        "sqrt(sum TIE^2 / (edges - 2)), one less for each new start of the clock; "
        "jitter^2 = RMS^2 - Ts^2/12; the spread is from the 2.5th to the 97.5th percentile",
        "IEEE Std 2414 (time interval error), from memory; JCGM 100, 4.3.7 and 5.1.2",
    ),
)


def width_jitter_finding(
    evidence: tuple[Evidence, ...], jitter: Jitter, separation: Separation | None, limits: Limits
) -> Finding:
    """Say how much the width scatters, and whether that meets the limit."""
    limit = f"at most {limits.jitter_us:g} us RMS ({limits.basis_of('jitter_us')})"
    if separation is None:
        return not_shown(
            "width jitter",
            "us",
            "The stick never stood still, so the width's jitter is not shown.",
            limit=limit,
        )
    value, unit, uncertainty, interval = _separated(separation)
    return Finding(
        "width jitter",
        value,
        unit,
        uncertainty,
        limit,
        _within(separation.interval_us, limits.jitter_us),
        evidence[:MAX_SPANS],
        separation.sentence("the width while the stick stands still") + _beside(jitter),
        interval,
        separation.to_do,
    )


def excursion_finding(excursion: Excursion | None, rise_s: FloatArray, limits: Limits) -> Finding:
    """Say how far single widths strayed while the stick was held, and whether that is too far."""
    limit = f"at most {limits.excursion_us:g} us ({limits.basis_of('excursion_us')})"
    if excursion is None:
        return not_shown(
            EXCURSION, "us",
            "The stick never stood still, so no width is shown to stray.", limit=limit,
        )  # fmt: skip
    verdict = _within(excursion.interval_us, limits.excursion_us)
    return Finding(
        EXCURSION,
        excursion.peak_us,
        "us",
        None,
        limit,
        verdict,
        (Evidence.of(rise_s, excursion.row, excursion.row),),
        f"While held, one of {excursion.count} widths strays "
        f"{format_us(excursion.peak_us)} from its "
        f"level, at {rise_s[excursion.row]:.3f} s. 99.9 % stay within "
        f"{format_us(excursion.usual_us)}.",
        excursion.interval_us,
        "Record at a higher sample rate." if verdict is Verdict.NOT_SHOWN else "",
    )


def _within(interval_us: tuple[float, float], limit_us: float) -> Verdict:
    """Hold a 95 % interval against an upper limit."""
    low_us, high_us = interval_us
    if high_us <= limit_us:
        return Verdict.MEETS
    return Verdict.DOES_NOT_MEET if low_us > limit_us else Verdict.NOT_SHOWN


def separated_finding(  # noqa: PLR0917 - what it is about, and what was found
    name: str,
    of: str,
    jitter: Jitter,
    separation: Separation | None,
    evidence: tuple[Evidence, ...],
    starts: int = 0,
) -> Finding:
    """Say how much a time of the frames scatters, `of` its words; a clock may start anew."""
    if separation is None:
        return not_shown(name, "us", _TOO_FEW)
    value, unit, uncertainty, interval = _separated(separation)
    sentence = separation.sentence(of)
    if starts:
        sentence += f" The clock starts anew {'once' if starts == 1 else f'{starts} times'}."
    return measured(
        name, value, unit, sentence + _beside(jitter), uncertainty=uncertainty, interval=interval,
        evidence=evidence,
    )  # fmt: skip


_TOO_FEW: Final = "Fewer than two frame periods follow one another outside signal loss."


def _separated(
    separation: Separation,
) -> tuple[float | str, str, float | None, tuple[float, float]]:
    """Return value, unit, uncertainty and interval; a bound in words where none is resolved."""
    low_us, high_us = separation.interval_us
    if separation.jitter_rms_us is None:
        return f"at most {high_us:.3g} us", "", None, separation.interval_us
    return separation.jitter_rms_us, "us", (high_us - low_us) / 4.0, separation.interval_us


def _beside(jitter: Jitter) -> str:
    """Say what was measured, sampling included."""
    spread = (
        ""
        if jitter.percentile_spread is None
        else f", {jitter.percentile_spread:.3g} us from the 2.5th to the 97.5th percentile"
    )
    return (
        f" Measured, sampling included: {jitter.rms or 0.0:.3g} us RMS, "
        f"{jitter.peak_to_peak or 0.0:.3g} us peak to peak{spread}.{_floor(jitter)}"
    )


def _floor(jitter: Jitter) -> str:
    """Say what sampling alone gives, as a sentence of its own; nothing where it is not known.

    >>> _floor(Jitter(0.96, 5.0, 0.29, 3.7))
    ' Sampling alone gives 0.29 us RMS.'
    """
    floor_us = jitter.sampling_floor_rms
    return "" if floor_us is None else f" Sampling alone gives {format_us(floor_us)} RMS."
