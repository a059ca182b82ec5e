"""The widths of outputs and sticks over time, as commands from -1 to 1."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pwmscope.bench import Axis, BenchChannel
from pwmscope.errors import PwmscopeError
from pwmscope.model import FloatArray
from pwmscope.pulses import STANDARD_SERVO, PulseTable


@dataclass(frozen=True, slots=True)
class Throttle:
    """How a motor controller reads widths.

    Parameters
    ----------
    low_us, neutral_us, high_us : float
        Widths of full speed back, standstill and full speed forward.
    deadband_us : float
        Whole width of the band round neutral in which the motor stands still.

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
        return np.clip(command, -1.0, 1.0) + 0.0


@dataclass(frozen=True, slots=True)
class Outputs:
    """Widths of the drive outputs over time, each held until the next.

    Parameters
    ----------
    time_s : ndarray of float64, shape (n + 1,)
        When each row of widths begins, and at last when the last one ends; in order.
    width_us : ndarray of float64, shape (n, outputs)
        One column for each output.

    Raises
    ------
    PwmscopeError
        If times and widths do not fit together.
    """

    time_s: FloatArray
    width_us: FloatArray

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

        Parameters
        ----------
        tables : sequence of PulseTable
            One for each output.
        end_s : float
            When the recording ends.

        Raises
        ------
        PwmscopeError
            If a line has no measured pulse before the end.
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
