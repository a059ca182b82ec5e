"""The whole question: what the drive outputs do with the sticks, or what else to record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.bench.plan import StepSpan
from pwmscope.findings.finding import Evidence, Finding, Verdict, worst
from pwmscope.findings.mixing.answers import (
    Response,
    arrangement_finding,
    balance_finding,
    corner_finding,
    delay_finding,
    responses_of,
)
from pwmscope.findings.mixing.arrangement import Arrangement, mixed_twice, name_arrangement
from pwmscope.findings.mixing.comovement import say_comovement
from pwmscope.findings.mixing.faults import Kind
from pwmscope.findings.mixing.fit import MixFit, fit_mix
from pwmscope.findings.mixing.lines import FORWARD, TURN, DriveLines, OutputLine
from pwmscope.findings.mixing.sticks import Frames, Samples, pair_outputs, with_plan, with_recorded
from pwmscope.findings.mixing.twice import fit_twice
from pwmscope.findings.spans import Span
from pwmscope.findings.ties import Step, Tie
from pwmscope.pulses import PulseTable

FEWEST_FRAMES: Final = 20
_MOVED: Final = 0.1
_FEWEST_MOVED: Final = 8
_TOGETHER: Final = 0.97
"""Sticks whose positions correlate by more than this were not moved apart."""
_ON_DIAGONAL: Final = 0.9
_RECORD: Final = (
    "With the weapon removed and the wheels off the ground, record the two drive outputs and "
    "either the receiver's stick channels or a plan (--plan)"
)


@dataclass(frozen=True, slots=True)
class Mixing:
    """What was found out about two drive outputs.

    Parameters
    ----------
    lines : DriveLines
        The lines in question.
    fit : MixFit or None
        The matrix; None where nothing could be fitted.
    arrangement : Arrangement
        Its name.
    responses : tuple of Response
        What the robot does; empty where that is not shown.
    findings : tuple of Finding
        ``arrangement``, then those that the fit allows.
    assumptions : tuple of str
        Whole sentences.
    """

    lines: DriveLines
    fit: MixFit | None
    arrangement: Arrangement
    responses: tuple[Response, ...]
    findings: tuple[Finding, ...]
    assumptions: tuple[str, ...]

    @property
    def verdict(self) -> Verdict:
        """Whether it drives as wanted."""
        return worst(self.findings)


def examine_mixing(
    tables: Mapping[str, PulseTable],
    lines: DriveLines,
    *,
    spans: Sequence[StepSpan] = (),
    lost: Mapping[str, tuple[Span, ...]] | None = None,
    ties: Sequence[Tie] = (),
) -> Mixing:
    """Find out what two drive outputs do with the sticks.

    Parameters
    ----------
    tables : mapping of str to PulseTable
        The lines with servo pulses.
    lines : DriveLines
        Which of them are outputs and sticks.
    spans : sequence of StepSpan, optional
        Where a plan's steps were found; they come before recorded sticks.
    lost : mapping of str to tuple of Span, optional
        Where each line's signal was lost.
    ties : sequence of Tie, optional
        Which lines keep step, to tell two receivers.

    Returns
    -------
    Mixing
        An answer of any kind; what is missing is said in its findings.
    """
    lost = lost or {}
    outputs = _two_outputs(lines)
    if len(outputs) < 2:
        return _unanswered(lines, _missing_output(outputs))
    apart = _two_receivers(outputs, ties)
    if apart:
        return _unanswered(lines, apart)
    frames = pair_outputs(tables, [output.line for output in outputs], lost)
    if frames.time_s.size < FEWEST_FRAMES:
        return _unanswered(
            lines,
            f"Only {frames.time_s.size} frames have a pulse on both outputs; {FEWEST_FRAMES} are "
            "needed. Record for some ten seconds, with both sticks moved.",
        )
    if spans:
        intervals_us = [tables[output.line].sample_interval_us or 0.0 for output in outputs]
        samples = with_plan(frames, outputs, spans, max(intervals_us))
    elif len(lines.sticks) == 2:
        samples = with_recorded(frames, outputs, lines.sticks, tables, lost)
    else:
        return _unanswered(lines, _without_sticks(lines, frames, outputs))
    lacking = _lacking(samples)
    if lacking:
        return _unanswered(lines, lacking)
    fit, found = _fit_and_name(samples)
    stages: tuple[str, ...] = ()
    if spans and len(lines.sticks) == 2:
        found, stages = _by_stages(found, frames, lines, tables, lost, spans)
    elif not spans:
        doubtful = _already_mixed(samples)
        if doubtful and found.kind in {Kind.MIXED, Kind.UNMIXED}:
            found = Arrangement(None, reason=doubtful)
    return _answered(lines, fit, found, stages)


def _two_outputs(lines: DriveLines) -> tuple[OutputLine, ...]:
    """Keep the first output of each side."""
    sides = {output.side: output for output in reversed(lines.outputs)}
    return tuple(sides[side] for side in ("left", "right") if side in sides)


def _missing_output(outputs: tuple[OutputLine, ...]) -> str:
    if not outputs:
        return (
            "No drive output is named. Say which lines they are with --left and --right, or give "
            "them the roles drive-left and drive-right in a bench sheet."
        )
    (only,) = outputs
    other = "right" if only.side == "left" else "left"
    return (
        f"Only the {only.side} output ({only.line}) is recorded or named. Record the {other} "
        f"output in the same recording, and name it with --{other} or in the bench sheet."
    )


def _two_receivers(outputs: tuple[OutputLine, ...], ties: Sequence[Tie]) -> str:
    pair = {output.line for output in outputs}
    for tie in ties:
        if {tie.first, tie.second} == pair and tie.step is Step.DRIFTS:
            first, second = (output.line for output in outputs)
            return (
                f"{first} and {second} drift apart: they come from two receivers, which need not "
                f"follow the same sticks. {_RECORD} from one receiver or one mixing converter."
            )
    return ""


def _without_sticks(lines: DriveLines, frames: Frames, outputs: tuple[OutputLine, ...]) -> str:
    if lines.sticks:
        (only,) = lines.sticks
        other = TURN if only.axis in FORWARD else FORWARD
        return (
            f"Only the {only.axis} stick ({only.line}) is recorded. Record the {' or '.join(other)} "
            "stick's channel too, or record to a plan (--plan)."
        )
    neutral_us = np.array([output.travel.neutral_us for output in outputs])
    half_us = np.array([output.travel.half_us for output in outputs])
    return say_comovement((frames.width_us - neutral_us) / half_us)


def _lacking(samples: Samples) -> str:
    """Say what the sticks did not do, or nothing."""
    if len(samples.time_s) < FEWEST_FRAMES:
        where = "the plan's steps" if samples.source == "plan" else "sticks and outputs together"
        return (
            f"Only {len(samples.time_s)} frames lie in {where}; {FEWEST_FRAMES} are needed. Check "
            "that the plan belongs to this recording, and record for longer."
        )
    away = np.abs(samples.stick - np.median(samples.stick, axis=0)) > _MOVED
    still = [
        axis
        for axis, count in zip(samples.axes, np.count_nonzero(away, axis=0), strict=True)
        if count < _FEWEST_MOVED
    ]
    wanted = [FORWARD, TURN]
    still += [axes[0] for axes in wanted if not set(axes) & set(samples.axes)]
    if still:
        return (
            f"The {' and the '.join(still)} stick never moved. {_RECORD}, and move each stick "
            "alone to both ends."
        )
    if abs(np.corrcoef(samples.stick.T)[0, 1]) > _TOGETHER:
        return (
            f"The {samples.axes[0]} and {samples.axes[1]} sticks always moved together, so what "
            f"each does alone is not shown. {_RECORD}, and move one stick at a time."
        )
    return ""


def _fit_and_name(samples: Samples) -> tuple[MixFit, Arrangement]:
    fit = fit_mix(samples)
    found = name_arrangement(fit)
    if found.kind is not Kind.MIXED:
        other = fit_twice(fit)
        if other is not None:
            renamed = name_arrangement(other)
            if renamed.kind is Kind.UNMIXED:
                return other, mixed_twice(renamed)
    return fit, found


def _already_mixed(samples: Samples) -> str:
    """Say so if the recorded sticks look like the outputs of a mixer, or nothing."""
    size = np.abs(samples.stick - np.median(samples.stick, axis=0))
    moved = size.max(axis=1) > 0.15
    diagonal = size.min(axis=1) > 0.85 * size.max(axis=1)
    if np.count_nonzero(moved & diagonal) < _ON_DIAGONAL * np.count_nonzero(moved):
        return ""
    return (
        "The two stick channels always moved by equal amounts: either the stick only went to its "
        "corners, or the transmitter mixes already, and then these channels are not the sticks. "
        "Record again and move one stick at a time; if both channels still move, mixing is on in "
        "the transmitter, and a plan (--plan) tells the rest."
    )


def _by_stages(
    found: Arrangement,
    frames: Frames,
    lines: DriveLines,
    tables: Mapping[str, PulseTable],
    lost: Mapping[str, tuple[Span, ...]],
    spans: Sequence[StepSpan],
) -> tuple[Arrangement, tuple[str, ...]]:
    """Look at the two stages apart: hands to stick channels, stick channels to outputs."""
    forward, turn = lines.sticks
    pins = (
        OutputLine(forward.line, "left", forward.travel),
        OutputLine(turn.line, "right", turn.travel),
    )
    before = pair_outputs(tables, [pin.line for pin in pins], lost)
    outputs = _two_outputs(lines)
    first = with_plan(before, pins, spans, tables[forward.line].sample_interval_us or 0.0)
    second = with_recorded(frames, outputs, lines.sticks, tables, lost)
    if _lacking(first) or _lacking(second):
        return found, ()
    at_pins = name_arrangement(fit_mix(first))
    to_outputs = name_arrangement(fit_mix(second))
    said = (
        f"From the hands to the stick channels: {at_pins.name or 'not shown'}.",
        f"From the stick channels to the outputs: {to_outputs.name or 'not shown'}.",
    )
    mixes = [stage.kind for stage in (at_pins, to_outputs)]
    if found.kind is Kind.UNMIXED and mixes == [Kind.MIXED, Kind.MIXED]:
        return mixed_twice(found), said
    if found.kind is Kind.UNMIXED and mixes == [Kind.UNMIXED, Kind.UNMIXED]:
        also = tuple(name for name in found.also if name != Kind.TWICE)
        return replace(found, also=also), said
    return found, said


def _unanswered(lines: DriveLines, reason: str) -> Mixing:
    found = Arrangement(None, reason=reason)
    return Mixing(lines, None, found, (), (arrangement_finding(found, (), ()),), ())


def _answered(
    lines: DriveLines, fit: MixFit, found: Arrangement, stages: tuple[str, ...]
) -> Mixing:
    responses = () if found.name is None else responses_of(fit)
    time_s = fit.samples.time_s
    evidence = (Evidence(float(time_s[0]), float(time_s[-1]), time_s.size),)
    findings = [arrangement_finding(found, responses, evidence)]
    if found.name is not None:
        findings += [balance_finding(fit, found), corner_finding(fit), delay_finding(fit)]
    return Mixing(
        lines, fit, found, responses, tuple(findings), (*stages, *_assumptions(lines, fit))
    )


def _assumptions(lines: DriveLines, fit: MixFit) -> tuple[str, ...]:
    samples = fit.samples
    left, right = samples.outputs
    said = [
        f"{left.line} drives the left side and {right.line} the right side.",
        "A width above neutral drives that side's wheels forward (common practice); a motor wired "
        "the other way round looks the same as a reversed channel.",
    ]
    if samples.source == "plan":
        said.append("The sticks were where the plan tells, forward and right positive.")
    else:
        told = " and ".join(f"{stick.line} ({stick.axis})" for stick in lines.sticks)
        said.append(
            f"{told} carry the sticks, not yet mixed, and grow wider with forward and right "
            "(common practice)."
        )
    said += [
        f"{output.line}: neutral {output.travel.neutral_us:g} us, full speed "
        f"{output.travel.half_us:g} us away from it."
        for output in samples.outputs
    ]
    extra = [o.line for o in lines.outputs if o not in samples.outputs]
    if extra:
        said.append(f"{', '.join(extra)} were not examined: only one output of each side is.")
    return tuple(said)
