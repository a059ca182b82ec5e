"""Where a robot would drive: widths to commands, wheel speeds and an exact path."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.bench import Axis, StepSpan
from pwmscope.errors import PwmscopeError
from pwmscope.findings.mixing import Throttle
from pwmscope.model import FloatArray
from pwmscope.pulses import PulseTable


@dataclass(frozen=True, slots=True)
class Outputs:
    """Widths of the drive outputs over time, each held until the next."""

    # shape (n + 1,): When each row of widths begins, and at last when the last one ends; in order
    time_s: FloatArray
    width_us: FloatArray  # shape (n, outputs): One column for each output

    def __post_init__(self) -> None:
        if self.width_us.ndim != 2 or self.time_s.shape != (self.width_us.shape[0] + 1,):
            raise PwmscopeError(
                f"There are {self.time_s.size} instants for widths of the shape "
                f"{self.width_us.shape}; expected one more instant than rows of widths."
            )
        if bool(np.any(np.diff(self.time_s) < 0.0)):
            raise PwmscopeError("The instants of the widths are not in order of time.")

    @classmethod
    def of(cls, tables: Sequence[PulseTable], end_s: float) -> Outputs:
        """Take the measured widths of some lines, each held until its next pulse.

        A controller may stop its motor where pulses stop; that is not looked at.
        """
        rises_s, widths_us = [], []
        for table in tables:
            used = table.measured & (table.rise_s < end_s)
            if not used.any():
                raise PwmscopeError(
                    f"Line {table.line} has no whole servo pulse, so it has no path; name a drive "
                    "output recorded with power."
                )
            rises_s.append(table.rise_s[used])
            widths_us.append(table.width_us[used])
        time_s = np.unique(np.concatenate(rises_s))
        time_s = time_s[time_s >= max(rise_s[0] for rise_s in rises_s)]
        held_us = np.column_stack(
            [
                width_us[np.searchsorted(rise_s, time_s, side="right") - 1]
                for rise_s, width_us in zip(rises_s, widths_us, strict=True)
            ]
        )
        return cls(np.append(time_s, end_s), held_us)


@dataclass(frozen=True, slots=True)
class Hands:
    """Stick positions over time."""

    time_s: FloatArray  # shape (n,): In order
    # shape (n,): For each stick axis that was recorded, from -1 to 1; right and forward are
    # positive
    position: Mapping[Axis, FloatArray]

    @classmethod
    def of(cls, tables: Mapping[Axis, PulseTable], end_s: float) -> Hands:
        """Read the positions off the widths of recorded stick lines."""
        if not tables:
            raise PwmscopeError(
                "No stick line is named, so the hands cannot be drawn. Record the stick channels; "
                "name them in the sheet: stick-aileron and so on."
            )
        outputs = Outputs.of(list(tables.values()), end_s)
        position = Throttle().commands(outputs.width_us)
        return cls(outputs.time_s[:-1], dict(zip(tables, position.T, strict=True)))


TOP_SPEED_M_S: Final = 1.0
WHEEL_BASE_M: Final = 0.2


@dataclass(frozen=True, slots=True)
class Base:
    """A left and a right wheel, or track.

    The robot's own axes: x forward, y to the left, turning counter-clockwise positive.

    >>> base = differential(wheel_base_m=0.5, top_speed_m_s=2.0)
    >>> base.twist(np.array([[0.5, 1.0]])).tolist()
    [[1.5, 0.0, 2.0]]
    """

    wheel_base_m: float  # Distance between the wheels
    top_speed_m_s: float  # Speed of a wheel at command 1
    assumptions: tuple[str, ...] = ()  # What was assumed, each a plain sentence

    def __post_init__(self) -> None:
        for what, value, unit in (
            ("wheel base", self.wheel_base_m, "m"),
            ("top speed", self.top_speed_m_s, "m/s"),
        ):
            if not (math.isfinite(value) and value > 0.0):
                raise PwmscopeError(f"The {what} is {value:g} {unit}, expected a number above 0.")

    def twist(self, commands: FloatArray) -> FloatArray:
        """Body motion ``vx, vy, omega`` in m/s, m/s and rad/s for commands; shape (n, 3).

        ``commands`` are left and right, from -1 to 1; shape (n, 2).
        """
        left, right = self.top_speed_m_s * commands.T
        none = np.zeros(left.size)
        return np.column_stack([(left + right) / 2.0, none, (right - left) / self.wheel_base_m])


def differential(*, wheel_base_m: float | None = None, top_speed_m_s: float | None = None) -> Base:
    """Make a base with a left and a right wheel (or track).

    Without them 0.2 m and 1 m/s are taken, and said.
    """
    sentences = []
    if wheel_base_m is None:
        wheel_base_m = WHEEL_BASE_M
        sentences.append(f"The wheels are taken to stand {WHEEL_BASE_M:g} m apart; none is stated.")
    if top_speed_m_s is None:
        top_speed_m_s = TOP_SPEED_M_S
        sentences.append(
            f"The top speed is taken as {TOP_SPEED_M_S:g} m/s, the same for every wheel; none is "
            "stated."
        )
    return Base(wheel_base_m, top_speed_m_s, tuple(sentences))


def integrate(
    twist: FloatArray, seconds: FloatArray, start: FloatArray | None = None
) -> FloatArray:
    """Follow a body through stretches of constant motion, from ``x, y, heading`` at its start.

    Each stretch is an arc of a circle, taken in closed form (the exponential of a
    planar twist): with ``a = omega t`` the body moves by ``t (S vx - C vy, C vx + S
    vy)`` in its own axes at the start, ``S = sin(a)/a``, ``C = (1 - cos(a))/a``. Straight
    lines and turning on the spot are limits of it, and need no case of their own. Gives the pose at
    the beginning and after each stretch, shape (n + 1, 3), in metres and radians, not wrapped. A
    quarter of a circle of radius 2 m to the left:

    >>> twist = np.array([[np.pi, 0.0, np.pi / 2]])
    >>> integrate(twist, np.array([1.0]))[-1].round(9).tolist()
    [2.0, 2.0, 1.570796327]
    """
    begin = np.zeros(3) if start is None else np.asarray(start, np.float64)
    turn = twist[:, 2] * seconds
    heading = np.concatenate([[begin[2]], begin[2] + np.cumsum(turn)])
    sine = np.sinc(turn / np.pi)
    cosine = turn / 2.0 * np.sinc(turn / (2.0 * np.pi)) ** 2  # by the half angle
    forward_m = seconds * (sine * twist[:, 0] - cosine * twist[:, 1])
    left_m = seconds * (cosine * twist[:, 0] + sine * twist[:, 1])
    before = heading[:-1]
    step_x = np.cos(before) * forward_m - np.sin(before) * left_m
    step_y = np.sin(before) * forward_m + np.cos(before) * left_m
    x = np.concatenate([[begin[0]], begin[0] + np.cumsum(step_x)])
    y = np.concatenate([[begin[1]], begin[1] + np.cumsum(step_y)])
    return np.column_stack([x, y, heading])


FINEST_TURN: Final = 0.05
FINEST_S: Final = 0.1
"""Radians and seconds between two poses of a path, at most."""
MIN_M: Final = 0.005
MIN_DEG: Final = 0.5
"""Less than these is not worth telling."""


@dataclass(frozen=True, slots=True)
class DrivePath:
    """One stretch of a robot's path, from its own start."""

    name: str  # What the hands did: the plan step's name; empty for the whole recording
    # shape (n + 1, 3): `x, y, heading`: metres forward and to the left of the start, radians
    # counter-clockwise
    pose: FloatArray
    seconds: float  # How long it takes

    @property
    def length_m(self) -> float:
        """Length of the path through its poses."""
        return float(np.sum(np.hypot(*np.diff(self.pose[:, :2], axis=0).T)))

    @property
    def turned_deg(self) -> float:
        """How far the robot has turned at the end, counter-clockwise positive."""
        return float(np.degrees(self.pose[-1, 2] - self.pose[0, 2]))

    @property
    def sentence(self) -> str:
        """Say where it leads.

        >>> pose = np.array([[0.0, 0.0, 0.0], [1.0, -0.2, -0.4]])
        >>> DrivePath("forward", pose, 2.0).sentence
        'forward: 1.00 m ahead and 0.20 m to the right in 2 s, turned 23 degrees to the right.'
        """
        x_m, y_m, _ = self.pose[-1] - self.pose[0]
        turned = self.turned_deg
        places = [
            f"{abs(x_m):.2f} m {'ahead' if x_m >= 0 else 'back'}" if abs(x_m) >= MIN_M else "",
            f"{abs(y_m):.2f} m to the {'left' if y_m >= 0 else 'right'}"
            if abs(y_m) >= MIN_M
            else "",
        ]
        went = " and ".join(place for place in places if place)
        way = "left" if turned >= 0 else "right"
        begin = f"{self.name}: " if self.name else ""
        turn = "straight"
        if abs(turned) >= MIN_DEG:
            turn = f"turned {abs(turned):.0f} degrees to the {way}"
        elif not went:
            return f"{begin}stands still for {self.seconds:.3g} s."
        return f"{begin}{went or 'on the spot'} in {self.seconds:.3g} s, {turn}."


