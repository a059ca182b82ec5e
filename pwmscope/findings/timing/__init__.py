"""The frame clock: its period, offset, drift, noise and faults."""

from pwmscope.findings.timing.jitter import Jitter
from pwmscope.findings.timing.quantisation import variance_of_mean
from pwmscope.findings.timing.rhythm import DEFINITIONS as RHYTHM_DEFINITIONS
from pwmscope.findings.timing.rhythm import Rhythm, examine_rhythm
from pwmscope.findings.timing.separation import Separation, scatter_of, separate
from pwmscope.findings.timing.stability import DEFINITIONS as STABILITY_DEFINITIONS
from pwmscope.findings.timing.stability import Stability, examine_stability
from pwmscope.findings.timing.timing import DEFINITIONS, Timing, examine_timing

__all__ = [
    "DEFINITIONS",
    "RHYTHM_DEFINITIONS",
    "STABILITY_DEFINITIONS",
    "Jitter",
    "Rhythm",
    "Separation",
    "Stability",
    "Timing",
    "examine_rhythm",
    "examine_stability",
    "examine_timing",
    "scatter_of",
    "separate",
    "variance_of_mean",
]
