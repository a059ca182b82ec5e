"""The definitions of all findings, by name."""

from __future__ import annotations

from typing import Final

from pwmscope.findings import glitches, lag, plan_alignment, silence, skew, timing, travel
from pwmscope.findings.clock import rhythm, stability
from pwmscope.findings.definition import Definition
from pwmscope.findings.glitch import coincidence
from pwmscope.findings.mixing import answers, wheels
from pwmscope.findings.stick import centring, resolution, sweep
from pwmscope.findings.together import receivers

_ALL: Final[tuple[Definition, ...]] = (
    *timing.DEFINITIONS,
    *rhythm.DEFINITIONS,
    *stability.DEFINITIONS,
    *travel.DEFINITIONS,
    *resolution.DEFINITIONS,
    *centring.DEFINITIONS,
    *sweep.DEFINITIONS,
    *glitches.DEFINITIONS,
    *silence.DEFINITIONS,
    *receivers.DEFINITIONS,
    *skew.DEFINITIONS,
    *coincidence.DEFINITIONS,
    *lag.DEFINITIONS,
    *answers.DEFINITIONS,
    *wheels.DEFINITIONS,
    *plan_alignment.DEFINITIONS,
)

DEFINITIONS: Final[dict[str, Definition]] = {definition.name: definition for definition in _ALL}
"""In the order in which the findings are told."""
