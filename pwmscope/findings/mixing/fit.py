"""Which lines carry drive outputs and sticks, and the matrix from sticks to outputs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeAlias

import numpy as np

from pwmscope.bench import DRIVES, INTO_MIXER, Axis, BenchChannel, BenchSheet, Mixer, StepSpan
from pwmscope.errors import HintError
from pwmscope.findings.mixing.straightness import Throttle
from pwmscope.findings.receivers import pair, usual_offset
from pwmscope.model import BoolArray, FloatArray, IntArray, Span, inside, sampling_floor_us
from pwmscope.pulses import STANDARD_SERVO, PulseTable

Side: TypeAlias = Literal["left", "right", "forward", "turn"]
"""A side of the robot, or the half of the drive that a mixer behind the pin takes."""

FORWARD: Final[tuple[Axis, ...]] = ("elevator", "throttle")
"""Axes that may drive forward and back, the usual one first."""
TURN: Final[tuple[Axis, ...]] = ("aileron", "rudder")
"""Axes that may turn, the usual one first."""


@dataclass(frozen=True, slots=True)
class Travel:
    """How a line's widths are read as positions from -1 to 1."""

    neutral_us: float  # The width at 0
    half_us: float  # From there to the width at 1
    deadband_us: float = 0.0  # Of its device, as far as the sheet states it
    is_stated: bool = False  # Whether the sheet states that neutral

    @property
    def throttle(self) -> Throttle:
        """How the motor controller behind the line reads it."""
        ends_us = self.neutral_us - self.half_us, self.neutral_us + self.half_us
        return Throttle(ends_us[0], self.neutral_us, ends_us[1], self.deadband_us)


@dataclass(frozen=True, slots=True)
class OutputLine:
    """A line that drives a motor."""

    line: str  # Its name in the recording
    side: Side  # The side of the robot that its motor is on
    travel: Travel  # How its widths are read


@dataclass(frozen=True, slots=True)
class StickLine:
    """A line that carries one stick axis."""

    line: str  # Its name in the recording
    axis: Axis  # One of `pwmscope.bench.plan.AXES`
    travel: Travel  # How its widths are read


@dataclass(frozen=True, slots=True)
class DriveLines:
    """The lines that the question is about."""

    outputs: tuple[OutputLine, ...]  # Left before right
    # The axis for forward before the one for turning; empty where none is recorded
    sticks: tuple[StickLine, ...]
    mixer: Mixer | None = None  # The one place that mixes, where the sheet says so
    is_into_mixer: bool = False  # Whether the outputs go into a mixer, as forward and turn

    @property
    def the_mixer(self) -> str:
        """Name the one place that mixes, within a sentence."""
        return f"the {self.mixer}" if self.mixer else "what they go into"


def find_lines(
    tables: Mapping[str, PulseTable],
    sheet: BenchSheet | None = None,
    sides: Mapping[Literal["left", "right"], str | None] | None = None,
    axes: Mapping[Axis, str | None] | None = None,
) -> DriveLines:
    """Say which lines are the outputs and the sticks: those named, then those of the sheet's roles.

    A `HintError` is raised if a named line is not in the recording, or one line is named twice.
    """
    named_sides = {side: line for side, line in (sides or {}).items() if line is not None}
    named_axes = {axis: line for axis, line in (axes or {}).items() if line is not None}
    _refuse_wrong_names(tables, [*named_sides.values(), *named_axes.values()])
    taken = {*named_sides.values(), *named_axes.values()}
    outputs = [
        OutputLine(line, side, _travel(line, tables, sheet)) for side, line in named_sides.items()
    ]
    sticks = [
        StickLine(line, axis, _travel(line, tables, sheet)) for axis, line in named_axes.items()
    ]
    for line, channel in sheet.channels.items() if sheet else ():
        if line not in tables or line in taken:
            continue
        place, _, what = channel.role.partition("-")
        travel = _travel(line, tables, sheet)
        if channel.role in DRIVES and what not in named_sides:
            outputs.append(OutputLine(line, "left" if what == "left" else "right", travel))
        axis = next((axis for axis in (*FORWARD, *TURN) if axis == what), None)
        if place == "stick" and axis is not None and axis not in named_axes:
            sticks.append(StickLine(line, axis, travel))
    outputs.sort(key=lambda output: output.side)
    mixer = None if sheet is None or named_sides else sheet.mixer
    return _with_mixer(DriveLines(tuple(outputs), _two_axes(sticks), mixer), tables, sheet, taken)


