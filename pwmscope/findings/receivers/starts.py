"""How the outputs of one receiver start: together, one after another, or at fixed times."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from pwmscope.model import (
    FROM_MAD,
    FloatArray,
    Summary,
    mean_of,
    of_mean_us,
    sampling_floor_us,
    std_of,
    summarise,
)

SLOPE_NEAR: Final = 0.1
"""A slope this near to 1 follows the width; this near to 0 does not depend on it."""
OUTLIER: Final = 8.0
"""A distance farther from the line than this many robust deviations is left out of the fit."""
_ENOUGH: Final = 4096
"""Frames that are enough to find the robust deviation."""


class Start(StrEnum):
    """How one output's pulse starts after another's."""

    TOGETHER = "all together"
    CHAIN = "one after another"
    SLOTS = "at fixed times"
    MIXED = "in different ways"


@dataclass(frozen=True, slots=True)
class Link:
    """How the pulse of one line starts after that of the line before it in the frame."""

    # The lines, neighbours in the frame
    first: str
    second: str
    start: Start | None  # `TOGETHER`, `CHAIN` or `SLOTS`; None where it is not shown
    after_us: float  # Mean time from start to start
    # Its standard uncertainty; None where the sample interval is not known
    uncertainty_us: float | None
    # From the end of the first pulse to the start of the second; negative where they overlap
    gap_us: Summary
    # Change of the start per change of the first pulse's width; None where that width did not move
    # enough to tell
    slope: float | None
    slope_uncertainty: float | None  # Its standard uncertainty

    def abuts(self, near_us: float) -> bool:
        """Say whether the second pulse begins within ``near_us`` of the first one's end."""
        return abs(self.gap_us.mean or 0.0) < near_us


def link(
    first: str,
    second: str,
    start_us: FloatArray,
    width_us: FloatArray,
    *,
    near_us: float,
    interval_us: float | None,
) -> Link:
    """Say how one line's pulses start after another's."""
    after_us = mean_of(start_us)
    std_us = std_of(start_us) if start_us.size > 1 else 0.0
    slope, doubt = _slope(width_us, start_us, interval_us)
    if doubt is not None and doubt > SLOPE_NEAR / 2:
        slope = doubt = None
    start: Start | None = None
    if abs(after_us) < near_us:
        start = Start.TOGETHER
    elif slope is not None and abs(slope - 1.0) < SLOPE_NEAR:
        start = Start.CHAIN
    elif slope is not None and abs(slope) < SLOPE_NEAR:
        start = Start.SLOTS
    return Link(
        first,
        second,
        start,
        after_us,
        of_mean_us(after_us, std_us, start_us.size, interval_us),
        summarise(start_us - width_us),
        slope,
        doubt,
    )


def overall(links: tuple[Link, ...], near_us: float) -> Start | None:
    """Say how all outputs of a receiver start, from what each pair of neighbours does.

    A pair that does not show it, because no width moved, but abuts goes with
    the others where those are a chain; any other such pair leaves it open.
    """
    kinds = {found.start for found in links}
    if kinds == {Start.TOGETHER}:
        all_us = sum(found.after_us for found in links)
        return Start.TOGETHER if all_us < near_us else Start.SLOTS
    if kinds == {Start.CHAIN, None}:
        unshown = [found for found in links if found.start is None]
        return Start.CHAIN if all(found.abuts(near_us) for found in unshown) else None
    if None in kinds or not kinds:
        return None
    return kinds.pop() if len(kinds) == 1 else Start.MIXED


def _slope(
    width_us: FloatArray, start_us: FloatArray, interval_us: float | None
) -> tuple[float | None, float | None]:
    """Fit a straight line, once more without outliers; return its slope and its uncertainty."""
    line = _fit(width_us, start_us, interval_us)
    if line is None:
        return None, None
    off_us = np.abs(start_us - line.level_us - line.slope * (width_us - line.centre_us))
    some_us = off_us[:: max(1, off_us.size // _ENOUGH)]
    usual_us = FROM_MAD * float(np.median(some_us)) + (interval_us or 0.0)
    kept = off_us <= OUTLIER * usual_us
    if not kept.all():
        line = _fit(width_us[kept], start_us[kept], interval_us)
    return (None, None) if line is None else (line.slope, line.doubt)


@dataclass(frozen=True, slots=True)
class _Line:
    """A least-squares line: its slope, the slope's uncertainty, and its point of balance."""

    slope: float
    doubt: float
    centre_us: float
    level_us: float


def _fit(width_us: FloatArray, start_us: FloatArray, interval_us: float | None) -> _Line | None:
    if width_us.size < 3:
        return None
    centre_us, level_us = mean_of(width_us), mean_of(start_us)
    lever_us = width_us - centre_us
    spread = float(np.sum(lever_us**2))
    if spread <= 0.0:
        return None
    slope = float(np.sum(lever_us * (start_us - level_us))) / spread
    left_us = start_us - level_us - slope * lever_us
    floor = (sampling_floor_us(interval_us) or 0.0) ** 2
    scatter = float(np.sum(left_us**2)) / (width_us.size - 2) + floor
    # Start and width share the first pulse's leading edge, whose sampling error, with half
    # the floor's variance, makes them seem to depend on one another.
    shared = floor / 2.0 / (spread / width_us.size)
    return _Line(slope, math.hypot(math.sqrt(scatter / spread), shared), centre_us, level_us)
