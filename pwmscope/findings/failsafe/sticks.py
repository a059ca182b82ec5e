"""Which outputs are moved by sticks of their own: only these bear witness for one another."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.failsafe.losses import JUMP, Output
from pwmscope.findings.segmentation import Dwells
from pwmscope.model import Span, inside

SAME: Final = 0.012
"""Widths within this part of the convention's span are one position of a stick."""

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


def find_own_sticks(outputs: Mapping[str, Output], lost: tuple[Span, ...]) -> BoolArray:
    """Say of each pair of lines whether two sticks move them.

    One stick makes the width of one line a function of the other's. Where, outside the
    losses, neither is a monotone function of the other, there are two: each was seen at
    two places while the other stood at one, or they went together and against each other.
    A mixed drive is two sticks.
    """
    own = np.zeros((len(outputs), len(outputs)), dtype=bool)
    whole = [_outside(output.dwells, lost) for output in outputs.values()]
    span_us = [output.table.convention.span_us for output in outputs.values()]
    for i, j in itertools.combinations(range(len(whole)), 2):
        first_us, second_us = _standing_together(whole[i], whole[j])
        own[i, j] = own[j, i] = are_apart(first_us / span_us[i], second_us / span_us[j])
    return own


def _outside(dwells: Dwells, lost: tuple[Span, ...]) -> Dwells:
    middle_s = 0.5 * (dwells.start_s + dwells.end_s)
    return dwells.select(~inside(lost, middle_s))


def _standing_together(first: Dwells, second: Dwells) -> tuple[FloatArray, FloatArray]:
    """List the levels of two lines wherever both stood."""
    if not len(first) or not len(second):
        return np.zeros(0), np.zeros(0)
    begin_s = np.unique(np.concatenate([first.start_s, second.start_s]))
    places = [np.searchsorted(d.start_s, begin_s, side="right") - 1 for d in (first, second)]
    stands = np.ones(begin_s.size, dtype=bool)
    for dwells, place in zip((first, second), places, strict=True):
        stands &= (place >= 0) & (dwells.end_s[np.maximum(place, 0)] > begin_s)
    return first.level_us[places[0][stands]], second.level_us[places[1][stands]]


def are_apart(first: FloatArray, second: FloatArray) -> bool:
    """Say whether neither of two lines' levels is a monotone function of the other's.

    Examples
    --------
    >>> one = np.array([0.5, 0.7, 0.7, 0.5])
    >>> are_apart(one, np.array([0.5, 0.5, 0.3, 0.3])), are_apart(one, 1.0 - one)
    (True, False)
    """
    if first.size < 3:
        return False
    if _varies(first, second) and _varies(second, first):
        return True
    return _turns(first, second) and _turns(second, first)


def _varies(given: FloatArray, levels: FloatArray) -> bool:
    """Say whether a line was at two levels while the other was at one."""
    order = np.argsort(given, kind="stable")
    given, levels = given[order], levels[order]
    end = np.searchsorted(given, given + SAME, side="right")
    # The largest range of levels within any such window, by halves of the window's length.
    spread = 0.0
    for begin, upto in _windows(end):
        within = levels[begin:upto]
        spread = max(spread, float(within.max() - within.min()))
        if spread > JUMP:
            return True
    return False


def _windows(end: npt.NDArray[np.intp]) -> list[tuple[int, int]]:
    """Keep the windows that hold more than the one before."""
    begin = np.arange(end.size)
    kept = np.append(True, np.diff(end) > 0) & (end - begin > 1)
    return list(zip(begin[kept].tolist(), end[kept].tolist(), strict=True))


def _turns(given: FloatArray, levels: FloatArray) -> bool:
    """Say whether a line's level both rises and falls as the other's rises."""
    order = np.argsort(given, kind="stable")
    levels = levels[order]
    rises = float((levels - np.minimum.accumulate(levels)).max())
    falls = float((np.maximum.accumulate(levels) - levels).max())
    return min(rises, falls) > JUMP
