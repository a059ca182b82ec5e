"""Delay and transfer from an input line to an output line."""

from pwmscope.findings.lag.definitions import DEFINITIONS
from pwmscope.findings.lag.lag import Lag, examine_lag

__all__ = ["DEFINITIONS", "Lag", "examine_lag"]
