"""What the receiver runs on: its voltage, its sags and what causes them, the brown-out margin."""

from pwmscope.findings.supply.supply import (
    BEFORE_S,
    DEFINITIONS,
    MARGIN,
    Sags,
    Supply,
    SupplyAnswer,
    examine_supply,
    find_sags,
    looks_like_sagging_supply,
    read_supply,
    unrecorded_supply,
)

__all__ = [
    "BEFORE_S",
    "DEFINITIONS",
    "MARGIN",
    "Sags",
    "Supply",
    "SupplyAnswer",
    "examine_supply",
    "find_sags",
    "looks_like_sagging_supply",
    "read_supply",
    "unrecorded_supply",
]
