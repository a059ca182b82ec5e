"""Whether delays that repeat are a machine's: the odds that a hand, or chance, made them."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.model import special

HAND_SCATTER_S: Final = 0.04
"""Standard deviation of the moment at which a hand does what it means to do, at least
(common practice, from memory)."""
HAND_SCATTER: Final = 0.08
"""And this part of the delay, where it is longer: people keep a second to a tenth or so."""
PULL_SCATTER_S: Final = 0.025
"""Standard deviation of the moment at which somebody pulls a plug by habit, or answers a cue, at
least: simple reactions scatter by 20 to 30 ms at the very best, by 50 ms as a rule (from memory).
However long after the marker: a beep, or another device that fails, may have been the cue."""
PERSON: Final = 0.1
"""A person who pulls plugs, or answers a cue, in every loss is taken to be so much less likely."""
MACHINE_ODDS: Final = 1e-4
"""Delays that a hand would make alike with smaller odds are a machine's."""
ALIKE_FRAMES: Final = (1.0, 2.0, 3.0)
ALIKE_S: Final = (0.01, 0.02, 0.04, 0.06, 0.09)
"""Ranges in which delays are looked for, in frame periods and in seconds."""
LATE_S: Final = 0.1
"""A machine's delay is longer by no more than this where packets got lost before."""
MOST: Final = 30
"""More delays than this make no difference."""

FloatArray = npt.NDArray[np.float64]


@lru_cache(maxsize=4096)
def range_odds(count: int, range_over_scatter: float) -> float:
    """Return the odds that so many normal deviates range over no more.

    Examples
    --------
    >>> range_odds(1, 0.1), round(range_odds(2, 2.772), 3)
    (1.0, 0.95)
    """
    if count < 2:
        return 1.0
    at = np.linspace(-8.0 - range_over_scatter, 8.0, 2001)
    density = np.exp(-0.5 * at**2) / np.sqrt(2.0 * np.pi)
    within = special.ndtr(at + range_over_scatter) - special.ndtr(at)
    return float(min(1.0, count * np.trapezoid(density * within ** (count - 1), at)))


def hand_odds(
    delays_s: FloatArray,
    frame_s: float,
    least_scatter_s: float = HAND_SCATTER_S,
    part: float = HAND_SCATTER,
) -> FloatArray:
    """Return for each delay the odds that a hand made it and those like it.

    Delays that lie together in a range too short for a hand show a machine. The odds are those
    that some choice of so many delays lies so close together. Of a machine's delays a few come
    later, where packets got lost: these are taken as its own too, at the same odds.
    """
    odds = np.ones(delays_s.size)
    known = np.flatnonzero(np.isfinite(delays_s))
    if known.size < 2:
        return odds
    order = known[np.argsort(delays_s[known], kind="stable")]
    ordered_s = delays_s[order]
    scatter_s = np.maximum(least_scatter_s, part * np.abs(ordered_s))
    place = np.arange(order.size)
    best = np.ones(order.size)
    closest = (1.0, 0, 0.0)
    widths_s = {*ALIKE_S, *(count * frame_s for count in ALIKE_FRAMES)}
    # The range of all of them is as good a one, its odds being exact.
    widths_s.add(max(min(widths_s), float(ordered_s[-1] - ordered_s[0])))
    for width_s in widths_s:
        held = np.searchsorted(ordered_s, ordered_s + width_s, side="right") - place
        most = held.copy()
        for back in range(1, min(MOST, order.size)):
            reaches = ordered_s[back:] - ordered_s[:-back] <= width_s
            most[back:] = np.where(reaches, np.maximum(most[back:], held[:-back]), most[back:])
        pairs = np.stack([most, np.round(width_s / scatter_s, 3)], axis=1)
        unique, where = np.unique(pairs, axis=0, return_inverse=True)
        table = np.array(
            [_choice_odds(order.size, int(count), float(ratio)) for count, ratio in unique]
        )
        best = np.minimum(best, table[where.ravel()])
        start = int(held.argmax())
        ratio = float(np.round(width_s / scatter_s[start], 3))
        own = _choice_odds(order.size, int(held[start]), ratio)
        closest = min(closest, (own, start, width_s))
    chosen, start, width_s = closest
    over_s = ordered_s[start] + width_s
    is_late = (ordered_s > over_s) & (ordered_s <= over_s + LATE_S)
    best[is_late] = np.minimum(best[is_late], chosen)
    odds[order] = best
    return odds


def _choice_odds(count: int, held: int, range_over_scatter: float) -> float:
    """Bound the odds that some ``held`` of the delays lie so close together.

    Each delay left out halves the odds that are granted, so that over all numbers left out
    they add up to twice the odds at most. The ranges that are tried are nested and cost nothing.
    """
    left_out = count - held
    least = range_odds(min(held, MOST), range_over_scatter)
    return min(1.0, math.comb(count, left_out) * 2.0**left_out * least)


def pull_odds(delays_s: FloatArray, frame_s: float) -> FloatArray:
    """Return for each delay the odds that a person pulled a plug then, and at those like it."""
    return hand_odds(delays_s, frame_s, PULL_SCATTER_S, part=0.0)


def person_odds(delays_s: FloatArray, frame_s: float) -> FloatArray:
    """Return for each delay the odds that a person made it: of itself, or on a cue each time.

    A beep, or a motor that stops, may cue a hand long after the marker; its scatter is that of a
    reaction then. A person who waits for one in every loss is less likely from the start. Sticks
    that answer one cue go together, so lines that went with this one do not better the odds.
    """
    of_itself, on_cue = hand_odds(delays_s, frame_s), pull_odds(delays_s, frame_s)
    odds: FloatArray = np.maximum(of_itself, PERSON * on_cue)
    return odds


def chance_odds(moments_s: FloatArray, lasting_s: float, least_range_s: float) -> float:
    """Return the odds that events at any time of a loss come so close together by chance.

    Examples
    --------
    >>> chance_odds(np.array([0.5]), 2.0, 0.1)
    1.0
    >>> round(chance_odds(np.array([0.5, 0.5, 0.6]), 2.0, 0.1), 5)
    0.00725
    """
    count = moments_s.size
    if count < 2 or lasting_s <= 0.0:
        return 1.0
    part = min(1.0, max(float(np.ptp(moments_s)), least_range_s) / lasting_s)
    return float(count * part ** (count - 1) - (count - 1) * part**count)
