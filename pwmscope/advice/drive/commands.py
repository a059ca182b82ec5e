"""Pulse widths as commands: how far a motor controller takes its motor to be driven."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pwmscope.bench import BenchChannel
from pwmscope.errors import PwmscopeError
from pwmscope.model import FloatArray
from pwmscope.pulses import STANDARD_SERVO


@dataclass(frozen=True, slots=True)
class Throttle:
    """How a motor controller reads widths.

    Parameters
    ----------
    low_us, neutral_us, high_us : float
        Widths of full speed back, standstill and full speed forward.
    deadband_us : float
        Whole width of the band round neutral in which the motor stands still.
    reversed : bool
        Whether the motor turns the other way round.

    Raises
    ------
    PwmscopeError
        If the widths are not in order, or the deadband reaches an end.

    Examples
    --------
    >>> throttle = Throttle(1000.0, 1500.0, 2000.0, 40.0)
    >>> throttle.commands(np.array([1000.0, 1490.0, 1520.0, 1760.0, 2100.0])).tolist()
    [-1.0, 0.0, 0.0, 0.5, 1.0]
    """

    low_us: float = STANDARD_SERVO.low_us
    neutral_us: float = STANDARD_SERVO.neutral_us
    high_us: float = STANDARD_SERVO.high_us
    deadband_us: float = 0.0
    reversed: bool = False

    def __post_init__(self) -> None:
        half_us = self.deadband_us / 2.0
        if not (
            self.low_us < self.neutral_us - half_us and self.neutral_us + half_us < self.high_us
        ):
            raise PwmscopeError(
                f"A motor controller with ends at {self.low_us:g} and {self.high_us:g} us, neutral "
                f"at {self.neutral_us:g} us and a deadband of {self.deadband_us:g} us cannot be "
                "driven; expected low, neutral and high in rising order, and the deadband between "
                "the ends. Correct the bench sheet."
            )

    @classmethod
    def of(cls, channel: BenchChannel | None) -> Throttle:
        """Take what the bench sheet says of a channel; without it, the convention.

        Raises
        ------
        PwmscopeError
            As the class.
        """
        if channel is None:
            return cls()
        neutral_us = STANDARD_SERVO.neutral_us if channel.neutral_us is None else channel.neutral_us
        return cls(channel.low_us, neutral_us, channel.high_us, channel.deadband_us or 0.0)

    def commands(self, width_us: FloatArray) -> FloatArray:
        """Turn widths into commands.

        Parameters
        ----------
        width_us : ndarray of float64, any shape
            Pulse widths in microseconds.

        Returns
        -------
        ndarray of float64, the same shape
            From -1, full speed back, to 1, full speed forward; 0 in the deadband, and
            in proportion from its edges to the ends.
        """
        off_us = np.asarray(width_us, np.float64) - self.neutral_us
        half_us = self.deadband_us / 2.0
        back_us = self.neutral_us - self.low_us - half_us
        beyond_us = np.sign(off_us) * np.maximum(np.abs(off_us) - half_us, 0.0)
        ahead_us = self.high_us - self.neutral_us - half_us
        command: FloatArray = np.where(off_us < 0.0, beyond_us / back_us, beyond_us / ahead_us)
        # Adding 0 leaves no minus before a zero.
        return np.clip(-command if self.reversed else command, -1.0, 1.0) + 0.0
