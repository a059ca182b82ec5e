"""Linear regression that a few wrong samples do not bend."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.model import FloatArray

HUBER: Final = 1.345
"""Residuals beyond this many scales count in proportion to their size only (Huber; 95 %
efficiency for normal noise)."""
_MAD: Final = 0.6744897501960817
"""Median absolute deviation of the standard normal distribution."""
_TURNS: Final = 100
_BLOCKS: Final = 32


@dataclass(frozen=True, slots=True)
class Regression:
    """One output as a linear function of the sticks."""

    terms: FloatArray  # shape (p,): The coefficients
    # shape (p, p): Their covariance (standard uncertainties squared on the diagonal)
    covariance: FloatArray
    scale: float  # Robust standard deviation of the residuals
    residual: FloatArray  # shape (n,): Measured less fitted


def fit_robustly(design: FloatArray, measured: FloatArray, least_scale: float = 0.0) -> Regression:
    """Fit by iteratively reweighted least squares with Huber's weights.

    The scale is the median absolute deviation from zero, renewed at each turn
    (Huber, "Robust Statistics", 1981, 7.8; from memory).

    Examples
    --------
    >>> x = np.arange(20.0)
    >>> y = 3.0 * x + 1.0
    >>> y[7] = 500.0
    >>> fit = fit_robustly(np.stack([x, np.ones(20)], axis=1), y, 1e-6)
    >>> fit.terms.round(6).tolist()
    [3.0, 1.0]
    """
    terms = solve(design, measured, np.ones(measured.size))
    residual = measured - design @ terms
    scale = scale_of(residual, least_scale)
    for _ in range(_TURNS):
        if scale == 0.0:
            break
        before = terms
        terms = solve(design, measured, weights(residual, scale))
        residual = measured - design @ terms
        scale = scale_of(residual, least_scale)
        if np.max(np.abs(terms - before)) <= 1e-9 * max(1.0, float(np.max(np.abs(terms)))):
            break
    return Regression(terms, covariance_of(design, residual, scale), scale, residual)


def solve(design: FloatArray, measured: FloatArray, weight: FloatArray) -> FloatArray:
    """Solve weighted least squares by its normal equations, about the mean; shape (p,).

    Columns are of one size and few, so squaring their condition costs no digit that counts.
    """
    weighted = design * weight[:, None]
    middle = float(np.mean(measured))
    first = _normal(weighted, design, measured - middle)
    left = measured - middle - design @ first
    shift = _normal(weighted, design, left + middle)
    return first + shift


def _normal(weighted: FloatArray, design: FloatArray, measured: FloatArray) -> FloatArray:
    terms = np.linalg.lstsq(weighted.T @ design, weighted.T @ measured, rcond=None)[0]
    return np.asarray(terms, dtype=np.float64)


def weights(residual: FloatArray, scale: float) -> FloatArray:
    """Return Huber's weights; shape (n,)."""
    far = np.abs(residual) / scale
    weight: FloatArray = HUBER / np.maximum(far, HUBER)
    return weight


def scale_of(residual: FloatArray, least_scale: float) -> float:
    """Return the median absolute residual as a standard deviation."""
    return max(float(np.median(np.abs(residual))) / _MAD, least_scale)


def loss(residual: FloatArray, scale: float) -> float:
    """Return the sum of Huber's loss, in units of the scale squared.

    Examples
    --------
    >>> loss(np.array([1.0, -1.0]), 1.0)
    1.0
    """
    far = np.abs(residual) / scale
    return float(np.sum(np.where(far > HUBER, HUBER * far - HUBER**2 / 2.0, far**2 / 2.0)))


def covariance_of(design: FloatArray, residual: FloatArray, scale: float) -> FloatArray:
    """Return the covariance of the terms, from the scatter of stretches of the recording.

    Neighbouring residuals are seldom independent (a deadband, a lag, steps of
    the mixer), so the sums of 32 stretches are taken instead of single samples:
    A^-1 (sum g g^T) A^-1 with g the summed gradient of a stretch and A the weighted
    squares of the design (White's sandwich with clusters; from memory). The larger of it and of the
    covariance for independent residuals is kept.
    """
    count, terms = design.shape
    if scale == 0.0 or count <= terms:
        return np.zeros((terms, terms))
    weight = weights(residual, scale)
    pull = weight * residual
    inverse = np.linalg.pinv((design * weight[:, None]).T @ design)
    variance = float(np.sum(pull**2)) / (count - terms) / float(np.mean(weight)) ** 2
    alone = variance * np.linalg.pinv(design.T @ design)
    edges = np.linspace(0, count, min(_BLOCKS, count // 4 + 1) + 1).astype(np.int64)[:-1]
    sums = np.add.reduceat(design * pull[:, None], edges, axis=0)
    clustered = inverse @ (sums.T @ sums) @ inverse * (edges.size / max(edges.size - 1, 1))
    larger: FloatArray = clustered if np.trace(clustered) > np.trace(alone) else alone
    return larger
