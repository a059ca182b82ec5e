"""Which settings of the transmitter to change, by how much, and what that leads to."""

from pwmscope.advice.settings.advise import SettingsAdvice, advise_settings
from pwmscope.advice.settings.comparison import Compared, Trend, compare_settings
from pwmscope.advice.settings.scale import PercentReading, PercentScale, solve_scale, stated_scale
from pwmscope.advice.settings.setting import ORDER, Action, ChannelSettings, Name, Setting
from pwmscope.advice.settings.transmitter import Transmitter

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
