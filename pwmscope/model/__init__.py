"""What flows between all parts: findings, verdicts, time spans, and the statistics behind them."""

from pwmscope.model.definition import Definition
from pwmscope.model.finding import Evidence, Finding, judge, measured, not_shown, worst
from pwmscope.model.moments import Summary, summarise
from pwmscope.model.spans import Span
from pwmscope.model.verdict import WORST_FIRST, Verdict, governing

__all__ = [
    "WORST_FIRST",
    "Definition",
    "Evidence",
    "Finding",
    "Span",
    "Summary",
    "Verdict",
    "governing",
    "judge",
    "measured",
    "not_shown",
    "summarise",
    "worst",
]
