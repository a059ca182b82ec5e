"""How fast a rotor turned: reciprocal counting of its marks, with uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.rotation.marks import Marks
from pwmscope.model import CLOCK_TOLERANCE, PS_PER_S, FloatArray, IntArray

GATE_S: Final = 0.1
"""A speed is counted over whole turns in at least this time, or over one interval."""
MISPLACED: Final = 0.05
"""Marks may be out of place by this part of their pitch (common practice); whole turns cancel it.
"""
SUSTAINED: Final = 3
"""So many intervals one after the other show motion; a single one may be a fault of the sensor."""


@dataclass(frozen=True, slots=True)
class Speeds:
    """Speeds over time, as columns, each of shape (n,)."""

    begin_s: FloatArray  # When the first mark of each count passed, since the recording's start
    lasts_s: FloatArray  # Until the last one
    turns: FloatArray  # Turns between them
    hz: FloatArray  # Turns a second
    u_hz: FloatArray  # Standard uncertainty

    @property
    def per_minute(self) -> FloatArray:
        """Turns a minute."""
        return 60.0 * self.hz


def count_speeds(marks: Marks, per_turn: int) -> Speeds:
    r"""Count speeds over gates of `GATE_S`, each from a mark to a mark.

    Parameters
    ----------
    marks : Marks
        When the marks passed.
    per_turn : int
        Marks that pass in each turn.

    Returns
    -------
    Speeds

    Notes
    -----
    Reciprocal counting: ``n = k / (m t)`` with k marks in the time t, m in a turn. By JCGM 100,
    5.1.2: ``(u(n)/n)^2 = (u(t)/t)^2 + (u(k)/k)^2``. Each end is late by 0 to a sample interval
    T, so ``u(t)^2 = T^2/6`` (two rectangular ones, 4.3.7), and the clock is right within 100 ppm,
    rectangular too. Over whole turns ``u(k) = 0``, else two marks out of place count.
    """
    none = np.zeros(0)
    if len(marks) < 2:
        return Speeds(none, none, none, none, none)
    begin, end = _gates(marks, per_turn)
    count = marks.number[end] - marks.number[begin]
    # Whole turns, where the mark that ends the last of them was seen.
    whole = count - count % per_turn
    back = end - (count - whole)
    is_whole = (whole > 0) & (marks.number[np.maximum(back, 0)] - marks.number[begin] == whole)
    end, count = np.where(is_whole, back, end), np.where(is_whole, whole, count)
    lasts_s = (marks.instants_ps[end] - marks.instants_ps[begin]) / PS_PER_S
    turns = count / per_turn
    hz = turns / lasts_s
    relative = (marks.interval_s / lasts_s) ** 2 / 6.0 + CLOCK_TOLERANCE**2 / 3.0
    is_partial = count % per_turn != 0
    relative += np.where(is_partial, 2.0 / 3.0 * (MISPLACED / count) ** 2, 0.0)
    return Speeds(marks.instants_ps[begin] / PS_PER_S, lasts_s, turns, hz, hz * np.sqrt(relative))


def _gates(marks: Marks, per_turn: int) -> tuple[IntArray, IntArray]:
    """Return the first and the last mark of each gate, each gate's end the next one's beginning."""
    instants_ps = marks.instants_ps
    begun_ps = int(instants_ps[0])
    gates = int((instants_ps[-1] - begun_ps) / (GATE_S * PS_PER_S)) + 2
    lines_ps = begun_ps + np.arange(gates, dtype=np.int64) * int(GATE_S * PS_PER_S)
    first = np.minimum(np.searchsorted(instants_ps, lines_ps), instants_ps.size - 1)
    bounds = np.unique(first)
    return bounds[:-1], bounds[1:]


def rolling(marks: Marks, per_turn: int, begin: int, end: int) -> tuple[FloatArray, FloatArray]:
    """Return the mean speeds over `SUSTAINED` intervals in a row of some marks, and their ends."""
    time_s = marks.seconds(begin, end)
    if time_s.size <= SUSTAINED:
        return np.zeros(0), np.zeros(0)
    number = marks.number[begin:end]
    turns = (number[SUSTAINED:] - number[:-SUSTAINED]) / per_turn
    return turns / (time_s[SUSTAINED:] - time_s[:-SUSTAINED]), time_s[SUSTAINED:]


def below_per_minute(silent_s: float, per_turn: int) -> float:
    """Return the speed that a rotor is below where no mark came for a time.

    Examples
    --------
    >>> below_per_minute(0.4, 1)
    150.0
    """
    return math.inf if silent_s <= 0.0 else 60.0 / (per_turn * silent_s)
