"""From findings and the bench to what to change, and what that would lead to."""

from pwmscope.advice.drive import (
    Base,
    DrivePath,
    Hands,
    Outputs,
    differential,
    drive_path,
    integrate,
)
from pwmscope.advice.endpoints import (
    MIND_STOP,
    SETTINGS_ORDER,
    ChannelSettings,
    PercentReading,
    PercentScale,
    Setting,
    SettingAction,
    SettingName,
    Transmitter,
    solve_scale,
    stated_scale,
)
from pwmscope.advice.mixing import Course, MixingAdvice, advise_mixing, course_of
from pwmscope.advice.plugs import find_swapped, with_names
from pwmscope.advice.settings import (
    Compared,
    SettingsAdvice,
    Trend,
    advise_settings,
    compare_settings,
)
from pwmscope.findings.mixing import DriveSide as Side
from pwmscope.findings.mixing import Straightness, Throttle, straight_line_error

__all__ = [
    "MIND_STOP", "SETTINGS_ORDER", "Base", "ChannelSettings", "Compared", "Course", "DrivePath",
    "Hands",
    "MixingAdvice", "Outputs", "PercentReading", "PercentScale", "Setting", "SettingAction",
    "SettingName", "SettingsAdvice", "Side", "Straightness", "Throttle", "Transmitter", "Trend",
    "advise_mixing", "advise_settings", "compare_settings", "course_of", "differential",
    "drive_path", "find_swapped", "integrate", "solve_scale", "stated_scale", "straight_line_error",
    "with_names",
]  # fmt: skip
