"""A capture plan as a card to print."""

from __future__ import annotations

from pwmscope.bench import CAUTIONS, CapturePlan
from pwmscope.report.cards.page import fill_card
from pwmscope.report.cards.plan_text import BEFORE, format_clock, plan_needs, plan_title


def plan_card(plan: CapturePlan) -> str:
    """Write a plan as one page of HTML: cautions, what to set, the steps with boxes to tick."""
    return fill_card(
        "plan_card.html.j2",
        title=plan_title(plan),
        before=BEFORE,
        cautions=CAUTIONS,
        needs=plan_needs(plan),
        steps=[
            (format_clock(at), step) for at, step in zip(plan.starts_s, plan.steps, strict=True)
        ],
    )
