"""A channel's frames, from the leading edges of its pulses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pwmscope.pulses.table import PulseTable

GAP_FACTOR = 1.5
"""A period longer than this many usual ones has at least one frame missing."""


@dataclass(frozen=True, slots=True)
class Frames:
    """The frames of one channel.

    Parameters
    ----------
    usual_us : float or None
        Median period in microseconds; None with fewer than two frame pulses.
    index : ndarray of int64, shape (n_periods,)
        Row in the pulse table of the pulse that begins each period.
    period_us : ndarray of float64, shape (n_periods,)
        The periods in microseconds.
    is_gap : ndarray of bool, shape (n_periods,)
        Where at least one frame is missing inside the period.
    missing : ndarray of int64, shape (n_periods,)
        Frames missing inside each period, to the nearest whole frame.
    """

    usual_us: float | None
    index: npt.NDArray[np.int64]
    period_us: npt.NDArray[np.float64]
    is_gap: npt.NDArray[np.bool_]
    missing: npt.NDArray[np.int64]

    @property
    def steady_us(self) -> npt.NDArray[np.float64]:
        """Periods in which no frame is missing, in microseconds."""
        return self.period_us[~self.is_gap]


def find_frames(table: PulseTable) -> Frames:
    """Read the frames off a pulse table.

    Parameters
    ----------
    table : PulseTable
        One channel's pulses.

    Returns
    -------
    Frames
        Periods between consecutive frame pulses, with the gaps marked.
    """
    index = np.flatnonzero(np.isfinite(table.period_us))
    period_us = table.period_us[index]
    if not period_us.size:
        nothing = np.zeros(0, np.int64)
        return Frames(None, nothing, period_us, nothing.astype(bool), nothing)
    usual_us = float(np.median(period_us))
    is_gap = period_us > GAP_FACTOR * usual_us
    missing = np.where(is_gap, np.rint(period_us / usual_us).astype(np.int64) - 1, 0)
    return Frames(usual_us, index, period_us, is_gap, missing)
