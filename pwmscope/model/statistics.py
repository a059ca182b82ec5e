"""Statistics that start fast and keep their digits: means, distributions, intervals of counts."""

from __future__ import annotations

import importlib
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any, Final

import numpy as np

from pwmscope.model.recording import FloatArray

FROM_MAD: Final = 1.4826
"""Standard deviation of a Gaussian over its median absolute deviation."""
_MANY: Final = 1_000_000
_FEW: Final = 10_000
"""For so many values the library is quicker than what is written here for fewer."""


def median_of(values: FloatArray) -> float:
    """Return the median of one value or more; NaN where one of them is.

    >>> median_of(np.array([3.0, 1.0, 2.0, 10.0]))
    2.5
    """
    if math.isnan(np.maximum.reduce(values)):
        return math.nan
    if values.size >= _MANY or (values.size >= _FEW and "polars" in sys.modules):
        # Polars takes a third of numpy's time; for few values its import would cost more.
        import polars as pl  # noqa: PLC0415

        median = pl.Series(values).median()
        assert isinstance(median, float)
        return median
    if values.size >= _FEW:
        return float(np.median(values))
    # As the library does it, without what takes three times as long for a few hundred values.
    middle = values.size // 2
    parted = np.partition(values, middle)
    upper = float(parted[middle])
    if values.size % 2:
        return upper
    return 0.5 * (float(np.maximum.reduce(parted[:middle])) + upper)


def quantile_of(values: FloatArray, share: float) -> float:
    """Return a quantile of values that are not NaN, linear between neighbours.

    The library's own takes four times as long for a few hundred values.

    >>> quantile_of(np.array([3.0, 1.0, 2.0, 10.0]), 0.25)
    1.75
    """
    if values.size >= _FEW:
        return float(np.quantile(values, share))
    place = share * (values.size - 1)
    below = int(place)
    parted = np.partition(values, below)
    low = float(parted[below])
    if below == place:
        return low
    return low + (place - below) * (float(np.minimum.reduce(parted[below + 1 :])) - low)


def quantiles_of(values: FloatArray, *shares: float) -> list[float]:
    """Return several quantiles of values, each as `quantile_of` does.

    >>> quantiles_of(np.array([3.0, 1.0, 2.0, 10.0]), 0.25, 0.75)
    [1.75, 4.75]
    """
    if values.size >= _FEW:
        return [float(found) for found in np.quantile(values, shares)]
    return [quantile_of(values, share) for share in shares]


@dataclass(frozen=True, slots=True)
class Summary:
    """What a set of values is like; a figure the set cannot give is None."""

    count: int  # Number of values
    # In the values' own unit; None for an empty set
    median: float | None
    mean: float | None
    min: float | None
    max: float | None
    std: float | None  # Sample standard deviation (divisor n - 1); None below two values


def product(first: FloatArray, second: FloatArray) -> float:
    """Scalar product of two columns on one thread.

    ``first @ second`` wakes a thread on every core, which costs more than it saves
    for columns of this length, the more so on a busy machine.

    >>> product(np.array([1.0, 2.0]), np.array([3.0, 4.0]))
    11.0
    """
    return float(np.einsum("i,i->", first, second))


def mean_of(values: FloatArray) -> float:
    """Arithmetic mean, corrected once by the mean of its own residuals.

    >>> mean_of(np.array([10000000.1, 10000000.2, 10000000.3]))
    10000000.2
    """
    mean = float(np.add.reduce(values)) / values.size
    return mean + float(np.add.reduce(values - mean)) / values.size


def std_of(values: FloatArray) -> float:
    """Sample standard deviation by the corrected two-pass formula.

    The sum of the residuals, zero in exact arithmetic, corrects the sum of
    their squares for the rounding of the mean (Chan, Golub and LeVeque, "Algorithms for
    computing the sample variance", The American Statistician 37, 1983,
    equation 1.7; cited from memory).
    """
    residuals = values - mean_of(values)
    rest = float(np.add.reduce(residuals))
    squares = float(np.add.reduce(residuals * residuals)) - rest**2 / values.size
    return math.sqrt(max(squares, 0.0) / (values.size - 1))


def lag_one(values: FloatArray) -> float | None:
    """Autocorrelation of neighbouring values.

    The sum of the products of neighbouring deviations over the sum of the squares of
    all, deviations being from the mean of all values (the definition of the NIST
    Statistical Reference Datasets).

    >>> lag_one(np.array([10000001.0, 10000003.0, 10000002.0]))
    -0.5
    """
    if values.size < 2:
        return None
    # From the first value on, differences of values near each other are exact.
    residuals = values - values[0]
    residuals -= mean_of(residuals)
    squares = float(np.dot(residuals, residuals))
    return float(np.dot(residuals[:-1], residuals[1:])) / squares if squares > 0.0 else None