def drive_path(
    outputs: Outputs, throttles: Sequence[Throttle], base: Base, *, steps: tuple[StepSpan, ...] = ()
) -> tuple[DrivePath, ...]:
    """Work out the path that the outputs would drive a robot along, for each step or the whole.

    Between two pulses a width holds; the arcs are exact (`integrate`). Wheels do not
    slip and reach their speed at once, so real robots turn less and start later. The throttles are
    left before right.

    >>> outputs = Outputs(np.array([0.0, 1.0]), np.array([[2000.0, 1500.0]]))
    >>> (path,) = drive_path(outputs, [Throttle(), Throttle()], differential())
    >>> path.turned_deg < 0  # only the left wheel drives: to the right
    True
    """
    if outputs.width_us.shape[1] != 2 or len(throttles) != 2:
        raise PwmscopeError(
            f"There are {outputs.width_us.shape[1]} outputs and {len(throttles)} motor controllers "
            "for 2 wheels; name one output for each wheel (left, right)."
        )
    commands = np.column_stack(
        [throttle.commands(outputs.width_us[:, k]) for k, throttle in enumerate(throttles)]
    )
    twist = base.twist(commands)
    if not steps:
        begin_s, end_s = float(outputs.time_s[0]), float(outputs.time_s[-1])
        return (_part("", twist, outputs.time_s, begin_s, end_s),)
    return tuple(
        _part(span.step.name, twist, outputs.time_s, span.start_s, span.end_s) for span in steps
    )


def _part(
    name: str, twist: FloatArray, time_s: FloatArray, start_s: float, end_s: float
) -> DrivePath:
    """Integrate what lies between two instants."""
    if not time_s[0] <= start_s < end_s <= time_s[-1]:
        raise PwmscopeError(
            f"The step '{name}' lasts from {start_s:g} to {end_s:g} s. The outputs are known from "
            f"{time_s[0]:g} to {time_s[-1]:g} s only; give this recording's steps."
        )
    borders_s = np.clip(time_s, start_s, end_s)
    seconds = np.diff(borders_s)
    used = seconds > 0.0
    twist, seconds = twist[used], seconds[used]
    # Arcs are exact at any length; they are cut so that lines through the poses show them.
    turn = np.abs(twist[:, 2]) * seconds
    parts = np.ceil(np.maximum(turn / FINEST_TURN, seconds / FINEST_S)).astype(np.int64)
    pose = integrate(np.repeat(twist, parts, axis=0), np.repeat(seconds / parts, parts))
    return DrivePath(name, pose, float(np.sum(seconds)))
