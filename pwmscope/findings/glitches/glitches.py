"""Glitches of one channel: of what kind, how often, and when."""

from __future__ import annotations

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
)
from pwmscope.pulses import UNMEASURED, Flag, PulseTable

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


_PLURAL: Final = {
    GlitchKind.RUNT: "runt pulses",
    GlitchKind.NOTCH: "notches",
    GlitchKind.MISSING: "missing pulses",
    GlitchKind.DOUBLE: "double pulses",
    GlitchKind.STUCK_HIGH: "times stuck high",
    GlitchKind.STUCK_LOW: "times stuck low",
    GlitchKind.FOREIGN: "foreign widths",
    GlitchKind.STRAY: "stray widths",
}
_SINGULAR: Final = {
    GlitchKind.STUCK_HIGH: "time stuck high",
    GlitchKind.STUCK_LOW: "time stuck low",
}


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
    """All glitches of one line.

    Parameters
    ----------
    line : str
        The line.
    observed_s : float
        Length of the recording without the channel's loss spans.
    kinds : tuple of GlitchCount
        Every kind, also those that did not occur.
    time_s : ndarray of float64, shape (n,)
        When each began, of whatever kind, in order.
    findings : tuple of Finding
        ``glitches``.
    """

    line: str
    observed_s: float
    kinds: tuple[GlitchCount, ...]
    time_s: FloatArray
    findings: tuple[Finding, ...]

    @property
    def count(self) -> int:
        """How many there were in all."""
        return int(self.time_s.size)


def examine_glitches(record: Record, recorded: Span) -> Glitches:
    """Find, sort and count one channel's glitches."""
    lost_s = sum(
        max(0.0, min(span.end_s, recorded.end_s) - max(span.start_s, recorded.start_s))
        for span in record.losses
    )
    observed_s = max(0.0, recorded.end_s - recorded.start_s - lost_s)
    period_us = record.frames.usual_us or record.table.convention.period_us
    found, while_lost = find_glitches(record, period_us, recorded)
    kinds = tuple(
        GlitchCount(kind, moments, _per_minute(len(moments), observed_s), while_lost.get(kind, 0))
        for kind, moments in found.items()
    )
    time_s = np.sort(np.concatenate([moments.start_s for moments in found.values()]))
    finding = _finding(record, kinds, observed_s)
    return Glitches(record.table.line, observed_s, kinds, time_s, (finding,))


def poisson_interval_per_minute(count: int, observed_s: float) -> tuple[float, float] | None:
    """Return the exact two-sided 95 % interval of a Poisson rate (`poisson_interval`).

    Examples
    --------
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
    return format_list([
        f"{count} {_PLURAL[kind]}" if count > 1 else f"1 {_SINGULAR.get(kind, kind.value)}"
        for kind, count in counts.items()
    ])  # fmt: skip


def _evidence(record: Record, kinds: tuple[GlitchCount, ...]) -> tuple[Evidence, ...]:
    """Name the first glitches in order of time; a missing pulse by those around it."""
    last = len(record.table) - 1
    spans = []
    for found in kinds:
        around = found.kind in {GlitchKind.MISSING, _stuck_kind(record)}
        moments = found.moments
        for i in range(min(len(moments), MAX_SPANS)):
            row = int(moments.rows[i])
            to = min(row + 1, last) if around else row
            span = (float(moments.start_s[i]), float(moments.end_s[i]))
            spans.append(Evidence(*span, to - row + 1, row, to))
    return tuple(sorted(spans, key=lambda span: span.start_s)[:MAX_SPANS])


def _stuck_kind(record: Record) -> GlitchKind:
    return GlitchKind.STUCK_HIGH if record.table.inverted else GlitchKind.STUCK_LOW


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