def summarise(values: FloatArray) -> Summary:
    """Summarise finite values.

    >>> summarise(np.array([1499.0, 1500.0, 1501.0]))
    Summary(count=3, median=1500.0, mean=1500.0, min=1499.0, max=1501.0, std=1.0)
    """
    if not values.size:
        return Summary(0, None, None, None, None, None)
    return Summary(
        int(values.size),
        median_of(values),
        mean_of(values),
        float(values.min()),
        float(values.max()),
        std_of(values) if values.size > 1 else None,
    )


_EPSILON: Final = sys.float_info.epsilon
_LAST_STEP: Final = 1e-9
_MANY_STEPS: Final = 1e4
"""Above this shape the gamma distribution's series takes long, and its expansion is near."""


def _of_scipy(name: str, *values: object) -> Any:  # noqa: ANN401 - a number or an array
    """Let scipy.special work out what is seldom asked: to import it takes longer than most else."""
    return getattr(importlib.import_module("scipy.special"), name)(*values)


def normal_below(z: FloatArray) -> FloatArray:
    """Return the chances that a standard normal variable lies below some values.

    >>> normal_below(np.array([-1.959964, 0.0, np.inf])).round(6).tolist()
    [0.025, 0.5, 1.0]
    """
    if z.size >= _MANY:
        return np.asarray(_of_scipy("ndtr", z), np.float64)
    upper = map(math.erfc, (-math.sqrt(0.5) * z).ravel().tolist())
    return 0.5 * np.fromiter(upper, np.float64, z.size).reshape(z.shape)


def normal_quantile(chance: float) -> float:
    """Return the value below which a standard normal variable lies with some chance.

    >>> round(normal_quantile(0.975), 6)
    1.959964
    """
    return NormalDist().inv_cdf(chance) if 0.0 < chance < 1.0 else float(_of_scipy("ndtri", chance))


def gamma_above(shape: float, value: float) -> float:
    """Return the chance that a gamma variable of scale 1 lies above a value.

    >>> round(gamma_above(1.0, 2.0), 6)  # exp(-2)
    0.135335
    """
    if not shape > 0.0 or not math.isfinite(value):
        return float(_of_scipy("gammaincc", shape, value))
    return _gamma_sides(shape, value)[1]


def poisson_reaches(count: int, expected: float) -> float:
    """Return the chance that a Poisson variable reaches a count of one or more.

    It does where the gamma variable of that shape, the time of the last event, lies below.

    >>> round(poisson_reaches(1, 2.0), 6)  # 1 - exp(-2)
    0.864665
    """
    return _gamma_sides(count, expected)[0]


