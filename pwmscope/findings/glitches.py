"""Kinds and patterns of glitches, and which lines they strike together: the link, or one wire."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from pwmscope.findings.segmentation import Record
from pwmscope.model import (
    MAX_SPANS,
    BoolArray,
    Definition,
    Evidence,
    Finding,
    FloatArray,
    IntArray,
    Span,
    format_list,
    format_s,
    inside,
    measured,
    not_shown,
    overlaps,
    poisson_interval,
    poisson_reaches,
)
from pwmscope.pulses import UNMEASURED, Flag, PulseTable

__all__ = [
    "COINCIDENCE_DEFINITIONS",
    "DEFINITIONS",
    "Coincidence",
    "GlitchKind",
    "Glitches",
    "examine_coincidence",
    "examine_glitches",
]


STUCK_FRAMES: Final = 3
"""A level that lasts for at least this many frames is stuck."""
JUMP: Final = 2.0
"""A width that goes no farther than this many times what it moves around there did not jump."""
TOO_SOON: Final = 0.75
"""Two pulses nearer than this part of a period may be in one frame."""


class GlitchKind(StrEnum):
    """What is wrong with a pulse, or with the lack of one."""

    RUNT = "runt pulse"
    NOTCH = "notch"
    MISSING = "missing pulse"
    DOUBLE = "double pulse"
    STUCK_HIGH = "stuck high"
    STUCK_LOW = "stuck low"
    FOREIGN = "foreign width"
    STRAY = "stray width"


@dataclass(frozen=True, slots=True)
class Moments:
    """When one kind of glitch happened on one line, in order of time."""

    # shape (n,): Row in the pulse table of each; of the pulse before where one is missing
    rows: IntArray
    # shape (n,): When it began and ended, in seconds; a missing pulse is timed where it ought to
    # have begun
    start_s: FloatArray
    end_s: FloatArray

    def __len__(self) -> int:
        return int(self.rows.size)

    def select(self, mask: BoolArray) -> Moments:
        """Keep those where ``mask`` holds; bool, shape (n,)."""
        return Moments(self.rows[mask], self.start_s[mask], self.end_s[mask])


def find_glitches(
    record: Record, period_us: float, recorded: Span
) -> tuple[dict[GlitchKind, Moments], dict[GlitchKind, int]]:
    """Find every glitch of one channel; each is of one kind only."""
    table = record.table
    special = np.flatnonzero(table.flags & np.uint8(Flag.GLITCH | Flag.NOTCHED | Flag.FOREIGN))
    flags = table.flags[special]
    stuck = _stuck_pulses(table, special, period_us, recorded)
    double, crowded = _doubles(table, period_us)
    notched = special[(flags & np.uint8(Flag.NOTCHED | Flag.GLITCH)) == Flag.NOTCHED]
    foreign = special[(flags & Flag.FOREIGN) != 0]
    alone = np.setdiff1d(foreign, np.concatenate([notched, crowded, stuck.rows]))
    of_pulses = {
        GlitchKind.RUNT: _of_rows(table, special[(flags & Flag.GLITCH) != 0]),
        GlitchKind.NOTCH: _of_rows(table, np.setdiff1d(notched, stuck.rows)),
        GlitchKind.DOUBLE: _of_rows(
            table, np.setdiff1d(double, np.concatenate([notched, stuck.rows]))
        ),
        GlitchKind.STUCK_HIGH: stuck,
        GlitchKind.FOREIGN: _of_rows(table, alone),
        GlitchKind.STRAY: _of_rows(table, np.setdiff1d(_jumps(record), crowded)),
    }
    found, while_lost = {}, {}
    for kind, moments in of_pulses.items():
        lost = overlaps(record.losses, moments.start_s, moments.end_s)
        lost |= inside(record.losses, moments.start_s)
        found[kind] = moments.select(~lost)
        if lost.any():
            while_lost[kind] = int(np.count_nonzero(lost))
    found |= _gaps(record, foreign, stuck, period_us, recorded.end_s)
    if table.inverted:  # its pulses are low, so that a long one is a line stuck low
        high, low = found[GlitchKind.STUCK_HIGH], found[GlitchKind.STUCK_LOW]
        found |= {GlitchKind.STUCK_HIGH: low, GlitchKind.STUCK_LOW: high}
        if GlitchKind.STUCK_HIGH in while_lost:
            while_lost[GlitchKind.STUCK_LOW] = while_lost.pop(GlitchKind.STUCK_HIGH)
    return {kind: found[kind] for kind in GlitchKind}, while_lost


def _of_rows(table: PulseTable, rows: IntArray) -> Moments:
    start_s = table.rise_s[rows]
    return Moments(rows, start_s, start_s + np.nan_to_num(table.width_us[rows]) / 1e6)


def _stuck_pulses(
    table: PulseTable, special: IntArray, period_us: float, recorded: Span
) -> Moments:
    """Find pulses that last for frames, one cut by the recording's end among them."""
    rows = special
    last = len(table) - 1
    if last >= 0 and table.flags[last] & Flag.CUT:
        rows = np.union1d(rows, [last])
    found = _of_rows(table, rows)
    open_end = np.isnan(table.width_us[rows]) & (found.start_s > recorded.start_s)
    found = Moments(rows, found.start_s, np.where(open_end, recorded.end_s, found.end_s))
    return found.select(found.end_s - found.start_s >= STUCK_FRAMES * period_us / 1e6)


