"""The sampling interval that a list of change times gives away."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

FEWEST_CHANGES: Final = 20
_MANTISSAS: Final = (1.0, 1.2, 1.25, 1.5, 1.6, 2.0, 2.4, 2.5, 3.0, 3.2, 4.0, 4.8, 5.0, 6.0, 6.25,
                     7.5, 8.0, 9.6)  # fmt: skip
_DRAWN: Final = 4096
"""Of a long list, this many are tried first; what fits them is held against all."""
RATES_HZ: Final = tuple(m * 10.0**e for e in range(4, 10) for m in _MANTISSAS)
"""Sample rates tried, slowest first: round figures and the divisors of common
crystal clocks, as analysers offer them (common practice)."""


def find_interval_ps(times_ps: npt.NDArray[np.int64], resolution_ps: int) -> float | None:
    """Find the sampling interval on whose ticks all change times lie.

    A clocked analyser that lists only changes still times them in whole
    sample intervals. The greatest common divisor of the differences shows an
    interval that the printed digits can express; an interval that they cannot
    (24 MS/s has 41.666... ns) is found by trying known rates, allowing each
    time its printed rounding. By chance, `n` unrelated times would fit a
    trial interval ``T`` with probability ``(2 r / T)^(n-1)``, where ``r`` is
    the printed resolution; with 20 times and ``T >= 8 r`` that is below 1e-11.

    Parameters
    ----------
    times_ps : ndarray of int64, shape (n,)
        Times of the changes in picoseconds.
    resolution_ps : int
        One unit of the last printed digit, in picoseconds, at least 1.

    Returns
    -------
    float or None
        The longest interval that fits, in picoseconds; None where none does or
        fewer than 20 changes were seen.

    Examples
    --------
    >>> ticks = np.array([0, 36000, 480000, 516001] + [516001 + 7 * k for k in range(1, 30)])
    >>> ns = np.round(ticks * 1000 / 24).astype(np.int64)
    >>> round(find_interval_ps(ns * 1000, 1000), 3)
    41666.667
    """
    if times_ps.size < FEWEST_CHANGES:
        return None
    if times_ps.size > 2 * _DRAWN:
        interval_ps = find_interval_ps(times_ps[:: times_ps.size // _DRAWN], resolution_ps)
        return interval_ps if _fits(times_ps - times_ps[0], interval_ps, resolution_ps) else None
    offsets = times_ps - times_ps[0]
    divisor = int(np.gcd.reduce(offsets))
    if divisor >= 8 * resolution_ps:
        return float(divisor)
    for rate_hz in RATES_HZ:
        interval_ps = 1e12 / rate_hz
        if interval_ps < 8 * resolution_ps:
            break
        if _fits(offsets, interval_ps, resolution_ps):
            return interval_ps
    return None


def _fits(offsets_ps: npt.NDArray[np.int64], interval_ps: float | None, resolution_ps: int) -> bool:
    """Say whether all offsets lie on ticks, but for their printed rounding."""
    if interval_ps is None:
        return False
    ticks = offsets_ps / interval_ps
    error_ps = np.abs(ticks - np.rint(ticks)) * interval_ps
    return bool(np.all(error_ps <= resolution_ps + 1))
