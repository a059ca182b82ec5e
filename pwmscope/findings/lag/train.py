"""The pulses of a line as far as delays need them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.segmentation import Record
from pwmscope.model import FloatArray, IntArray, median_of

MIN_PULSES: Final = 10
MOVED: Final = 0.02
"""A stick moved if its width ran over this part of the convention's span or more."""


@dataclass(frozen=True, slots=True)
class Train:
    """One line's measured pulses outside loss spans."""

    line: str  # The line's name
    rows: IntArray  # shape (n,): Their rows in the pulse table
    rise_s: FloatArray  # shape (n,): Leading edges in seconds
    width_us: FloatArray  # shape (n,): Widths in microseconds
    period_us: float  # Median frame period
    noise_us: float  # Noise of the widths while they stand still
    # Of the line's convention
    neutral_us: float
    span_us: float
    interval_us: float | None  # Interval between samples in microseconds, where known

    @property
    def end_s(self) -> FloatArray:
        """Trailing edges in seconds; shape (n,)."""
        return self.rise_s + self.width_us / 1e6

    @property
    def run_us(self) -> float:
        """From the smallest width to the largest, single stray pulses left out."""
        width_us = self.width_us
        if width_us.size < 3:
            return 0.0
        inner = np.stack([width_us[:-2], width_us[1:-1], width_us[2:]])
        return float(np.ptp(np.median(inner, axis=0)))

    @property
    def moved(self) -> bool:
        """Whether the width ran over a part of the span that noise does not reach."""
        return self.run_us >= max(MOVED * self.span_us, 10.0 * self.noise_us)

    @property
    def floor_us2(self) -> float:
        """Variance that sampling alone gives a width (JCGM 100, 4.3.7), at least 1e-6 us^2."""
        interval_us = self.interval_us or 0.0
        return max(interval_us**2 / 6.0, 1e-6)


def train_of(record: Record) -> Train | None:
    """Take from a record what delays need; None with fewer than ten pulses or no frames."""
    table, rows, frames = record.table, record.rows, record.frames
    if rows.size < MIN_PULSES or frames.usual_us is None:
        return None
    steady_us = frames.steady_us
    period_us = median_of(steady_us) if steady_us.size else frames.usual_us
    return Train(
        table.line,
        rows,
        table.rise_s[rows],
        table.width_us[rows],
        period_us,
        record.dwells.noise_us,
        table.convention.neutral_us,
        table.convention.span_us,
        table.sample_interval_us,
    )
