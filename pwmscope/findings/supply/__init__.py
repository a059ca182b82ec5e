"""What voltages show: what the receiver runs on with its sags, and the high state of a line."""

from pwmscope.findings.supply.supply import (
    BEFORE_S,
    DEFINITIONS,
    LEVEL_DEFINITIONS,
    MARGIN,
    Sags,
    Supply,
    SupplyAnswer,
    examine_levels,
    examine_supply,
    find_sags,
    looks_like_sagging_supply,
    read_supply,
    unrecorded_supply,
)

__all__ = [
    "BEFORE_S",
    "DEFINITIONS",
    "LEVEL_DEFINITIONS",
    "MARGIN",
    "Sags",
    "Supply",
    "SupplyAnswer",
    "examine_levels",
    "examine_supply",
    "find_sags",
    "looks_like_sagging_supply",
    "read_supply",
    "unrecorded_supply",
]
