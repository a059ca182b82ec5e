"""What a device makes of the width: its curve, what it keeps of the past, the jitter it adds."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.findings.lag.delay import slope_interval, slope_of, slope_uncertainty
from pwmscope.findings.lag.pairs import (
    Curve,
    Latches,
    Pairs,
    Parameter,
    Train,
    fit_curve,
    misfit_us2,
)
from pwmscope.findings.segmentation import Dwells, Record
from pwmscope.findings.timing import Separation, scatter_of, separate
from pwmscope.findings.travel import examine_resolution
from pwmscope.model import NORMAL_95, FloatArray, IntArray, mean_of, sampling_floor_us

NEIGHBOURS: Final = 3
"""Input frames before and after that may have a part in an output width."""
MIN_SWEEPS: Final = 3
MIN_MOVING: Final = 40
SHARE: Final = 0.5
"""Part of what the curve leaves while the stick moves that its neighbours must explain."""


@dataclass(frozen=True, slots=True)
class Memory:
    """How an output's width depends on more than the one input pulse."""

    smoothed: bool  # Whether several input pulses in a row have a part in it
    # Where smoothed: how many input frames their middle lies earlier than the pulse that explains
    # most
    centre_frames: float
    # Output width on the way up less that on the way down; None with fewer than three sweeps each
    # way
    hysteresis_us: float | None
    hysteresis_uncertainty_us: float  # Its standard uncertainty
    sweeps: tuple[int, int]  # Sweeps up and down


def find_memory(source: Train, output: Train, pairs: Pairs, curve: Curve) -> Memory:
    """Look at what the curve leaves of the output's width while the stick moves.

    It is regressed on the widths of three input pulses before and after
    (least squares), which tell smoothing, and on the direction alone, which
    tells hysteresis. Hysteresis is the difference of the means over whole sweeps
    up and down; its uncertainty is Welch's (JCGM 100, 5.1.2).
    """
    noise_us = max(source.noise_us, source.floor_us2**0.5)
    width_us, place = source.width_us, pairs.source
    left_us = output.width_us[pairs.output] - curve.of(width_us[place])
    step_us = np.diff(width_us, prepend=width_us[0])
    heading = np.sign(step_us) * (np.abs(step_us) > 4.0 * noise_us)
    onward = np.append(heading[1:], 0.0)
    direction = np.where(heading == onward, heading, 0.0)[place]
    whole = curve.at_full_slope(width_us[place], 5.0 * noise_us)
    inner = (place >= NEIGHBOURS) & (place < width_us.size - NEIGHBOURS)
    used = np.flatnonzero((direction != 0.0) & whole & inner)
    smoothed, centre = False, 0.0
    if used.size >= MIN_MOVING:
        smoothed, centre = _smoothing(width_us, place[used], left_us[used], direction[used], curve)
    difference_us, doubt_us, sweeps = _hysteresis(left_us, direction, used)
    return Memory(smoothed, centre, difference_us, doubt_us, sweeps)


def _smoothing(
    width_us: FloatArray, place: IntArray, left_us: FloatArray, direction: FloatArray, curve: Curve
) -> tuple[bool, float]:
    offsets = np.array([k for k in range(-NEIGHBOURS, NEIGHBOURS + 1) if k])
    around_us = width_us[place[:, None] + offsets] - width_us[place][:, None]
    total = float(np.sum(left_us**2))
    if not total:
        return False, 0.0
    parts = np.linalg.lstsq(around_us, left_us, rcond=None)[0]
    both = np.column_stack([around_us, direction])
    with_direction = np.linalg.lstsq(both, left_us, rcond=None)[0]
    by_neighbours = 1.0 - float(np.sum((left_us - around_us @ parts) ** 2)) / total
    by_both = 1.0 - float(np.sum((left_us - both @ with_direction) ** 2)) / total
    by_direction = float(np.dot(left_us, direction)) ** 2 / (direction.size * total)
    smoothed = by_neighbours > SHARE and by_both - by_direction > SHARE / 2.0
    centre = float(np.sum(offsets * parts)) / curve.gain.value
    return smoothed and abs(centre) < NEIGHBOURS, -centre


