"""The delay from an input pulse to its output pulse: how long, how steady, on which clock."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from pwmscope.findings.lag.pairs import MAX_S, Latches, Pairs, Train
from pwmscope.findings.timing import Separation, scatter_of, separate
from pwmscope.model import (
    CLOCK_TOLERANCE,
    FROM_MAD,
    NORMAL_95,
    FloatArray,
    IntArray,
    half_width,
    normal_quantile,
)

MIN_PAIRS: Final = 10
STEADY_SLOPE: Final = 0.1
WANDERS: Final = 5.0
NEARLY: Final = 0.01
"""A period ratio that is so near to a simple one may be it."""
MAX_TO_ONE: Final = 6
"""Output periods to an input period, at most, of lines that keep step."""
MAX_FRAMES: Final = 12
_AT_END: Final = 9


class Trigger(StrEnum):
    """What an output pulse waits for."""

    INPUT_END = "a fixed time after the input pulse ends"
    INPUT_START = "a fixed time after the input pulse begins"
    OWN_CLOCK = "on its own clock"
    KEEPS_STEP = "in step with the input"
    UNCLEAR = "not shown"

    @property
    def in_step(self) -> bool:
        """Whether the output is shown to keep step with its inputs."""
        return self not in (Trigger.OWN_CLOCK, Trigger.UNCLEAR)


@dataclass(frozen=True, slots=True)
class Delay:
    """Delays from leading edge to leading edge."""

    # shape (n,): One for each output pulse; where the output keeps step, for the first that each
    # input pulse made
    late_us: FloatArray
    # Median, shortest and longest
    median_us: float
    low_us: float
    high_us: float
    interval_us: tuple[float, float]  # The 2.5th and the 97.5th percentile
    # Standard uncertainty of the median of these pulses; None where the sample interval is not
    # known
    uncertainty_us: float | None
    frames: int  # Usual number of newer input pulses that had begun
    trigger: Trigger  # What the output pulse waits for
    # Mean time from that event to the output pulse; from the newest input's leading edge where it
    # is none of an input pulse's
    after_us: float
    jitter: Separation | None  # Scatter of that time, apart from sampling; None on an own clock
    beat_s: float | None  # On an own clock: how long the delay takes to run through a whole frame
    # 95 % interval of the median of these pulses: what sampling, the analyser's clock and pairs in
    # doubt leave open
    of_median_us: tuple[float, float] | None = None
    # Change of the delay with the width of the pulse that the output may wait for; None where too
    # few pulses in a row changed their width
    slope: float | None = None
    waits_frames: int = 0  # How many frames before the newest pulse that one came
    # The pulse that it waits for, where that is another input's: "the end of RX2"
    waits_for: str | None = None
    wander_us: float = 0.0  # How far its start moves against the input's frames


def measure_delay(
    source: Train,
    output: Train,
    pairs: Pairs,
    newest: Pairs,
    latches: Latches | None = None,
    *,
    others: tuple[Train, ...] = (),
) -> Delay | None:
    """Measure the delay of each pair, and find out what the output waits for.

    The output keeps step if its start, taken within the input's frame, wanders by
    no more than noise and sampling give over the whole recording. The time from the newest
    input pulse, and from those before it, is regressed on the width of that pulse (changes,
    least squares); the pulse whose width explains most of the changes is the one that counts. A
    slope of 1 means that the output waits for that pulse's end, 0 for its start. Where that
    does not keep step, the ends of the other inputs' pulses are tried. An own clock is told only
    where the start moves against the input as a clock does: evenly.
    """
    if min(len(pairs), len(newest)) < MIN_PAIRS:
        return None
    interval_us = max(source.interval_us or 0.0, output.interval_us or 0.0)
    since_us = newest.late_us(source, output)
    waits = _waits_for(source, output, newest)
    trigger, slope = _trigger(waits.slope), waits.slope
    kept = newest.source >= waits.frames
    carried = newest.source[kept] - waits.frames
    rise_s, again = output.rise_s[newest.output[kept]], newest.again[kept]
    part = {Trigger.INPUT_END: 1.0, Trigger.INPUT_START: 0.0}.get(trigger, slope or 0.0)
    after_us = (rise_s - source.rise_s[carried]) * 1e6 - part * source.width_us[carried]
    wander = _wander(after_us, rise_s, source, output, interval_us)
    if trigger is not Trigger.INPUT_END:
        after_us = since_us[kept]
    jitter = waits_for = None
    if others:
        own_us = math.inf if not wander.keeps else _reach(after_us)
        waits_for, other_us, of_other = _waits_for_other(source, others, output, own_us)
        if of_other.keeps:
            wander, trigger, after_us = of_other, Trigger.KEEPS_STEP, other_us
            again = np.zeros(after_us.size, dtype=bool)
        else:
            waits_for = None
    late_us, frames = pairs.late_us(source, output), pairs.frames_late(source, output)
    if wander.keeps:
        after_us, late_us, frames = (
            after_us[~again], late_us[~pairs.again], frames[~pairs.again],
        )  # fmt: skip
        jitter = separate(scatter_of(after_us), interval_us or None)
    else:
        # Nothing of it waits for a width, so the beat is that of the starts alone.
        plain = _wander(since_us, output.rise_s[newest.output], source, output, interval_us)
        wander = wander if plain.keeps else plain
        trigger = Trigger.OWN_CLOCK if wander.is_even else Trigger.UNCLEAR
    low_us, median_us, high_us = (float(v) for v in np.percentile(late_us, (2.5, 50.0, 97.5)))
    uncertainty_us = of_median_us = None
    if interval_us:
        ways_us: tuple[FloatArray, ...] = (late_us,)
        weight = np.ones(1)
        if latches is not None and not wander.keeps:
            ways_us = tuple(each.late_us(source, output) for each in latches.pairs)
            weight = latches.weight
        of_median_us, uncertainty_us = median_interval_us(ways_us, weight, interval_us)
        if latches is None and not wander.keeps and pairs.in_doubt:
            # Of a mix half of those in doubt are right; one apart shifts a median by the
            # spread over their number (a median's deviation is 1.2533 of a mean's).
            doubtful = pairs.in_doubt / math.sqrt(12.0) / late_us.size
            doubt_us = 1.2533 * (high_us - low_us) / 4.0 * doubtful
            uncertainty_us = math.hypot(uncertainty_us, doubt_us)
            half_us = NORMAL_95 * doubt_us
            of_median_us = (of_median_us[0] - half_us, of_median_us[1] + half_us)
    return Delay(
        late_us, median_us, float(late_us.min()), float(late_us.max()), (low_us, high_us),
        uncertainty_us, round(float(np.median(frames))), trigger, float(np.mean(after_us)), jitter,
        wander.beat_s if trigger is Trigger.OWN_CLOCK else None, of_median_us, slope,
        waits.frames, waits_for, wander.moved_us,
    )  # fmt: skip


def _trigger(slope: float | None) -> Trigger:
    if slope is None:
        return Trigger.KEEPS_STEP
    if abs(slope - 1.0) < STEADY_SLOPE:
        return Trigger.INPUT_END
    return Trigger.INPUT_START if abs(slope) < STEADY_SLOPE else Trigger.KEEPS_STEP


@dataclass(frozen=True, slots=True)
class _Waits:
    """Which pulse an output's start goes with, and by how much."""

    frames: int
    slope: float | None


