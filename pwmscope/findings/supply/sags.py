"""Where a supply sags: stretches in which its voltage lies below what it was around."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.model import PS_PER_S, FloatArray, IntArray, Line, Voltage

SURE: Final = 5.5
"""Noise deviations by which a sag stands out; chance does so once in hours of record."""
BORDER: Final = 3.0
"""Down to so many deviations a sag reaches."""
APART: Final = 3
"""Milliseconds between two stretches that are one sag all the same."""
NORMAL_MAD: Final = 1.4826
BLOCK: Final = 50
"""Milliseconds whose median is taken, and so many of these on each side for the level around."""
AROUND: Final = 100
LEAST_NOISE: Final = 2e-4
"""Part of the supply that its noise is taken to be at least: no analyser is better."""
_SHAPES: Final = (
    (1.0, 1.0),
    (0.5, 1.0, 0.5),
    (0.25, 1.0, 0.75),
    (0.75, 1.0, 0.25),
)
"""What a sag of 2 ms makes of the means of milliseconds, wherever it begins."""


@dataclass(frozen=True, slots=True)
class Sags:
    """The sags of a supply, as columns, each of shape (n,)."""

    begin_s: FloatArray  # When each begins and ends, in seconds since the recording's start
    end_s: FloatArray
    # How far its lowest millisecond lies below the level around, and that one's mean; NaN where a
    # comparator shows no voltage
    depth_v: FloatArray
    mean_v: FloatArray
    least_v: FloatArray  # Its lowest sample

    def __len__(self) -> int:
        return int(self.begin_s.size)


def around(mean_v: FloatArray) -> FloatArray:
    """Return the level around each millisecond: medians of blocks, and the median of these."""
    blocks = max(mean_v.size // BLOCK, 1)
    length = mean_v.size // blocks
    inner = np.median(mean_v[: blocks * length].reshape(blocks, length), axis=1)
    padded = np.pad(inner, AROUND, mode="reflect" if blocks > AROUND else "edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * AROUND + 1)
    level = np.concatenate([np.median(part, axis=1) for part in np.array_split(windows, 64)])
    middle = length * (np.arange(blocks) + 0.5) - 0.5
    found: FloatArray = np.interp(np.arange(mean_v.size), middle, level)
    return found


def noise_of(off_v: FloatArray) -> float:
    """Return the deviation of the means of milliseconds, by the median step between two."""
    steps_v = np.abs(np.diff(off_v))
    return NORMAL_MAD / math.sqrt(2.0) * float(np.median(steps_v)) if steps_v.size else 0.0


def find_sags(voltage: Voltage, scale: float = 1.0) -> tuple[Sags, float]:
    """Find the sags of a recorded supply, and the noise of its milliseconds in volts.

    Parameters
    ----------
    voltage : Voltage
        Least, mean and most of each millisecond.
    scale : float, optional
        Volts at the pin for each volt recorded.

    Returns
    -------
    Sags
    float

    Notes
    -----
    Matched filters of what a sag of 2 ms makes of the means (own choice), in units of
    the noise; where one stands out by 5.5, the stretch around below 3 is the sag.
    """
    mean_v = scale * voltage.mean_v.astype(np.float64)
    if mean_v.size < 2:
        none = np.zeros(0)
        return Sags(none, none, none, none, none), 0.0
    level_v = around(mean_v)
    off_v = mean_v - level_v
    noise_v = max(noise_of(off_v), LEAST_NOISE * abs(float(np.median(mean_v))))
    off = -off_v / noise_v
    found = np.zeros(off.size, bool)
    for shape in _SHAPES:
        if off.size < len(shape):
            continue
        weights = np.array(shape) / np.linalg.norm(shape)
        over = np.correlate(off, weights, mode="valid") > SURE
        for k, weight in enumerate(shape):
            if weight >= 0.5:
                found[k : k + over.size] |= over & (off[k : k + over.size] > BORDER / 2.0)
    below = (off > BORDER) | found
    begin, end = _runs(below)
    kept = np.add.reduceat(found, begin) > 0 if begin.size else np.zeros(0, bool)
    begin, end = begin[kept], end[kept]
    # `reduceat` takes a run's end as the next run's beginning, and what lies between as well.
    places = np.stack([begin, np.minimum(end, off.size - 1)], axis=1).ravel()
    least_v = scale * voltage.least_v.astype(np.float64)
    step_s = voltage.step_ps / PS_PER_S
    begun_s = voltage.start_ps / PS_PER_S
    if not begin.size:
        none = np.zeros(0)
        return Sags(none, none, none, none, none), noise_v
    sags = Sags(
        np.asarray(begun_s + begin * step_s, np.float64),
        np.asarray(begun_s + end * step_s, np.float64),
        -np.minimum.reduceat(off_v, places)[::2],
        np.minimum.reduceat(mean_v, places)[::2],
        np.minimum.reduceat(least_v, places)[::2],
    )
    return sags, noise_v


def _runs(below: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> tuple[IntArray, IntArray]:
    """Return where runs of true begin and end; runs a few apart are one."""
    step = np.diff(below.astype(np.int8), prepend=0, append=0)
    begin, end = np.flatnonzero(step > 0), np.flatnonzero(step < 0)
    apart = begin[1:] - end[:-1] > APART
    return begin[np.append(True, apart)[: begin.size]], end[np.append(apart, True)[: end.size]]


def comparator_sags(line: Line, end_ps: int) -> Sags:
    """Return the stretches in which a comparator's output is low, as sags of unknown depth."""
    bounds = np.concatenate([[0], line.edges_ps, [end_ps]]) / PS_PER_S
    first = line.initial_level  # stretch k has the level initial ^ (k & 1)
    begin_s, end_s = bounds[:-1][first::2], bounds[1:][first::2]
    kept = end_s > begin_s
    begin_s, end_s = begin_s[kept], end_s[kept]
    unknown = np.full(begin_s.size, np.nan)
    return Sags(begin_s, end_s, unknown, unknown, unknown)
