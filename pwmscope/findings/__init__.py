"""From pulses held against the bench to findings: value, uncertainty, limit, verdict."""

from pwmscope.findings.analysers import ANALYSERS, Analyser, definitions
from pwmscope.findings.comparison import Comparison, compare
from pwmscope.findings.examine import examine, examine_link_record
from pwmscope.findings.failsafe import LossClass, LossEvent
from pwmscope.findings.fault_hunt import FaultHunt, hunt_faults
from pwmscope.findings.plan_alignment import Alignment, align_plan
from pwmscope.findings.results import ChannelFindings, Findings, SensorFindings
from pwmscope.model import Evidence, Finding, Summary, Verdict, summarise, worst

__all__ = [
    "ANALYSERS",
    "Alignment",
    "Analyser",
    "ChannelFindings",
    "Comparison",
    "Evidence",
    "FaultHunt",
    "Finding",
    "Findings",
    "LossClass",
    "LossEvent",
    "SensorFindings",
    "Summary",
    "Verdict",
    "align_plan",
    "compare",
    "definitions",
    "examine",
    "examine_link_record",
    "hunt_faults",
    "summarise",
    "worst",
]
