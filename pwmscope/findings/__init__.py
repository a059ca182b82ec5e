"""From pulses held against the bench to findings: value, uncertainty, limit, verdict."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pwmscope.faces import at_first_use
from pwmscope.findings.examine import (
    ANALYSERS,
    LINK_RECORD,
    Analyser,
    ChannelFindings,
    Findings,
    SensorFindings,
    definitions,
    examine,
    examine_link_record,
)
from pwmscope.findings.failsafe import LossClass, LossEvent
from pwmscope.model import Evidence, Finding, Summary, Verdict, summarise, worst

if TYPE_CHECKING:
    from pwmscope.findings.comparison import Comparison, FaultHunt, compare, hunt_faults
    from pwmscope.findings.marker_delay import MarkerDelay, measure_marker
    from pwmscope.findings.plan_alignment import Alignment, align_plan


__all__ = [
    "ANALYSERS",
    "LINK_RECORD",
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
    "MarkerDelay",
    "SensorFindings",
    "Summary",
    "Verdict",
    "align_plan",
    "compare",
    "definitions",
    "examine",
    "examine_link_record",
    "hunt_faults",
    "measure_marker",
    "summarise",
    "worst",
]


__getattr__ = at_first_use(__name__, {
    "plan_alignment": "Alignment align_plan",
    "comparison": "Comparison FaultHunt compare hunt_faults",
    "marker_delay": "MarkerDelay measure_marker",
})  # fmt: skip
"""What is imported when it is first used; `examine` does without."""
