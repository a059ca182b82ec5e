"""From pulses held against the bench to findings: value, uncertainty, limit, verdict."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

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

_CALLED = {
    "Alignment": "plan_alignment",
    "Comparison": "comparison",
    "FaultHunt": "comparison",
    "MarkerDelay": "marker_delay",
    "align_plan": "plan_alignment",
    "compare": "comparison",
    "hunt_faults": "comparison",
    "measure_marker": "marker_delay",
}
"""What is imported when it is first used; `examine` does without."""

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


def __getattr__(name: str) -> object:
    """Import what `examine` does without when it is first used."""
    home = _CALLED.get(name)
    if home is None:
        raise AttributeError(f"module 'pwmscope.findings' has no attribute '{name}'")
    found: object = getattr(importlib.import_module(f"pwmscope.findings.{home}"), name)
    return found
