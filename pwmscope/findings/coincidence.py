"""Whether glitches strike several lines at once: the link or supply, or one wire."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

from pwmscope.findings.amounts import say_list
from pwmscope.findings.definition import Definition
from pwmscope.findings.finding import Evidence, Finding, measured, not_shown
from pwmscope.findings.glitches import MOST_SPANS, Glitches
from pwmscope.findings.record import Record

WINDOW: Final = 0.95
"""Length of a moment in frame periods: short of one, so that the next frame is another."""
SIGNIFICANT: Final = 0.01
"""Shared moments that chance would give less often than this mean something."""
MOSTLY: Final = 0.8
"""One line with this part of the moments on one line only, or more, stands out."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """Lines struck at one moment.

    Parameters
    ----------
    lines : tuple of str
        Which, in the recording's order.
    count : int
        At how many moments just these were.
    """

    lines: tuple[str, ...]
    count: int


@dataclass(frozen=True, slots=True)
class Coincidence:
    """Glitches of all lines, gathered into moments a frame long.

    Parameters
    ----------
    lines : tuple of str
        All lines that were watched.
    time_s : ndarray of float64, shape (n,)
        When each moment began, in seconds.
    struck : ndarray of bool, shape (n, n_lines)
        Which lines had a glitch in it.
    patterns : tuple of Pattern
        Each set of lines that was struck together, the most frequent first.
    shared : int
        Moments that struck more than one line.
    expected : float or None
        How many shared moments independent lines with the same rates would
        give on the average; None where there is nothing to work it out from.
    chance : float or None
        How likely those would give as many as were seen, or more.
    findings : tuple of Finding
        ``glitch coincidence``.
    """

    lines: tuple[str, ...]
    time_s: npt.NDArray[np.float64]
    struck: npt.NDArray[np.bool_]
    patterns: tuple[Pattern, ...]
    shared: int
    expected: float | None
    chance: float | None
    findings: tuple[Finding, ...]


def examine_coincidence(
    glitches: Mapping[str, Glitches],
    records: Mapping[str, Record],
    receivers: tuple[tuple[str, ...], ...] = (),
) -> Coincidence:
    """Find out which lines' glitches come at the same moments.

    Parameters
    ----------
    glitches : mapping of str to Glitches
        What was found on each servo channel, in the recording's order.
    records : mapping of str to Record
        The same channels.
    receivers : tuple of tuple of str, optional
        The lines of each receiver, where known.

    Returns
    -------
    Coincidence
    """
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
        return Coincidence(lines, np.zeros(0), none, (), 0, None, None, (found,))
    time_s, struck = _gather([found.time_s for found in glitches.values()], window_s)
    patterns = _patterns(lines, struck)
    shared = int(np.count_nonzero(struck.sum(axis=1) > 1))
    rates = np.array([_rate(found, window_s) for found in glitches.values()])
    expected = expected_shared(rates, window_s, watched_s)
    chance = float(special.pdtrc(shared - 1, expected)) if shared else 1.0
    finding = measured(
        "glitch coincidence",
        float(shared),
        "",
        _say(lines, patterns, expected, chance, receivers),
        evidence=_evidence(time_s, struck, window_s),
    )
    return Coincidence(lines, time_s, struck, patterns, shared, expected, chance, (finding,))


def expected_shared(rates: npt.NDArray[np.float64], window_s: float, watched_s: float) -> float:
    """Return how many moments independent lines would share by chance.

    A moment begins with the first glitch that comes when none is under way, and
    lasts one window: a counter with a fixed dead time, which for a total rate L
    begins 1 / (window + 1/L) of them a second. It is begun by line i with
    chance L_i / L, and no other line strikes in it with chance
    exp(-(L - L_i) window). (Counter with non-extending dead time: J. W. Mueller,
    Nuclear Instruments and Methods 112, 1973; from memory.)

    Parameters
    ----------
    rates : ndarray of float64, shape (n_lines,)
        Glitches a second on each line.
    window_s : float
        Length of a moment in seconds.
    watched_s : float
        Length of the recording in seconds.

    Returns
    -------
    float

    Examples
    --------
    >>> round(expected_shared(np.array([0.1, 0.1]), 0.02, 1000.0), 3)
    0.398
    """
    total = float(rates.sum())
    if total <= 0.0:
        return 0.0
    begun = watched_s / (window_s + 1.0 / total)
    alone = float(np.sum(rates / total * np.exp(-(total - rates) * window_s)))
    return begun * (1.0 - alone)


def _period_us(record: Record) -> float:
    return record.frames.usual_us or record.table.convention.period_us


def _rate(found: Glitches, window_s: float) -> float:
    """Rate of a line's own moments, corrected for their length: a burst counts once."""
    moments = _openers(found.time_s, window_s).size / found.observed_s
    return float(moments / max(1.0 - moments * window_s, 0.01))


