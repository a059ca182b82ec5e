"""What the stick did: levels, travel, steps, rest and sweeps."""

import importlib
from typing import TYPE_CHECKING, Final

from pwmscope.findings.travel.levels import MIN_THROW, Amount, Level, pooled_level_us, weighed_sum
from pwmscope.findings.travel.travel import (
    DEFINITIONS,
    EXERCISED,
    LET_GO,
    Device,
    Travel,
    against_band,
    examine_travel,
    judge_rest,
)

if TYPE_CHECKING:
    from pwmscope.findings.travel.centring import DEFINITIONS as CENTRING_DEFINITIONS
    from pwmscope.findings.travel.centring import Centring, examine_centring
    from pwmscope.findings.travel.resolution import DEFINITIONS as RESOLUTION_DEFINITIONS
    from pwmscope.findings.travel.resolution import Resolution, examine_resolution
    from pwmscope.findings.travel.sweep import DEFINITIONS as SWEEP_DEFINITIONS
    from pwmscope.findings.travel.sweep import Sweeps, examine_sweeps

__all__ = [
    "CENTRING_DEFINITIONS",
    "DEFINITIONS",
    "EXERCISED",
    "LET_GO",
    "MIN_THROW",
    "RESOLUTION_DEFINITIONS",
    "SWEEP_DEFINITIONS",
    "Amount",
    "Centring",
    "Device",
    "Level",
    "Resolution",
    "Sweeps",
    "Travel",
    "against_band",
    "examine_centring",
    "examine_resolution",
    "examine_sweeps",
    "examine_travel",
    "judge_rest",
    "pooled_level_us",
    "weighed_sum",
]

_LOOKED_AT: Final = {
    "CENTRING_DEFINITIONS": "centring",
    "Centring": "centring",
    "examine_centring": "centring",
    "RESOLUTION_DEFINITIONS": "resolution",
    "Resolution": "resolution",
    "examine_resolution": "resolution",
    "SWEEP_DEFINITIONS": "sweep",
    "Sweeps": "sweep",
    "examine_sweeps": "sweep",
}


def __getattr__(name: str) -> object:
    """Load what `examine` does without when it is first looked at."""
    if name not in _LOOKED_AT:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    home = importlib.import_module(f"{__name__}.{_LOOKED_AT[name]}")
    found: object = getattr(home, "DEFINITIONS" if name.endswith("DEFINITIONS") else name)
    return found
