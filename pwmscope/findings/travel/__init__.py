"""What the stick did: levels, travel, steps, rest and sweeps."""

from typing import TYPE_CHECKING

from pwmscope.faces import at_first_use
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
    from pwmscope.findings.travel.centring import CENTRING_DEFINITIONS, Centring, examine_centring
    from pwmscope.findings.travel.resolution import (
        RESOLUTION_DEFINITIONS,
        Resolution,
        examine_resolution,
    )
    from pwmscope.findings.travel.sweep import SWEEP_DEFINITIONS, Sweeps, examine_sweeps

__all__ = [
    "CENTRING_DEFINITIONS", "DEFINITIONS", "EXERCISED", "LET_GO", "MIN_THROW",
    "RESOLUTION_DEFINITIONS", "SWEEP_DEFINITIONS", "Amount", "Centring", "Device", "Level",
    "Resolution", "Sweeps", "Travel", "against_band", "examine_centring", "examine_resolution",
    "examine_sweeps", "examine_travel", "judge_rest", "pooled_level_us", "weighed_sum",
]  # fmt: skip

__getattr__ = at_first_use(__name__, {
    "centring": "CENTRING_DEFINITIONS Centring examine_centring",
    "resolution": "RESOLUTION_DEFINITIONS Resolution examine_resolution",
    "sweep": "SWEEP_DEFINITIONS Sweeps examine_sweeps",
})  # fmt: skip
"""What `examine` does without until it is looked at."""