def _openers(time_s: npt.NDArray[np.float64], window_s: float) -> npt.NDArray[np.int64]:
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


def _gather(
    own_s: list[npt.NDArray[np.float64]], window_s: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Gather the lines' glitches into moments: when each began, and whom it struck."""
    all_s = np.concatenate(own_s)
    line = np.repeat(np.arange(len(own_s)), [at_s.size for at_s in own_s])
    order = np.argsort(all_s, kind="stable")
    all_s, line = all_s[order], line[order]
    opens = _openers(all_s, window_s)
    moment = np.searchsorted(opens, np.arange(all_s.size), side="right") - 1
    struck = np.zeros((opens.size, len(own_s)), bool)
    struck[moment, line] = True
    return all_s[opens], struck


def _patterns(lines: tuple[str, ...], struck: npt.NDArray[np.bool_]) -> tuple[Pattern, ...]:
    if not struck.size:
        return ()
    spared, counts = np.unique(~struck, axis=0, return_counts=True)
    order = np.argsort(-counts, kind="stable")
    return tuple(
        Pattern(tuple(lines[at] for at in np.flatnonzero(~spared[i])), int(counts[i]))
        for i in order
    )


def _say(
    lines: tuple[str, ...],
    patterns: tuple[Pattern, ...],
    expected: float,
    chance: float,
    receivers: tuple[tuple[str, ...], ...],
) -> str:
    total = sum(pattern.count for pattern in patterns)
    if not total:
        return "No line has a glitch, so none come together."
    shared = [pattern for pattern in patterns if len(pattern.lines) > 1]
    seen = sum(pattern.count for pattern in shared)
    parts = []
    if shared and chance < SIGNIFICANT:
        parts += [_say_shared(pattern, lines, receivers) for pattern in shared[:2]]
        left = seen - sum(pattern.count for pattern in shared[:2])
        parts += [f"{left} struck other sets of lines"] if left else []
    elif shared:
        parts.append(f"{seen} struck more than one line, no more than chance gives")
    parts += _say_single([pattern for pattern in patterns if len(pattern.lines) == 1])
    moments = "moment" if total == 1 else "moments"
    return (
        f"Of {total} {moments} with a glitch {'; '.join(parts)}. "
        f"Chance alone would make lines share {expected:.2g}."
    )


def _say_shared(
    pattern: Pattern, lines: tuple[str, ...], receivers: tuple[tuple[str, ...], ...]
) -> str:
    if pattern.lines == lines:
        return f"{pattern.count} struck all {len(lines)} lines at once: the link or the supply"
    named = say_list(pattern.lines)
    if len(receivers) > 1 and pattern.lines in receivers:
        return (
            f"{pattern.count} struck {named} at once, all the lines of one receiver: its link or "
            "its supply"
        )
    return f"{pattern.count} struck {named} at once: what those share"


def _say_single(singles: list[Pattern]) -> list[str]:
    count = sum(pattern.count for pattern in singles)
    if not count:
        return []
    top = singles[0]
    if top.count < MOSTLY * count:
        each = say_list([f"{pattern.count} on {pattern.lines[0]}" for pattern in singles])
        return [f"{count} struck one line only ({each})"]
    said = [f"{top.count} struck {top.lines[0]} alone: that wire or its plug"]
    if top.count < count:
        said.append(f"{count - top.count} struck one other line only")
    return said


def _evidence(
    time_s: npt.NDArray[np.float64], struck: npt.NDArray[np.bool_], window_s: float
) -> tuple[Evidence, ...]:
    """Name the first moments, those that several lines share before the others."""
    several = struck.sum(axis=1) > 1
    chosen = np.concatenate([np.flatnonzero(several), np.flatnonzero(~several)])[:MOST_SPANS]
    return tuple(
        Evidence(float(start), float(start) + window_s, 0) for start in np.sort(time_s[chosen])
    )


DEFINITIONS: Final = (
    Definition(
        "glitch coincidence",
        "How many moments, each 0.95 frame periods long, hold glitches on more than one line. "
        "Glitches on all lines at once come from the link or the supply; on one line only, from "
        "its wire or plug; on some, from what those share.",
        "expected by chance = T / (w + 1/L) (1 - sum_i L_i/L exp(-(L - L_i) w)), with T the time "
        "watched, w a moment's length, L_i = n_i / (T - n_i w) the rate of a line with n_i moments "
        "of its own, L the sum of the rates; the shared ones mean something if so many or more "
        f"would come with a chance below {SIGNIFICANT:g} (Poisson)",
        "counter with non-extending dead time (Mueller, Nucl. Instrum. Methods 112, 1973, from "
        "memory)",
    ),
)