def _doubles(table: PulseTable, period_us: float) -> tuple[IntArray, IntArray]:
    """Find pulses too many, and all pulses of the frames that have one.

    In a run of pulses that follow each other too soon, as many are too many as
    there are more steps than whole periods.
    """
    nothing = np.zeros(0, np.int64)
    least_s = TOO_SOON * period_us / 1e6
    near = np.flatnonzero(np.diff(table.rise_s) < least_s)
    rows = np.union1d(near, near + 1)
    rows = rows[~table.has(Flag.GLITCH | Flag.CUT)[rows]]
    steps_s = np.diff(table.rise_s[rows])
    soon = np.flatnonzero(steps_s < least_s)
    if not soon.size:
        return nothing, nothing
    begins = np.flatnonzero(np.diff(soon, prepend=-2) > 1)
    steps = np.diff(begins, append=soon.size)
    lasts_s = np.add.reduceat(steps_s[soon], begins)
    extra = np.maximum(steps - np.rint(lasts_s * (1e6 / period_us)).astype(np.int64), 0)
    place = np.arange(soon.size) - np.repeat(begins, steps)
    chosen = place < np.repeat(extra, steps)
    crowded = np.repeat(extra > 0, steps)
    after = rows[soon + 1]
    return after[chosen], np.union1d(rows[soon[crowded]], after[crowded])


def _jumps(record: Record) -> IntArray:
    """Keep those stray widths that jumped and came back, not a fast stick's turning points.

    A jump goes more than `JUMP` times as far from the middle of the pulses around it
    as the width moves between those, two on each side.
    """
    rows, width_us = record.dwells.stray, record.table.width_us
    if not rows.size:
        return rows
    first = np.flatnonzero(np.diff(rows, prepend=rows[0] - 2) > 1)
    run = np.repeat(np.arange(first.size), np.diff(first, append=rows.size))
    begin, end = rows[first], rows[np.append(first[1:], rows.size) - 1]
    beyond = np.stack([begin - 2, begin - 1, end + 1, end + 2])
    within = np.clip(beyond, 0, width_us.size - 1)
    known = (beyond == within) & ((record.table.flags[within] & np.uint8(UNMEASURED)) == 0)
    around_us = np.where(known, width_us[within], np.nan)
    move_us = np.abs(np.diff(around_us, axis=0))
    move_us = np.max(np.nan_to_num(move_us), axis=0)
    middle_us = np.where(
        known[1] & known[2],
        (around_us[1] + around_us[2]) / 2,
        np.where(known[1], around_us[1], around_us[2]),
    )
    away_us = np.abs(width_us[rows] - middle_us[run])
    jumped: BoolArray = ~(away_us <= JUMP * move_us[run])
    return rows[jumped]


