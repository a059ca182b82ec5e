"""Which lines run on one frame clock."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.receivers.pairing import pair, usual_offset
from pwmscope.findings.receivers.ties import MIN_FRAMES, Starts, Step, Tie, tie, untold
from pwmscope.findings.segmentation import Record
from pwmscope.model import CLOCK_TOLERANCE, FloatArray, IntArray, mean_of, std_of

MAX_FRAMES: Final = 4096
"""Frames, spread over the recording, that are enough to tell one clock from two."""
CONCENTRATED: Final = 0.5
"""A line whose pulses lie all over another's frames has a smaller concentration than this."""


@dataclass(frozen=True, slots=True)
class Pulses:
    """One line's pulses as far as order and skew need them."""

    line: str  # The line's name
    rows: IntArray  # shape (n,): Rows of its measured pulses outside loss spans
    rise_s: FloatArray  # shape (n,): Their leading edges in seconds
    width_us: FloatArray  # shape (n,): Their widths in microseconds
    period_us: float  # Mean frame period
    period_doubt_us: float  # Standard uncertainty of that, as far as scatter gives it
    interval_us: float | None  # Interval between samples in microseconds, where known


def pulses_of(line: str, record: Record) -> Pulses | None:
    """Take from a record what order and skew need; None with too few frames."""
    frames, table, rows = record.frames, record.table, record.rows
    periods = record.periods
    steady_us = frames.period_us[periods[~frames.is_gap[periods]]]
    if steady_us.size < MIN_FRAMES - 1 or rows.size < MIN_FRAMES:
        return None
    return Pulses(
        line,
        rows,
        table.rise_s[rows],
        table.width_us[rows],
        mean_of(steady_us),
        std_of(steady_us) / math.sqrt(steady_us.size),
        table.sample_interval_us,
    )


def most_complete(lines: list[Pulses]) -> Pulses:
    """Choose the first line whose pulses cover about as much time as any line's do."""
    covered_us = [line.rows.size * line.period_us for line in lines]
    enough_us = 0.9 * max(covered_us)
    return next(line for line, us in zip(lines, covered_us, strict=True) if us >= enough_us)


def gather(pulses: Mapping[str, Pulses], reference: str) -> tuple[dict[str, Tie], dict[str, Tie]]:
    """Find the lines that keep step with one line, or with one that does.

    They are joined by the closest ties first (Prim's minimum spanning tree).
    """
    frame_s = spread_out(pulses[reference].rise_s)
    offset_us: dict[str, float] = {}
    apart: dict[str, Tie] = {}
    for name, line in pulses.items():
        found = _offset(frame_s, pulses[reference], line)
        if isinstance(found, Tie):
            apart[name] = found
        else:
            offset_us[name] = found
    period_us = pulses[reference].period_us
    end_us = _frame_end_us(np.array(list(offset_us.values())), period_us)
    starts = {
        name: _starts(frame_s, pulses[name], offset - period_us * (offset >= end_us), period_us)
        for name, offset in offset_us.items()
    }
    interval_us = pulses[reference].interval_us
    within: dict[str, Tie] = {}
    best: dict[str, Tie] = {}
    outside = [name for name in starts if name != reference]
    member = reference
    while outside:
        for name in outside:
            bond = tie(frame_s, starts[member], starts[name], interval_us)
            if name not in apart or _tells_more(bond, apart[name]):
                apart[name] = bond
            if bond.step is Step.KEEPS and (name not in best or _closer(bond, best[name])):
                best[name] = bond
        reached = [name for name in outside if name in best]
        if not reached:
            break
        member = min(reached, key=lambda name: best[name].spread_us or 0.0)
        within[member] = best[member]
        outside.remove(member)
    return within, {name: bond for name, bond in apart.items() if name not in within}


def _tells_more(one: Tie, other: Tie) -> bool:
    """Say whether a tie shows a drift where another shows none, or shows it more surely."""
    if Step.DRIFTS in {one.step, other.step} and one.step is not other.step:
        return one.step is Step.DRIFTS
    sure, unsure = one.uncertainty_us_per_s, other.uncertainty_us_per_s
    return sure is not None and (unsure is None or sure < unsure)


def _closer(one: Tie, other: Tie) -> bool:
    return (one.spread_us or 0.0) < (other.spread_us or 0.0)


def spread_out(rise_s: FloatArray) -> FloatArray:
    """Choose up to `MAX_FRAMES` of a line's frames, evenly over the recording."""
    if rise_s.size <= MAX_FRAMES:
        return rise_s
    return rise_s[np.linspace(0, rise_s.size - 1, MAX_FRAMES).astype(np.int64)]


def _offset(frame_s: FloatArray, reference: Pulses, line: Pulses) -> float | Tie:
    """Find a line's usual start in the reference's frames, or say why there is none."""
    if line is reference:
        return 0.0
    drift = (line.period_us / reference.period_us - 1.0) * 1e6
    doubt = 1e6 * math.hypot(line.period_doubt_us, reference.period_doubt_us) / line.period_us
    apart = Tie(reference.line, line.line, Step.DRIFTS, drift, doubt, None,
                float(frame_s[-1] - frame_s[0]), None, "")  # fmt: skip
    # Two crystals, each within the tolerance, differ by no more than twice that.
    if abs(drift) > 2e6 * CLOCK_TOLERANCE + 5.0 * doubt:
        return apart
    offset_us, concentration = usual_offset(frame_s, line.rise_s, reference.period_us)
    if concentration >= CONCENTRATED:
        return offset_us
    if abs(drift) > 5.0 * doubt:
        return apart
    return untold(
        reference.line, line.line,
        f"its pulses lie all over {reference.line}'s frames, yet no steady drift shows",
    )  # fmt: skip


def _frame_end_us(offset_us: FloatArray, period_us: float) -> float:
    """Find the start that follows the longest time without one: there a frame begins."""
    starts_us = np.sort(offset_us)
    without_us = np.diff(starts_us, append=starts_us[0] + period_us)
    return float(np.append(starts_us[1:], period_us)[np.argmax(without_us)])


def _starts(frame_s: FloatArray, line: Pulses, offset_us: float, period_us: float) -> Starts:
    partner = pair(frame_s, line.rise_s, offset_us, period_us)
    absent = partner < 0
    start_us = (line.rise_s[partner] - frame_s) * 1e6
    width_us = line.width_us[partner]
    start_us[absent] = width_us[absent] = np.nan
    return Starts(line.line, start_us, width_us)
