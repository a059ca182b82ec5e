"""How far from straight a robot drives when the stick says straight ahead."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from pwmscope.advice.drive.outputs import Throttle
from pwmscope.errors import PwmscopeError
from pwmscope.model import COVERAGE


@dataclass(frozen=True, slots=True)
class Side:
    """One side's output, as far as it departs from what its motor controller expects.

    Parameters
    ----------
    neutral_offset_us : float
        Output's neutral less the controller's.
    gain : float
        Output's travel over the controller's; 1 where they agree.
    u_neutral_us, u_gain : float
        Standard uncertainties of the two.
    throttle : Throttle
        How the controller reads widths.
    """

    neutral_offset_us: float = 0.0
    gain: float = 1.0
    u_neutral_us: float = 0.0
    u_gain: float = 0.0
    throttle: Throttle = field(default_factory=Throttle)

    def speed(self, command: float) -> float:
        """Speed for a command straight ahead, as a part of the top speed."""
        dead_us = self.throttle.deadband_us / 2.0
        off_us = self.gain * command * self._whole_us + self.neutral_offset_us
        return (off_us - dead_us) / (self._whole_us - dead_us)

    def u_speed(self, command: float) -> float:
        """Return the standard uncertainty of that speed."""
        doubt_us = math.hypot(self.u_neutral_us, command * self._whole_us * self.u_gain)
        return doubt_us / (self._whole_us - self.throttle.deadband_us / 2.0)

    @property
    def _whole_us(self) -> float:
        """Travel from neutral to full speed ahead."""
        return self.throttle.high_us - self.throttle.neutral_us


@dataclass(frozen=True, slots=True)
class Straightness:
    """How much a robot turns for each metre that it should drive straight ahead.

    Parameters
    ----------
    deg_per_m : float
        Counter-clockwise positive: to the left.
    uncertainty : float
        Its standard uncertainty.
    command : float
        The command that it holds for, 0 to 1.
    """

    deg_per_m: float
    uncertainty: float
    command: float

    @property
    def sentence(self) -> str:
        """Say it in words.

        Examples
        --------
        >>> Straightness(-11.46, 1.2, 0.5).sentence
        'At half stick or 0.5 of full speed the robot turns 11.5 ± 2.4 degrees to the right a \
metre.'
        """
        named = "half stick or " if math.isclose(self.command, 0.5) else ""
        doubt = COVERAGE * self.uncertainty
        begin = f"At {named}{self.command:g} of full speed the robot"
        if abs(self.deg_per_m) <= doubt:
            return (
                f"{begin} is not shown to turn: {self.deg_per_m:+.1f} ± {doubt:.1f} degrees a "
                "metre."
            )
        way = "left" if self.deg_per_m > 0 else "right"
        return (
            f"{begin} turns {abs(self.deg_per_m):.1f} ± {doubt:.1f} degrees to the {way} a metre."
        )


def straight_line_error(
    left: Side,
    right: Side,
    *,
    wheel_base_m: float,
    command: float = 0.5,
    u_wheel_base_m: float = 0.0,
) -> Straightness:
    """Work out how much a robot turns when both sides get the same command.

    The path's curvature is ``k = 2 (r - l) / (b (r + l))`` for wheel speeds ``l, r`` at a
    distance ``b`` (the reciprocal of the radius of a differential drive). Its
    uncertainty is that of the independent inputs, to first order (JCGM 100, 5.1.2):
    ``u^2 = (dk/dl)^2 u(l)^2 + (dk/dr)^2 u(r)^2 + (k u(b)/b)^2`` with ``dk/dr = 4 l / (b (l +
    r)^2)`` and ``dk/dl = -4 r / (b (l + r)^2)``.

    Parameters
    ----------
    left, right : Side
        The two sides.
    wheel_base_m : float
        Distance between the wheels.
    command : float, optional
        Command straight ahead, above 0 and at most 1.
    u_wheel_base_m : float, optional
        Standard uncertainty of the distance.

    Returns
    -------
    Straightness

    Raises
    ------
    PwmscopeError
        If the command is not above 0 and at most 1, the wheel base not above 0, or a side
        does not drive ahead at that command.

    Examples
    --------
    >>> found = straight_line_error(Side(), Side(gain=0.96), wheel_base_m=0.2)
    >>> round(found.deg_per_m, 3)
    -11.693
    """
    if not 0.0 < command <= 1.0:
        raise PwmscopeError(f"The command is {command:g}, expected a number above 0, at most 1.")
    if not wheel_base_m > 0.0:
        raise PwmscopeError(f"The wheel base is {wheel_base_m:g} m, expected a number above 0.")
    l_speed, r_speed = left.speed(command), right.speed(command)
    if l_speed <= 0.0 or r_speed <= 0.0:
        side = "left" if l_speed <= 0.0 else "right"
        raise PwmscopeError(
            f"At a command of {command:g} the {side} side does not drive ahead; choose a larger "
            "command or correct its neutral."
        )
    total = l_speed + r_speed
    curvature = 2.0 * (r_speed - l_speed) / (wheel_base_m * total)
    by_speed = 4.0 / (wheel_base_m * total**2)
    doubt = math.hypot(
        by_speed * r_speed * left.u_speed(command),
        by_speed * l_speed * right.u_speed(command),
        curvature * u_wheel_base_m / wheel_base_m,
    )
    return Straightness(math.degrees(curvature), math.degrees(doubt), command)
