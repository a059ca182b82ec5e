"""Held positions: stretches in which all lines of a recording stand still together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.segmentation.dwells import Dwells, find_dwells
from pwmscope.model import BoolArray, FloatArray
from pwmscope.pulses import PulseTable, find_frames

SAME_POSITION: Final = 0.015
"""Levels that differ by less than this part of the span are one position."""
MIN_S: Final = 0.25
MIN_STILL: Final = 0.25
"""A line that stands still for less than this part of the recording tells nothing of the hands."""
_GAP_FRAMES: Final = 5.0
_NONE: Final = np.zeros(0)


@dataclass(frozen=True, slots=True)
class HeldPositions:
    """The held positions of a recording, as columns, in order of time."""

    lines: tuple[str, ...]  # The lines that moved and stood still
    # shape (n,): When each was held, in seconds
    start_s: FloatArray
    end_s: FloatArray
    # shape (n, lines): Width of each line in parts of its convention's span; NaN while it was
    # silent
    level: FloatArray

    def __len__(self) -> int:
        return int(self.start_s.size)

    @property
    def apart(self) -> FloatArray:
        """How far each position lies from each other, largest line; shape (n, n).

        Where one of the two was silent on a line and the other not, they lie infinitely far
        apart.
        """
        return distances(self.level, self.level)


def distances(level: FloatArray, others: FloatArray) -> FloatArray:
    """Largest difference over the lines between positions, in parts of the span.

    Examples
    --------
    >>> distances(np.array([[1.0, 1.5]]), np.array([[1.0, 1.4], [1.0, np.nan]])).round(3)
    array([[0.1, inf]])
    """
    one, other = level[:, None, :], others[None, :, :]
    apart = np.abs(one - other)
    absent, absent_too = np.isnan(one), np.isnan(other)
    apart = np.where(absent & absent_too, 0.0, np.where(absent ^ absent_too, np.inf, apart))
    found: FloatArray = apart.max(axis=2, initial=0.0)
    return found


def find_held_positions(tables: Mapping[str, PulseTable]) -> HeldPositions:
    """Find the stretches in which all lines that move stand still together."""
    found = {line: _Line.of(table) for line, table in tables.items()}
    used = {line: f for line, f in found.items() if f is not None and f.moves}
    if not used:
        return HeldPositions((), _NONE, _NONE, np.zeros((0, 0)))
    border_s = np.unique(np.concatenate([f.borders_s for f in used.values()]))
    middle_s = (border_s[1:] + border_s[:-1]) / 2.0
    columns = [f.state_at(middle_s) for f in used.values()]
    level = np.stack([level for level, _ in columns], axis=1)
    still = np.stack([still for _, still in columns], axis=1).all(axis=1)
    return _joined(tuple(used), border_s[:-1][still], border_s[1:][still], level[still])


def _joined(
    lines: tuple[str, ...], start_s: FloatArray, end_s: FloatArray, level: FloatArray
) -> HeldPositions:
    """Join neighbours at one position, and leave out what was held too briefly."""
    for least_s in (0.0, MIN_S):
        long = end_s - start_s > least_s
        start_s, end_s, level = start_s[long], end_s[long], level[long]
        if not start_s.size:
            break
        apart = distances(level, level).diagonal(1) if len(level) > 1 else _NONE
        new = np.concatenate([[True], (apart > SAME_POSITION)])
        first = np.flatnonzero(new)
        last = np.append(first[1:], start_s.size) - 1
        weight = end_s - start_s
        total = np.add.reduceat(weight, first)
        mean = np.add.reduceat(level * weight[:, None], first, axis=0) / total[:, None]
        start_s, end_s, level = start_s[first], end_s[last], mean
    return HeldPositions(lines, start_s, end_s, level)


@dataclass(frozen=True, slots=True)
class _Line:
    """One line's dwells and silences."""

    dwells: Dwells
    span_us: float
    period_s: float
    gap_start_s: FloatArray
    gap_end_s: FloatArray

    @classmethod
    def of(cls, table: PulseTable) -> _Line | None:
        """Take a line's dwells; None where it hardly ever stands still."""
        frames = find_frames(table)
        dwells = find_dwells(table, frames)
        if not len(dwells):
            return None
        rise_s = table.rise_s[table.measured]
        still_s = float((dwells.end_s - dwells.start_s).sum())
        if still_s < MIN_STILL * float(rise_s[-1] - rise_s[0]):
            return None
        period_s = (frames.usual_us or table.convention.period_us) / 1e6
        gap = np.flatnonzero(np.diff(rise_s) > _GAP_FRAMES * period_s)
        gap_start_s, gap_end_s = rise_s[gap] + period_s, rise_s[gap + 1]
        return cls(dwells, table.convention.span_us, period_s, gap_start_s, gap_end_s)

    @property
    def moves(self) -> bool:
        """Whether it stood at several positions, or fell silent."""
        level_us = self.dwells.level_us
        moved = float(level_us.max() - level_us.min()) > 2.0 * SAME_POSITION * self.span_us
        return moved or bool(self.gap_start_s.size)

    @property
    def borders_s(self) -> FloatArray:
        """Instants at which it begins or ends to stand still."""
        ends_s = self.dwells.end_s + self.period_s
        return np.concatenate([self.dwells.start_s, ends_s, self.gap_start_s, self.gap_end_s])

    def state_at(self, time_s: FloatArray) -> tuple[FloatArray, BoolArray]:
        """Level, NaN in silence, and whether it stands still, at some instants."""
        at = np.searchsorted(self.dwells.start_s, time_s, side="right") - 1
        still = (at >= 0) & (time_s < self.dwells.end_s[at] + self.period_s)
        level = np.where(still, self.dwells.level_us[at] / self.span_us, np.nan)
        absent = np.zeros(time_s.size, dtype=bool)
        if self.gap_start_s.size:
            gap = np.searchsorted(self.gap_start_s, time_s, side="right") - 1
            absent = (gap >= 0) & (time_s < self.gap_end_s[gap])
        return np.where(absent, np.nan, level), still | absent
