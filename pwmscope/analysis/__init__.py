"""The whole job in one call: `analyse` for one bench, `analyse_many` for a test farm."""

from pwmscope.analysis.analysis import Analysis, LineAnalysis, analyse
from pwmscope.analysis.many import Outcome, WorkerLostError, analyse_many, carry_out, cluster
from pwmscope.analysis.terms import Terms
from pwmscope.model import Hazard
from pwmscope.report import Action, Answer, Card

__all__ = [
    "Action",
    "Analysis",
    "Answer",
    "Card",
    "Hazard",
    "LineAnalysis",
    "Outcome",
    "Terms",
    "WorkerLostError",
    "analyse",
    "analyse_many",
    "carry_out",
    "cluster",
]
