"""The pose of a body that moves at constant speed and turn rate for a while, exactly."""

from __future__ import annotations

import numpy as np

from pwmscope.model import FloatArray

SMALL = 1e-3
"""Turns below this, in radians, are taken by series, whose next term is below rounding."""


def _sine_part(turn: FloatArray) -> FloatArray:
    """``sin(a) / a``, 1 at 0."""
    small = np.abs(turn) < SMALL
    whole = np.where(small, 1.0, turn)
    return np.where(small, 1.0 - turn**2 / 6.0 + turn**4 / 120.0, np.sin(whole) / whole)


def _cosine_part(turn: FloatArray) -> FloatArray:
    """``(1 - cos(a)) / a``, 0 at 0; by the half angle, which keeps its digits."""
    small = np.abs(turn) < SMALL
    whole = np.where(small, 1.0, turn)
    exact = 2.0 * np.sin(whole / 2.0) ** 2 / whole
    return np.where(small, turn / 2.0 - turn**3 / 24.0 + turn**5 / 720.0, exact)


def integrate(
    twist: FloatArray, seconds: FloatArray, start: FloatArray | None = None
) -> FloatArray:
    """Follow a body through stretches of constant motion.

    Each stretch is an arc of a circle, taken in closed form (the exponential of a
    planar twist): with ``a = omega t`` the body moves by ``t (S vx - C vy, C vx + S
    vy)`` in its own axes at the start, ``S = sin(a)/a``, ``C = (1 - cos(a))/a``. Straight
    lines and turning on the spot are limits of it, and need no case of their own.

    Parameters
    ----------
    twist : ndarray of float64, shape (n, 3)
        ``vx, vy, omega`` in the body's axes: m/s forward, m/s to the left, rad/s
        counter-clockwise.
    seconds : ndarray of float64, shape (n,)
        How long each lasts.
    start : ndarray of float64, shape (3,), optional
        ``x, y, heading`` at the beginning, in metres and radians; zeros if not given.

    Returns
    -------
    ndarray of float64, shape (n + 1, 3)
        The pose at the beginning and after each stretch; headings are not wrapped.

    Examples
    --------
    A quarter of a circle of radius 2 m to the left:

    >>> twist = np.array([[np.pi, 0.0, np.pi / 2]])
    >>> integrate(twist, np.array([1.0]))[-1].round(9).tolist()
    [2.0, 2.0, 1.570796327]
    """
    begin = np.zeros(3) if start is None else np.asarray(start, np.float64)
    turn = twist[:, 2] * seconds
    heading = np.concatenate([[begin[2]], begin[2] + np.cumsum(turn)])
    sine, cosine = _sine_part(turn), _cosine_part(turn)
    forward_m = seconds * (sine * twist[:, 0] - cosine * twist[:, 1])
    left_m = seconds * (cosine * twist[:, 0] + sine * twist[:, 1])
    before = heading[:-1]
    step_x = np.cos(before) * forward_m - np.sin(before) * left_m
    step_y = np.sin(before) * forward_m + np.cos(before) * left_m
    x = np.concatenate([[begin[0]], begin[0] + np.cumsum(step_x)])
    y = np.concatenate([[begin[1]], begin[1] + np.cumsum(step_y)])
    return np.column_stack([x, y, heading])
