"""The definitions of all findings, by name."""

from __future__ import annotations

from typing import Final

from pwmscope.findings import failsafe, lag, plan_alignment
from pwmscope.findings.glitches import coincidence, glitches
from pwmscope.findings.mixing import answers
from pwmscope.findings.receivers import receivers, skew
from pwmscope.findings.timing import rhythm, stability, timing
from pwmscope.findings.travel import centring, resolution, sweep, travel
from pwmscope.model.definition import Definition

_ALL: Final[tuple[Definition, ...]] = (
    *timing.DEFINITIONS,
    *rhythm.DEFINITIONS,
    *stability.DEFINITIONS,
    *travel.DEFINITIONS,
    *resolution.DEFINITIONS,
    *centring.DEFINITIONS,
    *sweep.DEFINITIONS,
    *glitches.DEFINITIONS,
    *failsafe.DEFINITIONS,
    *receivers.DEFINITIONS,
    *skew.DEFINITIONS,
    *coincidence.DEFINITIONS,
    *lag.DEFINITIONS,
    *answers.DEFINITIONS,
    *plan_alignment.DEFINITIONS,
)

DEFINITIONS: Final[dict[str, Definition]] = {definition.name: definition for definition in _ALL}
"""In the order in which the findings are told."""