def _with_mixer(
    found: DriveLines, tables: Mapping[str, PulseTable], sheet: BenchSheet | None, taken: set[str]
) -> DriveLines:
    """Take what goes into a mixer: as its sticks, or as outputs where none is behind it."""
    channels = {} if sheet is None else sheet.channels
    into = {
        channel.role: channel
        for line, channel in reversed([*channels.items()])
        if channel.role in INTO_MIXER and line in tables and line not in taken
    }
    if not into:
        return found
    lines = [into[role] for role in INTO_MIXER if role in into]
    if not found.outputs:
        outputs = tuple(
            OutputLine(c.line, "forward" if c.role == "drive-forward" else "turn",
                       _travel(c.line, tables, sheet))
            for c in lines
        )  # fmt: skip
        return replace(found, outputs=outputs, is_into_mixer=True)
    if len(lines) == len(INTO_MIXER):
        sticks = tuple(
            StickLine(c.line, _axis_of(c), _travel(c.line, tables, sheet)) for c in lines
        )
        return replace(found, sticks=sticks)
    return found


def _axis_of(channel: BenchChannel) -> Axis:
    usual = FORWARD if channel.role == "drive-forward" else TURN
    return next((axis for axis in usual if axis == channel.control), usual[0])


def _two_axes(sticks: list[StickLine]) -> tuple[StickLine, ...]:
    """Keep the usual axis for forward and the usual one for turning."""
    by_axis = {stick.axis: stick for stick in reversed(sticks)}
    chosen = (
        next((by_axis[axis] for axis in wanted if axis in by_axis), None)
        for wanted in (FORWARD, TURN)
    )
    return tuple(stick for stick in chosen if stick is not None)


def _travel(line: str, tables: Mapping[str, PulseTable], sheet: BenchSheet | None) -> Travel:
    """Take the sheet's travel; its default is the standard servo's, which must fit the pulses."""
    convention = tables[line].convention
    channel = sheet.channels.get(line) if sheet else None
    if channel is None or channel.neutral_us is None:
        return Travel(convention.neutral_us, convention.span_us / 2.0)
    stated = (channel.low_us, channel.neutral_us, channel.high_us)
    if stated == _STANDARD and convention.span_us != STANDARD_SERVO.span_us:
        return Travel(convention.neutral_us, convention.span_us / 2.0)
    deadband_us = 0.0 if channel.is_deadband_doubted else channel.deadband_us or 0.0
    half_us = (channel.high_us - channel.low_us) / 2.0
    return Travel(channel.neutral_us, half_us, deadband_us, not channel.is_neutral_assumed)


_STANDARD: Final = (STANDARD_SERVO.low_us, STANDARD_SERVO.neutral_us, STANDARD_SERVO.high_us)


def _refuse_wrong_names(tables: Mapping[str, PulseTable], named: list[str]) -> None:
    for line in named:
        if line not in tables:
            raise HintError(
                f"There is no line '{line}' with servo pulses in this recording; its lines with "
                f"servo pulses are {', '.join(tables) or 'none'}."
            )
        if named.count(line) > 1:
            raise HintError(f"The line '{line}' is named twice; each output and stick has its own.")


DELAYS: Final = (0, 1, 2, 3, 4, -1)
"""Frames by which the outputs may follow the sticks, the simplest first. Minus one is an
output whose pulse comes early in the frame of a stick's that comes late."""
CLEAR_DELAY: Final = 0.8
"""A delay is shown where the next best leaves a residual larger than the best by this ratio."""
MOVING: Final = 0.02
"""Part of a stick's travel that it changes within the longest delay while it moves."""
_INNER: Final = 0.05
"""Widths this near to the ends of an output's range do not count for the delay: it may clip."""


@dataclass(frozen=True, slots=True)
class Delay:
    """The delay that fits best."""

    at: int  # Its place in `DELAYS`
    shown: bool  # Whether no other fits nearly as well
    # shape (m, k): How much those that do would change what each output does for each stick
    doubt_us: FloatArray


