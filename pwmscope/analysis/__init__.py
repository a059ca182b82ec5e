"""The whole job in one call: `analyse` for one bench, `analyse_many` for a test farm."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

from pwmscope.analysis.analysis import Analysis, LineAnalysis, analyse
from pwmscope.analysis.terms import Terms
from pwmscope.model import Hazard
from pwmscope.report import Action, Answer, Card

if TYPE_CHECKING:
    from pwmscope.analysis.many import Outcome, WorkerLostError, analyse_many, carry_out, cluster

_OF_MANY = ("Outcome", "WorkerLostError", "analyse_many", "carry_out", "cluster")
"""What takes other processes, and so takes long to import."""

__all__ = [
    "Action", "Analysis", "Answer", "Card", "Hazard", "LineAnalysis", "Outcome", "Terms",
    "WorkerLostError", "analyse", "analyse_many", "carry_out", "cluster",
]  # fmt: skip


def __getattr__(name: str) -> object:
    """Import what takes long to import when it is first used."""
    if name not in _OF_MANY:
        raise AttributeError(f"module 'pwmscope.analysis' has no attribute '{name}'")
    found: object = getattr(importlib.import_module("pwmscope.analysis.many"), name)
    return found
