"""Which lines glitches strike together: the link or supply, or one wire; and what chance gives."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.glitches.glitches import Glitches
from pwmscope.findings.segmentation import Record
from pwmscope.model import (
    MAX_SPANS,
    BoolArray,
    Definition,
    Evidence,
    Finding,
    FloatArray,
    IntArray,
    format_list,
    measured,
    not_shown,
    special,
)

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


WINDOW: Final = 0.95
"""Length of a moment in frame periods: short of one, so that the next frame is another."""
MOSTLY: Final = 0.8
"""One line with this part of the moments on one line only, or more, stands out."""


@dataclass(frozen=True, slots=True)
class Coincidence:
    """Glitches of all lines, gathered into moments a frame long."""

    lines: tuple[str, ...]  # All lines that were watched
    time_s: FloatArray  # shape (n,): When each moment began, in seconds
    struck: BoolArray  # shape (n, n_lines): Which lines had a glitch in it
    # Each set of lines that was struck together, the most frequent first
    patterns: tuple[Pattern, ...]
    shared: int  # Moments that struck more than one line
    # How many moments independent lines would share on the average; None where there is nothing to
    # work it out from
    expected: float | None
    findings: tuple[Finding, ...]  # `glitch coincidence`


def examine_coincidence(
    glitches: Mapping[str, Glitches],
    records: Mapping[str, Record],
    receivers: tuple[tuple[str, ...], ...] = (),
) -> Coincidence:
    """Find out which lines' glitches come at the same moments."""
    lines = tuple(glitches)
    watched_s = min((found.observed_s for found in glitches.values()), default=0.0)
    window_s = WINDOW * max((_period_us(records[line]) for line in lines), default=0.0) / 1e6
    if len(lines) < 2 or watched_s <= 0.0:
        reason = (
            "There is only one servo channel, so there is nothing to compare."
            if len(lines) < 2
            else "A channel's signal was lost all the time, so there is nothing to compare."
        )
        none = np.zeros((0, len(lines)), bool)
        found = not_shown("glitch coincidence", "", reason)
        return Coincidence(lines, np.zeros(0), none, (), 0, None, (found,))
    time_s, struck = gather_moments([found.time_s for found in glitches.values()], window_s)
    patterns, rates = find_patterns(glitches, struck, window_s, watched_s)
    shared = int(np.count_nonzero(struck.sum(axis=1) > 1))
    expected = expected_shared(rates, window_s, watched_s)
    finding = measured(
        "glitch coincidence",
        float(shared),
        "",
        _format(lines, patterns, expected, receivers),
        evidence=_evidence(time_s, struck, window_s),
    )
    return Coincidence(lines, time_s, struck, patterns, shared, expected, (finding,))


def _period_us(record: Record) -> float:
    return record.frames.usual_us or record.table.convention.period_us


def _format(
    lines: tuple[str, ...],
    patterns: tuple[Pattern, ...],
    expected: float,
    receivers: tuple[tuple[str, ...], ...],
) -> str:
    total = sum(pattern.count for pattern in patterns)
    if not total:
        return "No line has a glitch, so none come together."
    common = [pattern for pattern in patterns if pattern.is_common]
    parts = [_format_shared(pattern, lines, receivers) for pattern in common[:2]]
    if left := sum(pattern.count for pattern in common[2:]):
        parts.append(f"{left} struck other sets of lines, more than by chance")
    rest = [pattern for pattern in patterns if len(pattern.lines) > 1 and not pattern.is_common]
    if left := sum(pattern.count for pattern in rest):
        parts.append(f"{left} struck more than one line, which may be chance")
    parts += _format_single([pattern for pattern in patterns if len(pattern.lines) == 1])
    moments = "moment" if total == 1 else "moments"
    return (
        f"Of {total} {moments} with a glitch {'; '.join(parts)}. "
        f"Chance alone would make lines share {expected:.2g}."
    )


def _format_shared(
    pattern: Pattern, lines: tuple[str, ...], receivers: tuple[tuple[str, ...], ...]
) -> str:
    if pattern.lines == lines:
        every = "both lines" if len(lines) == 2 else f"all {len(lines)} lines"
        return f"{pattern.count} struck {every} at once: the link or the supply"
    named = format_list(pattern.lines)
    if len(receivers) > 1 and pattern.lines in receivers:
        return (
            f"{pattern.count} struck {named} at once, all the lines of one receiver: its link or "
            "its supply"
        )
    return f"{pattern.count} struck {named} at once: what those share"


def _format_single(singles: list[Pattern]) -> list[str]:
    count = sum(pattern.count for pattern in singles)
    if not count:
        return []
    top = singles[0]
    if top.count < MOSTLY * count:
        each = format_list([f"{pattern.count} on {pattern.lines[0]}" for pattern in singles])
        return [f"{count} struck one line only ({each})"]
    parts = [f"{top.count} struck {top.lines[0]} alone: that wire or its plug"]
    if top.count < count:
        parts.append(f"{count - top.count} struck one other line only")
    return parts


def _evidence(time_s: FloatArray, struck: BoolArray, window_s: float) -> tuple[Evidence, ...]:
    """Name the first moments, those that several lines share before the others."""
    several = struck.sum(axis=1) > 1
    chosen = np.concatenate([np.flatnonzero(several), np.flatnonzero(~several)])[:MAX_SPANS]
    return tuple(
        Evidence(float(start), float(start) + window_s, 0) for start in np.sort(time_s[chosen])
    )


DEFINITIONS: Final = (
    Definition(
        "glitch coincidence",
        "How many moments, each 0.95 frame periods long, hold glitches on more than one line. All "
        "lines at once: the link or the supply. One line only: its wire or plug. Some lines: what "
        "those share.",
        "expected by chance for a set S = T / (w + 1/L) sum_(i in S) L_i/L prod_(j in S, j != i) "
        "(1 - exp(-L_j w)) prod_(j not in S) exp(-L_j w), with T the time watched, w a moment's "
        "length, L_i = n_i / (T - n_i w) the rate of a line with n_i moments of its own, L the sum "
        "of the rates; S means something if so many or more would come with a chance below "
        f"{SIGNIFICANT:g} (Poisson, times the number of sets of its size); its moments are then "
        "taken out of n_i",
        "counter with non-extending dead time (Mueller, Nucl. Instrum. Methods 112, 1973, from "
        "memory)",
    ),
)
