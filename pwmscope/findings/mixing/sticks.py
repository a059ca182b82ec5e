"""Where the sticks were at each pulse of the outputs: recorded, or told by a plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np

from pwmscope.bench import Axis, StepSpan
from pwmscope.findings.mixing.delay import DELAYS, MOVING, best_delay
from pwmscope.findings.mixing.lines import FORWARD, TURN, OutputLine, StickLine
from pwmscope.findings.receivers import pair, usual_offset
from pwmscope.model import FloatArray, IntArray, Span, inside
from pwmscope.pulses import PulseTable

Source: TypeAlias = Literal["recorded sticks", "plan"]

MAX_FRAMES: Final = 40_000
"""Frames that are fitted; a recording of many hours has no more to say about a matrix."""
_STRETCH: Final = 200
_SETTLING_S: Final = 0.1
"""Left out at each end of a plan's step: outputs may follow the hands by a few frames."""


@dataclass(frozen=True, slots=True)
class Samples:
    """Sticks and outputs frame by frame."""

    outputs: tuple[OutputLine, ...]  # m outputs
    axes: tuple[Axis, ...]  # k stick axes
    time_s: FloatArray  # shape (n,): When the first output's pulse begins
    width_us: FloatArray  # shape (n, m): Widths of the outputs
    stick: FloatArray  # shape (n, k): Positions, forward and right positive, 1 at the end of travel
    source: Source  # Where the positions come from
    # By how many frames the outputs follow recorded sticks; None where the recording does not show
    # it, or a plan tells the positions
    delay_frames: int | None
    interval_us: float  # Interval between samples; 0 where it is not known
    # shape (m, k): Standard uncertainty that the delay leaves in what each output does for each
    # stick
    delay_doubt_us: FloatArray

    @property
    def position(self) -> FloatArray:
        """Outputs as positions, 1 at the end of travel; shape (n, m)."""
        neutral_us = np.array([output.travel.neutral_us for output in self.outputs])
        position: FloatArray = (self.width_us - neutral_us) / self.half_us
        return position

    @property
    def half_us(self) -> FloatArray:
        """Half the travel of each output; shape (m,)."""
        return np.array([output.travel.half_us for output in self.outputs])


@dataclass(frozen=True, slots=True)
class Frames:
    """The outputs' pulses, frame by frame.

    Parameters
    ----------
    time_s : ndarray of float64, shape (n,)
        When the first output's pulse begins.
    width_us : ndarray of float64, shape (n, m)
        Widths of the outputs.
    period_s : float
        Usual time from frame to frame; 0 with fewer than two frames.
    """

    time_s: FloatArray
    width_us: FloatArray
    period_s: float


def pair_outputs(
    tables: Mapping[str, PulseTable], lines: Sequence[str], lost: Mapping[str, tuple[Span, ...]]
) -> Frames:
    """Put the pulses of several outputs side by side."""
    taken = [_usable(tables[line], lost.get(line, ())) for line in lines]
    first_s, first_us = taken[0]
    if first_s.size < 2:
        return Frames(first_s[:0], np.empty((0, len(lines))), 0.0)
    period_s = float(np.median(np.diff(first_s)))
    columns = [first_us]
    whole = np.ones(first_s.size, dtype=np.bool_)
    for rise_s, width_us in taken[1:]:
        offset_us, _ = usual_offset(first_s, rise_s, period_s * 1e6)
        if offset_us > period_s * 5e5:
            offset_us -= period_s * 1e6
        partner = pair(first_s, rise_s, offset_us, period_s * 1e6)
        whole &= partner >= 0
        columns.append(width_us[partner] if width_us.size else np.zeros(first_s.size))
    return Frames(first_s[whole], np.stack(columns, axis=1)[whole], period_s)


def _usable(table: PulseTable, lost: tuple[Span, ...]) -> tuple[FloatArray, FloatArray]:
    kept = table.measured & ~inside(lost, table.rise_s)
    return table.rise_s[kept], table.width_us[kept]