def _waits_for(source: Train, output: Train, newest: Pairs) -> _Waits:
    """Find the pulse whose width explains the changes of the delay best.

    An output that follows a pulse of some frames ago waits for the end of that one, so
    its time from the newest changes with the width that came then.
    """
    found = _Waits(0, None)
    least_us2 = np.inf
    if not source.moved:
        return found
    rise_s = output.rise_s[newest.output]
    steady = ~newest.again[1:] & (np.diff(newest.source) == 1)
    noise_us = max(source.noise_us, source.floor_us2**0.5)
    for frames in range(MAX_FRAMES + 1):
        place = newest.source - frames
        at = np.maximum(place, 0)
        step_us = np.diff((rise_s - source.rise_s[at]) * 1e6)
        rise_us = np.diff(source.width_us[at])
        used = steady & (place[:-1] >= 0) & (np.abs(step_us) < source.period_us / 4.0)
        if np.count_nonzero(used & (np.abs(rise_us) > 4.0 * noise_us)) < MIN_PAIRS:
            continue
        x_us, y_us = rise_us[used], step_us[used]
        slope = float(np.dot(x_us, y_us) / np.dot(x_us, x_us))
        left_us2 = float(np.mean((y_us - slope * x_us) ** 2))
        if left_us2 < 0.9 * least_us2:
            least_us2, found = left_us2, _Waits(frames, slope)
    return found


