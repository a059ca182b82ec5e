"""Moves: stretches in which a channel's pulse width goes one way, between dwells."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.segmentation import Dwells, Record
from pwmscope.findings.travel.turning_points import turning_points
from pwmscope.model import inside
from pwmscope.pulses import UNMEASURED

SAME_AS_DWELL: Final = 4.0
"""A pulse this many noise deviations from a dwell's level, or nearer, may stand at it."""
MIN_THROW: Final = 0.05
"""A change of width by this part of the span, or more, was made by moving the stick."""


@dataclass(frozen=True, slots=True)
class Moves:
    """The moves of one channel, as columns, in order of time."""

    row: npt.NDArray[np.int64]  # shape (n,): Rows of the pulse table, one move's after the other's
    width_us: npt.NDArray[np.float64]  # shape (n,): Their widths in microseconds
    # shape (m,): The half-open range in `row` of each move
    begin: npt.NDArray[np.int64]
    end: npt.NDArray[np.int64]
    # shape (m,): The dwell that each one leaves and the one that it reaches; -1 where it begins or
    # ends otherwise: by turning round, in a signal loss, or at an end of the recording
    before: npt.NDArray[np.int64]
    after: npt.NDArray[np.int64]
    # shape (k,): Rows of the turning points, dwells counted, both ends of the movement included
    turn_row: npt.NDArray[np.int64]
    turn_us: npt.NDArray[np.float64]  # shape (k,): Their widths
    least_us: float  # Smallest movement between two turning points

    def __len__(self) -> int:
        return int(self.begin.size)

    @property
    def owner(self) -> npt.NDArray[np.int64]:
        """The move that each row belongs to; shape (n,)."""
        return np.repeat(np.arange(len(self)), self.end - self.begin)


def find_moves(record: Record) -> Moves:
    """Find a channel's moves: what lies between dwells, cut where the movement turns round."""
    table, dwells = record.table, record.dwells
    least_us = max(MIN_THROW * table.convention.span_us, 12.0 * dwells.noise_us)
    gap, row = _between_dwells(record)
    width_us = table.width_us[row]
    # In the order of time each dwell is one point of the movement, at its level.
    of_dwell = np.searchsorted(row, dwells.first) + np.arange(len(dwells))
    is_dwell = np.zeros(row.size + len(dwells), dtype=bool)
    is_dwell[of_dwell] = True
    path_us = np.empty(is_dwell.size)
    path_us[is_dwell], path_us[~is_dwell] = dwells.level_us, width_us
    path_row = np.empty(is_dwell.size, np.int64)
    path_row[is_dwell], path_row[~is_dwell] = dwells.first, row
    # A pulse beside a dwell, at its level, is no turning point of its own.
    kept = np.flatnonzero(is_dwell | ~_beside(path_us, is_dwell, dwells))
    turn = kept[turning_points(path_us[kept], least_us)]
    turned = np.zeros(is_dwell.size, dtype=bool)
    turned[turn[1:-1]] = True
    begin, end, before, after = _pieces(record, row, gap, turned[~is_dwell])
    return Moves(
        row, width_us, begin, end, before, after, path_row[turn], path_us[turn], least_us
    )  # fmt: skip


def _beside(
    path_us: npt.NDArray[np.float64], is_dwell: npt.NDArray[np.bool_], dwells: Dwells
) -> npt.NDArray[np.bool_]:
    """Say which points of the path are at the level of the dwell before or after them."""
    at = np.cumsum(is_dwell)
    level_us = np.concatenate([[np.inf], dwells.level_us, [np.inf]])
    near_us = SAME_AS_DWELL * dwells.noise_us
    beside: npt.NDArray[np.bool_] = np.abs(path_us - level_us[at]) <= near_us
    beside |= np.abs(path_us - level_us[at + 1]) <= near_us
    return beside


def _between_dwells(record: Record) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """List the usable rows outside dwells: the dwell that each comes before, and the row."""
    table, dwells = record.table, record.dwells
    opens = np.concatenate([[0], dwells.last + 1])
    count = np.concatenate([dwells.first, [len(table)]]) - opens
    gap = np.repeat(np.arange(count.size), count)
    row = np.arange(gap.size) + np.repeat(opens - (np.cumsum(count) - count), count)
    usable = (table.flags[row] & np.uint8(UNMEASURED)) == 0
    if record.losses:
        usable &= ~inside(record.losses, table.rise_s[row])
    if dwells.stray.size and row.size:
        at = np.minimum(np.searchsorted(row, dwells.stray), row.size - 1)
        usable[at[row[at] == dwells.stray]] = False
    return gap[usable], row[usable]


def _pieces(
    record: Record,
    row: npt.NDArray[np.int64],
    gap: npt.NDArray[np.int64],
    turned: npt.NDArray[np.bool_],
) -> tuple[npt.NDArray[np.int64], ...]:
    """Cut the rows at dwells, at signal losses and after turning points."""
    if not row.size:
        nothing = np.zeros(0, np.int64)
        return nothing, nothing, nothing, nothing
    dwells, rise_s = record.dwells, record.table.rise_s
    lost_s = np.array([span.start_s for span in record.losses])
    block = np.searchsorted(lost_s, rise_s[row], side="right")
    cut = (np.diff(gap) > 0) | (np.diff(block) > 0) | turned[:-1]
    begin = np.concatenate([[0], np.flatnonzero(cut) + 1])
    end = np.concatenate([begin[1:], [row.size]])
    first, last = gap[begin], gap[end - 1]
    new = np.concatenate([[True], first[1:] != first[:-1]])
    done = np.concatenate([last[:-1] != last[1:], [True]])
    # A dwell on the other side of a loss is not where the move came from or went to.
    leaves = np.append(np.searchsorted(lost_s, dwells.end_s, side="right"), -1)[first - 1]
    reaches = np.append(np.searchsorted(lost_s, dwells.start_s, side="right"), -1)[last]
    before = np.where(new & (leaves == block[begin]), first - 1, -1)
    after = np.where(done & (reaches == block[end - 1]), last, -1)
    return begin, end, before, after
