"""The whole job in one call: `analyse` takes recordings and gives an `Analysis`."""

from pwmscope.analysis.analysis import Analysis, LineAnalysis, analyse
from pwmscope.analysis.answer import Action, Answer, Card, Hazard
from pwmscope.analysis.terms import Terms

__all__ = [
    "Action",
    "Analysis",
    "Answer",
    "Card",
    "Hazard",
    "LineAnalysis",
    "Terms",
    "analyse",
]
