"""The path that a robot would take for the widths at its outputs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.advice.drive.base import Base
from pwmscope.advice.drive.commands import Throttle
from pwmscope.advice.drive.motion import integrate
from pwmscope.advice.drive.outputs import Correction, Outputs
from pwmscope.bench import StepSpan
from pwmscope.errors import PwmscopeError
from pwmscope.model import FloatArray

FINEST_TURN: Final = 0.05
FINEST_S: Final = 0.1
"""Radians and seconds between two poses of a path, at most."""
MIN_M: Final = 0.005
MIN_DEG: Final = 0.5
"""Less than these is not worth telling."""


@dataclass(frozen=True, slots=True)
class Path:
    """One stretch of a robot's path, from its own start.

    Parameters
    ----------
    name : str
        What the hands did: the plan step's name; empty for the whole recording.
    pose : ndarray of float64, shape (n + 1, 3)
        ``x, y, heading``: metres forward and to the left of the start, radians
        counter-clockwise.
    seconds : float
        How long it takes.
    """

    name: str
    pose: FloatArray
    seconds: float

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

        Examples
        --------
        >>> pose = np.array([[0.0, 0.0, 0.0], [1.0, -0.2, -0.4]])
        >>> Path("forward", pose, 2.0).sentence
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
        said = "straight"
        if abs(turned) >= MIN_DEG:
            said = f"turned {abs(turned):.0f} degrees to the {way}"
        elif not went:
            return f"{begin}stands still for {self.seconds:.3g} s."
        return f"{begin}{went or 'on the spot'} in {self.seconds:.3g} s, {said}."


def drive_path(
    outputs: Outputs,
    throttles: Sequence[Throttle],
    base: Base,
    *,
    steps: tuple[StepSpan, ...] = (),
    correction: Correction | None = None,
) -> tuple[Path, ...]:
    """Work out the path that the outputs would drive a robot along.

    Between two pulses a width holds; the arcs are exact (`integrate`). Wheels do not
    slip and reach their speed at once, so real robots turn less and start later.

    Parameters
    ----------
    outputs : Outputs
        The widths.
    throttles : sequence of Throttle
        How the controller of each wheel reads them.
    base : Base
        The wheels.
    steps : tuple of StepSpan, optional
        One path for each, from its own start; one for the whole where there is none.
    correction : Correction, optional
        A change of the outputs, to predict what it does.

    Returns
    -------
    tuple of Path

    Raises
    ------
    PwmscopeError
        If there is not one output and one throttle for each wheel, or a step lies
        outside the time for which the outputs are known.

    Examples
    --------
    >>> from pwmscope.advice.drive.base import differential
    >>> outputs = Outputs(np.array([0.0, 1.0]), np.array([[2000.0, 1500.0]]))
    >>> (path,) = drive_path(outputs, [Throttle(), Throttle()], differential())
    >>> path.turned_deg < 0  # only the left wheel drives: to the right
    True
    """
    wheels = len(base.names)
    if outputs.width_us.shape[1] != wheels or len(throttles) != wheels:
        raise PwmscopeError(
            f"There are {outputs.width_us.shape[1]} outputs and {len(throttles)} motor controllers "
            f"for {wheels} wheels; name one output for each wheel ({', '.join(base.names)})."
        )
    width_us = outputs.width_us if correction is None else correction.of(outputs.width_us)
    commands = np.column_stack(
        [throttle.commands(width_us[:, k]) for k, throttle in enumerate(throttles)]
    )
    twist = base.twist(commands)
    if not steps:
        begin_s, end_s = float(outputs.time_s[0]), float(outputs.time_s[-1])
        return (_part("", twist, outputs.time_s, begin_s, end_s),)
    return tuple(
        _part(span.step.name, twist, outputs.time_s, span.start_s, span.end_s) for span in steps
    )


def _part(name: str, twist: FloatArray, time_s: FloatArray, start_s: float, end_s: float) -> Path:
    """Integrate what lies between two instants."""
    if not time_s[0] <= start_s < end_s <= time_s[-1]:
        raise PwmscopeError(
            f"The step '{name}' lasts from {start_s:g} to {end_s:g} s, but the outputs are known "
            f"from {time_s[0]:g} to {time_s[-1]:g} s only; give the steps of this recording."
        )
    borders_s = np.clip(time_s, start_s, end_s)
    seconds = np.diff(borders_s)
    used = seconds > 0.0
    twist, seconds = twist[used], seconds[used]
    # Arcs are exact at any length; they are cut so that lines through the poses show them.
    turn = np.abs(twist[:, 2]) * seconds
    parts = np.ceil(np.maximum(turn / FINEST_TURN, seconds / FINEST_S)).astype(np.int64)
    pose = integrate(np.repeat(twist, parts, axis=0), np.repeat(seconds / parts, parts))
    return Path(name, pose, float(np.sum(seconds)))
