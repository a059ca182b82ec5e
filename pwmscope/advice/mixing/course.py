"""Where the robot would go with the outputs as they are, and after the advice."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.advice.drive import (
    Base,
    Outputs,
    Path,
    Side,
    Straightness,
    Throttle,
    differential,
    drive_path,
    straight_line_error,
)
from pwmscope.advice.mixing.search import Advice
from pwmscope.bench import Axis, BenchSheet, PlanStep, StepSpan
from pwmscope.findings.mixing import Kind, MixFit, Mixing
from pwmscope.pulses import PulseTable

COMMAND: Final = 0.5
"""The straight-line error and the moves are told for half stick."""
MOVE_S: Final = 1.0
_MOVES: Final = (
    ("forward", 1.0, 0.0),
    ("back", -1.0, 0.0),
    ("left", 0.0, -1.0),
    ("right", 0.0, 1.0),
    ("forward-right", 1.0, 1.0),
)
_MIN_GAIN: Final = 0.1


@dataclass(frozen=True, slots=True)
class Course:
    """Where the robot would go.

    Parameters
    ----------
    before, after : tuple of Path
        One for each move or plan step; ``after`` is empty where nothing is advised.
    change : str
        What the advice is, in few words.
    straight_before, straight_after : Straightness or None
        How far from straight it drives; None where the outputs are not mixed.
    assumptions : tuple of str
        Whole sentences.
    planned : bool
        Whether the paths are those of a plan's steps.
    """

    before: tuple[Path, ...]
    after: tuple[Path, ...]
    change: str
    straight_before: Straightness | None
    straight_after: Straightness | None
    assumptions: tuple[str, ...]
    planned: bool


def course_of(
    mixing: Mixing,
    ways: Sequence[Advice],
    *,
    tables: Mapping[str, PulseTable],
    end_s: float,
    sheet: BenchSheet | None = None,
    spans: Sequence[StepSpan] = (),
    wheel_base_m: float | None = None,
    top_speed_m_s: float | None = None,
) -> Course | None:
    """Work out where the robot would go, by the fitted outputs or the steps of a plan.

    What a mixer behind the pins makes of its inputs is not recorded.

    Without a plan it is told for five moves at half stick. With one, the recorded
    widths drive each step in which a drive stick was held, equal ones once; after the advice its
    prediction for the step's sticks does.

    Parameters
    ----------
    mixing : Mixing
        What was found.
    ways : sequence of Advice
        What to change; the first that is needed is drawn.
    tables : mapping of str to PulseTable
        The lines with servo pulses.
    end_s : float
        End of the recording.
    sheet : BenchSheet, optional
        Says how the motor controllers read widths.
    spans : sequence of StepSpan, optional
        Where a plan's steps were found.
    wheel_base_m, top_speed_m_s : float, optional
        Distance of the wheels, and their speed at full command; assumed, and said,
        where not given.

    Returns
    -------
    Course or None
        None where no matrix of both sticks could be fitted.

    Raises
    ------
    PwmscopeError
        If a length or a speed is not above 0, or the bench sheet's widths cannot drive.
    """
    fit = mixing.fit
    if fit is None or len(fit.samples.axes) != 2 or mixing.lines.is_into_mixer:
        return None
    base = differential(wheel_base_m=wheel_base_m, top_speed_m_s=top_speed_m_s)
    channels = {} if sheet is None else sheet.channels
    lines = [output.line for output in fit.samples.outputs]
    throttles = [Throttle.of(channels.get(line)) for line in lines]
    way = next((way for way in ways if way.needed), None)
    steps = _driven(spans, fit.samples.axes)
    planned = bool(steps)
    if planned:
        recorded = Outputs.of([tables[line] for line in lines], end_s)
        before = drive_path(recorded, throttles, base, steps=steps)
    else:
        steps = _moves(fit.samples.axes)
        before = drive_path(_predicted(fit, steps), throttles, base, steps=steps)
    after: tuple[Path, ...] = ()
    if way is not None:
        after = drive_path(_predicted(way.proof.fit, steps), throttles, base, steps=steps)
    is_mixed = mixing.arrangement.kind is Kind.MIXED
    return Course(
        before,
        after,
        "" if way is None else ", ".join(change.kind for change in way.by_effort),
        _straightness(fit, throttles, base) if is_mixed else None,
        None if way is None else _straightness(way.proof.fit, throttles, base),
        base.assumptions,
        planned,
    )


def _driven(spans: Sequence[StepSpan], axes: tuple[Axis, ...]) -> tuple[StepSpan, ...]:
    """Take the first step of each position of the drive sticks, the transmitter being on."""
    taken: dict[tuple[float, ...], StepSpan] = {}
    for span in spans:
        place = tuple(float(span.step.sticks.get(axis, 0.0)) for axis in axes)
        if any(place) and span.step.transmitter_on:
            taken.setdefault(place, span)
    return tuple(taken.values())


def _moves(axes: tuple[Axis, ...]) -> tuple[StepSpan, ...]:
    """Make the moves, one after the other."""
    steps = (
        PlanStep(name, MOVE_S, dict(zip(axes, (COMMAND * ahead, COMMAND * turn), strict=True)))
        for name, ahead, turn in _MOVES
    )
    return tuple(StepSpan(step, MOVE_S * k, MOVE_S * (k + 1)) for k, step in enumerate(steps))


def _predicted(fit: MixFit, steps: tuple[StepSpan, ...]) -> Outputs:
    """Predict the widths for each step's sticks; between steps those of the next."""
    axes = fit.samples.axes
    sticks = np.array([[span.step.sticks.get(axis, 0.0) for axis in axes] for span in steps])
    travels = [output.travel for output in fit.samples.outputs]
    neutral_us = np.array([travel.neutral_us for travel in travels])
    width_us = neutral_us + fit.position(sticks) * fit.samples.half_us
    time_s = np.array([span.start_s for span in steps] + [steps[-1].end_s])
    return Outputs(time_s, width_us)


def _straightness(fit: MixFit, throttles: Sequence[Throttle], base: Base) -> Straightness | None:
    """Work out the straight-line error from the fitted gains and neutrals."""
    sides = [_side(fit, at, throttle) for at, throttle in enumerate(throttles)]
    if any(side.gain < _MIN_GAIN or side.speed(COMMAND) <= 0.0 for side in sides):
        return None
    left, right = sides
    return straight_line_error(left, right, wheel_base_m=base.wheel_base_m, command=COMMAND)


def _side(fit: MixFit, at: int, throttle: Throttle) -> Side:
    output = fit.outputs[at]
    whole_us = throttle.high_us - throttle.neutral_us
    doubt_us = np.sqrt(np.diag(output.covariance))
    return Side(
        float(output.terms_us[-1]) - throttle.neutral_us,
        float(output.terms_us[0]) / whole_us,
        float(doubt_us[-1]),
        math.fabs(float(doubt_us[0])) / whole_us,
        throttle,
    )
