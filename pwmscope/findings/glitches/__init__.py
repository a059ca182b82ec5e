"""Kinds and patterns of glitches, and which lines they strike together."""

from pwmscope.findings.glitches.coincidence import DEFINITIONS as COINCIDENCE_DEFINITIONS
from pwmscope.findings.glitches.coincidence import Coincidence, examine_coincidence
from pwmscope.findings.glitches.glitches import DEFINITIONS, Glitches, GlitchKind, examine_glitches

__all__ = [
    "COINCIDENCE_DEFINITIONS",
    "DEFINITIONS",
    "Coincidence",
    "GlitchKind",
    "Glitches",
    "examine_coincidence",
    "examine_glitches",
]
