"""Cards to print: the plan for the hands, the settings to change."""

from pwmscope.report.cards.settings_data import setting_data

__all__ = ["setting_data"]