def _reach(after_us: FloatArray) -> float:
    """Range of 95 % of some delays."""
    low_us, high_us = np.percentile(after_us, (2.5, 97.5))
    return float(high_us - low_us)


def _waits_for_other(
    source: Train, others: tuple[Train, ...], output: Train, own_us: float
) -> tuple[str | None, FloatArray, _Wander]:
    """Find the pulse's end, of another input or the last of all, that the output goes with.

    Returns what it is, how long after it each output starts, and how that wanders. It must
    range over less than half of what it does after the input's own pulse, `own_us`.
    """
    last_s = source.end_s.copy()
    for other in others:
        # The pulse of the same frame is the one that starts nearest to the input's.
        near = np.searchsorted((other.rise_s[1:] + other.rise_s[:-1]) / 2.0, source.rise_s)
        last_s = np.maximum(last_s, other.end_s[near])
    names = ", ".join(train.line for train in (source, *others[:-1]))
    events = {f"the end of {other.line}": other.end_s for other in others}
    events[f"the last of {names} and {others[-1].line} to end"] = last_s
    least_us, found = own_us / 2.0, None
    for what, event_s in events.items():
        newest = np.searchsorted(event_s, output.rise_s, side="right") - 1
        for frames in range(MAX_FRAMES + 1):
            kept = newest >= frames
            if np.count_nonzero(kept) < MIN_PAIRS:
                break
            after_us = (output.rise_s[kept] - event_s[newest[kept] - frames]) * 1e6
            if _reach(after_us) < least_us:
                # What goes as well with an older pulse, or with another line, is no better.
                least_us = 0.8 * _reach(after_us)
                found = what, after_us, output.rise_s[kept]
    if found is None:
        return None, np.zeros(0), _Wander(keeps=False, beat_s=None)
    what, after_us, rise_s = found
    interval_us = max(source.interval_us or 0.0, output.interval_us or 0.0)
    return what, after_us, _wander(after_us, rise_s, source, output, interval_us)


EVEN: Final = 0.1
"""A clock of its own moves along a line (or a slow curve) within this part of its way."""


@dataclass(frozen=True, slots=True)
class _Wander:
    """How the output's start moves against the input's frames."""

    keeps: bool  # Whether it moves by no more than noise
    beat_s: float | None  # Otherwise: how long the delay takes to run through a whole frame
    is_even: bool = True  # Whether it moves as a clock does, and not as widths do
    moved_us: float = 0.0  # How far it moves


