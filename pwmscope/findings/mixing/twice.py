"""Mixing in two places, told from unmixed by the first mixer's clipping."""

from __future__ import annotations

from typing import Final

import numpy as np

from pwmscope.findings.mixing.fit import HANDS, MixFit, fit_output
from pwmscope.findings.mixing.regression import loss
from pwmscope.findings.mixing.sticks import Samples
from pwmscope.model import FloatArray, sampling_floor_us

_GAINS: Final = (0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.3, 1.4)
"""Gains of the first mixer that are tried; below 0.5 it does not clip at all."""
_FULL: Final = (0.85, 1.15)
"""A plan tells the hands' corners, which a round stick gate may keep them from: only a gain
of about one is believed then."""
_WORTH: Final = 0.4
_SURE: Final = 40.0
_MIN: Final = 12
_HANDS_LEAVE: Final = 0.08
"""Hands that follow a plan leave less than this part of the movement unexplained (own estimate)."""
_MIXER = np.array([[1.0, 1.0], [1.0, -1.0]])


def through_first_mixer(stick: FloatArray, gain: float) -> FloatArray:
    """Give the sticks as they would look behind a mixer that clips, and its inverse.

    Two mixers in a row undo each other, since the mixing matrix [[1, 1], [1, -1]]
    squared is twice the identity; only the first one's clipping remains.

    Examples
    --------
    >>> through_first_mixer(np.array([[1.0, 0.0], [1.0, 1.0]]), 1.0).tolist()
    [[1.0, 0.0], [0.5, 0.5]]
    """
    mixed = np.clip(gain * stick @ _MIXER, -1.0, 1.0)
    return np.asarray(mixed @ _MIXER / (2.0 * gain), dtype=np.float64)


def fit_twice(fit: MixFit) -> tuple[MixFit, bool] | None:
    """Fit outputs behind two mixers of which the first clips."""
    samples = fit.samples
    corner = np.sum(np.abs(samples.stick), axis=1)
    if np.count_nonzero(corner > 1.1) < _MIN:
        return None
    by_plan = samples.source == "plan"
    if by_plan and fit.unexplained < _HANDS_LEAVE:
        return None
    gain = min(_GAINS, key=lambda gain: _left_us(samples, gain))
    design = _design(samples, gain)
    floor_us = sampling_floor_us(samples.interval_us) or 0.0
    outputs = tuple(
        fit_output(design, samples.width_us[:, at], floor_us, HANDS if by_plan else 0.0)
        for at in range(len(samples.outputs))
    )
    best = MixFit(samples, outputs)
    scales_us = [
        min(one.scale_us, other.scale_us)
        for one, other in zip(fit.outputs, best.outputs, strict=True)
    ]
    before, after = _loss(fit, scales_us), _loss(best, scales_us)
    if after > _WORTH * before or before - after < _SURE:
        return None
    return best, not by_plan or _FULL[0] <= gain <= _FULL[1]


def _design(samples: Samples, gain: float) -> FloatArray:
    return np.column_stack([through_first_mixer(samples.stick, gain), np.ones(len(samples.stick))])


def _left_us(samples: Samples, gain: float) -> float:
    """Return the mean residual of plain lines behind a first mixer of that gain."""
    design = _design(samples, gain)
    terms = np.linalg.lstsq(design.T @ design, design.T @ samples.width_us, rcond=None)[0]
    return float(np.mean(np.abs(samples.width_us - design @ terms)))


def _loss(fit: MixFit, scales_us: list[float]) -> float:
    return sum(
        loss(output.residual_us, scale_us)
        for output, scale_us in zip(fit.outputs, scales_us, strict=True)
    )
