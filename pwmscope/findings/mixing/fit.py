"""The matrix from sticks to outputs, with its uncertainty and the ends at which outputs clip."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.findings.mixing.lines import Samples
from pwmscope.model import FloatArray, sampling_floor_us

HUBER: Final = 1.345
"""Residuals beyond this many scales count in proportion to their size only (Huber; 95 %
efficiency for normal noise)."""
_MAD: Final = 0.6744897501960817
"""Median absolute deviation of the standard normal distribution."""
_MAX_TURNS: Final = 100
_CLUSTERS: Final = 32


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
    for _ in range(_MAX_TURNS):
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
    edges = np.linspace(0, count, min(_CLUSTERS, count // 4 + 1) + 1).astype(np.int64)[:-1]
    sums = np.add.reduceat(design * pull[:, None], edges, axis=0)
    clustered = inverse @ (sums.T @ sums) @ inverse * (edges.size / max(edges.size - 1, 1))
    larger: FloatArray = clustered if np.trace(clustered) > np.trace(alone) else alone
    return larger


MIN_SCALE_US: Final = 0.5
"""Residuals are not trusted to scatter less than a fine command step (common practice)."""
STEP_US: Final = 1.0
"""A mixer counts in whole microseconds and may round towards zero (common practice)."""
HANDS: Final = 0.04
"""Standard uncertainty, in parts of its travel, of where hands hold a stick (own estimate)."""
_WORTH: Final = 0.75
"""Clipping is taken where it leaves less than this part of the loss, ..."""
_MIN_FALL: Final = 15.0
"""... and lowers it by more than this, in units of the scale squared."""
_MIN: Final = 5
_AT_REST: Final = 0.3
"""An end nearer to rest than this part of the other is no end."""
_TURNS: Final = 60
_MEAN_SIZE: Final = math.sqrt(2.0 / math.pi)
"""Mean absolute value of normal noise, in standard deviations."""
_BLOCKS: Final = 24


@dataclass(frozen=True, slots=True)
class OutputFit:
    """One output: clip(terms . sticks + offset)."""

    # shape (k + 1,): Microseconds for each stick's half travel, then the width with all sticks at
    # rest
    terms_us: FloatArray
    covariance: FloatArray  # shape (k + 1, k + 1): Of those, in microseconds squared
    # Where the output clips; None where the recording shows no clipping there
    low_us: float | None
    high_us: float | None
    clipped: int  # Samples at those ends whose sticks ask for more
    scale_us: float  # Robust scatter of the rest
    residual_us: FloatArray  # shape (n,): Measured less fitted


@dataclass(frozen=True, slots=True)
class MixFit:
    """All outputs."""

    samples: Samples  # What was fitted
    outputs: tuple[OutputFit, ...]  # In the samples' order

    @property
    def matrix_us(self) -> FloatArray:
        """Microseconds of each output for each stick's half travel; shape (m, k)."""
        return np.array([output.terms_us[:-1] for output in self.outputs])

    @property
    def matrix(self) -> FloatArray:
        """The same in half travels of each output; shape (m, k)."""
        return self.matrix_us / self.samples.half_us[:, None]

    @property
    def uncertainty(self) -> FloatArray:
        """Standard uncertainty of `matrix`; shape (m, k)."""
        spread_us = np.array([np.sqrt(np.diag(o.covariance))[:-1] for o in self.outputs])
        return spread_us / self.samples.half_us[:, None]

    @property
    def offset_us(self) -> FloatArray:
        """Width of each output with all sticks at rest; shape (m,)."""
        return np.array([output.terms_us[-1] for output in self.outputs])

    def position(self, stick: FloatArray) -> FloatArray:
        """Predict outputs, clipped where clipping is shown."""
        travels = [output.travel for output in self.samples.outputs]
        columns = [
            (_clip(stick @ o.terms_us[:-1] + o.terms_us[-1], o) - t.neutral_us) / t.half_us
            for o, t in zip(self.outputs, travels, strict=True)
        ]
        return np.stack(columns, axis=1)

    @property
    def unexplained(self) -> float:
        """Largest part of an output's movement that the fit leaves; 0 where none moves.

        Noise is not counted: it shows from frame to frame.
        """
        worst = 0.0
        for at, output in enumerate(self.outputs):
            width_us = self.samples.width_us[:, at]
            noise_us = _MEAN_SIZE * _noise_us(width_us)
            moved_us = float(np.mean(np.abs(width_us - np.median(width_us)))) - noise_us
            left_us = float(np.mean(np.abs(output.residual_us))) - noise_us
            if moved_us > noise_us or moved_us > 0.02 * self.samples.half_us[at]:
                worst = max(worst, left_us / moved_us)
        return worst


def _noise_us(width_us: FloatArray) -> float:
    """Tell noise from movement: a steady sweep has no second difference, noise sqrt(6) times."""
    return scale_of(np.diff(width_us, 2), 0.0) / math.sqrt(6.0)


def _clip(width_us: FloatArray, output: OutputFit) -> FloatArray:
    low_us = -np.inf if output.low_us is None else output.low_us
    high_us = np.inf if output.high_us is None else output.high_us
    return np.clip(width_us, low_us, high_us)


@dataclass(frozen=True, slots=True)
class _Ends:
    """The levels at which an output's outermost samples lie, and how far those scatter."""

    low_us: float
    high_us: float
    margin_us: float


def fit_mix(samples: Samples) -> MixFit:
    """Fit every output to the sticks."""
    floor_us = sampling_floor_us(samples.interval_us) or 0.0
    design = np.column_stack([samples.stick, np.ones(len(samples.stick))])
    hands = HANDS if samples.source == "plan" else 0.0
    outputs = [
        fit_output(design, samples.width_us[:, at], floor_us, hands)
        for at in range(len(samples.outputs))
    ]
    return MixFit(samples, tuple(_with_doubt(samples, at, fit) for at, fit in enumerate(outputs)))


