"""Which outputs are moved by sticks of their own, and which move as no stick moves them."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.failsafe.coincidence import Watched
from pwmscope.findings.failsafe.losses import JUMP, Loss, Output
from pwmscope.findings.failsafe.response import LossClass
from pwmscope.findings.segmentation import Dwells
from pwmscope.model import Span, inside

SAME: Final = 0.012
"""Widths within this part of the convention's span are one position of a stick."""

BEGUN_S: Final = 0.25
"""What a stick did last may show for so long."""
IN_STEP: Final = 0.95
"""Correlation of the widths of two lines that move as one."""
MIN_IN_STEP: Final = 30
MIN_MOVES_US: Final = 20.0
MIN_PLACES: Final = 6
"""So many places of a stick, in one order on both its lines, show that it is one stick."""

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


def with_wandering(
    lines: list[Watched], losses: Sequence[Loss], apart: BoolArray, lost: tuple[Span, ...]
) -> list[Watched]:
    """Tell lines that move, while the signal is lost, as no hand moves them.

    Lines of two sticks move as one, or lines of one stick not as that stick moves them.
    """
    by_loss: dict[int, list[int]] = {}
    for i, line in enumerate(lines):
        for k, own in zip(line.places, line.responses, strict=True):
            if own.behaviour is LossClass.KEEPS_FOLLOWING:
                by_loss.setdefault(k, []).append(i)
    found: set[tuple[int, int]] = set()
    for k, moving in by_loss.items():
        for i, j in itertools.combinations(moving, 2):
            widths = _moving_together(lines[i], lines[j], losses[k])
            if widths is None:
                continue
            if apart[i, j]:
                wanders = abs(np.corrcoef(*widths)[0, 1]) >= IN_STEP
            else:
                wanders = _leaves_way(lines[i].output, lines[j].output, lost, widths)
            if wanders:
                found |= {(i, k), (j, k)}
    if not found:
        return lines
    return [
        replace(
            line,
            responses=tuple(
                [
                    replace(own, behaviour=LossClass.WANDERS, moved_until_s=None, why_not="")
                    if (i, k) in found
                    else own
                    for k, own in zip(line.places, line.responses, strict=True)
                ]
            ),
        )
        for i, line in enumerate(lines)
    ]


def _moving_together(
    first: Watched, second: Watched, loss: Loss
) -> tuple[FloatArray, FloatArray] | None:
    """Take the widths of two lines in a loss, frame by frame; None where they do not move."""
    tables = first.output.table, second.output.table
    begin_s = loss.latest_s + BEGUN_S
    rows = [
        np.flatnonzero(t.measured & (t.rise_s > begin_s) & (t.rise_s < loss.back_s)) for t in tables
    ]
    if min(own.size for own in rows) < MIN_IN_STEP:
        return None
    after = np.searchsorted(tables[1].rise_s[rows[1]], tables[0].rise_s[rows[0]], side="right")
    pair = np.maximum(after - 1, 0)
    widths = tables[0].width_us[rows[0]], tables[1].width_us[rows[1]][pair]
    return widths if min(float(np.std(own)) for own in widths) >= MIN_MOVES_US else None


def _leaves_way(
    first: Output, second: Output, lost: tuple[Span, ...], widths: tuple[FloatArray, FloatArray]
) -> bool:
    """Say whether two lines of one stick are mostly not where it puts them together."""
    whole = [_outside(output.dwells, lost) for output in (first, second)]
    levels_us = _standing_together(*whole)
    order = np.argsort(levels_us[0], kind="stable")
    at_us, beside_us = levels_us[0][order], levels_us[1][order]
    span_us = first.table.convention.span_us
    places = np.append(True, np.diff(at_us) > SAME * span_us) if at_us.size else np.zeros(0, bool)
    if np.count_nonzero(places) < MIN_PLACES:
        return False
    seen = (widths[0] >= at_us[0]) & (widths[0] <= at_us[-1])
    if np.count_nonzero(seen) < MIN_IN_STEP:
        return False
    away_us = np.abs(np.interp(widths[0][seen], at_us, beside_us) - widths[1][seen])
    return bool(np.median(away_us) > JUMP * second.table.convention.span_us)
