"""Which input pulse each output pulse belongs to, how surely, and what has no partner."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.findings.lag.content import Content, Train, newest_before
from pwmscope.findings.lag.curve import Curve
from pwmscope.findings.receivers import usual_offset
from pwmscope.model import FROM_MAD, BoolArray, FloatArray, IntArray

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


STRAY: Final = 25.0
"""A squared residual counts no more than this: one stray pulse may not choose the latch."""
WIDER: Final = 1.5
"""Latches are looked for as far again about those that fit equally well by groups of widths."""
UNLIKELY: Final = 1e-3
"""Latches less likely than this, taken together, are left out."""
MAX_WAYS: Final = 200


@dataclass(frozen=True, slots=True)
class Latches:
    """The latches that the widths leave open, and how likely each is."""

    content: Content  # With the likeliest middle and the ends of what is left open
    # Which output pulse carries which input pulse, for each latch that pairs differently
    pairs: tuple[Pairs, ...]
    weight: FloatArray  # shape (n,): How likely each is; their sum is 1


def find_latches(
    source: Train, output: Train, pairs: Pairs, content: Content, curve: Curve
) -> Latches:
    """Weigh every latch by the pulses that change their input pulse with it.

    Outputs are put in order of the latch at which they change from one input pulse to the
    one before. Between two neighbours all latches pair alike; their likelihood is Gaussian in
    what the curve leaves of the width of either input pulse. All latches are equally
    likely beforehand, so a stretch weighs its length times its likelihood (Bayes' theorem).
    """
    reach_us = _reach_us(source, content)
    turn_us, gain = _turns(source, output, pairs, content, curve)
    ends_us = np.concatenate([[-reach_us], turn_us, [reach_us]])
    length_us = np.diff(ends_us)
    # Up to the first turn all pulses carry the newer one; each turn takes one away.
    likelihood = -np.concatenate([[0.0], np.cumsum(gain)])
    with np.errstate(divide="ignore"):
        log_weight = np.log(length_us) + likelihood
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    share = np.concatenate([[0.0], np.cumsum(weight)])
    low_us, middle_us, high_us = (
        content.latch_us + float(np.interp(part, share, ends_us))
        for part in (UNLIKELY / 2.0, 0.5, 1.0 - UNLIKELY / 2.0)
    )
    refined = replace(content, latch_us=middle_us, low_us=low_us, high_us=high_us)
    order = np.argsort(-weight, kind="stable")[:MAX_WAYS]
    kept = np.sort(order[np.cumsum(weight[order]) - weight[order] < 1.0 - UNLIKELY])
    at_us = content.latch_us + (ends_us[kept] + ends_us[kept + 1]) / 2.0
    ways = tuple(
        pair_by_content(source, output, replace(refined, latch_us=float(each))) for each in at_us
    )
    return Latches(refined, ways, weight[kept] / float(weight[kept].sum()))


def _reach_us(source: Train, content: Content) -> float:
    """How far about the latch found so far others are weighed."""
    return min(WIDER * (content.high_us - content.low_us) / 2.0, source.period_us / 3.0)


def _turns(
    source: Train, output: Train, pairs: Pairs, content: Content, curve: Curve
) -> tuple[FloatArray, FloatArray]:
    """Say at which latch each output changes its input pulse, and what the newer one gains.

    Both shape (n,), in order of the latch, which is told from the one found so far.
    """
    end_s, rise_s = source.end_s, output.rise_s
    made_us = curve.of(source.width_us)
    left_us = output.width_us[pairs.output] - made_us[pairs.source]
    gain = curve.gain.value
    floor_us = math.sqrt(output.floor_us2 + gain**2 * source.floor_us2)
    noise_us = max(FROM_MAD * float(np.median(np.abs(left_us))), floor_us)
    left_us = left_us[np.abs(left_us) <= 4.0 * noise_us]
    noise_us = max(float(np.sqrt(np.mean(left_us**2))), floor_us)
    at = newest_before(end_s, rise_s - content.latch_us / 1e6)
    known = np.flatnonzero((at >= 1) & (at < end_s.size - 1))
    at, rise_s = at[known], rise_s[known]
    since_us = (rise_s - end_s[at]) * 1e6 - content.latch_us
    until_us = (rise_s - end_s[at + 1]) * 1e6 - content.latch_us
    newer = np.where(since_us <= -until_us, at, at + 1)
    turn_us = np.where(since_us <= -until_us, since_us, until_us)
    near = np.flatnonzero(np.abs(turn_us) < _reach_us(source, content))
    near = near[np.argsort(turn_us[near], kind="stable")]
    newer, width_us = newer[near], output.width_us[known[near]]
    squares = [
        np.minimum(((width_us - made_us[place]) / noise_us) ** 2, STRAY)
        for place in (newer, newer - 1)
    ]
    return turn_us[near], (squares[1] - squares[0]) / 2.0