def _wander(
    after_us: FloatArray, time_s: FloatArray, source: Train, output: Train, interval_us: float
) -> _Wander:
    """Find out whether an output keeps step, at the input's rate or a simple multiple.

    Where ``q`` output periods make an input period (or one output period makes several),
    ``q`` times the phase of the output's starts in the input's frame stands still.
    """
    ratio = output.period_us / source.period_us
    whole = np.arange(1, MAX_TO_ONE + 1)
    simple = (np.rint(whole * ratio) == 1.0) | (whole == 1)
    near = simple & (np.abs(whole * ratio - np.rint(whole * ratio)) <= NEARLY)
    if not near.any():
        fast, slow = max(1.0 / ratio, 1.0), min(1.0 / ratio, 1.0)
        gained = abs(fast - round(fast / slow) * slow)
        beat_s = source.period_us / 1e6 / gained if gained > 1e-6 else None
        return _Wander(keeps=False, beat_s=beat_s)
    q = int(whole[near][0])
    turns = q * after_us / source.period_us
    step = np.diff(turns)
    step_us = (step - np.rint(step)) * source.period_us / q
    # From where it is at first to where it is at last, each the median of some: a late pulse at
    # the very end is no wander.
    place_us = np.cumsum(step_us)
    some = max(min(_AT_END, place_us.size // 4), 1)
    wander_us = float(np.median(place_us[-some:]) - np.median(place_us[:some]))
    noise_us = FROM_MAD * float(np.median(np.abs(step_us - np.median(step_us))))
    if abs(wander_us) <= WANDERS * noise_us + 3.0 * interval_us + 0.5:
        return _Wander(keeps=True, beat_s=None)
    took_s = float(np.median(time_s[-some:]) - np.median(time_s[1 : some + 1]))
    at_s = time_s[1:] - time_s[1:].mean()
    way = np.polynomial.Polynomial.fit(at_s, place_us, 2)
    along_us = float(np.ptp(way(at_s)))
    off_us = float(np.ptp(np.percentile(place_us - way(at_s), (2.5, 97.5))))
    even_us = max(EVEN * along_us, WANDERS * noise_us + 3.0 * interval_us + 0.5)
    moved_us = float(np.ptp(np.percentile(place_us, (1.0, 99.0))))
    beat_s = source.period_us / q * took_s / abs(wander_us)
    return _Wander(keeps=False, beat_s=beat_s, is_even=off_us <= even_us, moved_us=moved_us)


CHANGE_S: Final = 0.1
"""Changes are taken over this time, in which a hand moves far more than a width jitters."""
PARTS: Final = 8
"""Parts of the recording, each left out once, that tell how well the peak is known."""
MIN_CHANGES: Final = 40
FINENESS: Final = 4
"""Delays tried in one frame."""


@dataclass(frozen=True, slots=True)
class Correlation:
    """The peak of the cross-correlation of width changes."""

    # From the input pulse's leading edge to the output pulse's, at the peak, interpolated between
    # the delays tried
    delay_us: float
    uncertainty_us: float  # Its standard uncertainty
    peak: float  # Correlation coefficient there, -1 to 1; negative for a reversed output


def correlate_changes(source: Train, output: Train) -> Correlation | None:
    """Find the delay at which changes of an output's width look most like an input's.

    The input's width, joined by straight lines between its leading edges, is
    taken each trial delay before the output's leading edges. The coefficient is
    Pearson's; the peak is the vertex of the parabola through the highest three.
    Its standard uncertainty is the jackknife's over eight parts of the recording
    (Efron and Tibshirani, "An introduction to the bootstrap", 1993, chapter 11,
    from memory).

    >>> at_s = 0.02 * np.arange(500)
    >>> wave_us = 1500 + 300 * np.sin(at_s) + 100 * np.sin(7 * at_s)
    >>> rows = np.arange(500)
    >>> source = Train("RX1", rows, at_s, wave_us, 20_000.0, 1.0, 1500.0, 1000.0, 1.0)
    >>> output = Train("out1", rows, at_s + 0.0415, wave_us, 20_000.0, 1.0, 1500.0, 1000.0, 1.0)
    >>> found = correlate_changes(source, output)
    >>> round(found.delay_us / 1e3, 1), round(found.peak, 3)
    (41.5, 1.0)
    """
    shared_s = min(source.rise_s[-1], output.rise_s[-1]) - max(source.rise_s[0], output.rise_s[0])
    reach_s = min(MAX_S, max(float(shared_s), 0.0) / 6.0)
    across = max(1, round(CHANGE_S * 1e6 / output.period_us))
    first_s, last_s = source.rise_s[0] + reach_s, source.rise_s[-1] - reach_s
    used = np.flatnonzero((output.rise_s >= first_s) & (output.rise_s <= last_s))
    if used.size < MIN_CHANGES + across or not (source.moved and output.moved):
        return None
    rise_s = output.rise_s[used]
    step_s = source.period_us / 1e6 / FINENESS
    most = math.floor(reach_s / step_s)
    trials_s = step_s * np.arange(-most, most + 1).astype(np.float64)
    y_us = _changes(output.width_us[used], across)
    sums = np.stack(
        [
            _sums(
                _changes(np.interp(rise_s - late_s, source.rise_s, source.width_us), across), y_us
            )
            for late_s in trials_s
        ]
    )
    whole = sums.sum(axis=2)
    delay_s, peak = _peak(trials_s, _coefficients(whole))
    without = [_peak(trials_s, _coefficients(whole - sums[:, :, k]))[0] for k in range(PARTS)]
    # Jackknife variance: (k - 1)/k times the sum of squares about the mean.
    spread_s = math.sqrt((PARTS - 1) * float(np.var(without)))
    return Correlation(delay_s * 1e6, spread_s * 1e6, peak)


def _changes(width_us: FloatArray, across: int) -> FloatArray:
    return width_us[across:] - width_us[:-across]


def _sums(x_us: FloatArray, y_us: FloatArray) -> FloatArray:
    """Add up what makes a coefficient, for each part of the recording; shape (6, parts)."""
    begin = np.linspace(0, x_us.size, PARTS, endpoint=False).astype(np.int64)
    terms = np.stack([np.ones(x_us.size), x_us, y_us, x_us**2, y_us**2, x_us * y_us])
    return np.add.reduceat(terms, begin, axis=1)


def _coefficients(sums: FloatArray) -> FloatArray:
    """Pearson's coefficient for each trial, 0 where one side does not change."""
    count, x, y, xx, yy, xy = sums.T
    spread = (count * xx - x**2) * (count * yy - y**2)
    coefficients: FloatArray = (count * xy - x * y) / np.sqrt(np.maximum(spread, 1e-9))
    return coefficients


def _peak(trials_s: FloatArray, coefficients: FloatArray) -> tuple[float, float]:
    at = int(np.abs(coefficients).argmax())
    if not 0 < at < trials_s.size - 1:
        return float(trials_s[at]), float(coefficients[at])
    before, here, after = (float(each) for each in coefficients[at - 1 : at + 2])
    bend = before - 2.0 * here + after
    off = 0.5 * (before - after) / bend if bend else 0.0
    peak = here - 0.25 * (before - after) * off
    return float(trials_s[at] + off * (trials_s[1] - trials_s[0])), peak


CROSSING: Final = 7.0 / 30.0
"""Half the mean difference of two triangular errors over plus or minus one sample."""
RATE_PARTS: Final = 201


def median_errors_us(late_us: FloatArray, interval_us: float) -> tuple[float, float]:
    """Say how far sampling may move the median of delays.

    Each delay is off by the difference of two sampling errors, triangular over plus or minus
    one sample interval (JCGM 100, 4.3.9). A median among delays that lie far apart is one of
    them and has its error. Among many within a sample interval it is a whole number of
    intervals: off by a rectangular half interval (4.3.7), and by what the number of
    delays that cross it varies by, ``sqrt(7/30 m) / m`` intervals for ``m`` delays to an
    interval. Delays that are all alike do not show that their edges fall anywhere in an
    interval: those count as one.

    >>> normal_us, rectangle_us = median_errors_us(np.array([0.0, 1000.0, 2000.0]), 1.0)
    >>> round(normal_us, 3), rectangle_us
    (0.408, 0.0)
    >>> normal_us, rectangle_us = median_errors_us(np.repeat([7.0, 8.0], 500), 1.0)
    >>> round(normal_us, 3), rectangle_us
    (0.015, 0.5)
    """
    alone_us = interval_us / math.sqrt(6.0)
    if np.ptp(late_us) < interval_us / 2.0:
        return alone_us, 0.0
    near = np.abs(late_us - np.median(late_us)) <= 0.75 * interval_us
    count = max(int(np.count_nonzero(near)), 1)
    crossing_us = interval_us * math.sqrt(CROSSING / count)
    if math.hypot(crossing_us, interval_us / math.sqrt(12.0)) >= alone_us:
        return alone_us, 0.0
    return crossing_us, interval_us / 2.0


def median_interval_us(
    ways_us: tuple[FloatArray, ...], weight: FloatArray, interval_us: float
) -> tuple[tuple[float, float], float]:
    """Return the 95 % interval of the median delay, and its standard uncertainty.

    Sampling's part and the analyser's clock (rectangular, `CLOCK_TOLERANCE`) are put about the
    median of each way to pair the pulses; the interval is the shortest that holds 95 % of that
    mixture (JCGM 101, 5.3.4 and 7.7, from memory).
    """
    medians_us = np.array([float(np.median(each)) for each in ways_us])
    likeliest = ways_us[int(np.argmax(weight))]
    normal_us, rectangle_us = median_errors_us(likeliest, interval_us)
    clock_us = CLOCK_TOLERANCE * float(np.abs(medians_us).max())
    # Of two rectangles the smaller counts as Gaussian.
    wide_us, narrow_us = max(clock_us, rectangle_us), min(clock_us, rectangle_us)
    normal_us = math.hypot(normal_us, narrow_us / math.sqrt(3.0))
    spread_us = math.hypot(normal_us, wide_us / math.sqrt(3.0))
    mean_us = float(np.dot(weight, medians_us))
    doubt_us = math.sqrt(float(np.dot(weight, (medians_us - mean_us) ** 2)))
    if not doubt_us:
        half_us = half_width(normal_us, wide_us)
        return (mean_us - half_us, mean_us + half_us), spread_us
    parts = (np.arange(RATE_PARTS) + 0.5) / RATE_PARTS
    errors_us = _quantiles(normal_us, wide_us, parts)
    points_us = (medians_us[:, None] + errors_us).ravel()
    low_us, high_us = _shortest(points_us, np.repeat(weight / RATE_PARTS, RATE_PARTS))
    return (low_us, high_us), math.hypot(spread_us, doubt_us)


def slope_of(x_us: FloatArray, y_us: FloatArray) -> float:
    """Least-squares slope of ``y`` over ``x``, both shape (n,)."""
    away_us = x_us - x_us.mean()
    return float(np.dot(away_us, y_us) / np.dot(away_us, away_us))


def slope_uncertainty(
    place: IntArray, x_us: FloatArray, interval_us: tuple[float, float], slope: float
) -> float:
    """Return the standard uncertainty that sampling gives a slope of widths over widths.

    The slope is that of least squares. A width is off by the difference of two sampling
    errors, variance ``T^2/6`` (JCGM 100, 4.3.9), in ``x`` as in ``y``. The slope is a
    weighted sum of both; an input pulse that several outputs carry is off by the same in
    all (5.1.2). The clock's error is the same in both widths and cancels. Errors in ``x``
    also flatten the slope by ``T^2/6`` over its variance, which is added as a bound.

    >>> x_us = np.tile([1000.0, 2000.0], 300)
    >>> round(slope_uncertainty(np.arange(600), x_us, (1.0, 1.0), 1.0), 7)
    4.71e-05
    """
    away_us = x_us - x_us.mean()
    squares = float(np.dot(away_us, away_us))
    of_input = float(np.sum(np.bincount(place - place.min(), away_us) ** 2))
    x_us2, y_us2 = (each**2 / 6.0 for each in interval_us)
    flatter = abs(slope) * x_us2 * x_us.size / squares
    variance = (y_us2 * squares + slope**2 * x_us2 * of_input) / squares**2
    return math.hypot(math.sqrt(variance), flatter / math.sqrt(3.0))


def slope_interval(
    slopes: FloatArray, weight: FloatArray, uncertainty: float
) -> tuple[tuple[float, float], float]:
    """Return the 95 % interval of a slope over the ways to pair, and its uncertainty."""
    if slopes.size == 1:
        half, only = NORMAL_95 * uncertainty, float(slopes[0])
        return (only - half, only + half), uncertainty
    mean = float(np.dot(weight, slopes))
    doubt = math.sqrt(float(np.dot(weight, (slopes - mean) ** 2)))
    parts = (np.arange(RATE_PARTS) + 0.5) / RATE_PARTS
    errors = _quantiles(uncertainty, 0.0, parts)
    points = (slopes[:, None] + errors).ravel()
    return _shortest(points, np.repeat(weight / RATE_PARTS, RATE_PARTS)), math.hypot(
        uncertainty, doubt
    )


def _quantiles(normal_us: float, rectangle_us: float, parts: FloatArray) -> FloatArray:
    """Quantiles of a Gaussian plus a rectangular error, by adding up both on a grid."""
    normal = normal_us * np.array([normal_quantile(part) for part in parts.tolist()])
    if not rectangle_us:
        return normal
    sums = (normal[:, None] + rectangle_us * (2.0 * parts - 1.0)).ravel()
    return np.quantile(sums, parts)


def _shortest(points: FloatArray, weight: FloatArray) -> tuple[float, float]:
    """Find the shortest interval that holds 95 % of weighted points."""
    order = np.argsort(points, kind="stable")
    points, share = points[order], np.cumsum(weight[order])
    before = share - weight[order]
    last = np.searchsorted(share, before + 0.95 - 1e-9)
    fits = last < points.size
    first, last = np.flatnonzero(fits), last[fits]
    at = int(np.argmin(points[last] - points[first]))
    return float(points[first[at]]), float(points[last[at]])
