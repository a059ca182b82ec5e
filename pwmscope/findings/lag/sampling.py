"""What sampling, and pairs in doubt, leave open of a recording's median delay and gain.

Both figures are those of the recorded pulses: the scatter of the device's own process is part of
what they describe, so it is no part of their uncertainty.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from pwmscope.model import CLOCK_TOLERANCE, NORMAL_95, FloatArray, IntArray, half_width

CROSSING: Final = 7.0 / 30.0
"""Half the mean difference of two triangular errors over plus or minus one sample."""
PARTS: Final = 201


def median_errors_us(late_us: FloatArray, interval_us: float) -> tuple[float, float]:
    """Say how far sampling may move the median of delays.

    Each delay is off by the difference of two sampling errors, triangular over plus or minus
    one sample interval (JCGM 100, 4.3.9). A median among delays that lie far apart is one of
    them and has its error. Among many within a sample interval it is a whole number of
    intervals: off by a rectangular half interval (4.3.7), and by what the number of
    delays that cross it varies by, ``sqrt(7/30 m) / m`` intervals for ``m`` delays to an
    interval. Delays that are all alike do not show that their edges fall anywhere in an
    interval: those count as one.

    Examples
    --------
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
    parts = (np.arange(PARTS) + 0.5) / PARTS
    errors_us = _quantiles(normal_us, wide_us, parts)
    points_us = (medians_us[:, None] + errors_us).ravel()
    low_us, high_us = _shortest(points_us, np.repeat(weight / PARTS, PARTS))
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

    Examples
    --------
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
    parts = (np.arange(PARTS) + 0.5) / PARTS
    errors = _quantiles(uncertainty, 0.0, parts)
    points = (slopes[:, None] + errors).ravel()
    return _shortest(points, np.repeat(weight / PARTS, PARTS)), math.hypot(uncertainty, doubt)


def _quantiles(normal_us: float, rectangle_us: float, parts: FloatArray) -> FloatArray:
    """Quantiles of a Gaussian plus a rectangular error, by adding up both on a grid."""
    from scipy.special import ndtri  # noqa: PLC0415 - slow to import

    normal = normal_us * np.asarray(ndtri(parts), np.float64)
    if not rectangle_us:
        return normal
    sums = (normal[:, None] + rectangle_us * (2.0 * parts - 1.0)).ravel()
    quantiles: FloatArray = np.quantile(sums, parts)
    return quantiles


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
