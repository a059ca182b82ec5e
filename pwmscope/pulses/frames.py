"""A channel's frames, from the leading edges of its pulses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pwmscope.pulses.frame_pattern import Pattern, recognise
from pwmscope.pulses.table import PulseTable


@dataclass(frozen=True, slots=True)
class Frames:
    """The frames of one channel.

    Parameters
    ----------
    usual_us : float or None
        Median period in microseconds, or the mean period of the most frequent
        pattern where there are several patterns or one of several periods;
        None with fewer than two frame pulses.
    index : ndarray of int64, shape (n_periods,)
        Row in the pulse table of the pulse that begins each period.
    period_us : ndarray of float64, shape (n_periods,)
        The periods in microseconds.
    is_gap : ndarray of bool, shape (n_periods,)
        Where at least one frame is missing inside the period.
    missing : ndarray of int64, shape (n_periods,)
        Frames missing inside each period, to the nearest whole frame.
    patterns : tuple of Pattern
        What repeats: one pattern, mostly of one period, or several where the
        rate changes during the recording, in the order in which they appear.
    pattern : ndarray of int8, shape (n_periods,)
        Which of them each period belongs to.
    place : ndarray of int8, shape (n_periods,)
        Its place in the pattern; of no meaning for an odd period.
    odd : ndarray of int64, shape (n_odd,)
        Places in ``period_us`` of the periods that depart from their pattern, in order.
    reach_us : float
        How far a period may lie from its pattern's without being odd.
    """

    usual_us: float | None
    index: npt.NDArray[np.int64]
    period_us: npt.NDArray[np.float64]
    is_gap: npt.NDArray[np.bool_]
    missing: npt.NDArray[np.int64]
    patterns: tuple[Pattern, ...]
    pattern: npt.NDArray[np.int8]
    place: npt.NDArray[np.int8]
    odd: npt.NDArray[np.int64]
    reach_us: float

    @property
    def steady_us(self) -> npt.NDArray[np.float64]:
        """Periods in which no frame is missing, in microseconds."""
        return self.period_us[~self.is_gap]

    @property
    def is_steady(self) -> bool:
        """Whether a single period repeats from the first frame to the last."""
        return len(self.patterns) == 1 and len(self.patterns[0]) == 1


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

    Notes
    -----
    A period holds missing frames where it departs from its pattern and is nearer
    to two of the pattern's periods, or more, than to one.
    """
    index = np.flatnonzero(np.isfinite(table.period_us))
    if not index.size:
        none = np.zeros(0, np.int64)
        return Frames(
            None, none, np.zeros(0), none.astype(bool), none, (), none.astype(np.int8),
            none.astype(np.int8), none, 0.0,
        )  # fmt: skip
    first, last = int(index[0]), int(index[-1])
    is_whole = last - first == index.size - 1  # then a view does
    period_us = table.period_us[first : last + 1] if is_whole else table.period_us[index]
    found = recognise(period_us, table.sample_interval_us)
    missing = np.zeros(period_us.size, np.int64)
    for k, pattern in enumerate(found.patterns):
        own = found.odd[found.which[found.odd] == k]
        missing[own] = np.maximum(pattern.count_anywhere(period_us[own]) - 1, 0)
    is_gap = np.zeros(period_us.size, bool)
    is_gap[found.odd] = missing[found.odd] > 0
    return Frames(
        found.usual_us,
        index,
        period_us,
        is_gap,
        missing,
        found.patterns,
        found.which,
        found.place,
        found.odd,
        found.reach_us,
    )


def closing_rows(
    table: PulseTable, frames: Frames, periods: npt.NDArray[np.int64]
) -> npt.NDArray[np.int64]:
    """Find the pulse whose leading edge ends each of some periods.

    Parameters
    ----------
    table : PulseTable
        The channel's pulses.
    frames : Frames
        Its frames.
    periods : ndarray of int64, shape (n,)
        Places in ``frames`` of the periods.

    Returns
    -------
    ndarray of int64, shape (n,)
        Rows in the pulse table.
    """
    end_s = table.rise_s[frames.index[periods]] + frames.period_us[periods] / 1e6
    # A nanosecond is far below a pulse and far above the rounding of a day in seconds.
    rows: npt.NDArray[np.int64] = np.searchsorted(table.rise_s, end_s - 1e-9).astype(np.int64)
    return rows
