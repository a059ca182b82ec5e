"""The definitions of all findings, by name."""

from __future__ import annotations

from typing import Final

from pwmscope.findings import (
    centring,
    coincidence,
    glitches,
    receivers,
    resolution,
    rhythm,
    silence,
    skew,
    stability,
    sweep,
    timing,
    travel,
)
from pwmscope.findings.definition import Definition

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
)

DEFINITIONS: Final[dict[str, Definition]] = {definition.name: definition for definition in _ALL}
"""In the order in which the findings are told."""
