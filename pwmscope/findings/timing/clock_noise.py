"""What noise a clock has, and how well its deviations are known for that."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

NOISES: Final = (2, 1, 0, -1, -2)
"""Exponents of frequency in the spectrum of relative frequency: white phase, flicker
phase, white frequency, flicker frequency, random walk of frequency."""
FEWEST_PHASES: Final = 30
"""Noise is told from no fewer time errors (NIST SP 1065, 5.5.6, from memory)."""
_MOST_PHASES: Final = 8192
_MOST_LAGS: Final = 100


def identify_noise(
    time_error_s: npt.NDArray[np.float64], factors: Sequence[int]
) -> npt.NDArray[np.int64]:
    """Tell the dominant power-law noise at each averaging time.

    By the lag-1 autocorrelation r of every m-th time error, freed of a parabola:
    with d = r / (1 + r), the series is differenced until d < 1/4, at most twice,
    and the exponent is 2 - 2 (d + differences) to the nearest whole number (Riley
    and Greenhall, "Power law noise identification using the lag 1
    autocorrelation", 18th European Frequency and Time Forum, 2004; NIST SP 1065,
    5.5.6; from memory); 8192 are enough. The exponent of the next shorter
    averaging time holds where fewer than `FEWEST_PHASES` are left, and where it is
    lower: of a sum of noises those of lower exponent govern at longer times, and few
    phases tell a higher one by chance.

    Parameters
    ----------
    time_error_s : ndarray of float64, shape (n,)
        Time errors at equal steps.
    factors : sequence of int
        Averaging factors m, ascending.

    Returns
    -------
    ndarray of int64, shape (n_factors,)
        The exponents, 2 to -2; white phase noise, which knows its deviations
        least at short averaging times, where nothing is told.

    Examples
    --------
    >>> white = np.random.default_rng(1).normal(size=4000)
    >>> identify_noise(white, [1, 4]).tolist()
    [2, 2]
    >>> identify_noise(np.cumsum(white), [1, 4]).tolist()
    [0, 0]
    """
    found: list[int] = []
    for factor in factors:
        phases = time_error_s[:: int(factor)][:_MOST_PHASES]
        if phases.size >= FEWEST_PHASES:
            told = _exponent(phases)
            found.append(min(found[-1], told) if found else told)
        else:
            found.append(found[-1] if found else 2)
    return np.array(found, np.int64)


def _exponent(phases: npt.NDArray[np.float64]) -> int:
    place = np.linspace(-1.0, 1.0, phases.size)
    legendre = np.polynomial.legendre
    rest = phases - legendre.legval(place, legendre.legfit(place, phases, 2))
    differences = 0
    while True:
        rest = rest - rest.mean()
        power = float(rest @ rest)
        if power == 0.0:
            return 2
        lag = float(rest[1:] @ rest[:-1]) / power
        share = lag / (1.0 + lag)
        if share < 0.25 or differences == 2:
            break
        rest = np.diff(rest)
        differences += 1
    return int(np.clip(2 - 2 * differences - round(2 * share), -2, 2))


def freedom_of_allan(phases: int, factor: int, exponent: int) -> float:
    """Return the effective degrees of freedom of an overlapping Allan deviation.

    By the approximations of Howe, Allan and Barnes ("Properties of signal
    sources and measurement methods", 35th Frequency Control Symposium, 1981; NIST SP
    1065, Table 5; from memory).

    Parameters
    ----------
    phases : int
        Time errors in the record, at least 2 m + 1.
    factor : int
        Averaging factor m.
    exponent : int
        The noise, 2 to -2.

    Returns
    -------
    float
        At least 1.

    Examples
    --------
    >>> round(freedom_of_allan(1000, 10, 0), 2)
    146.03
    """
    n, m = float(phases), float(factor)
    if exponent == 2:
        freedom = (n + 1.0) * (n - 2.0 * m) / (2.0 * (n - m))
    elif exponent == 1:
        pairs = np.log((n - 1.0) / (2.0 * m)) * np.log((2.0 * m + 1.0) * (n - 1.0) / 4.0)
        freedom = float(np.exp(np.sqrt(max(pairs, 0.0))))
    elif exponent == 0:
        freedom = 1.5 * (n - 1.0) / m - 2.0 * (n - 2.0) / n
        freedom *= 4.0 * m**2 / (4.0 * m**2 + 5.0)
    elif exponent == -1:
        flicker = 5.0 * n**2 / (4.0 * m * (n + 3.0 * m))
        freedom = 2.0 * (n - 2.0) ** 2 / (2.3 * n - 4.9) if factor == 1 else flicker
    else:
        freedom = (n - 2.0) / m * ((n - 1.0) ** 2 - 3.0 * m * (n - 1.0) + 4.0 * m**2)
        freedom /= max(n - 3.0, 1.0) ** 2
    return max(freedom, 1.0)


def freedom_of_time(phases: int, factor: int, exponent: int) -> float:
    """Return the effective degrees of freedom of an overlapping time deviation.

    By the correlation of the differences of averaged phases (Greenhall and Riley,
    "Uncertainty of stability variances based on finite differences", 35th PTTI
    Meeting, 2003; NIST SP 1065, 5.4.1; from memory): 1/edf is the mean over all
    pairs of terms of their squared correlation. Of more than a hundred lags a
    hundred are taken, evenly.

    Parameters
    ----------
    phases : int
        Time errors in the record, at least 3 m.
    factor : int
        Averaging factor m.
    exponent : int
        The noise, 2 to -2.

    Returns
    -------
    float
        At least 1.

    Examples
    --------
    >>> round(freedom_of_time(1000, 10, 0), 1)
    94.5
    """
    terms = phases - 3.0 * factor + 1.0
    lags = min(terms, 3.0 * factor)
    coarse = min(1.0, _MOST_LAGS / lags)
    terms, per_tau, last = terms * coarse, factor * coarse, int(lags * coarse + 0.5)
    lag = np.arange(last + 1.0)
    squares = (_covariance(lag / per_tau, exponent) / _covariance(np.zeros(1), exponent)) ** 2
    weight = 2.0 * (1.0 - lag / terms)
    weight[[0, -1]] /= 2.0
    return max(terms / float(np.sum(weight * squares)), 1.0)


def _covariance(lag: npt.NDArray[np.float64], exponent: int) -> npt.NDArray[np.float64]:
    """Return the covariance of modified second differences at lags in averaging times.

    The sixth difference of the generalised autocovariance of the noise summed once:
    four of its orders by the second difference of phase, two by the averaging.
    """
    coefficients = np.convolve([1.0, -4.0, 6.0, -4.0, 1.0], [-1.0, 2.0, -1.0])
    places = np.abs(lag[:, None] + np.arange(-3.0, 4.0))
    power = 3 - exponent
    kernel = places**power
    if exponent % 2:
        kernel *= np.log(np.where(places > 0.0, places, 1.0))
    covariance: npt.NDArray[np.float64] = kernel @ coefficients
    return covariance


def chi_square_interval(
    deviation: npt.NDArray[np.float64], freedom: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the 95 % interval of a deviation.

    The variance times its degrees of freedom over the true one follows
    chi-squared (NIST SP 1065, 5.3.2, from memory).

    Examples
    --------
    >>> low, high = chi_square_interval(np.array([1.0]), np.array([10.0]))
    >>> round(float(low[0]), 3), round(float(high[0]), 3)
    (0.699, 1.755)
    """
    low = deviation * np.sqrt(freedom / special.chdtri(freedom, 0.025))
    high = deviation * np.sqrt(freedom / special.chdtri(freedom, 0.975))
    return low, high
