"""A real variable as a line: its numbers against a threshold with hysteresis."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.capture.vcd_trace import Trace
from pwmscope.capture.vcd_values import HIGH, LOW, UNKNOWN

HYSTERESIS: Final = 0.1
"""Share of the span between lowest and highest number by which a number must
pass the threshold, half on either side, before the level counts as changed."""


@dataclass(slots=True)
class Extremes:
    """Lowest and highest number of a real variable, and whether there was any."""

    lowest: float = float("inf")
    highest: float = float("-inf")

    def feed(self, values: npt.NDArray[np.float64]) -> None:
        """Take further numbers; those that are not finite are left out."""
        finite = values[np.isfinite(values)]
        if finite.size:
            self.lowest = min(self.lowest, float(finite.min()))
            self.highest = max(self.highest, float(finite.max()))

    @property
    def any_seen(self) -> bool:
        """Whether there was any number."""
        return self.lowest <= self.highest


@dataclass(slots=True)
class RealTrace:
    """A real variable's level.

    A number holds until the next (IEEE Std 1364), so the level changes at the
    time of the number that crosses the threshold, provided that numbers go on
    to pass the band of hysteresis before they cross back.

    Parameters
    ----------
    threshold : float
        Where low ends and high begins.
    band : float
        Distance from the threshold that must be passed.
    trace : Trace
        What collects the line's edges.
    """

    threshold: float
    band: float
    trace: Trace = field(default_factory=Trace)
    _side: int = -1
    _side_since: int = 0
    _side_told: bool = False

    def feed(self, times: npt.NDArray[np.int64], values: npt.NDArray[np.float64]) -> None:
        """Take further numbers, NaN where unknown.

        Examples
        --------
        >>> real = RealTrace(threshold=1.65, band=0.165)
        >>> real.feed(np.array([0, 10, 20, 30, 40]), np.array([0, 1.7, 1.6, 1.7, 3.3]))
        >>> real.trace.finish(50)
        array([30])
        """
        side = np.where(values >= self.threshold, HIGH, LOW).astype(np.int8)
        side[np.isnan(values)] = UNKNOWN
        begins = np.empty(side.size, np.bool_)
        begins[0] = side[0] != self._side
        np.not_equal(side[1:], side[:-1], out=begins[1:])
        run = np.cumsum(begins)
        since = np.append(np.int64(self._side_since), times[begins])[run]
        passed = (side == UNKNOWN) | (np.abs(values - self.threshold) >= self.band)
        at = np.flatnonzero(passed)
        # Of each run on one side only the first number that passes the band tells.
        first = at[np.diff(run[at], prepend=-1) != 0]
        if first.size and self._side_told and run[first[0]] == 0:
            first = first[1:]
        if first.size:
            self.trace.feed(since[first], side[first].astype(np.uint8))
        last_told = bool(at.size) and int(run[at[-1]]) == int(run[-1])
        self._side_told = last_told or (self._side_told and int(run[-1]) == 0)
        self._side, self._side_since = int(side[-1]), int(since[-1])
