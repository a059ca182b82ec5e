"""Which lines run on one frame clock: pulses paired frame by frame, and whether they keep step."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from pwmscope.findings.segmentation import Record
from pwmscope.model import (
    CLOCK_TOLERANCE,
    FloatArray,
    IntArray,
    mean_of,
    quantile_of,
    sampling_floor_us,
    std_of,
)
from pwmscope.pulses import shelved, taken


def pair(
    reference_s: FloatArray, other_s: FloatArray, offset_us: float, period_us: float
) -> IntArray:
    """Find for each pulse of a line the other line's pulse of the same frame.

    It is the one nearest to where the usual offset puts it, if it lies within
    half a period of that; of two pulses that want the same one, the nearer has it.

    >>> reference_s = np.array([0.0, 0.02, 0.04, 0.06])
    >>> pair(reference_s, np.array([0.0015, 0.0415, 0.0616]), 1500.0, 20_000.0)
    array([ 0, -1,  1,  2])
    """
    if not other_s.size:
        return np.full(reference_s.size, -1, np.int64)
    aim_s = reference_s + offset_us / 1e6
    near = np.searchsorted(other_s, aim_s)
    before = np.maximum(near - 1, 0)
    near = np.minimum(near, other_s.size - 1)
    near = np.where(aim_s - other_s[before] <= other_s[near] - aim_s, before, near)
    off_s = np.abs(other_s[near] - aim_s)
    unpaired = off_s >= period_us / 2e6
    shared = near[1:] == near[:-1]
    unpaired[1:] |= shared & (off_s[1:] >= off_s[:-1])
    unpaired[:-1] |= shared & (off_s[:-1] > off_s[1:])
    near[unpaired] = -1
    return near


def usual_offset(
    reference_s: FloatArray, other_s: FloatArray, period_us: float
) -> tuple[float, float]:
    """Find where in a line's frame another line's pulses usually begin.

    The offsets are angles on a circle of one period. Their mean direction, and
    the length of the mean vector, are those of circular statistics (Mardia and
    Jupp, "Directional Statistics", 2000, 2.2 and 2.3; from memory).

    >>> reference_s = 0.02 * np.arange(5)
    >>> offset_us, concentration = usual_offset(reference_s, reference_s + 0.0015, 20_000.0)
    >>> round(offset_us, 3), round(concentration, 3)
    (1500.0, 1.0)
    """
    at = np.searchsorted(other_s, reference_s)
    known = at < other_s.size
    offset_s = other_s[at[known]] - reference_s[known]
    offset_s = offset_s[offset_s < 1.5 * period_us / 1e6]
    if not offset_s.size:
        return 0.0, 0.0
    turn = complex(np.mean(np.exp(2j * math.pi * (offset_s * (1e6 / period_us)))))
    part = math.atan2(turn.imag, turn.real) / (2.0 * math.pi)
    return part % 1.0 * period_us, abs(turn)


MIN_FRAMES: Final = 8
"""Frames with a pulse on both lines that are needed to tell."""
STEP_PPM: Final = 2.0
"""A drift shown to be smaller than this is a common clock's, if it is none at all ..."""
PLAIN_STEP_PPM: Final = 0.5
"""... and one shown to be smaller than this, whether it is or not."""
MIN_DRIFT_PPM: Final = 0.02
"""A steady drift larger than this is that of two clocks."""
_STRETCHES: Final = 32
_BEYOND: Final = 0.005
"""Share of the frames on either side of the range of 99 %."""


class Step(StrEnum):
    """How the frames of two lines stand to each other."""

    KEEPS = "keeps step"
    DRIFTS = "drifts"
    NOT_SHOWN = "not shown"


@dataclass(frozen=True, slots=True)
class Tie:
    """How two lines stand to each other."""

    # The lines
    first: str
    second: str
    step: Step  # Whether the second keeps step with the first
    # How fast the second falls behind the first (a part in a million is a microsecond a second);
    # None where no drift could be measured
    drift_us_per_s: float | None
    uncertainty_us_per_s: float | None  # Its standard uncertainty
    # Range, in 99 % of the frames and at least one sample interval, of the steadiest of three
    # distances: start to start, end of the first to start of the second, end of the second to start
    # of the first
    spread_us: float | None
    over_s: float  # From the first to the last frame that was compared
    chance: float | None  # Chance of two unrelated crystals to drift as little as this
    reason: str  # Why it is not shown; otherwise empty


@dataclass(frozen=True, slots=True)
class Starts:
    """When the pulses of one line start, in some frames of a reference line."""

    line: str  # The line's name
    # shape (n,): Start after the reference's pulse; NaN where the frame has none
    start_us: FloatArray
    width_us: FloatArray  # shape (n,): The pulse's width; NaN likewise