def _hysteresis(
    left_us: FloatArray, direction: FloatArray, used: IntArray
) -> tuple[float | None, float, tuple[int, int]]:
    """Compare the means of sweeps up and sweeps down."""
    if not used.size:
        return None, 0.0, (0, 0)
    way = direction[used]
    begin = np.flatnonzero((np.diff(used, prepend=-9) > 1) | (np.diff(way, prepend=0.0) != 0))
    count = np.diff(begin, append=used.size)
    mean_us = np.add.reduceat(left_us[used], begin) / count
    kept = count >= MIN_SWEEPS
    up_us, down_us = (mean_us[kept & (way[begin] == sign)] for sign in (1.0, -1.0))
    sweeps = (up_us.size, down_us.size)
    if min(sweeps) < MIN_SWEEPS:
        return None, 0.0, sweeps
    doubt_us = math.sqrt(
        float(np.var(up_us, ddof=1)) / up_us.size + float(np.var(down_us, ddof=1)) / down_us.size
    )
    return mean_of(up_us) - mean_of(down_us), doubt_us, sweeps


TRIMMED: Final = 3
MIN_IN_DWELL: Final = 6


@dataclass(frozen=True, slots=True)
class AddedJitter:
    """Jitter of the width while the stick stands still."""

    # Of the input and of the output, each apart from sampling; None where a line never stood still
    source: Separation | None
    output: Separation | None
    added_us: float | None  # What the output adds, RMS; None where it is not shown to add any
    # 95 % interval of that; its lower end is 0 where none is shown
    interval_us: tuple[float, float] | None


def measure_added_jitter(
    source: Train, output: Train, pairs: Pairs, dwells: tuple[Dwells, Dwells], gain: float
) -> AddedJitter:
    """Take the input's width jitter, times the gain, out of the output's, in quadrature.

    ``added^2 = output^2 - (gain input)^2``, both over the same pairs of pulses, in which
    both lines stood still; `TRIMMED` pairs at either end of each dwell are left out. The
    ends of the interval hold the output's lower end against the input's upper end, and the
    other way round, which covers at least 95 %.
    """
    first = ~pairs.again
    x, y = pairs.source[first], pairs.output[first]
    still = _dwell_of(source.rows[x], dwells[0]), _dwell_of(output.rows[y], dwells[1])
    change = (np.diff(still[0], prepend=-2) != 0) | (np.diff(still[1], prepend=-2) != 0)
    group = np.cumsum(change)
    count = np.bincount(group)[group]
    place = np.arange(group.size) - np.flatnonzero(change)[group - 1]
    inner = (place >= TRIMMED) & (place < count - TRIMMED)
    used = (still[0] >= 0) & (still[1] >= 0) & inner & (count - 2 * TRIMMED >= MIN_IN_DWELL)
    if not used.any():
        return AddedJitter(None, None, None, None)
    sizes = np.unique(group[used], return_counts=True)[1].astype(np.int64)
    given = separate(scatter_of(source.width_us[x[used]], sizes), source.interval_us)
    made = separate(scatter_of(output.width_us[y[used]], sizes), output.interval_us)
    if given is None or made is None:
        return AddedJitter(given, made, None, None)
    size = abs(gain)
    low_us = _left(made.interval_us[0], size * given.interval_us[1])
    high_us = _left(made.interval_us[1], size * given.interval_us[0])
    # The added jitter and the input's are independent, but not exactly so in n pulses.
    by_chance_us2 = NORMAL_95 * 2.0 * size * given.interval_us[1] * high_us
    by_chance_us2 /= math.sqrt(float(sizes.sum()))
    low_us = math.sqrt(max(low_us**2 - by_chance_us2, 0.0))
    high_us = math.sqrt(high_us**2 + by_chance_us2)
    added_us = None
    if low_us > 0.0 and made.jitter_rms_us is not None:
        added_us = _left(made.jitter_rms_us, size * (given.jitter_rms_us or 0.0))
    return AddedJitter(given, made, added_us, (low_us, high_us))


def _left(whole_us: float, part_us: float) -> float:
    return math.sqrt(max(whole_us**2 - part_us**2, 0.0))


def _dwell_of(rows: IntArray, dwells: Dwells) -> IntArray:
    """Say in which dwell each row of the pulse table is; -1 for none."""
    if not len(dwells):
        return np.full(rows.size, -1, np.int64)
    at = np.searchsorted(dwells.first, rows, side="right").astype(np.int64) - 1
    inside = (at >= 0) & (rows <= dwells.last[np.maximum(at, 0)])
    return np.where(inside, at, -1)


SAME_STEP: Final = 0.1


@dataclass(frozen=True, slots=True)
class Gain:
    """Microseconds of output for one of input, over the recorded pulses."""

    value: float  # Least-squares slope; of a curve with bends, the slope of its straight part
    # Standard uncertainty; that of the slope holds what sampling and pairs in doubt leave open,
    # that of a curve with bends also what its scatter does
    uncertainty: float
    interval: tuple[float, float]  # 95 % interval


