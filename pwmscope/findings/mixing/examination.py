"""The whole question: what the drive outputs do with the sticks, or what else to record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from pwmscope.bench import StepSpan
from pwmscope.findings.mixing.answers import (
    Response,
    arrangement_finding,
    balance_finding,
    corner_finding,
    delay_finding,
    responses_of,
)
from pwmscope.findings.mixing.arrangement import Arrangement, mixed_twice, name_arrangement
from pwmscope.findings.mixing.faults import Kind
from pwmscope.findings.mixing.fit import MixFit, fit_mix
from pwmscope.findings.mixing.lines import DriveLines, OutputLine
from pwmscope.findings.mixing.sticks import Samples, pair_outputs, with_plan, with_recorded
from pwmscope.findings.mixing.twice import fit_twice
from pwmscope.findings.mixing.unfit import (
    MIN_FRAMES,
    lacking,
    missing_output,
    only_corners,
    two_receivers,
    without_sticks,
)
from pwmscope.findings.receivers import Tie
from pwmscope.model import Evidence, Finding, Span, Verdict
from pwmscope.pulses import PulseTable


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
    if spans and len(lines.sticks) == 2:
        first = _hands_to_sticks(lines, tables, lost, spans)
        second = with_recorded(frames, outputs, lines.sticks, tables, lost)
        found, stages = _by_stages(found, first, second)
    return _answered(lines, fit, found, stages)


def _two_outputs(lines: DriveLines) -> tuple[OutputLine, ...]:
    """Keep the first output of each side."""
    sides = {output.side: output for output in reversed(lines.outputs)}
    return tuple(sides[side] for side in ("left", "right") if side in sides)


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
