"""What the stick did: levels, travel, steps, rest and sweeps."""

from pwmscope.findings.travel.centring import DEFINITIONS as CENTRING_DEFINITIONS
from pwmscope.findings.travel.centring import Centring, examine_centring
from pwmscope.findings.travel.levels import MIN_THROW, Amount, Level, pooled_level_us, weighed_sum
from pwmscope.findings.travel.resolution import DEFINITIONS as RESOLUTION_DEFINITIONS
from pwmscope.findings.travel.resolution import Resolution, examine_resolution
from pwmscope.findings.travel.sweep import DEFINITIONS as SWEEP_DEFINITIONS
from pwmscope.findings.travel.sweep import Sweeps, examine_sweeps
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
