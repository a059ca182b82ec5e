"""Dwells: stretches in which a channel's pulse width stands still."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from pwmscope.findings.finding import Evidence
from pwmscope.findings.segments import (
    FEWEST_PULSES,
    SPREAD_LIMIT,
    about_mean,
    members,
    segment,
)
from pwmscope.findings.uncertainty import sampling_floor_us
from pwmscope.pulses import Frames, PulseTable

SHORTEST_S: Final = 0.4
"""A dwell lasts at least this long, unless the whole record is shorter."""
SWEEP_PER_S: Final = 0.002
"""A steady drift slower than this part of the convention's span in a second is not a
hand's: it would take eight minutes from end to end (common practice, from memory)."""
DRIFT: Final = 0.01
"""A dwell drifts by no more than this part of the span in all."""
STRAY: Final = 0.015
"""A width that leaves its neighbours by less than this part of the span is not stray."""
_NOISE_LEAST: Final = 5e-5
"""Least noise assumed, as a part of the convention's span."""


@dataclass(frozen=True, slots=True)
class Dwells:
    """The dwells of one channel, as columns, in order of time.

    Parameters
    ----------
    first, last : ndarray of int64, shape (n,)
        Rows in the pulse table of each dwell's first and last pulse.
    start_s, end_s : ndarray of float64, shape (n,)
        Leading edges of those pulses in seconds.
    level_us, std_us, range_us : ndarray of float64, shape (n,)
        Mean width, its sample standard deviation, and largest minus smallest.
    count : ndarray of int64, shape (n,)
        Pulses counted in each.
    noise_us : float
        Noise of the widths, as the segmentation took it.
    stray : ndarray of int64
        Rows of measured pulses whose width jumped away for one or two frames
        and back; they are in no dwell.
    """

    first: npt.NDArray[np.int64]
    last: npt.NDArray[np.int64]
    start_s: npt.NDArray[np.float64]
    end_s: npt.NDArray[np.float64]
    level_us: npt.NDArray[np.float64]
    std_us: npt.NDArray[np.float64]
    range_us: npt.NDArray[np.float64]
    count: npt.NDArray[np.int64]
    noise_us: float
    stray: npt.NDArray[np.int64]

    def __len__(self) -> int:
        return int(self.first.size)

    @property
    def evidence(self) -> tuple[Evidence, ...]:
        """The dwells as evidence, each a time span with its rows."""
        columns = (self.start_s, self.end_s, self.count, self.first, self.last)
        return tuple(
            Evidence(float(start), float(end), int(count), int(first), int(last))
            for start, end, count, first, last in zip(*columns, strict=True)
        )

    def select(self, mask: npt.NDArray[np.bool_]) -> Dwells:
        """Keep the dwells where ``mask`` holds; bool, shape (n,)."""
        return replace(
            self,
            first=self.first[mask],
            last=self.last[mask],
            start_s=self.start_s[mask],
            end_s=self.end_s[mask],
            level_us=self.level_us[mask],
            std_us=self.std_us[mask],
            range_us=self.range_us[mask],
            count=self.count[mask],
        )


def find_dwells(table: PulseTable, frames: Frames, breaks_s: tuple[float, ...] = ()) -> Dwells:
    """Segment a channel's widths into dwells.

    A window slides over the measured pulses. It stands still where its range
    stays within `SPREAD_LIMIT` noise deviations and its second half's mean
    within `SHIFT_LIMIT` deviations of its first half's, which tells a slow
    sweep from a dwell. Consecutive windows that stand still make one dwell;
    where two dwells' windows overlap, the border is half-way; neighbours of
    one level are joined. A stretch that drifts faster than `SWEEP_PER_S`, or by
    more than `DRIFT` in all, holds a slow sweep and is looked at again through a
    window twice as long. Levels that
    differ by less than about four noise deviations may be taken for one.

    The noise is found from second differences, which a steady sweep leaves at
    zero; the robust deviation is the median absolute value times 1.4826, a
    Gaussian's, over sqrt(6). Own algorithm throughout.

    Parameters
    ----------
    table : PulseTable
        One channel's pulses.
    frames : Frames
        Its frames.
    breaks_s : tuple of float
        Instants that no dwell may span, in seconds.

    Returns
    -------
    Dwells
        Possibly none.
    """
    rows = np.flatnonzero(table.measured)
    width_us = table.width_us[rows]
    span_us = table.convention.span_us
    noise_us = _noise_us(width_us, table.sample_interval_us, _NOISE_LEAST * span_us)
    if rows.size < FEWEST_PULSES:
        return _no_dwells(noise_us)
    steady = np.abs(width_us - ndimage.median_filter(width_us, 5, mode="nearest")) <= max(
        SPREAD_LIMIT * noise_us, STRAY * span_us
    )
    stray, rows, width_us = rows[~steady], rows[steady], width_us[steady]
    window = _window(frames, rows.size)
    if rows.size < window:
        return _no_dwells(noise_us)
    block = np.searchsorted(np.asarray(breaks_s), table.rise_s[rows], side="right")
    begin, end = segment(
        table.rise_s[rows],
        width_us,
        block,
        window=window,
        noise_us=noise_us,
        interval_us=table.sample_interval_us or 0.0,
        sweep_us_per_s=SWEEP_PER_S * span_us,
        drift_limit_us=DRIFT * span_us,
    )
    owner, member = members(begin, end)
    residual_us, level_us, count = about_mean(owner, width_us[member], begin.size)
    if not begin.size:
        return replace(_no_dwells(noise_us), stray=stray)
    ordered = np.cumsum(count) - count
    first, last = rows[begin], rows[end - 1]
    return Dwells(
        first,
        last,
        table.rise_s[first],
        table.rise_s[last],
        level_us,
        np.sqrt(np.bincount(owner, residual_us**2, begin.size) / np.maximum(count - 1, 1)),
        np.maximum.reduceat(residual_us, ordered) - np.minimum.reduceat(residual_us, ordered),
        count,
        noise_us,
        stray,
    )


def _no_dwells(noise_us: float) -> Dwells:
    whole, real = np.zeros(0, np.int64), np.zeros(0)
    return Dwells(whole, whole, real, real, real, real, real, whole, noise_us, whole)


def _noise_us(
    width_us: npt.NDArray[np.float64], interval_us: float | None, least_us: float
) -> float:
    floor_us = sampling_floor_us(interval_us) or 0.0
    if width_us.size < 3:
        return max(floor_us, least_us)
    bends_us = np.abs(np.diff(width_us, 2))
    scatter_us = 1.4826 * float(np.median(bends_us)) / math.sqrt(6.0)
    return max(scatter_us, floor_us, least_us)


def _window(frames: Frames, pulses: int) -> int:
    usual_us = frames.usual_us
    window = FEWEST_PULSES if usual_us is None else math.ceil(SHORTEST_S * 1e6 / usual_us)
    return max(FEWEST_PULSES, min(window, pulses))
