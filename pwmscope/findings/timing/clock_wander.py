"""How much a clock's time errors wander, by the slow part of their scatter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import chdtri

from pwmscope.pulses.excerpt import excerpt

FEWEST_EDGES: Final = 32
"""Fewer edges do not tell wander from jitter."""
PROBED: Final = range(3, 9)
"""Orders of the polynomials that probe for wander; those below belong to the fit."""
PLAIN: Final = 0.3
"""Wander is taken for real where jitter alone gives as much less often than this."""
_BATCHES: Final = 64
Whole = npt.NDArray[np.int64]
Real = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Wander:
    """Variance of a clock's slowest components, were its true clock a straight line.

    Parameters
    ----------
    white_us2 : float
        Variance of each component from jitter alone: that of one edge.
    walk_us2 : ndarray of float64, shape (orders,)
        What a random walk of the phase adds to each order's.
    freedom : float
        Degrees of freedom with which the walk is known; 0 where none is seen.
    """

    white_us2: float
    walk_us2: Real
    freedom: float

    def variance_us2(self, order: int) -> float:
        """Return the variance of one orthonormal component, 1 for slope, 2 for drift."""
        return self.white_us2 + float(self.walk_us2[order])

    def freedom_of(self, order: int, edges: int) -> float:
        """Return the effective degrees of freedom of that variance (JCGM 100, G.4.1)."""
        walk = float(self.walk_us2[order])
        if not self.freedom or not walk:
            return float(edges)
        white = self.white_us2
        return (white + walk) ** 2 / (walk**2 / self.freedom + white**2 / edges)


def probe_wander(number: Whole, time_error_us: Real, borders: Whole) -> Wander | None:
    """Look for wander in time errors about a straight line.

    Jitter that is drawn anew for every edge puts its own variance into every
    component of an orthonormal set of polynomials; a random walk of the phase
    puts more into the slow ones. Orders 3 to 8 are held against the variance that
    neighbouring edges show (half that of their differences); where their sum of squares
    exceeds its 70 % point for jitter alone (chi-squared; a random walk half seen would
    make the uncertainty too small), a random walk is fitted to
    the excess and gives the variance of orders 1 and 2, the slope and the drift,
    which the fit itself hides. Own method; polynomials of the batch means.

    Parameters
    ----------
    number : ndarray of int64, shape (n,)
        Frame numbers, ascending.
    time_error_us : ndarray of float64, shape (n,)
        Time errors.
    borders : ndarray of int64, shape (n_stretches - 1,)
        Places at which the clock starts anew; the longest stretch is looked at.

    Returns
    -------
    Wander or None
        None with fewer than 32 edges in it.
    """
    bounds = np.concatenate([[0], borders, [number.size]])
    longest = int(np.diff(bounds).argmax())
    number = number[bounds[longest] : bounds[longest + 1]]
    time_error_us = time_error_us[bounds[longest] : bounds[longest + 1]]
    if number.size < FEWEST_EDGES:
        return None
    begin = np.linspace(0, number.size, min(_BATCHES, number.size // 2) + 1).astype(np.int64)[:-1]
    count = np.diff(np.append(begin, number.size)).astype(np.float64)
    error_us = np.add.reduceat(time_error_us, begin) / count
    at = np.add.reduceat(number, begin) / count
    scaled = 2.0 * (at - at[0]) / (at[-1] - at[0]) - 1.0
    weight = np.sqrt(count)
    basis, _ = np.linalg.qr(np.polynomial.legendre.legvander(scaled, PROBED[-1]) * weight[:, None])
    found_us2 = (basis.T @ (weight * error_us)) ** 2
    white_us2 = 0.5 * float(np.mean(np.diff(excerpt(time_error_us), axis=1) ** 2))
    elapsed = at - at[0]
    weighted = weight[:, None] * basis
    shape = np.einsum("ik,ij,jk->k", weighted, np.minimum.outer(elapsed, elapsed), weighted)
    probed = slice(PROBED[0], PROBED[-1] + 1)
    excess_us2 = float(np.sum(found_us2[probed])) - white_us2 * len(PROBED)
    if float(np.sum(found_us2[probed])) <= white_us2 * float(chdtri(len(PROBED), PLAIN)):
        return Wander(white_us2, np.zeros(shape.size), 0.0)
    walk_us2 = excess_us2 / float(np.sum(shape[probed])) * shape
    freedom = float(np.sum(shape[probed]) ** 2 / np.sum(shape[probed] ** 2))
    return Wander(white_us2, walk_us2, freedom)
