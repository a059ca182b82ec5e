"""The order in which the outputs of one receiver start, how, and how much later each."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from pwmscope.findings.receivers.common_clock import (
    MAX_FRAMES,
    Pulses,
    most_complete,
    pair,
    spread_out,
    usual_offset,
)
from pwmscope.findings.timing import variance_of_mean
from pwmscope.model import (
    CLOCK_TOLERANCE,
    FROM_MAD,
    FloatArray,
    IntArray,
    Summary,
    half_width,
    mean_of,
    median_of,
    of_mean_us,
    sampling_floor_us,
    std_of,
    summarise,
)
from pwmscope.pulses import shelved

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
    usual_us = FROM_MAD * median_of(some_us) + (interval_us or 0.0)
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


CLEAR_PAUSE: Final = 1.2
"""The frame ends with its longest pause, if that is this much longer than the next."""


@dataclass(frozen=True, slots=True)
class Skew:
    """Start of one line's pulse after that of the first line of its receiver."""

    line: str  # The line
    skew_us: Summary  # Over the frames that have both pulses; nothing but 0 for the first line
    # Standard uncertainty of the mean; None where the sample interval is not known
    uncertainty_us: float | None
    reach_us: float | None  # Half-width of the 95 % interval of the mean; None as well
    rows: IntArray  # shape (n,): Rows of the line's pulses that were used


@dataclass(frozen=True, slots=True)
class Receiver:
    """The lines of one receiver in the order in which their pulses start.

    Parameters
    ----------
    lines : tuple of str
        In that order.
    period_us : float
        Mean frame period.
    skews : tuple of Skew
        One for each line, in order.
    links : tuple of Link
        One for each pair of neighbours.
    start : Start or None
        How the outputs start; None where it is not shown.
    pause_us : Summary
        From the end of a frame's last pulse to the start of the next frame.
    begins_clearly : bool
        Whether one pause is longer than all others, so that it tells where the
        frame begins; otherwise the order starts with the recording's first line.
    """

    lines: tuple[str, ...]
    period_us: float
    skews: tuple[Skew, ...]
    links: tuple[Link, ...]
    start: Start | None
    pause_us: Summary
    begins_clearly: bool


def arrange(lines: list[Pulses], near_us: float) -> Receiver:
    """Bring the lines of one receiver into the order of their starts, and measure those."""
    lines, offset_us, begins_clearly = _in_order(lines)
    first = lines[0]
    partner = [
        shelved(pair(first.rise_s, line.rise_s, offset, first.period_us))
        for line, offset in zip(lines[1:], offset_us[1:], strict=True)
    ]
    start_us = [np.zeros(first.rise_s.size)]
    width_us = [first.width_us]
    for line, at in zip(lines[1:], partner, strict=True):
        absent = at < 0
        start_us.append(shelved(np.where(absent, np.nan, (line.rise_s[at] - first.rise_s) * 1e6)))
        width_us.append(shelved(np.where(absent, np.nan, line.width_us[at])))
    skews = [_skew(first, first, np.arange(first.rise_s.size), start_us[0])]
    skews += [
        _skew(first, line, at, start)
        for line, at, start in zip(lines[1:], partner, start_us[1:], strict=True)
    ]
    links = tuple(
        _link(lines[i], lines[j], start_us[j] - start_us[i], width_us[i], near_us)
        for i, j in itertools.pairwise(range(len(lines)))
    )
    return Receiver(
        tuple(line.line for line in lines),
        first.period_us,
        tuple(skews),
        links,
        overall(links, near_us),
        _pause(first, start_us, width_us),
        begins_clearly,
    )


def _skew(first: Pulses, line: Pulses, at: IntArray, start_us: FloatArray) -> Skew:
    paired = at >= 0
    sampling_us = _sampling_us(first, first.rise_s[paired])
    skew_us = summarise(start_us[paired])
    uncertainty_us = reach_us = None
    if sampling_us is not None:
        # A distance k + f sample intervals long is read with a variance of f (1 - f), not 1/6.
        read = min((skew_us.std or 0.0) / (line.interval_us or 1.0), 0.5)
        few = math.sqrt(min(skew_us.count, MAX_FRAMES) / max(skew_us.count, 1))
        sampling_us *= few * max(1.0, read * math.sqrt(6.0))
        clock_us = CLOCK_TOLERANCE * abs(skew_us.mean or 0.0)
        uncertainty_us = math.hypot(sampling_us, clock_us / math.sqrt(3.0))
        reach_us = half_width(sampling_us, clock_us)
    return Skew(line.line, skew_us, uncertainty_us, reach_us, shelved(line.rows[at[paired]]))


