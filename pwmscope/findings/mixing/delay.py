"""By how many frames outputs follow recorded sticks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.model import BoolArray, FloatArray

DELAYS: Final = (0, 1, 2, 3, 4, -1)
"""Frames by which the outputs may follow the sticks, the simplest first. Minus one is an
output whose pulse comes early in the frame of a stick's that comes late."""
SURE_DELAY: Final = 0.8
"""A delay is shown where the next best leaves a residual larger than the best by this ratio."""
MOVING: Final = 0.02
"""Part of a stick's travel that it changes within the longest delay while it moves."""
_INNER: Final = 0.05
"""Widths this near to the ends of an output's range do not count for the delay: it may clip."""


@dataclass(frozen=True, slots=True)
class Delay:
    """The delay that fits best."""

    at: int  # Its place in `DELAYS`
    shown: bool  # Whether no other fits nearly as well
    # shape (m, k): How much those that do would change what each output does for each stick
    doubt_us: FloatArray


def best_delay(held: list[FloatArray], width_us: FloatArray) -> Delay:
    """Choose the delay by the residuals while the sticks move.

    Where others fit nearly as well (steady circles: a delay turns them), the largest change
    that they make counts whole as a standard uncertainty, since it moves all outputs together.
    """
    none = np.zeros((width_us.shape[1], held[0].shape[1]))
    spread = np.ptp(np.stack(held), axis=0).max(axis=1, initial=0.0)
    moving = spread > MOVING
    if np.count_nonzero(moving) < 3 * (held[0].shape[1] + 1):
        return Delay(0, shown=False, doubt_us=none)
    low_us, high_us = np.quantile(width_us, (0.002, 0.998), axis=0)
    inner = _INNER * (high_us - low_us)
    free = np.all((width_us > low_us + inner) & (width_us < high_us - inner), axis=1)
    reach = np.ptp(held[0], axis=0)
    few = np.count_nonzero(free & moving) < np.count_nonzero(moving) / 4.0
    if few or np.any(np.ptp(held[0][free], axis=0) < reach / 2.0):
        free[:] = True
    left_us = np.array([_left_us(stick[free], width_us[free], moving[free]) for stick in held])
    at = int(np.argmin(left_us))
    near = left_us <= left_us[at] / SURE_DELAY
    terms_us = np.array([_slopes_us(stick, width_us) for stick in held])
    doubt_us = np.max(np.abs(terms_us - terms_us[at])[near], axis=0)
    return Delay(at, shown=bool(np.count_nonzero(near) == 1), doubt_us=doubt_us)


def _left_us(stick: FloatArray, width_us: FloatArray, moving: BoolArray) -> float:
    """Return the mean residual of plain lines while the sticks move."""
    design, terms = _lines(stick, width_us)
    return float(np.mean(np.abs(width_us - design @ terms)[moving]))


def _slopes_us(stick: FloatArray, width_us: FloatArray) -> FloatArray:
    """Return the slopes of plain lines; shape (m, k)."""
    return _lines(stick, width_us)[1][:-1].T


def _lines(stick: FloatArray, width_us: FloatArray) -> tuple[FloatArray, FloatArray]:
    design = np.column_stack([stick, np.ones(len(stick))])
    terms = np.linalg.lstsq(design.T @ design, design.T @ width_us, rcond=None)[0]
    return design, np.asarray(terms, dtype=np.float64)