@dataclass(frozen=True, slots=True)
class Transfer:
    """How an output's width comes of an input's."""

    curve: Curve  # Output width over input width
    gain: Gain  # Output for input, over the recorded pulses
    memory: Memory  # What it keeps of earlier widths
    reached_us: tuple[float, float]  # Smallest and largest input width seen
    near_neutral: int  # Output pulses whose input was within a twentieth of the span of its neutral
    # Step of the output's widths; None where none shows
    step_us: float | None
    step_uncertainty_us: float | None
    step_is_inputs: bool  # Whether that is the input's own step, times the gain
    step_reason: str  # Why no step shows, as a sentence; empty where one does
    # Standard uncertainty of the output width at the input's neutral, with the sampling floor
    offset_uncertainty_us: float


def measure_transfer(
    source: Train,
    output: Train,
    pairs: Pairs,
    records: tuple[Record, Record],
    latches: Latches | None = None,
) -> Transfer | None:
    """Measure the width transfer over pairs that the widths told."""
    record_in, record_out = records
    x_us, y_us = source.width_us[pairs.source], output.width_us[pairs.output]
    scale_us = math.sqrt(misfit_us2(x_us, y_us) + output.floor_us2)
    curve = fit_curve(x_us, y_us, source.neutral_us, scale_us)
    if curve is None:
        return None
    made, given = examine_resolution(record_out), examine_resolution(record_in)
    if made.step_us is not None:
        curve = _with_rounding(curve, made.step_us, x_us, len(record_in.dwells))
    same = False
    if made.step_us is not None and given.step_us is not None:
        same = abs(abs(curve.gain.value) * given.step_us / made.step_us - 1.0) < SAME_STEP
    near = np.abs(x_us - source.neutral_us) <= source.span_us / 20.0
    floor_us = sampling_floor_us(output.interval_us) or 0.0
    return Transfer(
        curve,
        _gain(source, output, pairs, curve, latches),
        find_memory(source, output, pairs, curve),
        (float(x_us.min()), float(x_us.max())),
        int(np.count_nonzero(near)),
        made.step_us,
        made.findings[0].uncertainty,
        same,
        made.findings[0].sentence if made.step_us is None else "",
        math.hypot(curve.centre_us.uncertainty, floor_us),
    )


def _gain(
    source: Train, output: Train, pairs: Pairs, curve: Curve, latches: Latches | None
) -> Gain:
    """Take the slope over all pulses where the curve is straight, else the curve's own."""
    bends = (curve.dead_us, curve.low_us, curve.high_us)
    if any(each is not None for each in bends):
        value, doubt = curve.gain.value, curve.gain.uncertainty
        half = NORMAL_95 * doubt
        return Gain(value, doubt, (value - half, value + half))
    x_us = source.width_us[pairs.source]
    value = slope_of(x_us, output.width_us[pairs.output])
    between_us = source.interval_us or 0.0, output.interval_us or 0.0
    doubt = slope_uncertainty(pairs.source, x_us, between_us, value)
    ways, weight = ((pairs,), np.ones(1)) if latches is None else (latches.pairs, latches.weight)
    slopes = [slope_of(source.width_us[way.source], output.width_us[way.output]) for way in ways]
    interval, doubt = slope_interval(np.array(slopes), weight, doubt)
    return Gain(value, doubt, interval)


def _with_rounding(curve: Curve, step_us: float, x_us: FloatArray, dwells: int) -> Curve:
    """Add to the curve's uncertainties what rounding to steps gives.

    Rounding is off by the same in every pulse of a dwell, so only dwells count as
    independent; each is off by a rectangular ``step / sqrt(12)`` (JCGM 100, 4.3.7), as is
    each end of a band.
    """
    off_us = step_us / math.sqrt(12.0)
    in_all_us = off_us / math.sqrt(max(dwells, 1))
    size = abs(curve.gain.value)
    return replace(
        curve,
        gain=_wider(curve.gain, in_all_us / max(float(np.std(x_us)), 1.0)),
        centre_us=_wider(curve.centre_us, in_all_us),
        dead_us=curve.dead_us and _wider(curve.dead_us, math.sqrt(2.0) * off_us / size),
        low_us=curve.low_us and _wider(curve.low_us, off_us),
        high_us=curve.high_us and _wider(curve.high_us, off_us),
    )


def _wider(parameter: Parameter, further: float) -> Parameter:
    return replace(parameter, uncertainty=math.hypot(parameter.uncertainty, further))
