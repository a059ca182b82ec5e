"""Cards to print: the plan for the hands, the settings to change, the test lead."""

from pwmscope.report.cards.lead import lead_card, lead_text
from pwmscope.report.cards.plan import format_clock, plan_card, plan_json, plan_needs, plan_text
from pwmscope.report.cards.settings import (
    setting_data,
    settings_card,
    settings_headline,
    settings_json,
    settings_text,
)

__all__ = [
    "format_clock",
    "lead_card",
    "lead_text",
    "plan_card",
    "plan_json",
    "plan_needs",
    "plan_text",
    "setting_data",
    "settings_card",
    "settings_headline",
    "settings_json",
    "settings_text",
]
