"""A change tried on the recorded data: what the outputs would have done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pwmscope.advice.mixing.changes import Change
from pwmscope.findings.mixing.answers import Response, responses_of
from pwmscope.findings.mixing.arrangement import name_arrangement
from pwmscope.findings.mixing.faults import Kind
from pwmscope.findings.mixing.fit import MixFit, fit_mix
from pwmscope.findings.mixing.sticks import Samples


@dataclass(frozen=True, slots=True)
class Proof:
    """What was found in the recorded data after the changes."""

    fit: MixFit  # The predicted matrix
    name: str | None  # The predicted arrangement
    responses: tuple[Response, ...]  # What the robot would do
    works: bool  # Whether it is mixed as wanted


def changed_samples(fit: MixFit, changes: Sequence[Change]) -> Samples:
    """Apply changes to the recorded outputs.

    The sticks go through what is changed before them, then through the fitted
    outputs, which clip where they did or else at the end of travel; what the
    fit left of each recorded width (noise) is added again; then follows what is
    changed behind, and clips there.
    """
    samples = fit.samples
    sticks, outputs = np.eye(2), np.eye(2)
    for change in changes:
        sticks = sticks @ change.at_sticks
        outputs = change.at_outputs @ outputs
    end = np.maximum(1.0, np.max(np.abs(samples.position), axis=0))
    position = np.clip(fit.position(samples.stick @ sticks.T), -end, end)
    residual_us = np.stack([output.residual_us for output in fit.outputs], axis=1)
    position = np.clip((position + residual_us / samples.half_us) @ outputs.T, -end, end)
    neutral_us = np.array([output.travel.neutral_us for output in samples.outputs])
    return replace(samples, width_us=neutral_us + position * samples.half_us)


def prove(fit: MixFit, changes: Sequence[Change]) -> Proof:
    """Look at the changed data as if they had been recorded."""
    after = fit_mix(changed_samples(fit, changes))
    found = name_arrangement(after)
    works = found.kind is Kind.MIXED and not found.faults
    return Proof(after, found.name, responses_of(after), works)