def with_recorded(
    frames: Frames,
    outputs: tuple[OutputLine, ...],
    sticks: tuple[StickLine, ...],
    tables: Mapping[str, PulseTable],
    lost: Mapping[str, tuple[Span, ...]],
) -> Samples:
    """Put recorded sticks beside the outputs, at the delay that fits best."""
    taken = [_usable(tables[stick.line], lost.get(stick.line, ())) for stick in sticks]
    held = [_held(frames, sticks, taken, delay) for delay in DELAYS]
    whole = np.all([np.isfinite(stick).all(axis=1) for stick in held], axis=0)
    kept = [stick[whole] for stick in held]
    best = best_delay(kept, frames.width_us[whole])
    intervals_us = [tables[output.line].sample_interval_us or 0.0 for output in outputs]
    few = enough(kept[best.at])
    return Samples(
        outputs,
        tuple(stick.axis for stick in sticks),
        frames.time_s[whole][few],
        frames.width_us[whole][few],
        kept[best.at][few],
        "recorded sticks",
        DELAYS[best.at] if best.shown else None,
        max(intervals_us),
        best.doubt_us,
    )


def _held(
    frames: Frames,
    sticks: tuple[StickLine, ...],
    taken: list[tuple[FloatArray, FloatArray]],
    delay: int,
) -> FloatArray:
    """Give the stick positions that many frames before each frame; NaN where there is none."""
    columns = []
    for stick, (rise_s, width_us) in zip(sticks, taken, strict=True):
        at = np.searchsorted(rise_s, frames.time_s + frames.period_s / 2.0) - 1 - delay
        known = (at >= 0) & (at < rise_s.size)
        at = np.clip(at, 0, max(rise_s.size - 1, 0))
        if not rise_s.size:
            columns.append(np.full(frames.time_s.size, np.nan))
            continue
        known &= np.abs(frames.time_s - rise_s[at]) < (abs(delay) + 1.6) * frames.period_s
        position = (width_us[at] - stick.travel.neutral_us) / stick.travel.half_us
        columns.append(np.where(known, position, np.nan))
    return np.stack(columns, axis=1)


def with_plan(
    frames: Frames,
    outputs: tuple[OutputLine, ...],
    spans: Sequence[StepSpan],
    interval_us: float,
    wanted: tuple[tuple[Axis, ...], ...] = (FORWARD, TURN),
) -> Samples:
    """Put the positions that a plan tells beside the outputs.

    Steps that move an axis other than those in question, or have the transmitter off, are
    left out.
    """
    axes = tuple(
        axis
        for motion in wanted
        if (axis := next((a for a in motion if _moves(spans, a)), None)) is not None
    )
    stick = np.full((frames.time_s.size, len(axes)), np.nan)
    for span in spans:
        others = (at for axis, at in span.step.sticks.items() if axis not in axes)
        if not span.step.transmitter_on or any(others):
            continue
        margin_s = min(_SETTLING_S, (span.end_s - span.start_s) / 10.0)
        first, last = np.searchsorted(
            frames.time_s, (span.start_s + margin_s, span.end_s - margin_s)
        )
        stick[first:last] = [span.step.sticks.get(axis, 0.0) for axis in axes]
    known = np.isfinite(stick).all(axis=1) if axes else np.zeros(frames.time_s.size, np.bool_)
    at = np.flatnonzero(known)[enough(stick[known])]
    return Samples(
        outputs, axes, frames.time_s[at], frames.width_us[at], stick[at], "plan", None,
        interval_us, np.zeros((len(outputs), len(axes))),
    )  # fmt: skip


def enough(stick: FloatArray) -> IntArray:
    """Choose frames of a long recording to fit: stretches with movement, and rest."""
    count = len(stick)
    if count <= MAX_FRAMES:
        return np.arange(count)
    moved = np.any(np.abs(stick - np.median(stick, axis=0)) > MOVING, axis=1)
    begins = np.arange(0, count, _STRETCH)
    moving = np.logical_or.reduceat(moved, begins)
    most = MAX_FRAMES // (2 * _STRETCH)
    chosen = [
        places[:: max(1, -(-places.size // most))]
        for places in (np.flatnonzero(moving), np.flatnonzero(~moving))
    ]
    return np.flatnonzero(np.isin(np.arange(count) // _STRETCH, np.concatenate(chosen)))


def _moves(spans: Sequence[StepSpan], axis: Axis) -> bool:
    return any(span.step.sticks.get(axis, 0.0) for span in spans)
