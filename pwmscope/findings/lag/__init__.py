"""Delay and transfer from an input line to an output line."""

from pwmscope.findings.lag.definitions import DEFINITIONS
from pwmscope.findings.lag.follows import Follow, Follows, find_follows
from pwmscope.findings.lag.lag import Lag, examine_lag
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
