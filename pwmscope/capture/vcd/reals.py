"""A real variable as a line: its numbers against a threshold with hysteresis."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pwmscope.capture.text.state_levels import AmplitudeHistogram
from pwmscope.capture.vcd.trace import Trace
from pwmscope.capture.vcd.values import HIGH, LOW, UNKNOWN


@dataclass(frozen=True, slots=True)
class Threshold:
    """How a real variable is read as a line.

    Parameters
    ----------
    level : float
        Where low ends and high begins.
    reach : float
        How far beyond that a number must lie to count.
    sentence : str
        What is said about it.
    """

    level: float
    reach: float
    sentence: str


def find_threshold(name: str, histogram: AmplitudeHistogram, hint: float | None) -> Threshold:
    """Find the threshold between the two state levels (IEEE Std 181, histogram method).

    Each number counts once, however long it holds.

    Examples
    --------
    >>> histogram = AmplitudeHistogram()
    >>> histogram.add(np.array([0.0, 0.0, 1.0, 5.0, 5.0]))
    >>> find_threshold("volts", histogram, None).level
    2.5
    """
    if histogram.is_empty:
        return Threshold(math.inf, 0.0, f"Line {name} is a real variable without any number.")
    levels = histogram.state_levels()
    about = (
        f"Line {name} is a real variable with state levels {levels.low:.4g} and "
        f"{levels.high:.4g} (histogram modes, IEEE Std 181)"
    )
    reach = levels.band / 2 if levels.are_two else 0.0
    holds = f"the hysteresis is {2 * reach:.4g}, and each number holds until the next."
    if hint is not None:
        return Threshold(hint, reach, f"{about}; its threshold is {hint:g}, as you said; {holds}")
    if not levels.are_two:
        return Threshold(
            math.inf,
            0.0,
            f"Line {name} is a real variable between {levels.least:.4g} and {levels.most:.4g} that "
            "does not show two state levels, so it is taken as low throughout; "
            "--threshold would overrule this.",
        )
    return Threshold(
        levels.middle, reach, f"{about}; its threshold is {levels.middle:.4g}, halfway; {holds}"
    )


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
    reach : float
        How far beyond the threshold a number must lie to count.
    trace : Trace
        What collects the line's edges.
    """

    threshold: float
    reach: float
    trace: Trace = field(default_factory=Trace)
    _side: int = -1
    _side_since: int = 0
    _side_told: bool = False

    def feed(self, times: npt.NDArray[np.int64], values: npt.NDArray[np.float64]) -> None:
        """Take further numbers, NaN where unknown.

        Examples
        --------
        >>> real = RealTrace(threshold=1.65, reach=0.165)
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
        passed = (side == UNKNOWN) | (np.abs(values - self.threshold) >= self.reach)
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
