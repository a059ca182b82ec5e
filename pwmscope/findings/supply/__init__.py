"""What the receiver runs on: its voltage, its sags and what causes them, the brown-out margin."""

from pwmscope.findings.supply.sags import Sags, find_sags
from pwmscope.findings.supply.supply import (
    DEFINITIONS,
    MARGIN,
    Supply,
    SupplyAnswer,
    examine_supply,
    read_supply,
)

__all__ = [
    "DEFINITIONS",
    "MARGIN",
    "Sags",
    "Supply",
    "SupplyAnswer",
    "examine_supply",
    "find_sags",
    "read_supply",
]
