"""How a channel's pulse widths scatter about a level that stands still."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.model.median import FROM_MAD
from pwmscope.model.uncertainty import sampling_floor_us

RANGE_LIMIT: Final = 8.0
"""A window whose range exceeds this many noise deviations is not standing still:
a Gaussian window of 20 does so some three times in a million (each of 190 differences
has deviation sqrt(2) s, and 8 s is 5.7 of those)."""
LEAST: Final = 5e-5
"""Least noise assumed, as a part of the convention's span."""
CALM: Final = 0.015
"""Widths that range over no more than this part of the span may be noise alone."""
_GROWTH_DOUBT: Final = 2.5
"""Relative deviation of the growth found, times the root of the number of pulses it is found
from (Monte Carlo); it is taken to be smaller by one deviation."""
_RUN: Final = 32
_MAX: Final = 8
_MAX_RUNS: Final = 4096
_MIN_RUNS: Final = 8


@dataclass(frozen=True, slots=True)
class WidthNoise:
    """The noise of single widths and of the means of many."""

    spread_us: float  # Standard deviation of a single width about its level
    # Standard deviation of the mean of 8 widths, times `sqrt(8)`: the spread where neighbours have
    # nothing to do with each other, more where they do
    of_eight_us: float
    # Factor by which that figure grows as the widths averaged are doubled; 1 for noise without
    # memory
    growth: float
    interval_us: float  # Sample interval; 0 where it is not known

    @property
    def range_limit_us(self) -> float:
        """Most that widths of one level range over, in a window, in microseconds."""
        return RANGE_LIMIT * self.spread_us + self.interval_us

    def lasting_us(self, pulses: int) -> float:
        """Return the deviation of a mean of so many widths, times their number's root.

        The square is the long-run variance; between neighbours that are alike the
        means scatter more than ``spread_us / sqrt(pulses)``. Above 8 widths the
        growth is taken to go on twice more, then to be spent, which covers
        first-order autocorrelation up to 0.9 (Monte Carlo).

        Examples
        --------
        >>> WidthNoise(0.5, 0.6, 1.2, 0.0).lasting_us(64)
        0.864
        """
        doublings = min(max(math.log2(max(pulses, 1) / _MAX), 0.0), 2.0)
        return max(self.spread_us, self.of_eight_us * float(self.growth**doublings))


def find_noise(
    width_us: npt.NDArray[np.float64], interval_us: float | None, span_us: float
) -> WidthNoise:
    """Find the noise of widths whose level steps and sweeps now and then.

    Second differences leave a steady sweep at zero; the robust deviation is the
    median absolute value times 1.4826, a Gaussian's, over ``sqrt(6)``. That is
    the noise between neighbours. Runs of 32 widths that range over no more than
    8 such deviations, or 15 us of 1000, tell about longer times: their scatter
    about their own lines, and the second differences of their means of 4 and 8
    widths (a Hadamard deviation, IEEE Std 1139, from memory). At most 4096 runs, evenly
    spaced, are looked at.
    """
    least_us = max(sampling_floor_us(interval_us) or 0.0, LEAST * span_us)
    runs = min(max(2 * (width_us.size // _RUN) - 1, 0), _MAX_RUNS)
    first = np.linspace(0, max(width_us.size - _RUN, 0), runs).astype(np.int64)
    sample = width_us[first[:, None] + np.arange(_RUN)]
    near_us = max(_hadamard_us(sample if runs == _MAX_RUNS else width_us[None, :], 1), least_us)
    calm_us = max(RANGE_LIMIT * near_us, CALM * span_us) + (interval_us or 0.0)
    calm = sample[np.ptp(sample, axis=1) <= calm_us] if runs else sample
    if len(calm) < _MIN_RUNS:
        return WidthNoise(near_us, near_us, 1.0, interval_us or 0.0)
    lever = np.arange(_RUN) - (_RUN - 1) / 2
    level = calm - calm.mean(axis=1, keepdims=True)
    line = (level @ lever / (lever @ lever))[:, None] * lever
    about_us = np.sqrt(np.sum((level - line) ** 2, axis=1) / (_RUN - 2))
    spread_us = max(float(np.median(about_us)), near_us)
    four_us, eight_us = (max(_hadamard_us(calm, n), least_us) for n in (4, _MAX))
    pulses = len(calm) / runs * min(width_us.size, runs * _RUN)
    growth = eight_us / four_us / (1.0 + _GROWTH_DOUBT / math.sqrt(pulses))
    return WidthNoise(spread_us, eight_us, max(1.0, growth), interval_us or 0.0)


def _hadamard_us(runs_us: npt.NDArray[np.float64], pulses: int) -> float:
    """Robust deviation of means of so many widths from second differences, times the root."""
    kept = runs_us.shape[1] - 3 * pulses + 1
    if kept < 1:
        return 0.0
    total = np.cumsum(np.pad(runs_us - runs_us[:, :1], ((0, 0), (1, 0))), axis=1)
    one, two, three, four = (total[:, n * pulses : n * pulses + kept] for n in range(4))
    bends = np.abs(four - one + 3.0 * (two - three))
    return FROM_MAD * float(np.median(bends)) / math.sqrt(6.0 * pulses)
