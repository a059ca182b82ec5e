"""How straight a robot drives: how its controllers read widths, and what unlike sides do."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from pwmscope.bench import BenchChannel
from pwmscope.errors import PwmscopeError
from pwmscope.model import COVERAGE, FloatArray
from pwmscope.pulses import STANDARD_SERVO


@dataclass(frozen=True, slots=True)
class Throttle:
    """How a motor controller reads widths.

    >>> throttle = Throttle(1000.0, 1500.0, 2000.0, 40.0)
    >>> throttle.commands(np.array([1000.0, 1490.0, 1520.0, 1760.0, 2100.0])).tolist()
    [-1.0, 0.0, 0.0, 0.5, 1.0]
    """

    # Widths of full speed back, standstill and full speed forward
    low_us: float = STANDARD_SERVO.low_us
    neutral_us: float = STANDARD_SERVO.neutral_us
    high_us: float = STANDARD_SERVO.high_us
    # Whole width of the band round neutral in which the motor stands still
    deadband_us: float = 0.0

    def __post_init__(self) -> None:
        half_us = self.deadband_us / 2.0
        if not (
            self.low_us < self.neutral_us - half_us and self.neutral_us + half_us < self.high_us
        ):
            raise PwmscopeError(
                f"Ends {self.low_us:g} and {self.high_us:g} us, neutral {self.neutral_us:g} us "
                f"and deadband {self.deadband_us:g} us do not fit. Expected: low < neutral < "
                "high, deadband between the ends. Correct the bench sheet."
            )

    @classmethod
    def of(cls, channel: BenchChannel | None) -> Throttle:
        """Take what the bench sheet says of a channel; without it, the convention."""
        if channel is None:
            return cls()
        neutral_us = STANDARD_SERVO.neutral_us if channel.neutral_us is None else channel.neutral_us
        return cls(channel.low_us, neutral_us, channel.high_us, channel.deadband_us or 0.0)

    def commands(self, width_us: FloatArray) -> FloatArray:
        """Turn widths into commands, from -1, full speed back, to 1, full speed forward.

        They are 0 in the deadband, and in proportion from its edges to the ends.
        """
        off_us = np.asarray(width_us, np.float64) - self.neutral_us
        half_us = self.deadband_us / 2.0
        back_us = self.neutral_us - self.low_us - half_us
        beyond_us = np.sign(off_us) * np.maximum(np.abs(off_us) - half_us, 0.0)
        ahead_us = self.high_us - self.neutral_us - half_us
        command: FloatArray = np.where(off_us < 0.0, beyond_us / back_us, beyond_us / ahead_us)
        # Adding 0 leaves no minus before a zero.
        return np.clip(command, -1.0, 1.0) + 0.0


@dataclass(frozen=True, slots=True)
class DriveSide:
    """One side's output, as far as it departs from what its motor controller expects."""

    neutral_offset_us: float = 0.0  # Output's neutral less the controller's
    gain: float = 1.0  # Output's travel over the controller's; 1 where they agree
    # Standard uncertainties of the two
    u_neutral_us: float = 0.0
    u_gain: float = 0.0
    throttle: Throttle = field(default_factory=Throttle)  # How the controller reads widths

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
    """How much a robot turns for each metre that it should drive straight ahead."""

    deg_per_m: float  # Counter-clockwise positive: to the left
    uncertainty: float  # Its standard uncertainty
    command: float  # The command that it holds for, 0 to 1

    @property
    def sentence(self) -> str:
        """Say it in words.

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
    left: DriveSide,
    right: DriveSide,
    *,
    wheel_base_m: float,
    command: float = 0.5,
    u_wheel_base_m: float = 0.0,
) -> Straightness:
    """Work out how much a robot turns when both sides get the same command, above 0 and at most 1.

    The path's curvature is ``k = 2 (r - l) / (b (r + l))`` for wheel speeds ``l, r`` at a
    distance ``b`` (the reciprocal of the radius of a differential drive). Its
    uncertainty is that of the independent inputs, to first order (JCGM 100, 5.1.2):
    ``u^2 = (dk/dl)^2 u(l)^2 + (dk/dr)^2 u(r)^2 + (k u(b)/b)^2`` with ``dk/dr = 4 l / (b (l +
    r)^2)`` and ``dk/dl = -4 r / (b (l + r)^2)``.

    >>> found = straight_line_error(DriveSide(), DriveSide(gain=0.96), wheel_base_m=0.2)
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
