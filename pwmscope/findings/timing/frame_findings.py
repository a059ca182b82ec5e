"""What is said about frame patterns and about dropped, late and extra frames."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.timing.frame_faults import After, FrameFaults
from pwmscope.model.amounts import say_list, say_us
from pwmscope.model.definition import Definition
from pwmscope.model.finding import MOST_SPANS, Evidence, Finding, measured, not_shown
from pwmscope.pulses import Frames, PulseTable
from pwmscope.pulses.frame_pattern import Pattern, describe, multiples, say_ms

_MOST_TOLD: Final = 3
_OWN: Final = "own algorithm; terms of IEEE Std 181 (pulse period), from memory"

DEFINITIONS: Final[tuple[Definition, ...]] = (
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
        "Frames that are missing, outside signal loss. A few are a weak link; the device holds its "
        "last position meanwhile.",
        "frames of the pattern between two regular ones, to the nearest whole frame, less the "
        "pulses at their instants and the late ones",
        _OWN,
    ),
    Definition(
        "late frames",
        "Frames whose leading edge departs from the frame clock, late or early, by more than the "
        "jitter explains; and whether the clock is as before afterwards.",
        "edges farther than 8 deviations of the period, and 1 % of it, from every instant of the "
        "pattern, with the frame before or after them missing",
        _OWN,
    ),
    Definition(
        "extra frames",
        "Pulses between two frames that do not move the frame clock: a second transmitter, a "
        "receiver's fault, or interference as long as a pulse.",
        "edges as far from every instant of the pattern, with no frame missing beside them",
        _OWN,
    ),
)

NO_PATTERN: Final = (
    "Most frame periods repeat neither one by one nor in a pattern of up to eight, so there is no "
    "steady frame clock."
)
_NO_FRAMES: Final = "Fewer than three frames were seen outside signal loss, too few for a pattern."


def pattern_finding(
    table: PulseTable, frames: Frames, periods: npt.NDArray[np.int64], patterns: tuple[Pattern, ...]
) -> Finding:
    """Say which frame periods repeat.

    Parameters
    ----------
    table : PulseTable
        One channel's pulses.
    frames : Frames
        Its frames.
    periods : ndarray of int64, shape (n,)
        Places in ``frames`` of the periods outside loss spans.
    patterns : tuple of Pattern
        The patterns that these follow; empty where most follow none.

    Returns
    -------
    Finding
        ``frame pattern``.
    """
    if periods.size < 2:
        return not_shown("frame pattern", "", _NO_FRAMES)
    if not patterns:
        return not_shown("frame pattern", "", NO_PATTERN)
    said = describe(patterns)
    changes = _changes(table, frames, periods, patterns)
    if len(patterns) > 1:
        times = [f"{span.start_s:.3f} s" for span in changes[1 : 1 + _MOST_TOLD]]
        more = len(changes) - 1 - len(times)
        told = say_list([*times, f"{more} times more"] if more else times)
        sentence = f"The frame rate changes, at {told}: {said}."
    elif len(patterns[0]) > 1:
        sentence = f"Frames come {said}: a pattern that repeats, neither jitter nor missing frames."
    else:
        sentence = f"One frame period repeats, {said}."
    for short_us, long_us in (pair for pattern in patterns for pair in multiples(pattern)):
        sentence += (
            f" {say_ms(long_us)} ms is {round(long_us / short_us)} times "
            f"{say_ms(short_us)} ms: it may also be a frame left out in every turn."
        )
    return measured("frame pattern", said, "", sentence, evidence=changes[:MOST_SPANS])


def _changes(
    table: PulseTable,
    frames: Frames,
    periods: npt.NDArray[np.int64],
    patterns: tuple[Pattern, ...],
) -> tuple[Evidence, ...]:
    """Return the stretches of one pattern each, in order; odd periods are in none."""
    if len(patterns) == 1:
        used, begin = periods, np.zeros(1, np.int64)
    else:
        regular = np.zeros(frames.period_us.size, bool)
        regular[periods] = True
        regular[frames.odd] = False
        told = np.array([pattern in patterns for pattern in frames.patterns])
        used = np.flatnonzero(regular & told[frames.pattern])
        own = frames.pattern[used]
        begin = np.flatnonzero(np.concatenate([[True], own[1:] != own[:-1]]))
    last = np.append(begin[1:], used.size) - 1
    rows = zip(frames.index[used[begin]], frames.index[used[last]], last - begin + 1, strict=True)
    return tuple(Evidence.of(table.rise_s, a, b, count) for a, b, count in rows)


def fault_findings(
    table: PulseTable, frames: Frames, faults: FrameFaults, periods: int
) -> tuple[Finding, Finding, Finding]:
    """Say which frames were dropped, late or extra.

    Parameters
    ----------
    table : PulseTable
        One channel's pulses.
    frames : Frames
        Its frames.
    faults : FrameFaults
        What was found.
    periods : int
        Number of periods outside loss spans.

    Returns
    -------
    tuple of Finding
        ``dropped frames``, ``late frames``, ``extra frames``.
    """
    if periods < 2:
        names = ("dropped frames", "late frames", "extra frames")
        dropped, late, extra = (not_shown(name, "", _NO_FRAMES) for name in names)
        return dropped, late, extra
    dropped = _dropped(table, faults)
    if faults.is_irregular:
        late, extra = (not_shown(f"{kind} frames", "", NO_PATTERN) for kind in ("late", "extra"))
        return dropped, late, extra
    return dropped, _late(table, faults), _extra(table, faults)


def _dropped(table: PulseTable, faults: FrameFaults) -> Finding:
    gaps = faults.dropped_from.size
    told = [
        f"{_count(int(count), 'frame')} after {_at(table, row)}"
        for row, count in zip(
            faults.dropped_from[:_MOST_TOLD], faults.dropped_count[:_MOST_TOLD], strict=True
        )
    ]
    sentence = (
        f"{_count(faults.dropped, 'frame')} missing in {_count(gaps, 'gap')}: {_list(told, gaps)}."
        if gaps
        else "No frame is missing."
    )
    spans = [
        Evidence.of(table.rise_s, a, b, 2)
        for a, b in zip(
            faults.dropped_from[:MOST_SPANS], faults.dropped_to[:MOST_SPANS], strict=True
        )
    ]
    return measured("dropped frames", float(faults.dropped), "", sentence, evidence=tuple(spans))


_AFTERWARDS: Final = {
    After.RETURNED: "then back in time",
    After.STAYED: "the clock stays shifted",
    After.UNKNOWN: "with nothing to tell whether the clock was shifted",
}


def _late(table: PulseTable, faults: FrameFaults) -> Finding:
    count = faults.late_row.size
    told = [
        f"at {_at(table, faults.late_row[k])} by {_signed(float(faults.late_us[k]))}, "
        f"{_AFTERWARDS[After(int(faults.late_after[k]))]}"
        for k in range(min(count, _MOST_TOLD))
    ]
    sentence = (
        f"{_count(count, 'frame')} off the frame clock: {_list(told, count, '; ')}."
        if count
        else "No frame is late or early."
    )
    return measured(
        "late frames", float(count), "", sentence, evidence=_pulses(table, faults.late_row)
    )


def _extra(table: PulseTable, faults: FrameFaults) -> Finding:
    count = faults.extra_row.size
    told = [f"at {_at(table, row)}" for row in faults.extra_row[:_MOST_TOLD]]
    sentence = (
        f"{_count(count, 'pulse')} between two frames, without moving the frame clock: "
        f"{_list(told, count)}."
        if count
        else "No pulse comes between two frames."
    )
    return measured(
        "extra frames", float(count), "", sentence, evidence=_pulses(table, faults.extra_row)
    )


def _pulses(table: PulseTable, rows: npt.NDArray[np.int64]) -> tuple[Evidence, ...]:
    return tuple(Evidence.of(table.rise_s, row, row) for row in rows[:MOST_SPANS])


def _at(table: PulseTable, row: np.int64) -> str:
    return f"{table.rise_s[row]:.4f} s"


def _count(count: int, thing: str) -> str:
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"


def _signed(late_us: float) -> str:
    return f"{say_us(abs(late_us))} {'late' if late_us > 0 else 'early'}"


def _list(told: list[str], count: int, between: str = ", ") -> str:
    more = f"{between}and {count - len(told)} more" if count > len(told) else ""
    return between.join(told) + more
