"""What a hand does with one stick: dwells, sweeps and sines, one after the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from pwmscope.synth.errors import require


@dataclass(frozen=True, slots=True)
class Dwell:
    """Stand still at one width.

    Parameters
    ----------
    dwell_us : float
        The commanded pulse width in microseconds; reached at once.
    for_s : float
        How long, in seconds.

    Raises
    ------
    ScriptError
        If a value is out of its range.
    """

    dwell_us: float
    for_s: float

    def __post_init__(self) -> None:
        require("dwell_us", self.dwell_us, above=0)
        require("for_s", self.for_s, above=0)


@dataclass(frozen=True, slots=True)
class Sweep:
    """Go evenly from where the stick is to another width.

    Parameters
    ----------
    sweep_to_us : float
        The width at the end in microseconds.
    over_s : float
        How long it takes, in seconds.

    Raises
    ------
    ScriptError
        If a value is out of its range.
    """

    sweep_to_us: float
    over_s: float

    def __post_init__(self) -> None:
        require("sweep_to_us", self.sweep_to_us, above=0)
        require("over_s", self.over_s, above=0)


@dataclass(frozen=True, slots=True)
class Sine:
    """Swing about where the stick is.

    Parameters
    ----------
    sine_us : float
        Amplitude in microseconds (half of the whole swing).
    period_s : float
        Length of one swing in seconds.
    for_s : float
        How long, in seconds. The stick stays where the swing ends.

    Raises
    ------
    ScriptError
        If a value is out of its range.
    """

    sine_us: float
    period_s: float
    for_s: float

    def __post_init__(self) -> None:
        require("sine_us", self.sine_us, above=0)
        require("period_s", self.period_s, above=0)
        require("for_s", self.for_s, above=0)


Move: TypeAlias = Dwell | Sweep | Sine


@dataclass(frozen=True, slots=True)
class Stretch:
    """One move placed in time: ``start_us + slope (t - t0) + sine_us sin(2 pi (t - t0) / T)``.

    Parameters
    ----------
    begin_s, end_s : float
        Its time span; the last stretch ends at infinity.
    start_us : float
        Width at its beginning in microseconds.
    slope_us_per_s : float
        Rate of change; 0 for a dwell.
    sine_us, period_s : float
        Amplitude (0 where there is no swing) and length of one swing.
    """

    begin_s: float
    end_s: float
    start_us: float
    slope_us_per_s: float = 0.0
    sine_us: float = 0.0
    period_s: float = 1.0

    @property
    def is_dwell(self) -> bool:
        """Whether the width stands still."""
        return self.slope_us_per_s == 0 and self.sine_us == 0


def place_moves(moves: Sequence[Move]) -> tuple[Stretch, ...]:
    """Place moves one after the other; the last width is held for ever.

    Parameters
    ----------
    moves : sequence of Dwell, Sweep or Sine
        The first is a dwell.

    Returns
    -------
    tuple of Stretch
        Contiguous from 0 s to infinity; neighbouring dwells at one width are joined.

    Examples
    --------
    >>> for s in place_moves([Dwell(1500, 2), Sweep(2000, 1)]):
    ...     print(s.begin_s, s.end_s, s.start_us, s.slope_us_per_s)
    0.0 2.0 1500.0 0.0
    2.0 3.0 1500.0 500.0
    3.0 inf 2000.0 0.0
    """
    placed: list[Stretch] = []
    time_s, width_us = 0.0, 0.0
    for move in moves:
        begin_s = time_s
        if isinstance(move, Dwell):
            time_s, width_us = begin_s + move.for_s, float(move.dwell_us)
            placed.append(Stretch(begin_s, time_s, width_us))
        elif isinstance(move, Sweep):
            time_s = begin_s + move.over_s
            slope = (move.sweep_to_us - width_us) / move.over_s
            placed.append(Stretch(begin_s, time_s, width_us, slope))
            width_us = float(move.sweep_to_us)
        else:
            time_s = begin_s + move.for_s
            placed.append(Stretch(begin_s, time_s, width_us, 0.0, move.sine_us, move.period_s))
            width_us += float(move.sine_us * np.sin(2 * np.pi * move.for_s / move.period_s))
    placed.append(Stretch(time_s, float("inf"), width_us))
    return tuple(_join_dwells(placed))


def _join_dwells(placed: list[Stretch]) -> list[Stretch]:
    joined: list[Stretch] = []
    for stretch in placed:
        last = joined[-1] if joined else None
        if last and last.is_dwell and stretch.is_dwell and last.start_us == stretch.start_us:
            joined[-1] = Stretch(last.begin_s, stretch.end_s, last.start_us)
        else:
            joined.append(stretch)
    return joined


def width_at(
    stretches: Sequence[Stretch], time_s: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Commanded width at given times.

    Parameters
    ----------
    stretches : sequence of Stretch
        As `place_moves` returns them.
    time_s : ndarray of float64, shape (n,)
        Times in seconds; times before 0 count as 0.

    Returns
    -------
    ndarray of float64, shape (n,)
        Widths in microseconds.

    Examples
    --------
    >>> stretches = place_moves([Dwell(1500, 2), Sweep(2000, 1)])
    >>> width_at(stretches, np.array([-1.0, 1.0, 2.5, 9.0]))
    array([1500., 1500., 1750., 2000.])
    """
    time_s = np.maximum(time_s, 0.0)
    table = np.array(
        [(s.begin_s, s.start_us, s.slope_us_per_s, s.sine_us, s.period_s) for s in stretches]
    )
    at = np.searchsorted(table[:, 0], time_s, side="right") - 1
    begin_s, start_us, slope, sine_us, period_s = table[at].T
    into_s = time_s - begin_s
    width_us: npt.NDArray[np.float64] = (
        start_us + slope * into_s + sine_us * np.sin(2 * np.pi * into_s / period_s)
    )
    return width_us
