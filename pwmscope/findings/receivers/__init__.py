"""Which lines come from one receiver, in what order they start, and how much later each."""

from pwmscope.findings.receivers.common_clock import Step, Tie, pair, usual_offset
from pwmscope.findings.receivers.order import (
    DEFINITIONS,
    Order,
    Receiver,
    Start,
    clock_lines,
    examine_order,
)

__all__ = [
    "DEFINITIONS",
    "Order",
    "Receiver",
    "Start",
    "Step",
    "Tie",
    "clock_lines",
    "examine_order",
    "pair",
    "usual_offset",
]
