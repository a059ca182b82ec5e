"""The widths of the drive outputs over time, and changes of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pwmscope.errors import PwmscopeError
from pwmscope.model import FloatArray
from pwmscope.pulses import PulseTable


@dataclass(frozen=True, slots=True)
class Correction:
    """A change of the outputs, applied in software: ``matrix @ widths + offset_us``.

    Parameters
    ----------
    matrix : ndarray of float64, shape (outputs, outputs)
        Of unit one.
    offset_us : ndarray of float64, shape (outputs,)
        In microseconds.

    Examples
    --------
    Two plugs swapped:

    >>> swap = Correction(np.array([[0.0, 1.0], [1.0, 0.0]]), np.zeros(2))
    >>> swap.of(np.array([[1200.0, 1700.0]])).tolist()
    [[1700.0, 1200.0]]
    """

    matrix: FloatArray
    offset_us: FloatArray

    def of(self, width_us: FloatArray) -> FloatArray:
        """Apply it to widths, shape (n, outputs)."""
        changed: FloatArray = width_us @ self.matrix.T + self.offset_us
        return changed


@dataclass(frozen=True, slots=True)
class Outputs:
    """Widths of the drive outputs over time, each held until the next.

    Parameters
    ----------
    time_s : ndarray of float64, shape (n + 1,)
        When each row of widths begins, and at last when the last one ends; in order.
    width_us : ndarray of float64, shape (n, outputs)
        One column for each wheel of the base, in its order.

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
            One for each wheel of the base, in its order.
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
                    f"Line {table.line} has no whole servo pulse, so there is no path to draw; "
                    "name a drive output that was recorded while it was powered."
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
