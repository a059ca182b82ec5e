"""What every line does when the radio goes silent, and whether that meets the limit in time."""

from pwmscope.findings.failsafe.check import Failsafe, FailsafeLine, check_failsafe
from pwmscope.findings.failsafe.event import LossEvent
from pwmscope.findings.failsafe.listening import Listened, Marking, listen_to, marking_of
from pwmscope.findings.failsafe.losses import Known
from pwmscope.findings.failsafe.phases import PhaseKind
from pwmscope.findings.failsafe.response import LossClass
from pwmscope.findings.failsafe.silence import Silence

__all__ = [
    "Failsafe",
    "FailsafeLine",
    "Known",
    "Listened",
    "LossClass",
    "LossEvent",
    "Marking",
    "PhaseKind",
    "Silence",
    "check_failsafe",
    "listen_to",
    "marking_of",
]
