"""Whether frames bring new widths while the stick moves, or repeat the one before."""

from pwmscope.findings.freshness.freshness import (
    DEFINITIONS,
    Freshness,
    examine_freshness,
    format_share,
)
from pwmscope.findings.freshness.renewals import width_noise_us
from pwmscope.findings.freshness.shared import DEFINITIONS as SHARED_DEFINITIONS
from pwmscope.findings.freshness.shared import SharedFreezes, examine_shared_freezes

__all__ = [
    "DEFINITIONS",
    "SHARED_DEFINITIONS",
    "Freshness",
    "SharedFreezes",
    "examine_freshness",
    "examine_shared_freezes",
    "format_share",
    "width_noise_us",
]
