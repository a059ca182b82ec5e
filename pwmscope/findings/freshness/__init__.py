"""Whether frames bring new widths while the stick moves, or repeat the one before."""

from pwmscope.findings.freshness.freshness import (
    DEFINITIONS,
    FRESH,
    SHARED_DEFINITIONS,
    Freshness,
    SharedFreezes,
    examine_freshness,
    examine_shared_freezes,
    format_share,
    share_interval,
)
from pwmscope.findings.freshness.renewals import width_noise_us

__all__ = [
    "DEFINITIONS",
    "FRESH",
    "SHARED_DEFINITIONS",
    "Freshness",
    "SharedFreezes",
    "examine_freshness",
    "examine_shared_freezes",
    "format_share",
    "share_interval",
    "width_noise_us",
]
