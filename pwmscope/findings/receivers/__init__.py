"""Which lines come from one receiver, in what order they start, and how much later each."""

from pwmscope.findings.receivers.frame_order import Receiver
from pwmscope.findings.receivers.pairing import pair, usual_offset
from pwmscope.findings.receivers.receivers import DEFINITIONS as OF_RECEIVERS
from pwmscope.findings.receivers.skew import DEFINITIONS as OF_ORDER
from pwmscope.findings.receivers.skew import Order, clock_lines, examine_order
from pwmscope.findings.receivers.starts import Start
from pwmscope.findings.receivers.ties import Step, Tie

DEFINITIONS = (*OF_RECEIVERS, *OF_ORDER)

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