def _sampling_us(first: Pulses, rise_s: FloatArray) -> float | None:
    """Return the standard uncertainty of two edges' mean distance that sampling brings."""
    if first.interval_us is None or rise_s.size < 2:
        return None
    rise_s = spread_out(rise_s)
    rise_us = (rise_s - rise_s[0]) * 1e6
    frame = np.rint(rise_us / first.period_us)
    lever = frame - frame.mean()
    slope_us = float(lever @ rise_us / (lever @ lever)) if lever.any() else first.period_us
    line_us = rise_us.mean() + slope_us * lever
    rms_us = float(np.sqrt(np.mean((rise_us - line_us) ** 2)))
    return math.sqrt(2.0 * variance_of_mean(line_us, rms_us, first.interval_us))


def _link(
    first: Pulses, second: Pulses, start_us: FloatArray, width_us: FloatArray, near_us: float
) -> Link:
    both = np.isfinite(start_us)
    return link(
        first.line,
        second.line,
        start_us[both],
        width_us[both],
        near_us=near_us,
        interval_us=first.interval_us,
    )


def _pause(first: Pulses, start_us: list[FloatArray], width_us: list[FloatArray]) -> Summary:
    """Summarise what is left of each whole frame after the end of its last pulse."""
    end_us = start_us[0] + width_us[0]
    for start, width in zip(start_us[1:], width_us[1:], strict=True):
        end_us = np.maximum(end_us, start + width)
    frame_us = np.diff(first.rise_s) * 1e6
    pause_us = frame_us - end_us[:-1]
    whole = np.isfinite(pause_us) & (np.abs(frame_us / first.period_us - 1.0) < 0.5)
    return summarise(pause_us[whole])


def _in_order(lines: list[Pulses]) -> tuple[list[Pulses], list[float], bool]:
    """Sort lines by their starts after the frame's longest pause; give those starts."""
    reference = most_complete(lines)
    period_us = reference.period_us
    frame_s = spread_out(reference.rise_s)
    phase_us = np.array([_phase_us(frame_s, reference, line) for line in lines])
    usual_us = np.array([mean_of(line.width_us) for line in lines])
    order = np.argsort(phase_us, kind="stable")
    pause_us = _pauses_us(phase_us[order], usual_us[order], period_us)
    longest = int(np.argmax(pause_us))
    others_us = np.delete(pause_us, longest)
    begins_clearly = bool(pause_us[longest] > CLEAR_PAUSE * max(float(others_us.max()), 0.0))
    if not begins_clearly:
        longest = int(np.flatnonzero(order == 0)[0])
    order = np.roll(order, -longest)
    offset_us = (phase_us[order] - phase_us[order[0]]) % period_us
    return [lines[at] for at in order], [float(offset) for offset in offset_us], begins_clearly


def _phase_us(frame_s: FloatArray, reference: Pulses, line: Pulses) -> float:
    """Median start of a line's pulse in the reference's frame."""
    if line is reference:
        return 0.0
    period_us = reference.period_us
    offset_us, _ = usual_offset(frame_s, line.rise_s, period_us)
    partner = pair(frame_s, line.rise_s, offset_us, period_us)
    start_us = (line.rise_s[partner] - frame_s)[partner >= 0] * 1e6
    return median_of(start_us) % period_us


def _pauses_us(phase_us: FloatArray, width_us: FloatArray, period_us: float) -> FloatArray:
    """Time from the end of all pulses before to each start; negative inside one.

    The starts are in order; those that come later in the frame began a period ago.
    """
    place = np.arange(phase_us.size)
    ago_us = np.where(place[None, :] < place[:, None], 0.0, period_us)
    pauses_us: FloatArray = phase_us - np.max(phase_us + width_us - ago_us, axis=1)
    return pauses_us
