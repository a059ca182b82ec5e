"""The curve from input width to output width: straight, dead in the middle, clipped at its ends."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.model import BoolArray, FloatArray

PLAIN: Final = 20.0
"""What a further feature of the curve must gain in the Bayesian information criterion."""
MIN_BEND: Final = 1.0
MAX_POINTS: Final = 4000


@dataclass(frozen=True, slots=True)
class Parameter:
    """One figure of the curve with its standard uncertainty, in microseconds or of unit one."""

    value: float
    uncertainty: float


@dataclass(frozen=True, slots=True)
class Curve:
    """Output width as a function of input width.

    ``clip(centre_us + gain * dead(x - neutral_us), low_us, high_us)``, where ``dead``
    takes away up to half a deadband about the middle of the band.
    """

    gain: Parameter  # Microseconds of output for one of input; negative for a reversed output
    centre_us: Parameter  # Output width at the input's neutral, as the straight line gives it
    neutral_us: float  # The input's neutral
    # Whole width of the deadband, in input widths; None where there is none
    dead_us: Parameter | None
    dead_at_us: float | None  # Input width at the deadband's middle
    # Output widths at which it is clipped; None where it is not
    low_us: Parameter | None
    high_us: Parameter | None
    rms_us: float  # What is left of the output's width

    def of(self, width_us: FloatArray) -> FloatArray:
        """Return the output widths for input widths; both shape (n,)."""
        shape = _Shape(self.neutral_us, self.dead_us is not None, self.low_us is not None,
                       self.high_us is not None)  # fmt: skip
        values = [self.gain.value, self.centre_us.value]
        if self.dead_us is not None and self.dead_at_us is not None:
            values += [self.dead_us.value / 2.0, self.dead_at_us]
        values += [each.value for each in (self.low_us, self.high_us) if each is not None]
        return shape.of(np.array(values), width_us)

    def at_full_slope(self, width_us: FloatArray, margin_us: float) -> BoolArray:
        """Say for which input widths the curve is neither clipped nor dead, nor nearly so."""
        made_us = self.of(width_us)
        slope = (self.of(width_us + margin_us) - self.of(width_us - margin_us)) / (2.0 * margin_us)
        whole: BoolArray = np.isfinite(made_us) & (
            np.abs(slope - self.gain.value) <= 1e-6 * abs(self.gain.value)
        )
        return whole


@dataclass(frozen=True, slots=True)
class _Shape:
    """Which features a curve has, and so what its parameters mean."""

    neutral_us: float
    dead: bool = False
    low: bool = False
    high: bool = False

    @property
    def count(self) -> int:
        return 2 + 2 * self.dead + self.low + self.high

    def of(self, values: FloatArray, x_us: FloatArray) -> FloatArray:
        gain, centre_us = values[:2]
        at = 2
        off_us = x_us - self.neutral_us
        if self.dead:
            half_us, middle_us = abs(values[2]), values[3] - self.neutral_us
            from_us = off_us - middle_us
            off_us = middle_us + np.sign(from_us) * np.maximum(np.abs(from_us) - half_us, 0.0)
            at = 4
        y_us: FloatArray = centre_us + gain * off_us
        if self.low:
            y_us = np.maximum(y_us, values[at])
            at += 1
        return np.minimum(y_us, values[at]) if self.high else y_us


@dataclass(frozen=True, slots=True)
class _Fit:
    shape: _Shape
    values: FloatArray
    covariance: FloatArray
    residual_us: FloatArray
    repeats: float
    cost: float

    def values_for(self, shape: _Shape) -> FloatArray:
        """Return its values without those of a feature that another shape lacks."""
        own = self.shape
        kept = [True, True, *[shape.dead] * (2 * own.dead), *[shape.low] * own.low]
        values: FloatArray = self.values[np.array([*kept, *[shape.high] * own.high])]
        return values


def fit_curve(
    x_us: FloatArray, y_us: FloatArray, neutral_us: float, scale_us: float
) -> Curve | None:
    """Fit the curve, with only those features that the widths plainly show.

    All of them come first; then the feature (lower clip, upper clip, deadband) that
    gains least in the Bayesian information criterion is left out, as long as one
    gains less than 20. Fits are least squares with the loss ``2 (sqrt(1 + z) - 1)`` of
    squared residuals, so that strays count little. Uncertainties are from the
    Jacobian, times what neighbouring residuals repeat.

    Examples
    --------
    >>> x_us = np.linspace(1000.0, 2000.0, 400)
    >>> y_us = np.minimum(1520.0 - 1.2 * (x_us - 1500.0), 1900.0)
    >>> curve = fit_curve(x_us, y_us, 1500.0, 0.5)
    >>> round(curve.gain.value, 3), round(curve.centre_us.value, 1), round(curve.high_us.value, 1)
    (-1.2, 1520.0, 1900.0)
    >>> curve.low_us is None, curve.dead_us is None
    (True, True)
    """
    if np.unique(np.rint(x_us)).size < 3:
        return None
    if x_us.size > MAX_POINTS:
        kept = np.linspace(0, x_us.size - 1, MAX_POINTS).astype(np.int64)
        x_us, y_us = x_us[kept], y_us[kept]
    whole = _Shape(neutral_us, dead=True, low=True, high=True)
    best = _fit(whole, _starts(x_us, y_us, neutral_us), x_us, y_us, scale_us)
    while poorer := [
        _fit(shape, [best.values_for(shape)], x_us, y_us, scale_us) for shape in _poorer(best.shape)
    ]:
        gains = [_gain(fit, best, x_us) for fit in poorer]
        if min(gains) >= PLAIN:
            break
        best = poorer[int(np.argmin(gains))]
    return _curve(best, neutral_us)


def _poorer(shape: _Shape) -> list[_Shape]:
    """Leave out each feature in turn."""
    without = {"dead": False}, {"low": False}, {"high": False}
    return [replace(shape, **each) for each in without if replace(shape, **each) != shape]


def _gain(plain: _Fit, richer: _Fit, x_us: FloatArray) -> float:
    """Say what a feature gains in the Bayesian information criterion; repeats count once.

    One that bends the curve by less than the deviation of what is left gains nothing.
    """
    bends_us = np.abs(richer.shape.of(richer.values, x_us) - plain.shape.of(plain.values, x_us))
    if float(bends_us.max()) < MIN_BEND * float(np.sqrt(np.mean(richer.residual_us**2))):
        return 0.0
    independent = x_us.size / max(3.0, richer.repeats)
    further = richer.shape.count - plain.shape.count
    return independent * math.log(plain.cost / richer.cost) - further * math.log(x_us.size)


def _fit(
    shape: _Shape, starts: list[FloatArray], x_us: FloatArray, y_us: FloatArray, scale_us: float
) -> _Fit:
    fits = [_solve(shape, start, x_us, y_us, scale_us) for start in starts]
    return min(fits, key=lambda fit: fit.cost)


def _solve(
    shape: _Shape, start: FloatArray, x_us: FloatArray, y_us: FloatArray, scale_us: float
) -> _Fit:
    from scipy.optimize import least_squares  # noqa: PLC0415 - slow to import

    scale_us = max(scale_us, 1e-3)
    size = np.maximum(np.abs(start), 1e-3)

    def off(values: FloatArray) -> FloatArray:
        return (shape.of(values * size, x_us) - y_us) / scale_us

    found = least_squares(off, start / size, loss="soft_l1", f_scale=3.0, max_nfev=60)
    values: FloatArray = np.asarray(found.x, np.float64) * size
    residual_us: FloatArray = np.asarray(y_us - shape.of(values, x_us), np.float64)
    jacobian = np.asarray(found.jac, np.float64) / size
    variance = float(np.sum((residual_us / scale_us) ** 2)) / max(x_us.size - shape.count, 1)
    repeats = _repeats(residual_us)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * variance * repeats
    cost = max(2.0 * float(found.cost), 1e-9)
    return _Fit(shape, values, np.asarray(covariance, np.float64), residual_us, repeats, cost)


def _repeats(residual_us: FloatArray) -> float:
    """Say how many neighbouring residuals tell the same: ``1 + 2 sum r_k``.

    The sum ends where the autocorrelation, averaged in pairs, first is not positive
    (initial positive sequence; Geyer, Statistical Science 7, 1992, from memory).
    """
    away_us = residual_us - residual_us.mean()
    size = 1 << int(2 * away_us.size - 1).bit_length()
    power = np.abs(np.fft.rfft(away_us, size)) ** 2
    sums = np.fft.irfft(power, size)[: away_us.size // 2 * 2]
    if sums[0] <= 0.0:
        return 1.0
    pairs = sums.reshape(-1, 2).sum(axis=1) / sums[0]
    ends = np.flatnonzero(pairs <= 0.0)
    kept = pairs[: ends[0] if ends.size else pairs.size]
    return float(np.clip(2.0 * kept.sum() - 1.0, 1.0, away_us.size / 5.0))


def _starts(x_us: FloatArray, y_us: FloatArray, neutral_us: float) -> list[FloatArray]:
    """Choose where fits begin: the slope of the whole and of the middle, narrow and wide bands."""
    low_us, high_us = np.percentile(y_us, (1.0, 99.0))
    middle = np.abs(y_us - (low_us + high_us) / 2.0) <= 0.35 * (high_us - low_us)
    starts = []
    for part in (np.ones(x_us.size, bool), middle):
        if not part.any() or np.ptp(x_us[part]) <= 0.0:
            continue
        gain, offset_us = np.polyfit(x_us[part] - neutral_us, y_us[part], 1)
        starts += [
            np.array([gain, offset_us, half_us, neutral_us, low_us, high_us])
            for half_us in np.ptp(x_us) * np.array([0.01, 0.08])
        ]
    return starts


def _curve(fit: _Fit, neutral_us: float) -> Curve:
    doubts = np.sqrt(np.maximum(np.diag(fit.covariance), 0.0))
    parameters = [Parameter(float(v), float(u)) for v, u in zip(fit.values, doubts, strict=True)]
    shape, at = fit.shape, 2 + 2 * fit.shape.dead
    dead_us = None
    if shape.dead:
        dead_us = Parameter(2.0 * abs(parameters[2].value), 2.0 * parameters[2].uncertainty)
    return Curve(
        parameters[0],
        parameters[1],
        neutral_us,
        dead_us,
        parameters[3].value if shape.dead else None,
        parameters[at] if shape.low else None,
        parameters[at + shape.low] if shape.high else None,
        float(np.sqrt(np.mean(fit.residual_us**2))),
    )
