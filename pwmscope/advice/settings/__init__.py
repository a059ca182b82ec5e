"""Which settings of the transmitter to change, by how much, and what that leads to."""

from pwmscope.advice.settings.advise import (
    Compared,
    SettingsAdvice,
    Trend,
    advise_settings,
    compare_settings,
)
from pwmscope.advice.settings.setting import (
    ORDER,
    Action,
    ChannelSettings,
    Name,
    PercentReading,
    PercentScale,
    Setting,
    Transmitter,
    solve_scale,
    stated_scale,
)

__all__ = [
    "ORDER",
    "Action",
    "ChannelSettings",
    "Compared",
    "Name",
    "PercentReading",
    "PercentScale",
    "Setting",
    "SettingsAdvice",
    "Transmitter",
    "Trend",
    "advise_settings",
    "compare_settings",
    "solve_scale",
    "stated_scale",
]