def best_delay(held: list[FloatArray], width_us: FloatArray) -> Delay:
    """Choose the delay by the residuals while the sticks move.

    Where others fit nearly as well (steady circles: a delay turns them), the largest change
    that they make counts whole as a standard uncertainty, since it moves all outputs together.
    """
    none = np.zeros((width_us.shape[1], held[0].shape[1]))
    spread = np.ptp(np.stack(held), axis=0).max(axis=1, initial=0.0)
    moving = spread > MOVING
    if np.count_nonzero(moving) < 3 * (held[0].shape[1] + 1):
        return Delay(0, shown=False, doubt_us=none)
    low_us, high_us = np.quantile(width_us, (0.002, 0.998), axis=0)
    inner = _INNER * (high_us - low_us)
    free = np.all((width_us > low_us + inner) & (width_us < high_us - inner), axis=1)
    reach = np.ptp(held[0], axis=0)
    few = np.count_nonzero(free & moving) < np.count_nonzero(moving) / 4.0
    if few or np.any(np.ptp(held[0][free], axis=0) < reach / 2.0):
        free[:] = True
    left_us = np.array([_left_us(stick[free], width_us[free], moving[free]) for stick in held])
    at = int(np.argmin(left_us))
    near = left_us <= left_us[at] / CLEAR_DELAY
    # The slopes of plain lines, shape (delays, m, k)
    terms_us = np.array([_lines(stick, width_us)[1][:-1].T for stick in held])
    doubt_us = np.max(np.abs(terms_us - terms_us[at])[near], axis=0)
    return Delay(at, shown=bool(np.count_nonzero(near) == 1), doubt_us=doubt_us)


def _left_us(stick: FloatArray, width_us: FloatArray, moving: BoolArray) -> float:
    """Return the mean residual of plain lines while the sticks move."""
    design, terms = _lines(stick, width_us)
    return float(np.mean(np.abs(width_us - design @ terms)[moving]))


