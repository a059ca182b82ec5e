"""Glitches: short spikes placed evenly over the low time of a line."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pwmscope.model.recording import PS_PER_S, PS_PER_US
from pwmscope.synth.script import Glitches

CLEAR_PS = 100 * PS_PER_US
"""Least distance from a glitch to the pulses around it."""


def draw_glitches(
    glitches: Glitches,
    rise_ps: npt.NDArray[np.int64],
    width_ps: npt.NDArray[np.int64],
    duration_ps: int,
    rng: np.random.Generator,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Draw the glitches of one line.

    Parameters
    ----------
    glitches : Glitches
        How many and how wide.
    rise_ps, width_ps : ndarray of int64, shape (n,)
        High stretches already on the line, in any order, none overlapping.
    duration_ps : int
        Length of the recording.
    rng : numpy.random.Generator
        Where the draws come from.

    Returns
    -------
    rise_ps, width_ps : ndarray of int64, shape (m,)
        At most one glitch in each low stretch, in order of time.
    """
    count = int(rng.poisson(glitches.per_minute * duration_ps / (60 * PS_PER_S)))
    widest_ps = round(glitches.longest_us * PS_PER_US)
    order = np.argsort(rise_ps)
    begin_ps = np.concatenate([np.zeros(1, np.int64), (rise_ps + width_ps)[order]]) + CLEAR_PS
    end_ps = np.concatenate([rise_ps[order], np.array([duration_ps])]) - CLEAR_PS - widest_ps
    room_ps = np.maximum(end_ps - begin_ps, 0)
    filled_ps = np.cumsum(room_ps)
    place_ps = np.sort(np.floor(rng.random(count) * filled_ps[-1]).astype(np.int64))
    least_us, span_us = glitches.shortest_us, glitches.longest_us - glitches.shortest_us
    spike_ps = np.rint((least_us + span_us * rng.random(count)) * PS_PER_US).astype(np.int64)
    gap, first = np.unique(np.searchsorted(filled_ps, place_ps, side="right"), return_index=True)
    inside = gap < room_ps.size
    gap, first = gap[inside], first[inside]
    into_ps = place_ps[first] - (filled_ps[gap] - room_ps[gap])
    return begin_ps[gap] + into_ps, spike_ps[first]
