"""The wheels of a robot: what body motion their speeds make."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.errors import PwmscopeError
from pwmscope.model import FloatArray

TOP_SPEED_M_S: Final = 1.0
WHEEL_BASE_M: Final = 0.2


@dataclass(frozen=True, slots=True)
class Base:
    """Wheels, and the speed at which each runs at full command.

    The robot's own axes: x forward, y to the left, turning counter-clockwise positive.

    Parameters
    ----------
    rolling : ndarray of float64, shape (wheels, 3)
        Speed of each wheel for a body motion ``(vx, vy, omega)`` in m/s, m/s and
        rad/s. Wheels on one axle that cannot slide sideways have 0 for vy.
    top_speed_m_s : float
        Speed of a wheel at command 1.
    names : tuple of str
        The wheels' names, in the order of the rows.
    assumptions : tuple of str
        What was assumed, each a plain sentence.

    Raises
    ------
    PwmscopeError
        If the matrix has not one row of three finite numbers for each wheel.

    Examples
    --------
    >>> base = differential(wheel_base_m=0.5, top_speed_m_s=2.0)
    >>> base.twist(np.array([[0.5, 1.0]])).round(9).tolist()
    [[1.5, 0.0, 2.0]]
    """

    rolling: FloatArray
    top_speed_m_s: float
    names: tuple[str, ...]
    assumptions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        rolling = self.rolling
        if rolling.shape != (len(self.names), 3) or not np.isfinite(rolling).all():
            raise PwmscopeError(
                f"The wheel matrix has the shape {rolling.shape}, expected one row of three finite "
                f"numbers for each of {len(self.names)} wheels."
            )
        if not (math.isfinite(self.top_speed_m_s) and self.top_speed_m_s > 0.0):
            raise PwmscopeError(
                f"The top speed is {self.top_speed_m_s:g} m/s, expected a number above 0."
            )

    def speeds(self, commands: FloatArray) -> FloatArray:
        """Wheel speeds in m/s for commands from -1 to 1; both shape (n, wheels)."""
        return self.top_speed_m_s * commands

    def twist(self, commands: FloatArray) -> FloatArray:
        """Body motion for commands.

        Parameters
        ----------
        commands : ndarray of float64, shape (n, wheels)
            From -1 to 1.

        Returns
        -------
        ndarray of float64, shape (n, 3)
            ``vx, vy, omega`` in m/s, m/s and rad/s: the motion that the wheels agree
            on, by least squares where there are more of them than it takes.
        """
        twist: FloatArray = self.speeds(commands) @ np.linalg.pinv(self.rolling).T
        return twist


def differential(*, wheel_base_m: float | None = None, top_speed_m_s: float | None = None) -> Base:
    """Make a base with a left and a right wheel (or track).

    Parameters
    ----------
    wheel_base_m : float, optional
        Distance between the wheels; 0.2 m if not given, and said.
    top_speed_m_s : float, optional
        Speed at full command; 1 m/s if not given, and said.

    Returns
    -------
    Base
        Its matrix has the rows ``(1, 0, -l/2)`` and ``(1, 0, l/2)``.

    Raises
    ------
    PwmscopeError
        If a length or a speed is not above 0.
    """
    length_m, speed_m_s, said = _stated(wheel_base_m, top_speed_m_s)
    half_m = length_m / 2.0
    rolling = np.array([[1.0, 0.0, -half_m], [1.0, 0.0, half_m]])
    return Base(rolling, speed_m_s, ("left", "right"), said)


def holonomic(
    headings_deg: tuple[float, ...],
    places_m: tuple[tuple[float, float], ...],
    *,
    top_speed_m_s: float | None = None,
) -> Base:
    """Make a base of wheels that roll freely sideways (three or four of them, mostly).

    Parameters
    ----------
    headings_deg : tuple of float
        Direction in which each wheel drives the robot, counter-clockwise from
        straight ahead.
    places_m : tuple of tuple of float
        Where each wheel stands: metres forward and to the left of the middle.
    top_speed_m_s : float, optional
        Speed at full command; 1 m/s if not given, and said.

    Returns
    -------
    Base
        A wheel at ``(px, py)`` with the direction ``(dx, dy)`` rolls at
        ``dx vx + dy vy + (px dy - py dx) omega``.

    Raises
    ------
    PwmscopeError
        If there are not as many places as headings.

    Examples
    --------
    >>> places = tuple((0.1 * np.cos(a), 0.1 * np.sin(a)) for a in np.radians([0, 120, 240]))
    >>> base = holonomic((90.0, 210.0, 330.0), places, top_speed_m_s=1.0)
    >>> abs(base.twist(np.ones((1, 3)))).round(9).tolist()
    [[0.0, 0.0, 10.0]]
    """
    if len(headings_deg) != len(places_m):
        raise PwmscopeError(
            f"{len(headings_deg)} wheel headings but {len(places_m)} places are given; give one of "
            "each for every wheel."
        )
    _, speed_m_s, said = _stated(WHEEL_BASE_M, top_speed_m_s)
    heading = np.radians(np.array(headings_deg, np.float64))
    place_m = np.array(places_m, np.float64).reshape(-1, 2)
    dx, dy = np.cos(heading), np.sin(heading)
    rolling = np.column_stack([dx, dy, place_m[:, 0] * dy - place_m[:, 1] * dx])
    names = tuple(f"wheel {k + 1}" for k in range(heading.size))
    return Base(rolling, speed_m_s, names, said)


def _stated(
    wheel_base_m: float | None, top_speed_m_s: float | None
) -> tuple[float, float, tuple[str, ...]]:
    said = []
    if wheel_base_m is None:
        wheel_base_m = WHEEL_BASE_M
        said.append(f"The wheels are taken to stand {WHEEL_BASE_M:g} m apart; none is stated.")
    if top_speed_m_s is None:
        top_speed_m_s = TOP_SPEED_M_S
        said.append(
            f"The top speed is taken as {TOP_SPEED_M_S:g} m/s, the same for every wheel; none is "
            "stated."
        )
    if not (math.isfinite(wheel_base_m) and wheel_base_m > 0.0):
        raise PwmscopeError(f"The wheel base is {wheel_base_m:g} m, expected a number above 0.")
    return wheel_base_m, top_speed_m_s, tuple(said)
