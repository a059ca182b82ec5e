"""Which lines glitches strike together, and how often they would by chance."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from pwmscope.findings.glitches.glitches import Glitches
from pwmscope.model import BoolArray, FloatArray, IntArray

SIGNIFICANT: Final = 0.01
"""Shared moments that chance would give less often than this mean something."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """Lines struck at one moment.

    Parameters
    ----------
    lines : tuple of str
        Which, in the recording's order.
    count : int
        At how many moments just these were.
    expected : float
        How many independent lines would give on the average.
    chance : float
        How likely those would give so many, or more, for any set of so many lines.
    """

    lines: tuple[str, ...]
    count: int
    expected: float
    chance: float

    @property
    def is_common(self) -> bool:
        """Whether several lines were struck more often than chance explains."""
        return len(self.lines) > 1 and self.chance < SIGNIFICANT


def _openers(time_s: FloatArray, window_s: float) -> IntArray:
    """Find the events that begin a moment: each the first one after the moment before.

    Whoever is reached from the first event in fewer than 2^k steps is known
    after k rounds, since each round doubles the length of the step.
    """
    step = np.append(np.searchsorted(time_s, time_s + window_s), time_s.size)
    opens = np.zeros(time_s.size + 1, bool)
    opens[0] = True
    for _ in range(int(time_s.size).bit_length()):
        opens[step[opens]] = True
        step = step[step]
    return np.flatnonzero(opens[:-1])


def gather_moments(own_s: list[FloatArray], window_s: float) -> tuple[FloatArray, BoolArray]:
    """Gather the lines' glitches into moments."""
    all_s = np.concatenate(own_s)
    line = np.repeat(np.arange(len(own_s)), [at_s.size for at_s in own_s])
    order = np.argsort(all_s, kind="stable")
    all_s, line = all_s[order], line[order]
    opens = _openers(all_s, window_s)
    moment = np.searchsorted(opens, np.arange(all_s.size), side="right") - 1
    struck = np.zeros((opens.size, len(own_s)), bool)
    struck[moment, line] = True
    return all_s[opens], struck


def find_patterns(
    glitches: Mapping[str, Glitches], struck: BoolArray, window_s: float, watched_s: float
) -> tuple[tuple[Pattern, ...], FloatArray]:
    """Tell what strikes lines together from what does so by chance.

    Moments that have a common cause are taken out of the lines' own rates, and
    what chance gives is worked out anew until no more of them come to light.
    """
    lines = tuple(glitches)
    own = np.array([_openers(found.time_s, window_s).size for found in glitches.values()])
    observed_s = np.array([found.observed_s for found in glitches.values()])
    spared, counts = np.unique(~struck, axis=0, return_counts=True)
    order = np.argsort(-counts, kind="stable")
    sets, counts = ~spared[order], counts[order]
    common = np.zeros(counts.size, bool)
    while True:
        rates = _rates(own - counts[common] @ sets[common], observed_s, window_s)
        patterns = tuple(
            _pattern(lines, one, int(count), _expected_of(one, rates, window_s, watched_s))
            for one, count in zip(sets, counts, strict=True)
        )
        found = common | np.array([pattern.is_common for pattern in patterns], bool)
        if np.array_equal(found, common):
            return patterns, rates
        common = found


def _rates(moments: IntArray, observed_s: FloatArray, window_s: float) -> FloatArray:
    """Rates of the lines' own moments, corrected for their length: a burst counts once."""
    rates = np.maximum(moments, 0) / observed_s
    corrected: FloatArray = rates / np.maximum(1.0 - rates * window_s, 0.01)
    return corrected


def _pattern(lines: tuple[str, ...], struck: BoolArray, count: int, expected: float) -> Pattern:
    named = tuple(lines[at] for at in np.flatnonzero(struck))
    # As many sets of this size could have stood out by chance.
    tries = math.comb(len(lines), len(named)) * max(len(lines) - 1, 1)
    chance = min(1.0, tries * float(special.pdtrc(count - 1, expected)))
    return Pattern(named, count, expected, chance)


def expected_shared(rates: FloatArray, window_s: float, watched_s: float) -> float:
    """Return how many moments independent lines would share by chance.

    A moment begins with the first glitch that comes when none is under way, and
    lasts one window: a counter with a fixed dead time, which for a total rate L
    begins 1 / (window + 1/L) of them a second. It is begun by line i with
    chance L_i / L, and another line j strikes in it with chance
    1 - exp(-L_j window). (Counter with non-extending dead time: J. W. Mueller,
    Nuclear Instruments and Methods 112, 1973; from memory.)

    Examples
    --------
    >>> round(expected_shared(np.array([0.1, 0.1]), 0.02, 1000.0), 3)
    0.398
    """
    total = float(rates.sum())
    if total <= 0.0:
        return 0.0
    alone = float(np.sum(rates / total * np.exp(-(total - rates) * window_s)))
    return _begun(total, window_s, watched_s) * (1.0 - alone)


def _begun(total: float, window_s: float, watched_s: float) -> float:
    return watched_s / (window_s + 1.0 / total)


def _expected_of(struck: BoolArray, rates: FloatArray, window_s: float, watched_s: float) -> float:
    """Return how many moments would strike just one set of independent lines."""
    total = float(rates.sum())
    if total <= 0.0:
        return 0.0
    hit = -np.expm1(-rates * window_s)
    others = np.where(struck, hit, 1.0 - hit)
    begins = sum(
        float(rates[at] / total * np.prod(np.delete(others, at))) for at in np.flatnonzero(struck)
    )
    return _begun(total, window_s, watched_s) * begins
