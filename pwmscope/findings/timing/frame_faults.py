"""Frames that did not come in time, the pattern they follow, and what is said about them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np

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
    format_us,
    measured,
    not_shown,
    overlaps,
)
from pwmscope.pulses import (
    Frames,
    Pattern,
    PulseTable,
    closing_rows,
    describe,
    format_ms,
    multiples,
)

CLOCK_DOUBT: Final = 5e-6
"""Relative error allowed for the mean period where frames are counted over a long time."""


class After(IntEnum):
    """What the frames did after a late one."""

    RETURNED = 0
    STAYED = 1
    UNKNOWN = 2


@dataclass(frozen=True, slots=True)
class FrameFaults:
    """Frames that depart from their pattern, as columns, in order of time."""

    # shape (n_gaps,): Rows in the pulse table of the pulses before and after each gap
    dropped_from: IntArray
    dropped_to: IntArray
    dropped_count: IntArray  # shape (n_gaps,): Frames missing in it
    # shape (n_late,): Rows of the pulses whose leading edge departs from the frame clock
    late_row: IntArray
    late_us: FloatArray  # shape (n_late,): By how much it comes late; early ones are negative
    # shape (n_late,): `After`: whether the next frames returned to the clock as it was before
    late_after: IntArray
    # shape (n_extra,): Rows of the pulses between two frames that do not move the clock
    extra_row: IntArray
    # Whether most periods follow no pattern; only gaps are then told, by the usual period
    is_irregular: bool

    @property
    def dropped(self) -> int:
        """Frames missing in all."""
        return int(self.dropped_count.sum())


def find_faults(table: PulseTable, frames: Frames, losses: tuple[Span, ...]) -> FrameFaults:
    """Tell dropped, late and extra frames apart. Own algorithm.

    Consecutive periods that depart from their pattern make one disturbance. It
    is held against the frame clock as it ran before (after, where there is
    nothing before): in its time S a number of frames k fits best. If S lies
    within the pattern's reach of k frames, the clock was not moved: pulses
    within the reach of a frame's instant are that frame, others are late or early
    where the frame before or after them is missing, else extra, and what is
    then missing was dropped. Otherwise the frame that ends the disturbance is
    late and the clock stays shifted; pulses inside beyond k - 1 are extra, fewer
    are dropped frames.
    """
    odd = frames.odd
    begin_s = table.rise_s[frames.index[odd]]
    odd = odd[~overlaps(losses, begin_s, begin_s + frames.period_us[odd] / 1e6)]
    is_irregular = 2 * odd.size > frames.period_us.size
    if not odd.size or is_irregular:
        return _only_gaps(table, frames, odd, is_irregular=is_irregular)
    found = _disturbances(table, frames, losses, odd)
    anchored = (found.before | found.after) & ~found.changes
    loose = ~anchored[np.searchsorted(found.first, odd, side="right") - 1]
    parts = [_only_gaps(table, frames, odd[loose], is_irregular=False)]
    for k, pattern in enumerate(frames.patterns):
        own = found.select(anchored & (found.pattern == k))
        parts.extend(_told(table, frames, pattern, own))
    return _joined(parts)


@dataclass(frozen=True, slots=True)
class _Disturbances:
    """Runs of odd periods, as columns.

    `first`, `last` : first and last period of each. `from_row`, `to_row` : the pulses
    that begin and end it. `before`, `after` : whether a regular frame precedes,
    follows it. `pattern` : what the clock did before, or after.
    """

    first: IntArray
    last: IntArray
    from_row: IntArray
    to_row: IntArray
    before: BoolArray
    after: BoolArray
    pattern: IntArray
    changes: BoolArray

    def select(self, mask: BoolArray) -> _Disturbances:
        return _Disturbances(*(getattr(self, name)[mask] for name in self.__slots__))


def _disturbances(
    table: PulseTable, frames: Frames, losses: tuple[Span, ...], odd: IntArray
) -> _Disturbances:
    ends = closing_rows(table, frames, odd)
    joined = (np.diff(odd) == 1) & (ends[:-1] == frames.index[odd[1:]])
    first = odd[np.concatenate([[True], ~joined])]
    last = odd[np.concatenate([~joined, [True]])]
    from_row = frames.index[first]
    to_row = ends[np.concatenate([~joined, [True]])]
    size = frames.period_us.size
    neighbours = np.stack([np.maximum(first - 1, 0), np.minimum(last + 1, size - 1)])
    is_odd = frames.odd[np.minimum(np.searchsorted(frames.odd, neighbours), frames.odd.size - 1)]
    begin_s = table.rise_s[frames.index[neighbours]]
    end_s = begin_s + frames.period_us[neighbours] / 1e6
    lost = overlaps(losses, begin_s.ravel(), end_s.ravel()).reshape(neighbours.shape)
    good = (is_odd != neighbours) & ~lost
    good[0] &= (first > 0) & (closing_rows(table, frames, neighbours[0]) == from_row)
    good[1] &= (last < size - 1) & (frames.index[neighbours[1]] == to_row)
    own = frames.pattern[neighbours].astype(np.int64)
    pattern = np.where(good[0], own[0], np.where(good[1], own[1], frames.pattern[first]))
    changes = good[0] & good[1] & (own[0] != own[1])
    return _Disturbances(first, last, from_row, to_row, good[0], good[1], pattern, changes)


def _told(
    table: PulseTable, frames: Frames, pattern: Pattern, found: _Disturbances
) -> list[FrameFaults]:
    """Tell what the disturbances of one pattern are."""
    span_us = (table.rise_s[found.to_row] - table.rise_s[found.from_row]) * 1e6
    way = _Way.of(frames, pattern, found)
    count, late_us = way.count(span_us)
    late_us = np.where(count < 1, span_us - pattern.mean_us, late_us)
    count = np.maximum(count, 1)
    moved = np.abs(late_us) > frames.reach_us + CLOCK_DOUBT * span_us
    return [
        _shifts(frames, found.select(moved), count[moved], late_us[moved]),
        _on_the_clock(table, frames, found.select(~moved), way.select(~moved), count[~moved]),
    ]


def _shifts(
    frames: Frames, found: _Disturbances, count: IntArray, late_us: FloatArray
) -> FrameFaults:
    """Tell disturbances after which the clock is shifted."""
    excess = found.last - found.first - (count - 1)
    dropped = excess < 0
    extra = np.maximum(excess, 0)
    owner = np.repeat(np.arange(extra.size), extra)
    rank = np.arange(owner.size) - np.repeat(np.cumsum(extra) - extra, extra)
    return FrameFaults(
        found.from_row[dropped],
        found.to_row[dropped],
        -excess[dropped],
        np.where(found.before, found.to_row, found.from_row),
        np.where(found.before, late_us, -late_us),
        np.where(found.before & found.after, After.STAYED, After.UNKNOWN),
        frames.index[found.first[owner] + 1 + rank],
        is_irregular=False,
    )


def _on_the_clock(
    table: PulseTable, frames: Frames, found: _Disturbances, way: _Way, count: IntArray
) -> FrameFaults:
    """Tell disturbances that leave the clock where it was, pulse by pulse.

    A pulse at a frame's instant is that frame. Another one is late or early if the
    frame before or after it is missing, else extra; what is then missing was dropped.
    """
    size = int(count.max(initial=0)) + 2
    ends = np.arange(count.size) * size
    from_row = np.where(way.onward, found.from_row, found.to_row)
    to_row = np.where(way.onward, found.to_row, found.from_row)
    owner, row = _pulses_inside(frames, found)
    elapsed_us = np.abs(table.rise_s[row] - table.rise_s[from_row[owner]]) * 1e6
    own = way.select(owner)
    number, rest_us = own.count(elapsed_us)
    key = owner * size + number
    in_time = np.abs(rest_us) <= frames.reach_us
    known = np.concatenate([ends, ends + count, key[in_time]])
    known_row = np.concatenate([from_row, to_row, row[in_time]])
    present, first = np.unique(known, return_index=True)
    # Those that name a frame which is there already.
    twice = np.setdiff1d(known_row, known_row[first])
    before = key - (rest_us < 0)
    near = np.stack([before + ~own.onward, before + own.onward])[:, ~in_time]
    free = ~np.isin(near, present)
    claim = np.where(free[0], near[0], near[1])
    taken, whose = np.unique(np.where(free.any(axis=0), claim, -1), return_index=True)
    whose, taken = whose[taken >= 0], taken[taken >= 0]
    stray = np.flatnonzero(~in_time)
    late = stray[whose]
    due_us = way.select(owner[late]).elapsed_us(taken - owner[late] * size)
    late_us = elapsed_us[late] - due_us
    present = np.concatenate([present, taken])
    rows = np.concatenate([known_row[first], row[late]])
    order = np.argsort(present)
    step = np.diff(present[order])
    gaps = np.flatnonzero((step > 1) & (np.diff(present[order] // size) == 0))
    sides = np.sort(np.stack([rows[order][gaps], rows[order][gaps + 1]]), axis=0)
    return FrameFaults(
        sides[0],
        sides[1],
        step[gaps] - 1,
        row[late],
        np.where(own.onward[late], late_us, -late_us),
        np.full(late.size, int(After.RETURNED)),
        np.concatenate([row[np.delete(stray, whose)], twice]),
        is_irregular=False,
    )


def _pulses_inside(frames: Frames, found: _Disturbances) -> tuple[IntArray, IntArray]:
    """List the pulses inside disturbances: whose, and their rows."""
    inside = found.last - found.first
    owner = np.repeat(np.arange(inside.size), inside)
    rank = np.arange(owner.size) - np.repeat(np.cumsum(inside) - inside, inside) + 1
    return owner, frames.index[found.first[owner] + rank]


@dataclass(frozen=True, slots=True)
class _Way:
    """How the clock runs through each disturbance: on from before it, or back from after it."""

    onward: BoolArray
    place: IntArray
    pattern: Pattern

    @classmethod
    def of(cls, frames: Frames, pattern: Pattern, found: _Disturbances) -> _Way:
        length, size = len(pattern), frames.period_us.size
        before = frames.place[np.maximum(found.first - 1, 0)].astype(np.int64)
        after = frames.place[np.minimum(found.last + 1, size - 1)].astype(np.int64)
        place = np.where(found.before, before + 1, length - after) % length
        return cls(found.before, place, pattern)

    def select(self, owner: IntArray | BoolArray) -> _Way:
        return _Way(self.onward[owner], self.place[owner], self.pattern)

    def count(self, elapsed_us: FloatArray) -> tuple[IntArray, FloatArray]:
        """Count frames from the known side, and what remains."""
        on, on_us = self.pattern.count(elapsed_us, self.place)
        back, back_us = self.pattern.reversed().count(elapsed_us, self.place)
        return np.where(self.onward, on, back), np.where(self.onward, on_us, back_us)

    def elapsed_us(self, count: IntArray) -> FloatArray:
        on_us = self.pattern.elapsed_us(count, self.place)
        back_us = self.pattern.reversed().elapsed_us(count, self.place)
        return np.where(self.onward, on_us, back_us)


def _only_gaps(table: PulseTable, frames: Frames, periods: IntArray, *, is_irregular: bool) -> (
    FrameFaults
):  # fmt: skip
    """Count dropped frames by the usual period alone."""
    gaps = periods[frames.missing[periods] > 0]
    return FrameFaults(
        frames.index[gaps],
        closing_rows(table, frames, gaps),
        frames.missing[gaps],
        _NO_ROWS,
        np.zeros(0),
        _NO_ROWS,
        _NO_ROWS,
        is_irregular=is_irregular,
    )


def _joined(parts: list[FrameFaults]) -> FrameFaults:
    """Put parts together in order of time."""
    gaps = np.argsort(np.concatenate([part.dropped_from for part in parts]), kind="stable")
    late = np.argsort(np.concatenate([part.late_row for part in parts]), kind="stable")
    return FrameFaults(
        np.concatenate([part.dropped_from for part in parts])[gaps],
        np.concatenate([part.dropped_to for part in parts])[gaps],
        np.concatenate([part.dropped_count for part in parts])[gaps],
        np.concatenate([part.late_row for part in parts])[late],
        np.concatenate([part.late_us for part in parts])[late],
        np.concatenate([part.late_after for part in parts])[late],
        np.sort(np.concatenate([part.extra_row for part in parts])),
        is_irregular=any(part.is_irregular for part in parts),
    )


_NO_ROWS: Final = np.zeros(0, np.int64)


_MAX_TOLD: Final = 3
_OWN: Final = "own algorithm; terms of IEEE Std 181 (pulse period), from memory"

OF_FAULTS: Final[tuple[Definition, ...]] = (
    Definition(
        "frame pattern",
        "The frame periods that repeat. Most receivers repeat one; some interleave two or more, "
        "which is no jitter, and some change their rate.",
        "smallest m from 1 to 8 with period[i] = period[i - m] for stretches of at least 12 "
        "periods; several periods only where they differ by more than 6 deviations, 4 sample "
        "intervals and 0.1 % of their mean",
        _OWN,
    ),
    Definition(
        "dropped frames",
        "Frames that are missing, outside signal loss; the device holds its last position "
        "meanwhile. They do not tell how good the link is: most receivers fill a gap with old "
        "widths (see fresh frames).",
        "frames of the pattern between two regular ones, to the nearest whole frame, less the "
        "pulses at their instants and the late ones",
        _OWN,
    ),
    Definition(
        "late frames",
        "Frames that begin later or earlier than jitter explains. It also says whether the clock "
        "is the same afterwards.",
        "edges farther than 8 deviations of the period, and 1 % of it, from every instant of the "
        "pattern, with the frame before or after them missing",
        _OWN,
    ),
    Definition(
        "extra frames",
        "Pulses between two frames that leave the frame clock alone. A second transmitter, a "
        "receiver's fault or interference makes them.",
        "edges as far from every instant of the pattern, with no frame missing beside them",
        _OWN,
    ),
)

NO_PATTERN: Final = (
    "There is no steady frame clock: most frame periods repeat neither singly nor in a pattern of "
    "up to eight."
)
_NO_FRAMES: Final = "Fewer than three frames were seen outside signal loss, too few for a pattern."


def pattern_finding(
    table: PulseTable, frames: Frames, periods: IntArray, patterns: tuple[Pattern, ...]
) -> Finding:
    """Say which frame periods repeat."""
    if periods.size < 2:
        return not_shown("frame pattern", "", _NO_FRAMES)
    if not patterns:
        return not_shown("frame pattern", "", NO_PATTERN)
    said = describe(patterns)
    changes = _changes(table, frames, periods, patterns)
    if len(patterns) > 1:
        times = [f"{span.start_s:.3f} s" for span in changes[1 : 1 + _MAX_TOLD]]
        more = len(changes) - 1 - len(times)
        told = format_list([*times, f"{more} times more"] if more else times)
        sentence = f"The frame rate changes, at {told}: {said}."
    elif len(patterns[0]) > 1:
        sentence = f"Frames come {said}: a pattern that repeats, neither jitter nor missing frames."
    else:
        sentence = f"One frame period repeats, {said}."
    for short_us, long_us in (pair for pattern in patterns for pair in multiples(pattern)):
        sentence += (
            f" {format_ms(long_us)} ms is {round(long_us / short_us)} times "
            f"{format_ms(short_us)} ms: it may also be a frame left out in every turn."
        )
    return measured("frame pattern", said, "", sentence, evidence=changes[:MAX_SPANS])


def _changes(
    table: PulseTable, frames: Frames, periods: IntArray, patterns: tuple[Pattern, ...]
) -> tuple[Evidence, ...]:
    """Return the stretches of one pattern each, in order; odd periods are in none."""
    if len(patterns) == 1:
        used, begin = periods, np.zeros(1, np.int64)
    else:
        told = np.array([pattern in patterns for pattern in frames.patterns])
        used = np.flatnonzero(frames.regular(periods) & told[frames.pattern])
        own = frames.pattern[used]
        begin = np.flatnonzero(np.concatenate([[True], own[1:] != own[:-1]]))
    last = np.append(begin[1:], used.size) - 1
    rows = zip(frames.index[used[begin]], frames.index[used[last]], last - begin + 1, strict=True)
    return tuple(Evidence.of(table.rise_s, a, b, count) for a, b, count in rows)


def fault_findings(
    table: PulseTable, frames: Frames, faults: FrameFaults, periods: int
) -> tuple[Finding, Finding, Finding]:
    """Say which frames were dropped, late or extra."""
    if periods < 2:
        names = ("dropped frames", "late frames", "extra frames")
        dropped, late, extra = (not_shown(name, "", _NO_FRAMES) for name in names)
        return dropped, late, extra
    gaps, rise_s = faults.dropped_from.size, table.rise_s
    first = zip(faults.dropped_from, faults.dropped_count, strict=True)
    told = [f"{_count(int(n), 'frame')} after {_at(table, row)}" for row, n in first]
    sentence = "No frame is missing."
    if gaps:
        missing = f"{_count(faults.dropped, 'frame')} missing in {_count(gaps, 'gap')}"
        sentence = f"{missing}: {_list(told)}."
    ends = zip(faults.dropped_from[:MAX_SPANS], faults.dropped_to[:MAX_SPANS], strict=True)
    spans = tuple(Evidence.of(rise_s, a, b, 2) for a, b in ends)
    dropped = measured("dropped frames", float(faults.dropped), "", sentence, evidence=spans)
    if faults.is_irregular:
        late, extra = (not_shown(f"{kind} frames", "", NO_PATTERN) for kind in ("late", "extra"))
        return dropped, late, extra
    return dropped, _late(table, faults), _extra(table, faults)


_AFTERWARDS: Final = {
    After.RETURNED: "then back in time",
    After.STAYED: "the clock stays shifted",
    After.UNKNOWN: "with nothing to tell whether the clock was shifted",
}


def _late(table: PulseTable, faults: FrameFaults) -> Finding:
    columns = zip(faults.late_row, faults.late_us.tolist(), faults.late_after.tolist(), strict=True)
    told = [
        f"at {_at(table, row)} by {format_us(abs(late_us))} {'late' if late_us > 0 else 'early'}, "
        f"{_AFTERWARDS[After(after)]}"
        for row, late_us, after in columns
    ]
    off = f"{_count(len(told), 'frame')} off the frame clock: {_list(told, '; ')}."
    sentence = off if told else "No frame is late or early."
    return _of_pulses("late frames", table, faults.late_row, sentence)


def _extra(table: PulseTable, faults: FrameFaults) -> Finding:
    told = [f"at {_at(table, row)}" for row in faults.extra_row]
    sentence = "No pulse comes between two frames."
    if told:
        between = f"{_count(len(told), 'pulse')} between two frames"
        sentence = f"{between}, without moving the frame clock: {_list(told)}."
    return _of_pulses("extra frames", table, faults.extra_row, sentence)


def _of_pulses(name: str, table: PulseTable, rows: IntArray, sentence: str) -> Finding:
    seen = tuple(Evidence.of(table.rise_s, row, row) for row in rows[:MAX_SPANS])
    return measured(name, float(rows.size), "", sentence, evidence=seen)


def _at(table: PulseTable, row: np.int64) -> str:
    return f"{table.rise_s[row]:.4f} s"


def _count(count: int, thing: str) -> str:
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"


def _list(told: list[str], between: str = ", ") -> str:
    more = f"{between}and {len(told) - _MAX_TOLD} more" if len(told) > _MAX_TOLD else ""
    return between.join(told[:_MAX_TOLD]) + more
