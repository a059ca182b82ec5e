"""Which input pulse each output pulse belongs to, and what has no partner."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.findings.lag.content import Content
from pwmscope.findings.lag.train import Train
from pwmscope.findings.lag.trial import newest_before
from pwmscope.findings.receivers import usual_offset
from pwmscope.model import BoolArray, FloatArray, IntArray

CONCENTRATED: Final = 0.5
LIKE: Final = 0.1
"""Frame periods that differ by less than this part may keep step."""
STALE: Final = 2.5
"""An output whose input pulse is older by this many input frames had no input to follow."""


@dataclass(frozen=True, slots=True)
class Pairs:
    """Output pulses, each with the input pulse that it belongs to."""

    # shape (n,): Places in the output's and in the input's train
    output: IntArray
    source: IntArray
    # shape (n,): Whether the output pulse before carried the same input pulse
    again: BoolArray
    # shape (m,): Places in the input's train, between the first and the last pulse that came
    # through, of those that no output pulse carries
    without_output: IntArray
    without_input: int  # Output pulses that came while the input had been silent for long
    # Output pulses that begin so near to where the next width is taken over that they may carry a
    # neighbour of their input pulse
    in_doubt: int
    # Whether the widths tell which belongs to which; otherwise it is the newest input pulse that
    # began before the output pulse
    by_content: bool

    def __len__(self) -> int:
        return int(self.output.size)

    def late_us(self, source: Train, output: Train) -> FloatArray:
        """From each input pulse's leading edge to its output pulse's; shape (n,)."""
        late_s = output.rise_s[self.output] - source.rise_s[self.source]
        return late_s * 1e6

    def frames_late(self, source: Train, output: Train) -> IntArray:
        """How many newer input pulses had begun when each output pulse began; shape (n,)."""
        newest = newest_before(source.rise_s, output.rise_s[self.output])
        return newest - self.source


def pair_by_content(source: Train, output: Train, content: Content) -> Pairs:
    """Give each output pulse the input pulse whose width it carries."""
    at = newest_before(source.end_s, output.rise_s - content.latch_us / 1e6)
    longest_s = (content.latch_us + STALE * source.period_us) / 1e6
    pairs = _pairs(source, output, at, longest_s, by_content=True)
    rise_s = output.rise_s[pairs.output]
    ends = (content.low_us, content.high_us)
    first, last = (newest_before(source.end_s, rise_s - end_us / 1e6) for end_us in ends)
    return replace(pairs, in_doubt=int(np.count_nonzero(first != last)))


def pair_by_edges(source: Train, output: Train) -> Pairs:
    """Give each output pulse the newest input pulse that began before it.

    Where the output keeps step, a start that jitters about the input's own
    belongs to the usual one.
    """
    period_us = source.period_us
    offset_us, concentration = usual_offset(source.rise_s, output.rise_s, period_us)
    tolerance_us = 0.0
    if concentration >= CONCENTRATED and abs(output.period_us / period_us - 1.0) < LIKE:
        if offset_us > period_us - 100.0:
            offset_us -= period_us
        tolerance_us = offset_us - period_us / 2.0
    at = newest_before(source.rise_s, output.rise_s - tolerance_us / 1e6)
    longest_s = (tolerance_us + STALE * period_us) / 1e6
    return _pairs(source, output, at, longest_s, by_content=False)


def _pairs(
    source: Train, output: Train, at: IntArray, longest_s: float, *, by_content: bool
) -> Pairs:
    known_s = source.end_s if by_content else source.rise_s
    age_s = output.rise_s - known_s[np.maximum(at, 0)]
    within = (at >= 0) & (output.rise_s <= known_s[-1] + longest_s)
    stale = within & (age_s > longest_s)
    kept = np.flatnonzero(within & ~stale)
    at = at[kept]
    again = np.diff(at, prepend=-1) == 0
    first = int(at[0]) if at.size else 0
    unused = np.flatnonzero(np.bincount(at - first) == 0) + first
    return Pairs(kept, at, again, unused, int(np.count_nonzero(stale)), 0, by_content)
