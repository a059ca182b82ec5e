"""The settings to change as a card to print."""

from __future__ import annotations

from pwmscope.advice.settings import ORDER, Compared, SettingsAdvice
from pwmscope.bench import CAUTIONS, BenchSheet
from pwmscope.model import format_line
from pwmscope.report.cards.page import fill_card
from pwmscope.report.cards.plan_text import BEFORE
from pwmscope.report.cards.settings_text import (
    COMPARED_HEADING,
    ORDER_HEADING,
    channel_title,
    is_to_do,
    settings_headline,
    settings_notes,
)
from pwmscope.report.sentences import RULEBOOK


def settings_card(
    advice: SettingsAdvice,
    sheet: BenchSheet,
    capture: str,
    compared: tuple[Compared, ...] = (),
) -> str:
    """Write the settings as one page of HTML, with boxes to tick."""
    return fill_card(
        "settings_card.html.j2",
        title=f"Settings{f' of {sheet.robot}' if sheet.robot else ''}",
        answer=settings_headline(advice, sheet),
        before=BEFORE,
        cautions=CAUTIONS,
        capture=capture,
        sheet=sheet.source,
        channels=[(channel_title(c.line, c.role, c.device), c) for c in advice.channels],
        is_to_do=is_to_do,
        order_heading=ORDER_HEADING,
        order=ORDER if advice.changes else (),
        compared_heading=COMPARED_HEADING,
        compared=[(format_line(entry.line), entry) for entry in compared],
        notes=settings_notes(advice),
        rulebook=RULEBOOK,
    )
