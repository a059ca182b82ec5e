"""The whole job in one call: `analyse` for one bench, `analyse_many` for a test farm."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pwmscope.analysis.analysis import Analysis, LineAnalysis, analyse
from pwmscope.analysis.terms import Terms
from pwmscope.faces import at_first_use
from pwmscope.model import Hazard
from pwmscope.report import Action, Answer, Card

if TYPE_CHECKING:
    from pwmscope.analysis.many import Outcome, WorkerLostError, analyse_many, carry_out, cluster


__all__ = [
    "Action", "Analysis", "Answer", "Card", "Hazard", "LineAnalysis", "Outcome", "Terms",
    "WorkerLostError", "analyse", "analyse_many", "carry_out", "cluster",
]  # fmt: skip


__getattr__ = at_first_use(__name__, {
    "many": "Outcome WorkerLostError analyse_many carry_out cluster",
})  # fmt: skip
"""What takes other processes, and so takes long to import."""
