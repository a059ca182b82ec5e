"""The frame clock: its period, offset, drift, noise and faults."""

import importlib
from typing import TYPE_CHECKING, Final

from pwmscope.findings.timing.jitter import Jitter
from pwmscope.findings.timing.separation import Separation, scatter_of, separate, variance_of_mean
from pwmscope.findings.timing.timing import DEFINITIONS, Timing, examine_timing

if TYPE_CHECKING:
    from pwmscope.findings.timing.spectrum import (
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

_SELDOM_ASKED: Final = {
    "RHYTHM_DEFINITIONS": "spectrum",
    "LineSearch": "spectrum",
    "Rhythm": "spectrum",
    "examine_rhythm": "spectrum",
    "STABILITY_DEFINITIONS": "stability",
    "Stability": "stability",
    "examine_stability": "stability",
}


def __getattr__(name: str) -> object:
    """Load what no builder asks for when it is first asked for."""
    if name not in _SELDOM_ASKED:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found: object = getattr(importlib.import_module(f"{__name__}.{_SELDOM_ASKED[name]}"), name)
    return found
