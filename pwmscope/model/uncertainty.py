"""Where the uncertainty of a width or period comes from (JCGM 100)."""

from __future__ import annotations

import math
from typing import Final

COVERAGE: Final = 2.0
"""Coverage factor for about 95 % (JCGM 100, 6.3.3)."""

NORMAL_95: Final = 1.959964
"""Half-width of the central 95 % of a normal distribution, in standard deviations."""

_MAX_STEPS: Final = 50

CLOCK_TOLERANCE: Final = 100e-6
"""Largest relative error taken for an analyser's crystal (common practice, from memory)."""


def sampling_floor_us(sample_interval_us: float | None) -> float | None:
    """Return the standard uncertainty of an interval between two sampled edges.

    Each edge lies anywhere within one sample interval before the sample that
    shows it (rectangular, variance Ts^2/12; JCGM 100, 4.3.7). The difference of two
    such edges is triangular over plus or minus Ts, variance Ts^2/6 (4.3.9).

    Examples
    --------
    >>> round(sampling_floor_us(1.0), 4)
    0.4082
    """
    if sample_interval_us is None:
        return None
    return sample_interval_us / math.sqrt(6.0)


def of_mean_us(
    mean_us: float, std_us: float, count: int, sample_interval_us: float | None
) -> float | None:
    """Combine the standard uncertainty of a mean width or period.

    Three parts are added in quadrature (JCGM 100, 5.1.2): the scatter of the
    mean, ``s / sqrt(n)`` (4.2.3); the sampling floor, not divided by
    ``sqrt(n)`` since a receiver whose clock keeps step with the analyser's
    repeats the same error in every frame; and the analyser's clock, a
    rectangular distribution of half-width 100 ppm of the value (4.3.7).
    """
    floor_us = sampling_floor_us(sample_interval_us)
    if floor_us is None:
        return None
    clock_us = abs(mean_us) * CLOCK_TOLERANCE / math.sqrt(3.0)
    return math.hypot(std_us / math.sqrt(count), floor_us, clock_us)


def half_width(deviation: float, bound: float) -> float:
    """Return the half-width of the central 95 % of a normal plus a rectangular quantity.

    A coverage factor of 2 would reach beyond the bounds of what is rectangular alone: its
    central 95 % are 0.95 of its half-width (JCGM 100, 4.3.7 and G.2.2, clauses from
    memory). The distribution of the sum is the normal one averaged over the rectangle,
    ``F(x) = s (G((x + a)/s) - G((x - a)/s)) / (2 a)`` with ``G(z) = z Phi(z) + phi(z)``.

    Examples
    --------
    >>> round(half_width(1.0, 0.0), 4), round(half_width(0.0, 1.0), 4)
    (1.96, 0.95)
    >>> round(half_width(1.0, math.sqrt(3.0)), 3)
    2.712
    """
    if bound <= 1e-5 * deviation:
        return NORMAL_95 * deviation
    if deviation <= 1e-5 * bound:
        return 0.95 * bound
    # F is concave from here on, so that Newton's steps come up to its end from below.
    half = max(NORMAL_95 * deviation, 0.95 * bound)
    for _ in range(_MAX_STEPS):
        over, chance_over = _integral((half + bound) / deviation)
        under, chance_under = _integral((half - bound) / deviation)
        step = (2.0 * bound * 0.975 - deviation * (over - under)) / (chance_over - chance_under)
        half += step
        if step <= 1e-12 * half:
            break
    return half


def _integral(z: float) -> tuple[float, float]:
    """Integral of the normal distribution function up to z, and the function there."""
    below = 0.5 * math.erfc(-z / math.sqrt(2.0))
    return z * below + math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi), below
