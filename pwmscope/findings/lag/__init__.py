"""Delay and transfer from an input line to an output line."""

from pwmscope.findings.lag.answers import DEFINITIONS
from pwmscope.findings.lag.lag import Follow, Follows, Lag, examine_lag, find_follows
from pwmscope.findings.segmentation import Lines, read_lines

__all__ = [
    "DEFINITIONS",
    "Follow",
    "Follows",
    "Lag",
    "Lines",
    "examine_lag",
    "find_follows",
    "read_lines",
]