def _gamma_sides(shape: float, value: float) -> tuple[float, float]:
    """Return the chances that a gamma variable lies below and above a value.

    The regularised upper incomplete gamma function: by its power series below the mean, by its
    continued fraction above (M. Abramowitz and I. Stegun, 6.5.29 and 6.5.31; from memory). Large
    shapes by the first terms of N. M. Temme's expansion (SIAM J. Math. Anal. 10, 1979; likewise).
    """
    if value <= 0.0:
        return 0.0, 1.0
    if shape > _MANY_STEPS:
        above = _gamma_far(shape, value)
        return 1.0 - above, above
    front = math.exp(shape * math.log(value) - value - math.lgamma(shape))
    if value < shape + 1.0:
        term = total = 1.0 / shape
        step = shape
        while term > total * _EPSILON:
            step += 1.0
            term *= value / step
            total += term
        return front * total, 1.0 - front * total
    above = front * _fraction(
        value + 1.0 - shape, lambda n: (-n * (n - shape), value + 2.0 * n + 1.0 - shape)
    )
    return 1.0 - above, above


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

    >>> round(chi_squared_above(0.05, 4), 4)
    9.4877
    """
    shape = 0.5 * freedom
    if not shape >= 0.5 or not 0.0 < chance < 1.0:
        return float(_of_scipy("chdtri", freedom, chance))
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

    >>> round(student_quantile(0.975, 10), 4)
    2.2281
    """
    if not 1.0 <= freedom <= _MANY_STEPS or not 0.6 <= chance < 1.0:
        return float(_of_scipy("stdtrit", freedom, chance))
    norm = math.lgamma(0.5 * (freedom + 1.0)) - math.lgamma(0.5 * freedom)
    norm -= 0.5 * math.log(math.pi * freedom)
    # Fisher and Cornish's expansion about the normal quantile (26.7.5), to begin with.
    z = normal_quantile(chance)
    begin = (
        z
        + (z**3 + z) / (4.0 * freedom)
        + (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / (96.0 * freedom**2)
    )
    return _solved(
        lambda t: 1.0 - 0.5 * _beta_below(0.5 * freedom, 0.5, freedom / (freedom + t * t)) - chance,
        lambda t: math.exp(norm - 0.5 * (freedom + 1.0) * math.log1p(t * t / freedom)),
        begin,
    )


def student_beyond(distance: float, freedom: float) -> float:
    """Return the chance that Student's t lies further from zero than that, on either side.

    It is the chance that Fisher's F of 1 and so many degrees of freedom is above the square.

    >>> round(student_beyond(2.2281, 10), 4)
    0.05
    """
    if not 1.0 <= freedom <= _MANY_STEPS:
        return 2.0 * float(_of_scipy("stdtr", freedom, -abs(distance)))
    return _beta_below(0.5 * freedom, 0.5, freedom / (freedom + distance**2))


def beta_quantile(chance: float, a: float, b: float) -> float:
    """Return the value below which a beta variable lies with some chance.

    >>> round(beta_quantile(0.975, 9.0, 2.0), 4)
    0.9748
    """
    if not min(a, b) >= 0.5 or not 0.0 < chance < 1.0:
        return float(_of_scipy("betaincinv", a, b, chance))
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
    low, at, top = 0.0, begin, high
    for _ in range(200):
        error = off(at)
        low, high = (at, high) if error < 0.0 else (low, at)
        rise = slope(at)
        new = at - error / rise if rise > 0.0 else math.inf
        # Newton's next step would be of the square of so small a one.
        if abs(new - at) <= _LAST_STEP * min(at, top - at):
            return new
        if not low < new < high:
            new = 2.0 * at if math.isinf(high) else 0.5 * (low + high)
        if abs(new - at) <= 2.0 * _EPSILON * at:
            return new
        at = new
    return at


def poisson_interval(count: int, observed: float) -> tuple[float, float]:
    """Return the exact two-sided 95 % interval of a Poisson rate.

    The ends of the interval of the expected count are half the 2.5 % quantile
    of chi-squared with 2 n degrees of freedom and half the 97.5 % quantile with
    2 n + 2 (F. Garwood, "Fiducial limits for the Poisson distribution",
    Biometrika 28, 1936; from memory).

    >>> [round(end, 3) for end in poisson_interval(5, 1.0)]
    [1.623, 11.668]
    """
    low = chi_squared_above(0.975, 2 * count) / 2 if count else 0.0
    high = chi_squared_above(0.025, 2 * count + 2) / 2
    return low / observed, high / observed


def binomial_interval(hits: float, trials: float) -> tuple[float, float]:
    """Return the exact two-sided 95 % interval of a share (Clopper and Pearson, 1934).

    C. J. Clopper and E. S. Pearson, "The use of confidence or fiducial limits illustrated in
    the case of the binomial", Biometrika 26 (from memory). Trials need not be whole, as an
    effective number of them is not.

    >>> [round(end, 4) for end in binomial_interval(8, 10)]
    [0.4439, 0.9748]
    """
    misses = trials - hits
    low = beta_quantile(0.025, hits, misses + 1.0) if hits > 0 else 0.0
    high = beta_quantile(0.975, hits + 1.0, misses) if misses > 0 else 1.0
    return low, high


@dataclass(frozen=True, slots=True)
class RateRatio:
    """How two Poisson rates stand to each other."""

    ratio: float | None  # The second over the first; None where neither counted anything
    # Its exact 95 % interval; infinite at the top where the first counted nothing
    low: float
    high: float
    chance: float  # That equal rates would give counts as unequal as these, or more


def compare_rates(first: int, first_over: float, second: int, second_over: float) -> RateRatio:
    """Compare two Poisson rates by the exact conditional test.

    Given their sum, the second count is binomial with the share that its rate and its time
    have of both (J. Przyborowski and H. Wilenski, Biometrika 31, 1940; from memory). The
    chance is two-sided: all counts that are no more likely than the one seen. The interval is
    that of the share (Clopper and Pearson), turned into a ratio.

    >>> found = compare_rates(4, 20.0, 18, 20.0)
    >>> round(found.ratio, 2), round(found.chance, 5)
    (4.5, 0.00434)
    """
    total = first + second
    if not total:
        return RateRatio(None, 0.0, float("inf"), 1.0)
    fair = second_over / (first_over + second_over)
    counts = np.arange(total + 1)
    log_factorials = np.array([math.lgamma(count + 1.0) for count in range(total + 1)])
    log_odds = (
        log_factorials[-1]
        - log_factorials
        - log_factorials[::-1]
        + counts * np.log(fair)
        + (total - counts) * np.log1p(-fair)
    )
    odds = np.exp(log_odds)
    # The same slack as general-purpose libraries take for ties that rounding parts.
    chance = min(1.0, float(odds[odds <= odds[second] * (1.0 + 1e-7)].sum()))
    over = first_over / second_over
    low, high = binomial_interval(second, total)
    return RateRatio(
        second / first * over if first else float("inf"),
        over * low / (1.0 - low) if low < 1.0 else float("inf"),
        over * high / (1.0 - high) if high < 1.0 else float("inf"),
        chance,
    )
