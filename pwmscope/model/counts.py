"""What counts tell of the rates and shares behind them: exact intervals, and exact tests."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pwmscope.model.distributions import beta_quantile, chi_squared_above, special


def poisson_interval(count: int, observed: float) -> tuple[float, float]:
    """Return the exact two-sided 95 % interval of a Poisson rate.

    The ends of the interval of the expected count are half the 2.5 % quantile
    of chi-squared with 2 n degrees of freedom and half the 97.5 % quantile with
    2 n + 2 (F. Garwood, "Fiducial limits for the Poisson distribution",
    Biometrika 28, 1936; from memory).

    Examples
    --------
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

    Examples
    --------
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

    Examples
    --------
    >>> found = compare_rates(4, 20.0, 18, 20.0)
    >>> round(found.ratio, 2), round(found.chance, 5)
    (4.5, 0.00434)
    """
    total = first + second
    if not total:
        return RateRatio(None, 0.0, float("inf"), 1.0)
    fair = second_over / (first_over + second_over)
    counts = np.arange(total + 1)
    log_odds = (
        special.gammaln(total + 1.0)
        - special.gammaln(counts + 1.0)
        - special.gammaln(total - counts + 1.0)
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