def _lines(stick: FloatArray, width_us: FloatArray) -> tuple[FloatArray, FloatArray]:
    design = np.column_stack([stick, np.ones(len(stick))])
    terms = np.linalg.lstsq(design.T @ design, design.T @ width_us, rcond=None)[0]
    return design, np.asarray(terms, dtype=np.float64)


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
    """The outputs' pulses, frame by frame."""

    time_s: FloatArray  # shape (n,): When the first output's pulse begins
    width_us: FloatArray  # shape (n, m): Widths of the outputs
    period_s: float  # Usual time from frame to frame; 0 with fewer than two frames


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
    frames: Frames, outputs: tuple[OutputLine, ...], spans: Sequence[StepSpan], interval_us: float
) -> Samples:
    """Put the positions that a plan tells beside the outputs.

    Steps that move an axis other than those in question, or have the transmitter off, are
    left out.
    """
    axes = tuple(
        axis
        for motion in (FORWARD, TURN)
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


HUBER: Final = 1.345
"""Residuals beyond this many scales count in proportion to their size only (Huber; 95 %
efficiency for normal noise)."""
_MAD: Final = 0.6744897501960817
"""Median absolute deviation of the standard normal distribution."""
_MAX_TURNS: Final = 100
_CLUSTERS: Final = 32


@dataclass(frozen=True, slots=True)
class Regression:
    """One output as a linear function of the sticks."""

    terms: FloatArray  # shape (p,): The coefficients
    # shape (p, p): Their covariance (standard uncertainties squared on the diagonal)
    covariance: FloatArray
    scale: float  # Robust standard deviation of the residuals
    residual: FloatArray  # shape (n,): Measured less fitted


def fit_robustly(design: FloatArray, measured: FloatArray, least_scale: float = 0.0) -> Regression:
    """Fit by iteratively reweighted least squares with Huber's weights.

    The scale is the median absolute deviation from zero, renewed at each turn
    (Huber, "Robust Statistics", 1981, 7.8; from memory).

    >>> x = np.arange(20.0)
    >>> y = 3.0 * x + 1.0
    >>> y[7] = 500.0
    >>> fit = fit_robustly(np.stack([x, np.ones(20)], axis=1), y, 1e-6)
    >>> fit.terms.round(6).tolist()
    [3.0, 1.0]
    """
    terms = solve(design, measured, np.ones(measured.size))
    residual = measured - design @ terms
    scale = scale_of(residual, least_scale)
    for _ in range(_MAX_TURNS):
        if scale == 0.0:
            break
        before = terms
        terms = solve(design, measured, weights(residual, scale))
        residual = measured - design @ terms
        scale = scale_of(residual, least_scale)
        if np.max(np.abs(terms - before)) <= 1e-9 * max(1.0, float(np.max(np.abs(terms)))):
            break
    return Regression(terms, covariance_of(design, residual, scale), scale, residual)


def solve(design: FloatArray, measured: FloatArray, weight: FloatArray) -> FloatArray:
    """Solve weighted least squares by its normal equations, about the mean; shape (p,).

    Columns are of one size and few, so squaring their condition costs no digit that counts.
    """
    weighted = design * weight[:, None]
    middle = float(np.mean(measured))
    first = _normal(weighted, design, measured - middle)
    left = measured - middle - design @ first
    shift = _normal(weighted, design, left + middle)
    return first + shift


def _normal(weighted: FloatArray, design: FloatArray, measured: FloatArray) -> FloatArray:
    terms = np.linalg.lstsq(weighted.T @ design, weighted.T @ measured, rcond=None)[0]
    return np.asarray(terms, dtype=np.float64)


def weights(residual: FloatArray, scale: float) -> FloatArray:
    """Return Huber's weights; shape (n,)."""
    far = np.abs(residual) / scale
    weight: FloatArray = HUBER / np.maximum(far, HUBER)
    return weight


def scale_of(residual: FloatArray, least_scale: float) -> float:
    """Return the median absolute residual as a standard deviation."""
    return max(float(np.median(np.abs(residual))) / _MAD, least_scale)


def loss(residual: FloatArray, scale: float) -> float:
    """Return the sum of Huber's loss, in units of the scale squared.

    >>> loss(np.array([1.0, -1.0]), 1.0)
    1.0
    """
    far = np.abs(residual) / scale
    return float(np.sum(np.where(far > HUBER, HUBER * far - HUBER**2 / 2.0, far**2 / 2.0)))


def covariance_of(design: FloatArray, residual: FloatArray, scale: float) -> FloatArray:
    """Return the covariance of the terms, from the scatter of stretches of the recording.

    Neighbouring residuals are seldom independent (a deadband, a lag, steps of
    the mixer), so the sums of 32 stretches are taken instead of single samples:
    A^-1 (sum g g^T) A^-1 with g the summed gradient of a stretch and A the weighted
    squares of the design (White's sandwich with clusters; from memory). The larger of it and of the
    covariance for independent residuals is kept.
    """
    count, terms = design.shape
    if scale == 0.0 or count <= terms:
        return np.zeros((terms, terms))
    weight = weights(residual, scale)
    pull = weight * residual
    inverse = np.linalg.pinv((design * weight[:, None]).T @ design)
    variance = float(np.sum(pull**2)) / (count - terms) / float(np.mean(weight)) ** 2
    alone = variance * np.linalg.pinv(design.T @ design)
    edges = np.linspace(0, count, min(_CLUSTERS, count // 4 + 1) + 1).astype(np.int64)[:-1]
    sums = np.add.reduceat(design * pull[:, None], edges, axis=0)
    clustered = inverse @ (sums.T @ sums) @ inverse * (edges.size / max(edges.size - 1, 1))
    larger: FloatArray = clustered if np.trace(clustered) > np.trace(alone) else alone
    return larger


MIN_SCALE_US: Final = 0.5
"""Residuals are not trusted to scatter less than a fine command step (common practice)."""
STEP_US: Final = 1.0
"""A mixer counts in whole microseconds and may round towards zero (common practice)."""
HANDS: Final = 0.04
"""Standard uncertainty, in parts of its travel, of where hands hold a stick (own estimate)."""
_WORTH: Final = 0.75
"""Clipping is taken where it leaves less than this part of the loss, ..."""
_MIN_FALL: Final = 15.0
"""... and lowers it by more than this, in units of the scale squared."""
_MIN: Final = 5
_AT_REST: Final = 0.3
"""An end nearer to rest than this part of the other is no end."""
_TURNS: Final = 60
_MEAN_SIZE: Final = math.sqrt(2.0 / math.pi)
"""Mean absolute value of normal noise, in standard deviations."""
_BLOCKS: Final = 24


@dataclass(frozen=True, slots=True)
class OutputFit:
    """One output: clip(terms . sticks + offset)."""

    # shape (k + 1,): Microseconds for each stick's half travel, then the width with all sticks at
    # rest
    terms_us: FloatArray
    covariance: FloatArray  # shape (k + 1, k + 1): Of those, in microseconds squared
    # Where the output clips; None where the recording shows no clipping there
    low_us: float | None
    high_us: float | None
    clipped: int  # Samples at those ends whose sticks ask for more
    scale_us: float  # Robust scatter of the rest
    residual_us: FloatArray  # shape (n,): Measured less fitted


@dataclass(frozen=True, slots=True)
class MixFit:
    """All outputs."""

    samples: Samples  # What was fitted
    outputs: tuple[OutputFit, ...]  # In the samples' order

    @property
    def matrix_us(self) -> FloatArray:
        """Microseconds of each output for each stick's half travel; shape (m, k)."""
        return np.array([output.terms_us[:-1] for output in self.outputs])

    @property
    def matrix(self) -> FloatArray:
        """The same in half travels of each output; shape (m, k)."""
        return self.matrix_us / self.samples.half_us[:, None]

    @property
    def uncertainty(self) -> FloatArray:
        """Standard uncertainty of `matrix`; shape (m, k)."""
        spread_us = np.array([np.sqrt(np.diag(o.covariance))[:-1] for o in self.outputs])
        return spread_us / self.samples.half_us[:, None]

    @property
    def offset_us(self) -> FloatArray:
        """Width of each output with all sticks at rest; shape (m,)."""
        return np.array([output.terms_us[-1] for output in self.outputs])

    def position(self, stick: FloatArray) -> FloatArray:
        """Predict outputs, clipped where clipping is shown."""
        travels = [output.travel for output in self.samples.outputs]
        columns = [
            (_clip(stick @ o.terms_us[:-1] + o.terms_us[-1], o) - t.neutral_us) / t.half_us
            for o, t in zip(self.outputs, travels, strict=True)
        ]
        return np.stack(columns, axis=1)

    @property
    def unexplained(self) -> float:
        """Largest part of an output's movement that the fit leaves; 0 where none moves.

        Noise is not counted: it shows from frame to frame.
        """
        worst = 0.0
        for at, output in enumerate(self.outputs):
            width_us = self.samples.width_us[:, at]
            noise_us = _MEAN_SIZE * _noise_us(width_us)
            moved_us = float(np.mean(np.abs(width_us - np.median(width_us)))) - noise_us
            left_us = float(np.mean(np.abs(output.residual_us))) - noise_us
            if moved_us > noise_us or moved_us > 0.02 * self.samples.half_us[at]:
                worst = max(worst, left_us / moved_us)
        return worst


def _noise_us(width_us: FloatArray) -> float:
    """Tell noise from movement: a steady sweep has no second difference, noise sqrt(6) times."""
    return scale_of(np.diff(width_us, 2), 0.0) / math.sqrt(6.0)


def _clip(width_us: FloatArray, output: OutputFit) -> FloatArray:
    low_us = -np.inf if output.low_us is None else output.low_us
    high_us = np.inf if output.high_us is None else output.high_us
    return np.clip(width_us, low_us, high_us)


@dataclass(frozen=True, slots=True)
class _Ends:
    """The levels at which an output's outermost samples lie, and how far those scatter."""

    low_us: float
    high_us: float
    margin_us: float


def fit_mix(samples: Samples) -> MixFit:
    """Fit every output to the sticks."""
    floor_us = sampling_floor_us(samples.interval_us) or 0.0
    design = np.column_stack([samples.stick, np.ones(len(samples.stick))])
    hands = HANDS if samples.source == "plan" else 0.0
    outputs = [
        fit_output(design, samples.width_us[:, at], floor_us, hands)
        for at in range(len(samples.outputs))
    ]
    return MixFit(samples, tuple(_with_doubt(samples, at, fit) for at, fit in enumerate(outputs)))


def _with_doubt(samples: Samples, at: int, fit: OutputFit) -> OutputFit:
    """Add the doubt about where the sticks were: their delay, or the hands that follow a plan."""
    doubt_us = samples.delay_doubt_us[at]
    if samples.source == "plan":
        begins = np.any(np.diff(samples.stick, axis=0, prepend=np.nan) != 0.0, axis=1)
        lever = np.sqrt(np.sum(samples.stick[begins] ** 2, axis=0))
        reach_us = float(np.linalg.norm(fit.terms_us[:-1]))
        doubt_us = np.hypot(doubt_us, HANDS * reach_us / np.maximum(lever, 1e-9))
    added = np.diag(np.append(doubt_us**2, 0.0))
    return replace(fit, covariance=fit.covariance + added)


def fit_output(
    design: FloatArray, width_us: FloatArray, floor_us: float, hands: float = 0.0
) -> OutputFit:
    """Fit one output, with clipping where the recording shows it.

    Samples at an end whose sticks ask for more say only that: their residual
    is zero (censored regression, as Tobin's of 1958; from memory). Clipping is
    taken only if it explains clearly more than a straight line does.
    """
    least_us = max(MIN_SCALE_US, floor_us)
    straight = fit_robustly(design, width_us, least_us)
    if hands:
        least_us = max(least_us, hands * float(np.linalg.norm(straight.terms[:-1])))
        straight = fit_robustly(design, width_us, least_us)
    ends = _ends(width_us, float(straight.terms[-1]), least_us)
    if np.count_nonzero(np.abs(straight.residual) > ends.margin_us) < _MIN:
        return _output(design, straight, floor_us)
    bent = _fit_clipped(design, width_us, ends, straight, least_us)
    scale_us = min(straight.scale, bent.scale)
    before, after = loss(straight.residual, scale_us), loss(bent.residual, scale_us)
    asked_us = design @ bent.terms
    over = (asked_us > ends.high_us + ends.margin_us) & (width_us > ends.high_us - ends.margin_us)
    under = (asked_us < ends.low_us - ends.margin_us) & (width_us < ends.low_us + ends.margin_us)
    clipped = int(np.count_nonzero(over | under))
    if clipped < _MIN or after > _WORTH * before or before - after < _MIN_FALL:
        return _output(design, straight, floor_us)
    low_us = ends.low_us if np.any(under) else None
    high_us = ends.high_us if np.any(over) else None
    return replace(_output(design, bent, floor_us), low_us=low_us, high_us=high_us, clipped=clipped)


def _ends(width_us: FloatArray, rest_us: float, least_us: float) -> _Ends:
    """Find both ends; one that lies at rest is none, but a deadband or a stick not moved there."""
    noise_us = max(_noise_us(width_us), least_us)
    margin_us = 4.0 * noise_us
    low_us, high_us = np.quantile(width_us, (0.002, 0.998))
    low_us = float(np.median(width_us[width_us <= low_us + margin_us]))
    high_us = float(np.median(width_us[width_us >= high_us - margin_us]))
    near_us = _AT_REST * max(high_us - rest_us, rest_us - low_us)
    return _Ends(
        low_us if rest_us - low_us > near_us else -math.inf,
        high_us if high_us - rest_us > near_us else math.inf,
        margin_us,
    )


def _fit_clipped(
    design: FloatArray, width_us: FloatArray, ends: _Ends, start: Regression, least_us: float
) -> Regression:
    at_high = width_us > ends.high_us - ends.margin_us
    at_low = width_us < ends.low_us + ends.margin_us
    free = ~(at_high | at_low)
    terms, scale, active = start.terms, start.scale, free
    if np.linalg.matrix_rank(design[free], tol=1e-3 * np.sqrt(len(design))) == design.shape[1]:
        terms = fit_robustly(design[free], width_us[free], least_us).terms
    for _ in range(_TURNS):
        asked_us = design @ terms
        active = ~((at_high & (asked_us >= ends.high_us)) | (at_low & (asked_us <= ends.low_us)))
        if np.count_nonzero(active) <= design.shape[1]:
            return start
        residual_us = width_us[active] - asked_us[active]
        scale = scale_of(residual_us, least_us)
        before = terms
        terms = solve(design[active], width_us[active], weights(residual_us, scale))
        if np.max(np.abs(terms - before)) < 1e-6:
            break
    residual_us = np.where(active, width_us - design @ terms, 0.0)
    covariance = covariance_of(design[active], residual_us[active], scale)
    return Regression(terms, covariance, scale, residual_us)


def _output(design: FloatArray, fitted: Regression, floor_us: float) -> OutputFit:
    """Add to the doubt what scatter does not show.

    That is the sampling floor, the mixer's rounding (rectangular, JCGM 100, 4.3.7) and what
    the model leaves over stretches of the recording.
    """
    edges = np.linspace(0, len(design), min(_BLOCKS, len(design)) + 1).astype(np.int64)[:-1]
    lengths = np.diff(np.append(edges, len(design)))
    means_us = np.add.reduceat(fitted.residual, edges) / lengths
    left_us = float(np.sqrt(np.mean(means_us**2)))
    reach = np.maximum(np.max(np.abs(design), axis=0), 1e-9)
    doubt_us = math.hypot(left_us, math.sqrt(2.0) * floor_us, STEP_US / math.sqrt(3.0)) / reach
    covariance = fitted.covariance + np.diag(doubt_us**2)
    return OutputFit(fitted.terms, covariance, None, None, 0, fitted.scale, fitted.residual)
