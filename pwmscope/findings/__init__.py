"""From pulses held against the bench to findings: value, uncertainty, limit, verdict."""

from pwmscope.findings.examine import examine
from pwmscope.findings.finding import Evidence, Finding, Verdict, worst
from pwmscope.findings.moments import Summary, summarise
from pwmscope.findings.results import ChannelFindings, Findings
from pwmscope.findings.silence import LossClass, LossEvent

__all__ = [
    "ChannelFindings",
    "Evidence",
    "Finding",
    "Findings",
    "LossClass",
    "LossEvent",
    "Summary",
    "Verdict",
    "examine",
    "summarise",
    "worst",
]
