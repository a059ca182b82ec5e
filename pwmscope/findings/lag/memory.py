"""What an output's width keeps of the past: smoothing over frames, hysteresis."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.lag.curve import Curve
from pwmscope.findings.lag.pairs import Pairs
from pwmscope.findings.lag.train import Train
from pwmscope.model import FloatArray, IntArray, mean_of

NEIGHBOURS: Final = 3
"""Input frames before and after that may have a part in an output width."""
MIN_SWEEPS: Final = 3
MIN_MOVING: Final = 40
SHARE: Final = 0.5
"""Part of what the curve leaves while the stick moves that its neighbours must explain."""


@dataclass(frozen=True, slots=True)
class Memory:
    """How an output's width depends on more than the one input pulse."""

    smoothed: bool  # Whether several input pulses in a row have a part in it
    # Where smoothed: how many input frames their middle lies earlier than the pulse that explains
    # most
    centre_frames: float
    # Output width on the way up less that on the way down; None with fewer than three sweeps each
    # way
    hysteresis_us: float | None
    hysteresis_uncertainty_us: float  # Its standard uncertainty
    sweeps: tuple[int, int]  # Sweeps up and down


def find_memory(source: Train, output: Train, pairs: Pairs, curve: Curve) -> Memory:
    """Look at what the curve leaves of the output's width while the stick moves.

    It is regressed on the widths of three input pulses before and after
    (least squares), which tell smoothing, and on the direction alone, which
    tells hysteresis. Hysteresis is the difference of the means over whole sweeps
    up and down; its uncertainty is Welch's (JCGM 100, 5.1.2).
    """
    noise_us = max(source.noise_us, source.floor_us2**0.5)
    width_us, place = source.width_us, pairs.source
    left_us = output.width_us[pairs.output] - curve.of(width_us[place])
    step_us = np.diff(width_us, prepend=width_us[0])
    heading = np.sign(step_us) * (np.abs(step_us) > 4.0 * noise_us)
    onward = np.append(heading[1:], 0.0)
    direction = np.where(heading == onward, heading, 0.0)[place]
    whole = curve.at_full_slope(width_us[place], 5.0 * noise_us)
    inner = (place >= NEIGHBOURS) & (place < width_us.size - NEIGHBOURS)
    used = np.flatnonzero((direction != 0.0) & whole & inner)
    smoothed, centre = False, 0.0
    if used.size >= MIN_MOVING:
        smoothed, centre = _smoothing(width_us, place[used], left_us[used], direction[used], curve)
    difference_us, doubt_us, sweeps = _hysteresis(left_us, direction, used)
    return Memory(smoothed, centre, difference_us, doubt_us, sweeps)


def _smoothing(
    width_us: FloatArray, place: IntArray, left_us: FloatArray, direction: FloatArray, curve: Curve
) -> tuple[bool, float]:
    offsets = np.array([k for k in range(-NEIGHBOURS, NEIGHBOURS + 1) if k])
    around_us = width_us[place[:, None] + offsets] - width_us[place][:, None]
    total = float(np.sum(left_us**2))
    if not total:
        return False, 0.0
    parts = np.linalg.lstsq(around_us, left_us, rcond=None)[0]
    both = np.column_stack([around_us, direction])
    with_direction = np.linalg.lstsq(both, left_us, rcond=None)[0]
    by_neighbours = 1.0 - float(np.sum((left_us - around_us @ parts) ** 2)) / total
    by_both = 1.0 - float(np.sum((left_us - both @ with_direction) ** 2)) / total
    by_direction = float(np.dot(left_us, direction)) ** 2 / (direction.size * total)
    smoothed = by_neighbours > SHARE and by_both - by_direction > SHARE / 2.0
    centre = float(np.sum(offsets * parts)) / curve.gain.value
    return smoothed and abs(centre) < NEIGHBOURS, -centre


def _hysteresis(
    left_us: FloatArray, direction: FloatArray, used: IntArray
) -> tuple[float | None, float, tuple[int, int]]:
    """Compare the means of sweeps up and sweeps down."""
    if not used.size:
        return None, 0.0, (0, 0)
    way = direction[used]
    begin = np.flatnonzero((np.diff(used, prepend=-9) > 1) | (np.diff(way, prepend=0.0) != 0))
    count = np.diff(begin, append=used.size)
    mean_us = np.add.reduceat(left_us[used], begin) / count
    kept = count >= MIN_SWEEPS
    up_us, down_us = (mean_us[kept & (way[begin] == sign)] for sign in (1.0, -1.0))
    sweeps = (up_us.size, down_us.size)
    if min(sweeps) < MIN_SWEEPS:
        return None, 0.0, sweeps
    doubt_us = math.sqrt(
        float(np.var(up_us, ddof=1)) / up_us.size + float(np.var(down_us, ddof=1)) / down_us.size
    )
    return mean_of(up_us) - mean_of(down_us), doubt_us, sweeps
