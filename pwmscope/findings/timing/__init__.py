"""The frame clock: its period, offset, drift, noise and faults."""

from typing import TYPE_CHECKING

from pwmscope.faces import at_first_use
from pwmscope.findings.timing.jitter import Jitter
from pwmscope.findings.timing.sampling import Separation, scatter_of, separate, variance_of_mean
from pwmscope.findings.timing.timing import DEFINITIONS, Timing, examine_timing

if TYPE_CHECKING:
    from pwmscope.findings.timing.rhythm import (
        RHYTHM_DEFINITIONS,
        LineSearch,
        Rhythm,
        examine_rhythm,
    )
    from pwmscope.findings.timing.stability import (
        STABILITY_DEFINITIONS,
        Stability,
        examine_stability,
    )

__all__ = [
    "DEFINITIONS",
    "RHYTHM_DEFINITIONS",
    "STABILITY_DEFINITIONS",
    "Jitter",
    "LineSearch",
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


__getattr__ = at_first_use(__name__, {
    "rhythm": "RHYTHM_DEFINITIONS LineSearch Rhythm examine_rhythm",
    "stability": "STABILITY_DEFINITIONS Stability examine_stability",
})  # fmt: skip
"""What no builder asks for."""