def _gaps(
    record: Record, foreign: IntArray, stuck: Moments, period_us: float, over_s: float
) -> dict[GlitchKind, Moments]:
    """Find missing pulses and longer silences outside loss spans.

    A frame in which a foreign pulse begins or lasts is not without one, and
    what a stuck pulse covers is that pulse's.
    """
    frames, rise_s = record.frames, record.table.rise_s
    gaps = np.flatnonzero(frames.is_gap)
    rows, missing = frames.index[gaps], frames.missing[gaps]
    begin_s = rise_s[rows]
    end_s = begin_s + frames.period_us[gaps] / 1e6
    if len(record.table) and not record.table.flags[-1] & Flag.CUT:
        rest_us = (over_s - rise_s[-1]) * 1e6
        left = int(rest_us / period_us) - 1 if rest_us > 0.0 else 0
        if left >= STUCK_FRAMES:
            rows, missing = np.append(rows, len(record.table) - 1), np.append(missing, left)
            begin_s, end_s = np.append(begin_s, rise_s[-1]), np.append(end_s, over_s)
    filled = 1 + np.nan_to_num(record.table.width_us[foreign] // period_us).astype(np.int64)
    missing = missing - _within(rise_s[foreign], filled, begin_s, end_s)
    is_stuck = np.ones(len(stuck), np.int64)
    counts = (missing > 0) & (_within(stuck.start_s, is_stuck, begin_s, end_s) == 0)
    counts &= ~overlaps(record.losses, begin_s, end_s)
    rows, missing = rows[counts], missing[counts]
    begin_s, end_s = begin_s[counts] + period_us / 1e6, end_s[counts]
    long = missing >= STUCK_FRAMES
    each = missing[~long]
    place = np.arange(int(each.sum())) - np.repeat(np.cumsum(each) - each, each)
    due_s = np.repeat(begin_s[~long], each) + place * (period_us / 1e6)
    return {
        GlitchKind.MISSING: Moments(np.repeat(rows[~long], each), due_s, due_s + period_us / 1e6),
        GlitchKind.STUCK_LOW: Moments(rows[long], begin_s[long], end_s[long]),
    }


def _within(
    time_s: FloatArray, weight: IntArray, begin_s: FloatArray, end_s: FloatArray
) -> IntArray:
    """Add up the weights of the instants strictly inside each stretch of time."""
    total = np.concatenate([np.zeros(1, np.int64), np.cumsum(weight)])
    after = np.searchsorted(time_s, begin_s, side="right")
    before = np.maximum(np.searchsorted(time_s, end_s), after)
    sums: IntArray = total[before] - total[after]
    return sums


_COUNTED: Final = {
    GlitchKind.NOTCH: ("notch", "notches"),
    GlitchKind.STUCK_HIGH: ("time stuck high", "times stuck high"),
    GlitchKind.STUCK_LOW: ("time stuck low", "times stuck low"),
}
"""How one and several are called; of the others by their name, with an s."""


@dataclass(frozen=True, slots=True)
class GlitchCount:
    """Glitches of one kind on one line, outside loss spans."""

    kind: GlitchKind  # What is wrong
    moments: Moments  # Where and when, all of them
    per_minute: float | None  # Count over the time observed; None where there is none
    while_lost: int  # How many more there were inside loss spans

    @property
    def count(self) -> int:
        """How many there were."""
        return len(self.moments)


@dataclass(frozen=True, slots=True)
class Glitches:
    """All glitches of one line."""

    line: str  # The line
    observed_s: float  # Length of the recording without the channel's loss spans
    kinds: tuple[GlitchCount, ...]  # Every kind, also those that did not occur
    time_s: FloatArray  # shape (n,): When each began, of whatever kind, in order
    findings: tuple[Finding, ...]  # `glitches`

    @property
    def count(self) -> int:
        """How many there were in all."""
        return int(self.time_s.size)


def examine_glitches(record: Record, recorded: Span) -> Glitches:
    """Find, sort and count one channel's glitches."""
    observed_s = observed_in(recorded, record.losses)
    period_us = record.period_us
    found, while_lost = find_glitches(record, period_us, recorded)
    kinds = tuple(
        GlitchCount(kind, moments, _per_minute(len(moments), observed_s), while_lost.get(kind, 0))
        for kind, moments in found.items()
    )
    time_s = np.sort(np.concatenate([moments.start_s for moments in found.values()]))
    finding = _finding(record, kinds, observed_s)
    return Glitches(record.table.line, observed_s, kinds, time_s, (finding,))


def observed_in(span: Span, losses: tuple[Span, ...]) -> float:
    """Return how long a span is without losses, in seconds."""
    lost_s = sum(
        max(0.0, min(lost.end_s, span.end_s) - max(lost.start_s, span.start_s)) for lost in losses
    )
    return max(0.0, span.end_s - span.start_s - lost_s)


def poisson_interval_per_minute(count: int, observed_s: float) -> tuple[float, float] | None:
    """Return the exact two-sided 95 % interval of a Poisson rate (`poisson_interval`).

    >>> low, high = poisson_interval_per_minute(5, 60.0)
    >>> round(low, 3), round(high, 3)
    (1.623, 11.668)
    """
    if observed_s <= 0.0:
        return None
    low, high = poisson_interval(count, observed_s)
    return 60.0 * low, 60.0 * high


def _per_minute(count: int, observed_s: float) -> float | None:
    return 60.0 * count / observed_s if observed_s > 0.0 else None


def _finding(record: Record, kinds: tuple[GlitchCount, ...], observed_s: float) -> Finding:
    count = sum(found.count for found in kinds)
    per_minute = _per_minute(count, observed_s)
    interval = poisson_interval_per_minute(count, observed_s)
    if record.frames.usual_us is None:
        return not_shown(
            "glitches", "per minute", "Fewer than two frames were seen, so what a glitch would be "
            "is not known.",
        )  # fmt: skip
    if per_minute is None or interval is None:
        return not_shown(
            "glitches", "per minute", "The signal was lost all the time, so no glitch could show."
        )
    lost = {found.kind: found.while_lost for found in kinds if found.while_lost}
    more = f" {_format_kinds(lost)} more while the signal was lost." if lost else ""
    over = f"{format_s(observed_s)}{' outside signal loss' if record.losses else ''}"
    between = f"95 %: {interval[0]:.3g} to {interval[1]:.3g}"
    if not count:
        sentence = f"No glitch in {over}: 0 a minute ({between}).{more}"
    else:
        counted = _format_kinds({found.kind: found.count for found in kinds if found.count})
        sentence = f"{counted} in {over}: {per_minute:.3g} a minute ({between}).{more}"
    return measured(
        "glitches",
        per_minute,
        "per minute",
        sentence,
        interval=interval,
        evidence=_evidence(record, kinds),
    )


def _format_kinds(counts: dict[GlitchKind, int]) -> str:
    called = {kind: _COUNTED.get(kind, (kind.value, f"{kind.value}s")) for kind in counts}
    return format_list([f"{n} {called[kind][n > 1]}" for kind, n in counts.items()])


def _evidence(record: Record, kinds: tuple[GlitchCount, ...]) -> tuple[Evidence, ...]:
    """Name the first glitches in order of time; a missing pulse by those around it."""
    last = len(record.table) - 1
    spans = []
    gap = GlitchKind.STUCK_HIGH if record.table.inverted else GlitchKind.STUCK_LOW
    for found in kinds:
        around = found.kind in {GlitchKind.MISSING, gap}
        moments = found.moments
        for i in range(min(len(moments), MAX_SPANS)):
            row = int(moments.rows[i])
            to = min(row + 1, last) if around else row
            span = (float(moments.start_s[i]), float(moments.end_s[i]))
            spans.append(Evidence(*span, to - row + 1, row, to))
    return tuple(sorted(spans, key=lambda span: span.start_s)[:MAX_SPANS])


DEFINITIONS: Final = (
    Definition(
        "glitches",
        "Single pulses that are wrong, by kind. Runt pulse: a high shorter than the glitch limit "
        "(100 us for the standard servo). Notch: so short a low inside a pulse. Missing pulse: a "
        "frame without one. Double pulse: two in one frame. Stuck high, stuck low: one level for "
        f"{STUCK_FRAMES} frames or more, without being a signal loss. Foreign width: outside the "
        "accepted range. Stray width: it jumped away for one or two frames. Each is counted once, "
        "outside signal loss; a runt in place of a pulse leaves a missing pulse too.",
        "rate = n / observed minutes; 95 % interval: chi2(0.025, 2n)/2 to chi2(0.975, 2n+2)/2 per "
        f"observed minutes; double: in a run of m steps shorter than {TOO_SOON:g} T that lasts S, "
        "m - round(S/T) pulses are too many",
        "kinds: own algorithm, limits common practice; interval: Garwood, Biometrika 28, 1936 "
        "(from memory)",
    ),
)


SIGNIFICANT: Final = 0.01
"""Shared moments that chance would give less often than this mean something."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """Lines struck at one moment."""

    lines: tuple[str, ...]  # Which, in the recording's order
    count: int  # At how many moments just these were
    expected: float  # How many independent lines would give on the average
    chance: float  # How likely those would give so many, or more, for any set of so many lines

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
    return rates / np.maximum(1.0 - rates * window_s, 0.01)


def _pattern(lines: tuple[str, ...], struck: BoolArray, count: int, expected: float) -> Pattern:
    named = tuple(lines[at] for at in np.flatnonzero(struck))
    # As many sets of this size could have stood out by chance.
    tries = math.comb(len(lines), len(named)) * max(len(lines) - 1, 1)
    chance = min(1.0, tries * poisson_reaches(count, expected))
    return Pattern(named, count, expected, chance)


def expected_shared(rates: FloatArray, window_s: float, watched_s: float) -> float:
    """Return how many moments independent lines would share by chance.

    A moment begins with the first glitch that comes when none is under way, and
    lasts one window: a counter with a fixed dead time, which for a total rate L
    begins 1 / (window + 1/L) of them a second. It is begun by line i with
    chance L_i / L, and another line j strikes in it with chance
    1 - exp(-L_j window). (Counter with non-extending dead time: J. W. Mueller,
    Nuclear Instruments and Methods 112, 1973; from memory.)

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
    window_s = WINDOW * max((records[line].period_us for line in lines), default=0.0) / 1e6
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
        evidence=_of_moments(time_s, struck, window_s),
    )
    return Coincidence(lines, time_s, struck, patterns, shared, expected, (finding,))


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


def _of_moments(time_s: FloatArray, struck: BoolArray, window_s: float) -> tuple[Evidence, ...]:
    """Name the first moments, those that several lines share before the others."""
    several = struck.sum(axis=1) > 1
    chosen = np.concatenate([np.flatnonzero(several), np.flatnonzero(~several)])[:MAX_SPANS]
    return tuple(
        Evidence(float(start), float(start) + window_s, 0) for start in np.sort(time_s[chosen])
    )


COINCIDENCE_DEFINITIONS: Final = (
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
