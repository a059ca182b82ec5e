"""Rules of wiring, held against a bench sheet before anything is powered."""

from pwmscope.bench.wiring.power import Feed, feeds_of
from pwmscope.bench.wiring.rule import Judgement, Rule, Ruling
from pwmscope.bench.wiring.wiring import RULES, Wiring, check_wiring, judge_band, judge_protocol

__all__ = [
    "RULES",
    "Feed",
    "Judgement",
    "Rule",
    "Ruling",
    "Wiring",
    "check_wiring",
    "feeds_of",
    "judge_band",
    "judge_protocol",
]
