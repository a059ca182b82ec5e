"""Whether the pulses of two lines keep step or drift apart."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from pwmscope.model import CLOCK_TOLERANCE, FloatArray, sampling_floor_us

MIN_FRAMES: Final = 8
"""Frames with a pulse on both lines that are needed to tell."""
STEP_PPM: Final = 2.0
"""A drift shown to be smaller than this is a common clock's, if it is none at all ..."""
SURE_STEP_PPM: Final = 0.5
"""... and one shown to be smaller than this, whether it is or not."""
MIN_DRIFT_PPM: Final = 0.02
"""A steady drift larger than this is that of two clocks."""
_STRETCHES: Final = 32
_RANGE: Final = (0.5, 99.5)
"""Percentiles between which 99 % of the frames lie."""


class Step(StrEnum):
    """How the frames of two lines stand to each other."""

    KEEPS = "keeps step"
    DRIFTS = "drifts"
    NOT_SHOWN = "not shown"


@dataclass(frozen=True, slots=True)
class Tie:
    """How two lines stand to each other."""

    # The lines
    first: str
    second: str
    step: Step  # Whether the second keeps step with the first
    # How fast the second falls behind the first (a part in a million is a microsecond a second);
    # None where no drift could be measured
    drift_us_per_s: float | None
    uncertainty_us_per_s: float | None  # Its standard uncertainty
    # Range, in 99 % of the frames and at least one sample interval, of the steadiest of three
    # distances: start to start, end of the first to start of the second, end of the second to start
    # of the first
    spread_us: float | None
    over_s: float  # From the first to the last frame that was compared
    chance: float | None  # Chance of two unrelated crystals to drift as little as this
    reason: str  # Why it is not shown; otherwise empty


@dataclass(frozen=True, slots=True)
class Starts:
    """When the pulses of one line start, in some frames of a reference line."""

    line: str  # The line's name
    # shape (n,): Start after the reference's pulse; NaN where the frame has none
    start_us: FloatArray
    width_us: FloatArray  # shape (n,): The pulse's width; NaN likewise


def tie(frame_s: FloatArray, first: Starts, second: Starts, interval_us: float | None) -> Tie:
    """Say whether two lines keep step.

    Of three distances, start to start and the end of either to the start of
    the other, a common clock keeps one steady, if nothing that is not recorded
    lies between the two pulses. The steadiest is taken. A straight line through
    the medians of up to 32 stretches of the recording gives the drift.
    """
    both = np.flatnonzero(np.isfinite(first.start_us) & np.isfinite(second.start_us))
    if both.size < MIN_FRAMES:
        return untold(
            first.line, second.line, f"only {both.size} frames have a pulse on both lines"
        )
    begin_us = second.start_us[both] - first.start_us[both]
    distances_us = np.stack(
        [begin_us, begin_us - first.width_us[both], begin_us + second.width_us[both]]
    )
    low_us, high_us = np.percentile(distances_us, _RANGE, axis=1)
    best = int(np.argmin(high_us - low_us))
    frame_s = frame_s[both]
    drift, doubt, linear = _drift(frame_s, distances_us[best], interval_us)
    step, bound = _judge(drift, doubt, linear)
    spread_us = max(float((high_us - low_us)[best]), interval_us or 0.0)
    return Tie(
        first.line,
        second.line,
        step,
        drift,
        doubt,
        spread_us,
        float(frame_s[-1] - frame_s[0]),
        chance_of(bound) if step is Step.KEEPS else None,
        _reason(spread_us, bound) if step is Step.NOT_SHOWN else "",
    )


def untold(first: str, second: str, reason: str) -> Tie:
    """Make the tie of two lines of which nothing can be told, with the reason."""
    return Tie(first, second, Step.NOT_SHOWN, None, None, None, 0.0, None, reason)


def chance_of(bound_ppm: float) -> float:
    """Return the chance of two unrelated crystals to differ by no more than a bound.

    Each is off by anything within 100 ppm (common practice, from memory). The
    difference of two such is triangular over twice that (JCGM 100, 4.3.9), so a bound b
    is kept with the chance 1 - (1 - b / 200 ppm)^2.

    Examples
    --------
    >>> round(chance_of(0.5), 5), chance_of(1000.0)
    (0.00499, 1.0)
    """
    widest_ppm = 2e6 * CLOCK_TOLERANCE
    return 1.0 - (1.0 - min(bound_ppm / widest_ppm, 1.0)) ** 2


def _drift(
    frame_s: FloatArray, distance_us: FloatArray, interval_us: float | None
) -> tuple[float, float, float]:
    """Return the drift, its uncertainty, and how much of the variance it explains."""
    stretches = frame_s.size if frame_s.size < 2 * _STRETCHES else _STRETCHES
    length = frame_s.size // stretches
    kept = length * stretches
    time_s = np.mean(frame_s[:kept].reshape(stretches, length), axis=1)
    median_us = np.median(distance_us[:kept].reshape(stretches, length), axis=1)
    time_s -= time_s.mean()
    median_us -= median_us.mean()
    lever = float(np.sum(time_s**2))
    drift = float(np.sum(time_s * median_us)) / lever
    left_us = median_us - drift * time_s
    total = float(np.sum(median_us**2))
    linear = 0.0 if total == 0.0 else 1.0 - float(np.sum(left_us**2)) / total
    scatter = float(np.sum(left_us**2)) / (stretches - 2) / lever
    # Two sampled edges at each end of the record bound what a slope can show.
    floor = math.sqrt(2.0) * (sampling_floor_us(interval_us) or 0.0)
    return drift, math.hypot(math.sqrt(scatter), floor / float(frame_s[-1] - frame_s[0])), linear


def _judge(drift: float, doubt: float, linear: float) -> tuple[Step, float]:
    """Tell a common clock from two; also give what the drift is surely below, in ppm."""
    bound = abs(drift) + 2.0 * doubt
    if abs(drift) > max(10.0 * doubt, MIN_DRIFT_PPM) and linear > 0.95:
        return Step.DRIFTS, bound
    if bound < SURE_STEP_PPM or (bound < STEP_PPM and abs(drift) <= 4.0 * doubt):
        return Step.KEEPS, bound
    return Step.NOT_SHOWN, bound


def _reason(spread_us: float, bound_ppm: float) -> str:
    return (
        f"the distance of their pulses varies over {spread_us:.3g} us, and a drift of up to "
        f"{bound_ppm:.3g} us a second cannot be ruled out; record for longer"
    )
