"""The transfer from input width to output width."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.findings.lag.curve import Curve, Parameter, fit_curve
from pwmscope.findings.lag.latch import Latches
from pwmscope.findings.lag.memory import Memory, find_memory
from pwmscope.findings.lag.pairs import Pairs
from pwmscope.findings.lag.sampling import slope_interval, slope_of, slope_uncertainty
from pwmscope.findings.lag.train import Train
from pwmscope.findings.lag.trial import misfit_us2
from pwmscope.findings.segmentation import Record
from pwmscope.findings.travel import examine_resolution
from pwmscope.model import NORMAL_95, FloatArray, sampling_floor_us

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
    step_said: str  # Why no step shows, as a sentence; empty where one does
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
        made.uncertainty_us,
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
