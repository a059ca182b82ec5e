"""Which pulse of one line belongs to which pulse of another."""

from __future__ import annotations

import math

import numpy as np

from pwmscope.model import FloatArray, IntArray


def pair(
    reference_s: FloatArray, other_s: FloatArray, offset_us: float, period_us: float
) -> IntArray:
    """Find for each pulse of a line the other line's pulse of the same frame.

    It is the one nearest to where the usual offset puts it, if it lies within
    half a period of that; of two pulses that want the same one, the nearer has it.

    Examples
    --------
    >>> reference_s = np.array([0.0, 0.02, 0.04, 0.06])
    >>> pair(reference_s, np.array([0.0015, 0.0415, 0.0616]), 1500.0, 20_000.0)
    array([ 0, -1,  1,  2])
    """
    if not other_s.size:
        return np.full(reference_s.size, -1, np.int64)
    aim_s = reference_s + offset_us / 1e6
    near = np.searchsorted(other_s, aim_s)
    before = np.maximum(near - 1, 0)
    near = np.minimum(near, other_s.size - 1)
    near = np.where(aim_s - other_s[before] <= other_s[near] - aim_s, before, near)
    off_s = np.abs(other_s[near] - aim_s)
    unpaired = off_s >= period_us / 2e6
    shared = near[1:] == near[:-1]
    unpaired[1:] |= shared & (off_s[1:] >= off_s[:-1])
    unpaired[:-1] |= shared & (off_s[:-1] > off_s[1:])
    near[unpaired] = -1
    return near


def usual_offset(
    reference_s: FloatArray, other_s: FloatArray, period_us: float
) -> tuple[float, float]:
    """Find where in a line's frame another line's pulses usually begin.

    The offsets are angles on a circle of one period. Their mean direction, and
    the length of the mean vector, are those of circular statistics (Mardia and
    Jupp, "Directional Statistics", 2000, 2.2 and 2.3; from memory).

    Examples
    --------
    >>> reference_s = 0.02 * np.arange(5)
    >>> offset_us, concentration = usual_offset(reference_s, reference_s + 0.0015, 20_000.0)
    >>> round(offset_us, 3), round(concentration, 3)
    (1500.0, 1.0)
    """
    at = np.searchsorted(other_s, reference_s)
    known = at < other_s.size
    offset_s = other_s[at[known]] - reference_s[known]
    offset_s = offset_s[offset_s < 1.5 * period_us / 1e6]
    if not offset_s.size:
        return 0.0, 0.0
    turn = complex(np.mean(np.exp(2j * math.pi * (offset_s * (1e6 / period_us)))))
    part = math.atan2(turn.imag, turn.real) / (2.0 * math.pi)
    return part % 1.0 * period_us, abs(turn)
