"""How many microseconds one percent of a transmitter's setting moves a channel."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.errors import HintError
from pwmscope.findings.travel import Amount
from pwmscope.model import CLOCK_TOLERANCE, COVERAGE, MIN_US

MIN: Final = 2


@dataclass(frozen=True, slots=True)
class PercentScale:
    """Microseconds for each percent of a setting.

    Parameters
    ----------
    us_per_percent : float
        Above 0.
    uncertainty_us : float or None
        Its standard uncertainty; 0 where it is stated, None where it is not known.
    source : str
        Where it comes from, as a clause.
    """

    us_per_percent: float
    uncertainty_us: float | None
    source: str


@dataclass(frozen=True, slots=True)
class PercentReading:
    """A width, or a throw from neutral, measured at one percentage of a setting."""

    percent: float
    throw: Amount


def stated_scale(us_per_percent: float, source: str = "as stated") -> PercentScale:
    """Take a scale that a person states.

    Raises
    ------
    HintError
        If it is not a number above 0 and up to 100.

    Examples
    --------
    >>> stated_scale(5.0).us_per_percent
    5.0
    """
    if not 0.0 < us_per_percent <= 100.0:
        raise HintError(
            f"{us_per_percent:g} us for each percent cannot be; expected a number above 0, "
            "such as 5 where 100 % is 500 us."
        )
    return PercentScale(us_per_percent, 0.0, source)


def solve_scale(readings: Sequence[PercentReading]) -> PercentScale:
    """Solve for the scale by what was measured at two settings or more.

    Generalised least squares of width = a + b percent: the readings' own
    uncertainties are independent, and the analyser's clock stretches all by one factor,
    so their covariance is diag(u_own^2) + c^2 w w', c = 100 ppm / sqrt(3) (JCGM 100, 5.2.2
    and H.3, from memory).

    Parameters
    ----------
    readings : sequence of PercentReading
        At least two, at two percentages or more. Throws to one end of one channel.

    Returns
    -------
    PercentScale

    Raises
    ------
    HintError
        If all settings are alike, or the widths do not differ beyond their uncertainty.

    Examples
    --------
    >>> scale = solve_scale([PercentReading(100.0, Amount(490.0, 0.2)),
    ...                      PercentReading(110.0, Amount(539.0, 0.2))])
    >>> round(scale.us_per_percent, 3), round(scale.uncertainty_us, 3)
    (4.9, 0.028)
    """
    percent = np.array([reading.percent for reading in readings], dtype=float)
    throw_us = np.array([reading.throw.us for reading in readings], dtype=float)
    if len(readings) < MIN or not np.isfinite(percent).all() or float(np.ptp(percent)) == 0.0:
        raise HintError(
            "The size of a percent cannot be solved for: two recordings at two different "
            "percentages of the same setting are needed."
        )
    known = [reading.throw.uncertainty_us for reading in readings]
    own_us2 = np.ones(len(readings))
    clock = CLOCK_TOLERANCE / math.sqrt(3.0)
    is_known = all(u is not None for u in known)
    if is_known:
        own_us2 = np.array([(u or 0.0) ** 2 for u in known]) - (clock * throw_us) ** 2
        own_us2 = np.maximum(own_us2, 1e-12)
    covariance = np.diag(own_us2) + clock**2 * np.outer(throw_us, throw_us)
    design = np.stack([np.ones(len(readings)), percent - percent.mean()], axis=1)
    weighed = np.linalg.solve(covariance, np.column_stack([design, throw_us]))
    of_both = np.linalg.inv(design.T @ weighed[:, :2])
    slope = float((of_both @ (design.T @ weighed[:, 2]))[1])
    uncertainty = float(np.sqrt(of_both[1, 1])) if is_known else None
    least = MIN_US / float(np.ptp(percent))
    if abs(slope) <= max(COVERAGE * (uncertainty or 0.0), least):
        raise HintError(
            "The size of a percent cannot be solved for: the widths at these settings do not "
            "differ beyond their uncertainty. Change the setting by more and record again."
        )
    return PercentScale(abs(slope), uncertainty, "solved from the two recordings")
