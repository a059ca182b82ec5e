"""A stretch of a recording through which one frame clock runs on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pwmscope.findings.segmentation import Record
from pwmscope.findings.timing.frame_clock import FrameClock
from pwmscope.model import Evidence, inside
from pwmscope.pulses import slices


@dataclass(frozen=True, slots=True, eq=False)
class ClockStretch:
    """Consecutive edges of one frame clock."""

    clock: FrameClock  # The clock
    # Its edges from `first` up to, without, `after`
    first: int
    after: int

    @property
    def number(self) -> npt.NDArray[np.int64]:
        """Frame numbers; shape (edges,)."""
        return self.clock.frame_number[self.first : self.after]

    @property
    def time_error_us(self) -> npt.NDArray[np.float64]:
        """Time errors; shape (edges,)."""
        return self.clock.time_error_us[self.first : self.after]

    @property
    def edges(self) -> int:
        """Edges seen."""
        return self.after - self.first

    @property
    def frames(self) -> int:
        """Frames from the first to the last edge, with those that are missing."""
        return int(self.number[-1] - self.number[0]) + 1 if self.edges else 0

    @property
    def missing(self) -> int:
        """Frames whose edge was not seen."""
        return self.frames - self.edges

    @property
    def duration_s(self) -> float:
        """Seconds from the first to the last edge."""
        return max(self.frames - 1, 0) * self.clock.period_us / 1e6

    def part(self, edges: int) -> ClockStretch:
        """Return the stretch of its first edges, at most so many."""
        return ClockStretch(self.clock, self.first, min(self.after, self.first + edges))

    def without_gaps(self) -> ClockStretch:
        """Return the longest part in which no frame is missing."""
        if not self.missing:
            return self
        bounds = np.concatenate([[0], _before_gaps(self.number) + 1, [self.edges]])
        longest = int(np.argmax(np.diff(bounds)))
        return ClockStretch(
            self.clock, self.first + int(bounds[longest]), self.first + int(bounds[longest + 1])
        )

    def bridged_us(self) -> npt.NDArray[np.float64]:
        """Return the time errors of all frames, missing ones between their neighbours'."""
        if not self.missing:
            return self.time_error_us
        number, error_us = self.number, self.time_error_us
        whole_us = np.empty(self.frames)
        for part in slices(self.edges):
            whole_us[number[part] - number[0]] = error_us[part]
        before = _before_gaps(number)
        lost = number[before + 1] - number[before] - 1
        begin = np.repeat(number[before] + 1 - (np.cumsum(lost) - lost), lost)
        absent = begin + np.arange(begin.size)
        ends = np.unique(np.concatenate([before, before + 1]))
        whole_us[absent - number[0]] = np.interp(absent, number[ends], error_us[ends])
        return whole_us

    def instants_s(self) -> npt.NDArray[np.float64]:
        """Return the edges' instants, in seconds since the first; shape (edges,)."""
        pattern = self.clock.pattern
        turn = pattern.starts_us / pattern.mean_us - np.arange(len(pattern))
        place = (self.number - self.number[0]) + turn[self.number % len(pattern)]
        instants_s = (place * self.clock.period_us + self.time_error_us) / 1e6
        since_first_s: npt.NDArray[np.float64] = instants_s - instants_s[0]
        return since_first_s

    def evidence(self, record: Record) -> tuple[Evidence, ...]:
        """Name the stretch as evidence, to the nearest pulse."""
        start_s = _first_edge_s(record, self.clock)
        if start_s is None or not self.edges:
            return ()
        period_s = self.clock.period_us / 1e6
        number = self.clock.frame_number
        ends_s = start_s + period_s * (self.number[[0, -1]] - number[0])
        rise_s = record.table.rise_s
        # Across new starts of the clock its numbers keep time to half a frame.
        first = int(np.searchsorted(rise_s, ends_s[0] - 0.5 * period_s))
        last = int(np.searchsorted(rise_s, ends_s[1] + 0.5 * period_s)) - 1
        return (Evidence.of(rise_s, first, last, self.edges),)


def _before_gaps(number: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """List the places after which frames are missing."""
    found = [np.zeros(0, np.int64)]
    for part in slices(number.size - 1):
        steps = number[part.start + 1 : part.stop + 1] - number[part]
        found.append(np.flatnonzero(steps > 1) + part.start)
    return np.concatenate(found)


def longest_stretch(clock: FrameClock) -> ClockStretch:
    """Return the longest stretch in which the clock does not start anew."""
    bounds = np.concatenate([[0], clock.borders, [clock.frame_number.size]])
    longest = int(np.argmax(np.diff(bounds)))
    return ClockStretch(clock, int(bounds[longest]), int(bounds[longest + 1]))


def _first_edge_s(record: Record, clock: FrameClock) -> float | None:
    """Return the instant of the clock's first edge: that of the first period it counts."""
    frames = record.frames
    which = frames.patterns.index(clock.pattern)
    for part in slices(frames.period_us.size):
        own = np.flatnonzero(frames.pattern[part] == which) + part.start
        own = own[~np.isin(own, frames.odd)]
        begin_s = record.table.rise_s[frames.index[own]]
        begin_s = begin_s[~inside(record.losses, begin_s)]
        if begin_s.size:
            return float(begin_s[0])
    return None
