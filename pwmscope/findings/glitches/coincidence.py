"""Whether glitches strike several lines at once: the link or supply, or one wire."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.glitches.glitch_patterns import (
    SIGNIFICANT,
    Pattern,
    expected_shared,
    find_patterns,
    gather_moments,
)
from pwmscope.findings.glitches.glitches import Glitches
from pwmscope.findings.segmentation import Record
from pwmscope.model import (
    MAX_SPANS,
    BoolArray,
    Definition,
    Evidence,
    Finding,
    FloatArray,
    format_list,
    measured,
    not_shown,
)

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
    said = [f"{top.count} struck {top.lines[0]} alone: that wire or its plug"]
    if top.count < count:
        said.append(f"{count - top.count} struck one other line only")
    return said


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
        "How many moments, each 0.95 frame periods long, hold glitches on more than one line. "
        "Glitches on all lines at once come from the link or the supply; on one line only, from "
        "its wire or plug; on some, from what those share.",
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
