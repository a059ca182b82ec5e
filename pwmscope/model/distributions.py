"""Distributions: what every recording asks for in plain arithmetic, the rest by scipy when used.

scipy.special takes as long to import as a short recording to measure.
"""

from __future__ import annotations

import importlib
import math
import sys
from collections.abc import Callable
from statistics import NormalDist
from typing import Any, Final

_EPSILON: Final = sys.float_info.epsilon
_MANY: Final = 1e4
"""Above this shape the gamma distribution's series takes long, and its expansion is near."""


class _Later:
    """A module that is imported when something of it is used."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 - whatever the module holds
        return getattr(importlib.import_module(self._name), name)


special: Any = _Later("scipy.special")
ndimage: Any = _Later("scipy.ndimage")


def normal_quantile(chance: float) -> float:
    """Return the value below which a standard normal variable lies with some chance.

    Examples
    --------
    >>> round(normal_quantile(0.975), 6)
    1.959964
    """
    return NormalDist().inv_cdf(chance) if 0.0 < chance < 1.0 else float(special.ndtri(chance))


def gamma_above(shape: float, value: float) -> float:
    """Return the chance that a gamma variable of scale 1 lies above a value.

    The regularised upper incomplete gamma function: by its power series below the mean, by its
    continued fraction above (M. Abramowitz and I. Stegun, 6.5.29 and 6.5.31; from memory). Large
    shapes by the first terms of N. M. Temme's expansion (SIAM J. Math. Anal. 10, 1979; likewise).

    Examples
    --------
    >>> round(gamma_above(1.0, 2.0), 6)  # exp(-2)
    0.135335
    """
    if not shape > 0.0 or not math.isfinite(value):
        return float(special.gammaincc(shape, value))
    if value <= 0.0:
        return 1.0
    if shape > _MANY:
        return _gamma_far(shape, value)
    front = math.exp(shape * math.log(value) - value - math.lgamma(shape))
    if value < shape + 1.0:
        term = total = 1.0 / shape
        step = shape
        while term > total * _EPSILON:
            step += 1.0
            term *= value / step
            total += term
        return 1.0 - front * total
    return front * _fraction(
        value + 1.0 - shape, lambda n: (-n * (n - shape), value + 2.0 * n + 1.0 - shape)
    )


def _gamma_far(shape: float, value: float) -> float:
    away = value / shape - 1.0
    if abs(away) < 1e-3:  # the difference of two near numbers, as a series
        eta = away * (1.0 - away / 3.0 + 7.0 * away**2 / 36.0 - 73.0 * away**3 / 540.0)
        first = -1.0 / 3.0 + eta / 12.0 - 2.0 * eta**2 / 135.0
    else:
        eta = math.copysign(math.sqrt(2.0 * (away - math.log1p(away))), away)
        first = 1.0 / away - 1.0 / eta
    normal = math.exp(-0.5 * shape * eta * eta) / math.sqrt(2.0 * math.pi * shape)
    return 0.5 * math.erfc(eta * math.sqrt(0.5 * shape)) + normal * first


def chi_squared_above(chance: float, freedom: float) -> float:
    """Return the value above which a chi-squared variable lies with some chance.

    Examples
    --------
    >>> round(chi_squared_above(0.05, 4), 4)
    9.4877
    """
    shape = 0.5 * freedom
    if not shape >= 0.5 or not 0.0 < chance < 1.0:
        return float(special.chdtri(freedom, chance))
    # Wilson and Hilferty's cube of a normal variable, from memory, to begin with.
    z = normal_quantile(1.0 - chance)
    begin = (
        freedom * max(1.0 - 2.0 / (9.0 * freedom) + z * math.sqrt(2.0 / (9.0 * freedom)), 0.05) ** 3
    )
    norm = math.lgamma(shape) + shape * math.log(2.0)
    return _solved(
        lambda x: chance - gamma_above(shape, 0.5 * x),
        lambda x: math.exp((shape - 1.0) * math.log(x) - 0.5 * x - norm),
        begin,
    )


def student_quantile(chance: float, freedom: float) -> float:
    """Return the value below which Student's t lies with some chance of one half or more.

    Examples
    --------
    >>> round(student_quantile(0.975, 10), 4)
    2.2281
    """
    if not 1.0 <= freedom <= _MANY or not 0.6 <= chance < 1.0:
        return float(special.stdtrit(freedom, chance))
    norm = math.lgamma(0.5 * (freedom + 1.0)) - math.lgamma(0.5 * freedom)
    norm -= 0.5 * math.log(math.pi * freedom)
    return _solved(
        lambda t: 1.0 - 0.5 * _beta_below(0.5 * freedom, 0.5, freedom / (freedom + t * t)) - chance,
        lambda t: math.exp(norm - 0.5 * (freedom + 1.0) * math.log1p(t * t / freedom)),
        normal_quantile(chance),
    )


def beta_quantile(chance: float, a: float, b: float) -> float:
    """Return the value below which a beta variable lies with some chance.

    Examples
    --------
    >>> round(beta_quantile(0.975, 9.0, 2.0), 4)
    0.9748
    """
    if not min(a, b) >= 0.5 or not 0.0 < chance < 1.0:
        return float(special.betaincinv(a, b, chance))
    norm = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
    return _solved(
        lambda x: _beta_below(a, b, x) - chance,
        lambda x: math.exp(norm + (a - 1.0) * math.log(x) + (b - 1.0) * math.log1p(-x)),
        a / (a + b),
        1.0,
    )


def _beta_below(a: float, b: float, x: float) -> float:
    """Return the regularised incomplete beta function, by its continued fraction (26.5.8)."""
    if x >= 1.0:
        return 1.0
    front = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    )
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - _beta_below(b, a, 1.0 - x)

    def part(n: int) -> tuple[float, float]:
        m, is_odd = divmod(n, 2)
        if is_odd:
            return -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0)), 1.0
        return m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m)), 1.0

    return front / a * _fraction(1.0, part)


def _fraction(first: float, part: Callable[[int], tuple[float, float]]) -> float:
    """1 / (b0 + a1 / (b1 + a2 / (b2 + ...))) by Lentz's way, modified by Thompson and Barnett."""
    tiny = 1e-300
    d = 1.0 / (first or tiny)
    c, value = math.inf, d
    for n in range(1, 100_000):
        a, b = part(n)
        d = 1.0 / ((b + a * d) or tiny)
        c = (b + a / c) or tiny
        value *= c * d
        if abs(c * d - 1.0) < _EPSILON:
            break
    return value


def _solved(
    off: Callable[[float], float],
    slope: Callable[[float], float],
    begin: float,
    high: float = math.inf,
) -> float:
    """Find where a rising function is zero, by Newton's steps kept within what is known of it."""
    low, at = 0.0, begin
    for _ in range(200):
        error = off(at)
        low, high = (at, high) if error < 0.0 else (low, at)
        rise = slope(at)
        new = at - error / rise if rise > 0.0 else math.inf
        if not low < new < high:
            new = 2.0 * at if math.isinf(high) else 0.5 * (low + high)
        if abs(new - at) <= 2.0 * _EPSILON * at:
            return new
        at = new
    return at
