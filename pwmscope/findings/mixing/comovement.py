"""What two outputs alone tell, where no stick positions are known."""

from __future__ import annotations

from typing import Final

import numpy as np

from pwmscope.model import FloatArray

_MOVED: Final = 0.1
"""Part of half the travel by which an output that moves is off its rest."""
_MIN: Final = 5
_RECORD: Final = (
    "Which stick does what cannot be told from the outputs alone: record the receiver's stick "
    "channels too, or record to a plan (--plan)."
)


def format_comovement(position: FloatArray) -> str:
    """Say what two outputs do together, and what that leaves open.

    Examples
    --------
    >>> one, two = np.repeat([0.0, 1, 0, 0], 50), np.repeat([0.0, 0, 0, -1], 50)
    >>> print(format_comovement(np.stack([one, two], axis=1))[:60])
    Each output moved while the other rested and never both toge
    """
    away = position - np.median(position, axis=0)
    moved = np.abs(away) > _MOVED
    both = moved.all(axis=1)
    alone = [np.count_nonzero(moved[:, at] & ~both) >= _MIN for at in (0, 1)]
    equal = np.abs(np.abs(away[:, 0]) - np.abs(away[:, 1])) < 0.2 * np.abs(away).max(axis=1)
    same = np.sign(away[:, 0]) == np.sign(away[:, 1])
    together = np.count_nonzero(both & equal & same) >= _MIN
    opposite = np.count_nonzero(both & equal & ~same) >= _MIN
    if not moved.any():
        return f"Neither output moved, so nothing is told about the mixing. {_RECORD}"
    if all(alone) and not both.any():
        seen = (
            "Each output moved while the other rested and never both together: that is what "
            "unmixed outputs do when one stick is moved at a time."
        )
    elif together and opposite and not any(alone):
        seen = (
            "The outputs moved together and by equal amounts opposite to each other, never one "
            "alone: that is what mixed outputs do when one stick is moved at a time."
        )
    elif together and not opposite and not any(alone):
        seen = "The outputs only moved together, by equal amounts."
    elif opposite and not together and not any(alone):
        seen = "The outputs only moved opposite to each other, by equal amounts."
    else:
        seen = "The outputs moved both together and alone."
    return f"{seen} {_RECORD}"