def tie(frame_s: FloatArray, first: Starts, second: Starts, interval_us: float | None) -> Tie:
    """Say whether two lines keep step.

    Of three distances, start to start and the end of either to the start of
    the other, a common clock keeps one steady, if nothing that is not recorded
    lies between the two pulses. The steadiest is taken. A straight line through
    the medians of up to 32 stretches of the recording gives the drift.
    """
    both = np.flatnonzero(np.isfinite(first.start_us) & np.isfinite(second.start_us))
    if both.size < MIN_FRAMES:
        return not_shown_tie(
            first.line, second.line, f"only {both.size} frames have a pulse on both lines"
        )
    begin_us = second.start_us[both] - first.start_us[both]
    distances_us = np.stack(
        [begin_us, begin_us - first.width_us[both], begin_us + second.width_us[both]]
    )
    ranges_us = [
        quantile_of(each_us, 1.0 - _BEYOND) - quantile_of(each_us, _BEYOND)
        for each_us in distances_us
    ]
    best = int(np.argmin(ranges_us))
    frame_s = frame_s[both]
    drift, doubt, linear = _drift(frame_s, distances_us[best], interval_us)
    step, bound = _judge(drift, doubt, linear)
    spread_us = max(ranges_us[best], interval_us or 0.0)
    return Tie(
        first.line,
        second.line,
        step,
        drift,
        doubt,
        spread_us,
        float(frame_s[-1] - frame_s[0]),
        chance_of(bound) if step is Step.KEEPS else None,
        _reason(spread_us, bound) if step is Step.NOT_SHOWN else "",
    )


def not_shown_tie(first: str, second: str, reason: str) -> Tie:
    """Make the tie of two lines of which nothing can be told, with the reason."""
    return Tie(first, second, Step.NOT_SHOWN, None, None, None, 0.0, None, reason)


def chance_of(bound_ppm: float) -> float:
    """Return the chance of two unrelated crystals to differ by no more than a bound.

    Each is off by anything within 100 ppm (common practice, from memory). The
    difference of two such is triangular over twice that (JCGM 100, 4.3.9), so a bound b
    is kept with the chance 1 - (1 - b / 200 ppm)^2.

    >>> round(chance_of(0.5), 5), chance_of(1000.0)
    (0.00499, 1.0)
    """
    widest_ppm = 2e6 * CLOCK_TOLERANCE
    return 1.0 - (1.0 - min(bound_ppm / widest_ppm, 1.0)) ** 2


def _drift(
    frame_s: FloatArray, distance_us: FloatArray, interval_us: float | None
) -> tuple[float, float, float]:
    """Return the drift, its uncertainty, and how much of the variance it explains."""
    stretches = frame_s.size if frame_s.size < 2 * _STRETCHES else _STRETCHES
    length = frame_s.size // stretches
    kept = length * stretches
    time_s = np.mean(frame_s[:kept].reshape(stretches, length), axis=1)
    ordered_us = np.sort(distance_us[:kept].reshape(stretches, length), axis=1)
    median_us = 0.5 * (ordered_us[:, (length - 1) // 2] + ordered_us[:, length // 2])
    time_s -= time_s.mean()
    median_us -= median_us.mean()
    lever = float(np.sum(time_s**2))
    drift = float(np.sum(time_s * median_us)) / lever
    left_us = median_us - drift * time_s
    total = float(np.sum(median_us**2))
    linear = 0.0 if total == 0.0 else 1.0 - float(np.sum(left_us**2)) / total
    scatter = float(np.sum(left_us**2)) / (stretches - 2) / lever
    # Two sampled edges at each end of the record bound what a slope can show.
    floor = math.sqrt(2.0) * (sampling_floor_us(interval_us) or 0.0)
    return drift, math.hypot(math.sqrt(scatter), floor / float(frame_s[-1] - frame_s[0])), linear


def _judge(drift: float, doubt: float, linear: float) -> tuple[Step, float]:
    """Tell a common clock from two; also give what the drift is surely below, in ppm."""
    bound = abs(drift) + 2.0 * doubt
    if abs(drift) > max(10.0 * doubt, MIN_DRIFT_PPM) and linear > 0.95:
        return Step.DRIFTS, bound
    if bound < PLAIN_STEP_PPM or (bound < STEP_PPM and abs(drift) <= 4.0 * doubt):
        return Step.KEEPS, bound
    return Step.NOT_SHOWN, bound


def _reason(spread_us: float, bound_ppm: float) -> str:
    return (
        f"their distance varies over {spread_us:.3g} us, so a drift up to {bound_ppm:.3g} us a "
        "second stays possible; record for longer"
    )


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
    steady = periods[~taken(frames.is_gap, periods)]
    if steady.size < MIN_FRAMES - 1 or rows.size < MIN_FRAMES:
        return None
    steady_us = taken(frames.period_us, steady)
    return Pulses(
        line,
        shelved(rows),
        shelved(taken(table.rise_s, rows)),
        shelved(taken(table.width_us, rows)),
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
            if name not in apart or _shows_more(bond, apart[name]):
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


def _shows_more(one: Tie, other: Tie) -> bool:
    """Say whether a tie shows a drift where another shows none, or shows it more surely."""
    if Step.DRIFTS in {one.step, other.step} and one.step is not other.step:
        return one.step is Step.DRIFTS
    doubt, other_doubt = one.uncertainty_us_per_s, other.uncertainty_us_per_s
    return doubt is not None and (other_doubt is None or doubt < other_doubt)


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
    return not_shown_tie(
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
