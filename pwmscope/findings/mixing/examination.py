"""The whole question: what the drive outputs do with the sticks, or what else to record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, get_args

import numpy as np

from pwmscope.bench import StepSpan
from pwmscope.findings.mixing.answers import (
    Response,
    arrangement_finding,
    balance_finding,
    before_mixer_finding,
    corner_finding,
    delay_finding,
    responses_of,
)
from pwmscope.findings.mixing.arrangement import (
    Arrangement,
    Kind,
    fit_twice,
    mixed_twice,
    name_arrangement,
)
from pwmscope.findings.mixing.fit import MixFit, fit_mix
from pwmscope.findings.mixing.lines import (
    FORWARD,
    TURN,
    DriveLines,
    Frames,
    OutputLine,
    Samples,
    Side,
    pair_outputs,
    with_plan,
    with_recorded,
)
from pwmscope.findings.receivers import Step, Tie
from pwmscope.model import Evidence, Finding, FloatArray, Span, Verdict
from pwmscope.pulses import PulseTable

MIN_FRAMES: Final = 20
_MOVED: Final = 0.1
"""Part of half the travel by which an output or a stick that moves is off its rest."""
_MIN_TOGETHER: Final = 5
_MIN_MOVED: Final = 8
_CORRELATED: Final = 0.97
"""Sticks whose positions correlate by more than this were not moved apart."""
_ON_DIAGONAL: Final = 0.9
_RECORD: Final = (
    "Weapon removed, wheels off the ground, robot restrained: record the drive outputs with the "
    "stick channels or by a `plan`."
)


def format_comovement(position: FloatArray) -> str:
    """Say what two outputs do together, and what that leaves open.

    Examples
    --------
    >>> one, two = np.repeat([0.0, 1, 0, 0], 50), np.repeat([0.0, 0, 0, -1], 50)
    >>> print(format_comovement(np.stack([one, two], axis=1))[:60])
    Each output moved while the other rested, never both togethe
    """
    away = position - np.median(position, axis=0)
    moved = np.abs(away) > _MOVED
    both = moved.all(axis=1)
    alone = [np.count_nonzero(moved[:, at] & ~both) >= _MIN_TOGETHER for at in (0, 1)]
    equal = np.abs(np.abs(away[:, 0]) - np.abs(away[:, 1])) < 0.2 * np.abs(away).max(axis=1)
    same = np.sign(away[:, 0]) == np.sign(away[:, 1])
    never_alone = not any(alone)
    as_one, opposite = (
        never_alone and bool(np.count_nonzero(both & equal & way) >= _MIN_TOGETHER)
        for way in (same, ~same)
    )
    seen = {
        (True, True): "The outputs moved together by equal or opposite amounts, never alone. "
        "Mixed outputs do that when one stick moves at a time.",
        (True, False): "The outputs only moved together, by equal amounts.",
        (False, True): "The outputs only moved opposite to each other, by equal amounts.",
        (False, False): "The outputs moved both together and alone.",
    }[as_one, opposite]
    if not moved.any():
        seen = "Neither output moved, so nothing is told about the mixing."
    elif all(alone) and not both.any():
        seen = (
            "Each output moved while the other rested, never both together. Unmixed outputs do "
            "that when one stick moves at a time."
        )
    return (
        f"{seen} The outputs alone do not show which stick does what. Record the receiver's stick "
        "channels too, or follow a `plan`."
    )


def missing_output(outputs: tuple[OutputLine, ...]) -> str:
    """Ask for the output that is missing."""
    if not outputs:
        return (
            "No drive output is named. Name them with `left` and `right`, or by the roles "
            "drive-left and drive-right in a bench sheet."
        )
    (only,) = outputs
    if only.side in ("forward", "turn"):
        return (
            f"Only {only.line} goes into the mixer, as the sheet has it. Record the other half of "
            "the drive in the same recording."
        )
    other = "right" if only.side == "left" else "left"
    return (
        f"Only the {only.side} output ({only.line}) is recorded or named. Record the {other} "
        f"output in the same recording, and name it with `{other}` or in the bench sheet."
    )


def two_receivers(outputs: tuple[OutputLine, ...], ties: Sequence[Tie]) -> str:
    """Say so if the outputs come from two receivers, or nothing."""
    first, second = (output.line for output in outputs)
    if any({t.first, t.second} == {first, second} and t.step is Step.DRIFTS for t in ties):
        return (
            f"{first} and {second} drift apart: they come from two receivers, which need not "
            f"follow the same sticks. {_RECORD} Both must come from one receiver or mixing "
            "converter."
        )
    return ""


def without_sticks(lines: DriveLines, frames: Frames, outputs: tuple[OutputLine, ...]) -> str:
    """Say what the outputs alone tell, and ask for the sticks."""
    if lines.sticks:
        (only,) = lines.sticks
        other = TURN if only.axis in FORWARD else FORWARD
        return (
            f"Only the {only.axis} stick ({only.line}) is recorded. Record the "
            f"{' or '.join(other)} stick's channel too, or record to a plan (`plan`)."
        )
    neutral_us = np.array([output.travel.neutral_us for output in outputs])
    half_us = np.array([output.travel.half_us for output in outputs])
    return format_comovement((frames.width_us - neutral_us) / half_us)


def lacking(samples: Samples) -> str:
    """Say what the sticks did not do, or nothing."""
    still = [axes[0] for axes in (FORWARD, TURN) if not set(axes) & set(samples.axes)]
    if not still and len(samples.time_s) < MIN_FRAMES:
        where = "the plan's steps" if samples.source == "plan" else "sticks and outputs together"
        return (
            f"Only {len(samples.time_s)} frames lie in {where}; {MIN_FRAMES} are needed. Check "
            "that the plan belongs to this recording, and record for longer."
        )
    if not still:
        away = np.abs(samples.stick - np.median(samples.stick, axis=0)) > _MOVED
        moved = np.count_nonzero(away, axis=0) >= _MIN_MOVED
        still = [axis for axis, did in zip(samples.axes, moved, strict=True) if not did]
    if still:
        return (
            f"The {' and the '.join(still)} stick never moved. {_RECORD} Move each stick "
            "alone to both ends."
        )
    if abs(float(np.corrcoef(*samples.stick.T)[0, 1])) > _CORRELATED:
        return (
            f"The {samples.axes[0]} and {samples.axes[1]} sticks always moved together, so "
            f"what each does alone is not shown. {_RECORD} Move one stick at a time."
        )
    return ""


def only_corners(samples: Samples) -> str:
    """Say so if the sticks only went to corners, or recorded ones look mixed; or nothing."""
    size = np.abs(samples.stick - np.median(samples.stick, axis=0))
    moved = size.max(axis=1) > 0.15
    diagonal = size.min(axis=1) > 0.85 * size.max(axis=1)
    if np.count_nonzero(moved & diagonal) < _ON_DIAGONAL * np.count_nonzero(moved):
        return ""
    if samples.source == "plan":
        return (
            "The plan moves the stick to its corners only, where outputs may clip unseen. Record "
            "again with a plan that moves one stick at a time."
        )
    return (
        "Both stick channels always moved by equal amounts. Either the stick went to its corners "
        "only, or the transmitter mixes and these are not the sticks. Record again and move one "
        "stick at a time. If both channels still move, the transmitter mixes; then follow a "
        "`plan`."
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
        """Whether it drives as wanted: the arrangement's, unless a gain breaks its limit.

        Gains that are not shown do not hide an arrangement that is.
        """
        verdicts = [finding.verdict for finding in self.findings]
        if Verdict.DOES_NOT_MEET in verdicts:
            return Verdict.DOES_NOT_MEET
        return verdicts[0] or Verdict.NOT_SHOWN


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
        return _unanswered(lines, missing_output(outputs))
    apart = two_receivers(outputs, ties)
    if apart:
        return _unanswered(lines, apart)
    frames = pair_outputs(tables, [output.line for output in outputs], lost)
    if frames.time_s.size < MIN_FRAMES:
        return _unanswered(
            lines,
            f"Only {frames.time_s.size} frames have a pulse on both outputs; {MIN_FRAMES} are "
            "needed. Record for some ten seconds, with both sticks moved.",
        )
    if spans:
        intervals_us = [tables[output.line].sample_interval_us or 0.0 for output in outputs]
        samples = with_plan(frames, outputs, spans, max(intervals_us))
    elif len(lines.sticks) == 2:
        samples = with_recorded(frames, outputs, lines.sticks, tables, lost)
    else:
        return _unanswered(lines, without_sticks(lines, frames, outputs))
    missing = lacking(samples) or only_corners(samples)
    if missing:
        return _unanswered(lines, missing)
    fit, found = _fit_and_name(samples)
    stages: tuple[str, ...] = ()
    if spans and len(lines.sticks) == 2 and not lines.is_into_mixer:
        first = _hands_to_sticks(lines, tables, lost, spans)
        second = with_recorded(frames, outputs, lines.sticks, tables, lost)
        found, stages = _by_stages(found, first, second)
    told = _before_mixer(lines, fit, found) if lines.is_into_mixer else None
    return told or _answered(lines, fit, found, stages)


def _two_outputs(lines: DriveLines) -> tuple[OutputLine, ...]:
    """Keep the first output of each side."""
    sides = {output.side: output for output in reversed(lines.outputs)}
    return tuple(sides[side] for side in get_args(Side) if side in sides)[:2]


def _fit_and_name(samples: Samples) -> tuple[MixFit, Arrangement]:
    fit = fit_mix(samples)
    found = name_arrangement(fit)
    if found.kind is not Kind.MIXED:
        behind = fit_twice(fit)
        if behind is not None:
            other, shown = behind
            renamed = name_arrangement(other)
            if renamed.kind is Kind.UNMIXED:
                return other, mixed_twice(renamed) if shown else renamed
    return fit, found


def _hands_to_sticks(
    lines: DriveLines,
    tables: Mapping[str, PulseTable],
    lost: Mapping[str, tuple[Span, ...]],
    spans: Sequence[StepSpan],
) -> Samples:
    """Take the stick channels as outputs of the hands."""
    forward, turn = lines.sticks
    pins = (
        OutputLine(forward.line, "left", forward.travel),
        OutputLine(turn.line, "right", turn.travel),
    )
    frames = pair_outputs(tables, [pin.line for pin in pins], lost)
    return with_plan(frames, pins, spans, tables[forward.line].sample_interval_us or 0.0)


def _by_stages(
    found: Arrangement, first: Samples, second: Samples
) -> tuple[Arrangement, tuple[str, ...]]:
    """Look at the two stages apart: hands to stick channels, stick channels to outputs."""
    if lacking(first) or lacking(second):
        return found, ()
    at_pins = name_arrangement(fit_mix(first))
    to_outputs = name_arrangement(fit_mix(second))
    stages = (
        f"From the hands to the stick channels: {at_pins.name or 'not shown'}.",
        f"From the stick channels to the outputs: {to_outputs.name or 'not shown'}.",
    )
    mixes = [stage.kind for stage in (at_pins, to_outputs)]
    if found.kind is Kind.UNMIXED and mixes == [Kind.MIXED, Kind.MIXED]:
        return mixed_twice(found), stages
    if found.kind is Kind.UNMIXED and mixes == [Kind.UNMIXED, Kind.UNMIXED]:
        also = tuple(name for name in found.also if name != Kind.TWICE)
        return replace(found, also=also), stages
    return found, stages


def _before_mixer(lines: DriveLines, fit: MixFit, found: Arrangement) -> Mixing:
    """Judge what goes into a mixer: neither channel may be mixed before it."""
    time_s = fit.samples.time_s
    evidence = (Evidence(float(time_s[0]), float(time_s[-1]), time_s.size),)
    finding = before_mixer_finding(found, lines, evidence)
    kind = Kind.TWICE if finding.verdict is Verdict.DOES_NOT_MEET else None
    name = None if kind is None else str(kind)
    told = Arrangement(name, kind=kind, reason=finding.sentence)
    said = f"{lines.the_mixer[0].upper()}{lines.the_mixer[1:]} mixes both channels for the motors."
    return Mixing(lines, fit, told, (), (finding,), (said,))


def _unanswered(lines: DriveLines, reason: str) -> Mixing:
    found = Arrangement(None, reason=reason)
    return Mixing(lines, None, found, (), (arrangement_finding(found, (), (), lines),), ())


def _answered(
    lines: DriveLines, fit: MixFit, found: Arrangement, stages: tuple[str, ...]
) -> Mixing:
    responses = () if found.name is None else responses_of(fit)
    time_s = fit.samples.time_s
    evidence = (Evidence(float(time_s[0]), float(time_s[-1]), time_s.size),)
    findings = [arrangement_finding(found, responses, evidence, lines)]
    if found.name is not None:
        findings += [balance_finding(fit, found), corner_finding(fit), delay_finding(fit)]
    return Mixing(
        lines, fit, found, responses, tuple(findings), (*stages, *_assumptions(lines, fit))
    )


def _assumptions(lines: DriveLines, fit: MixFit) -> tuple[str, ...]:
    samples = fit.samples
    left, right = samples.outputs
    sentences = [
        f"{left.line} drives the left side and {right.line} the right side.",
        "A width above neutral means forward (common practice). A motor wired the other way looks "
        "like a reversed channel.",
    ]
    if samples.source == "plan":
        sentences.append("The sticks were where the plan tells, forward and right positive.")
    else:
        names = " and ".join(f"{stick.line} ({stick.axis})" for stick in lines.sticks)
        sentences.append(
            f"{names} carry the sticks, not yet mixed, and grow wider with forward and right "
            "(common practice)."
        )
    sentences += [
        f"{output.line}: neutral {output.travel.neutral_us:g} us, full speed "
        f"{output.travel.half_us:g} us away from it."
        for output in samples.outputs
    ]
    extra = [o.line for o in lines.outputs if o not in samples.outputs]
    if extra:
        sentences.append(f"{', '.join(extra)} were not examined: only one output of each side is.")
    return tuple(sentences)