def _with_doubt(samples: Samples, at: int, fit: OutputFit) -> OutputFit:
    """Add the doubt about where the sticks were: their delay, or the hands that follow a plan."""
    doubt_us = samples.delay_doubt_us[at]
    if samples.source == "plan":
        begins = np.any(np.diff(samples.stick, axis=0, prepend=np.nan) != 0.0, axis=1)
        lever = np.sqrt(np.sum(samples.stick[begins] ** 2, axis=0))
        reach_us = float(np.linalg.norm(fit.terms_us[:-1]))
        doubt_us = np.hypot(doubt_us, HANDS * reach_us / np.maximum(lever, 1e-9))
    added = np.diag(np.append(doubt_us**2, 0.0))
    return replace(fit, covariance=fit.covariance + added)


def fit_output(
    design: FloatArray, width_us: FloatArray, floor_us: float, hands: float = 0.0
) -> OutputFit:
    """Fit one output, with clipping where the recording shows it.

    Samples at an end whose sticks ask for more say only that: their residual
    is zero (censored regression, as Tobin's of 1958; from memory). Clipping is
    taken only if it explains clearly more than a straight line does.
    """
    least_us = max(MIN_SCALE_US, floor_us)
    straight = fit_robustly(design, width_us, least_us)
    if hands:
        least_us = max(least_us, hands * float(np.linalg.norm(straight.terms[:-1])))
        straight = fit_robustly(design, width_us, least_us)
    ends = _ends(width_us, float(straight.terms[-1]), least_us)
    if np.count_nonzero(np.abs(straight.residual) > ends.margin_us) < _MIN:
        return _output(design, straight, floor_us)
    bent = _fit_clipped(design, width_us, ends, straight, least_us)
    scale_us = min(straight.scale, bent.scale)
    before, after = loss(straight.residual, scale_us), loss(bent.residual, scale_us)
    asked_us = design @ bent.terms
    over = (asked_us > ends.high_us + ends.margin_us) & (width_us > ends.high_us - ends.margin_us)
    under = (asked_us < ends.low_us - ends.margin_us) & (width_us < ends.low_us + ends.margin_us)
    clipped = int(np.count_nonzero(over | under))
    if clipped < _MIN or after > _WORTH * before or before - after < _MIN_FALL:
        return _output(design, straight, floor_us)
    low_us = ends.low_us if np.any(under) else None
    high_us = ends.high_us if np.any(over) else None
    return replace(_output(design, bent, floor_us), low_us=low_us, high_us=high_us, clipped=clipped)


def _ends(width_us: FloatArray, rest_us: float, least_us: float) -> _Ends:
    """Find both ends; one that lies at rest is none, but a deadband or a stick not moved there."""
    noise_us = max(_noise_us(width_us), least_us)
    margin_us = 4.0 * noise_us
    low_us, high_us = np.quantile(width_us, (0.002, 0.998))
    low_us = float(np.median(width_us[width_us <= low_us + margin_us]))
    high_us = float(np.median(width_us[width_us >= high_us - margin_us]))
    near_us = _AT_REST * max(high_us - rest_us, rest_us - low_us)
    return _Ends(
        low_us if rest_us - low_us > near_us else -math.inf,
        high_us if high_us - rest_us > near_us else math.inf,
        margin_us,
    )


def _fit_clipped(
    design: FloatArray, width_us: FloatArray, ends: _Ends, start: Regression, least_us: float
) -> Regression:
    at_high = width_us > ends.high_us - ends.margin_us
    at_low = width_us < ends.low_us + ends.margin_us
    free = ~(at_high | at_low)
    terms, scale, active = start.terms, start.scale, free
    if np.linalg.matrix_rank(design[free], tol=1e-3 * np.sqrt(len(design))) == design.shape[1]:
        terms = fit_robustly(design[free], width_us[free], least_us).terms
    for _ in range(_TURNS):
        asked_us = design @ terms
        active = ~((at_high & (asked_us >= ends.high_us)) | (at_low & (asked_us <= ends.low_us)))
        if np.count_nonzero(active) <= design.shape[1]:
            return start
        residual_us = width_us[active] - asked_us[active]
        scale = scale_of(residual_us, least_us)
        before = terms
        terms = solve(design[active], width_us[active], weights(residual_us, scale))
        if np.max(np.abs(terms - before)) < 1e-6:
            break
    residual_us = np.where(active, width_us - design @ terms, 0.0)
    covariance = covariance_of(design[active], residual_us[active], scale)
    return Regression(terms, covariance, scale, residual_us)


def _output(design: FloatArray, fitted: Regression, floor_us: float) -> OutputFit:
    """Add to the doubt what scatter does not show.

    That is the sampling floor, the mixer's rounding (rectangular, JCGM 100, 4.3.7) and what
    the model leaves over stretches of the recording.
    """
    edges = np.linspace(0, len(design), min(_BLOCKS, len(design)) + 1).astype(np.int64)[:-1]
    lengths = np.diff(np.append(edges, len(design)))
    means_us = np.add.reduceat(fitted.residual, edges) / lengths
    left_us = float(np.sqrt(np.mean(means_us**2)))
    reach = np.maximum(np.max(np.abs(design), axis=0), 1e-9)
    doubt_us = math.hypot(left_us, math.sqrt(2.0) * floor_us, STEP_US / math.sqrt(3.0)) / reach
    covariance = fitted.covariance + np.diag(doubt_us**2)
    return OutputFit(fitted.terms, covariance, None, None, 0, fitted.scale, fitted.residual)
