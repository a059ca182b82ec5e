"""The settings to change as versioned JSON."""

from __future__ import annotations

from typing import Any, Final

from pwmscope.advice.settings import (
    ORDER,
    ChannelSettings,
    Compared,
    Setting,
    SettingsAdvice,
)
from pwmscope.bench import CAUTIONS, BenchSheet
from pwmscope.findings.travel import Amount
from pwmscope.report.cards.settings_text import settings_headline, settings_notes
from pwmscope.report.data import json_text

SCHEMA: Final = 1


def settings_json(
    advice: SettingsAdvice,
    sheet: BenchSheet,
    capture: str,
    *,
    before: str | None = None,
    compared: tuple[Compared, ...] = (),
) -> str:
    """Write the settings as JSON, by docs/calibrate.schema.json."""
    alignment = advice.alignment
    data: dict[str, Any] = {
        "schema": SCHEMA,
        "capture": capture,
        "before": before,
        "sheet": sheet.source,
        "robot": sheet.robot,
        "answer": settings_headline(advice, sheet),
        "changes": advice.changes,
        "not_shown": advice.not_shown,
        "cautions": list(CAUTIONS),
        "order": list(ORDER),
        "channels": {channel.line: _channel(channel) for channel in advice.channels},
        "not_recorded": list(advice.missing),
        "notes": list(settings_notes(advice)),
        "plan_fits": None if alignment is None else alignment.fits,
        "compared": [_compared(entry) for entry in compared],
    }
    return json_text(data)


def _channel(channel: ChannelSettings) -> dict[str, Any]:
    return {
        "role": channel.role,
        "device": channel.device,
        "settings": [setting_data(setting) for setting in channel.settings],
        "warnings": list(channel.warnings),
    }


def setting_data(setting: Setting) -> dict[str, Any]:
    """Turn one setting into plain data.

    Parameters
    ----------
    setting : Setting
        The setting.

    Returns
    -------
    dict
    """
    return {
        "name": setting.name,
        "action": setting.action.value,
        "sentence": setting.sentence,
        "target_us": setting.target_us,
        "tolerance_us": setting.tolerance_us,
        "change_percent": setting.percent,
        **_amount("measured", setting.measured),
        **_amount("change", setting.change),
        **_amount("predicted", setting.predicted),
    }


def _compared(entry: Compared) -> dict[str, Any]:
    return {
        "line": entry.line,
        "name": entry.name,
        "trend": entry.trend.value,
        "sentence": entry.sentence,
        **_amount("before", entry.before),
        **_amount("after", entry.after),
        **_amount("gain", entry.gain),
    }


def _amount(name: str, amount: Amount | None) -> dict[str, float | None]:
    return {
        f"{name}_us": None if amount is None else amount.us,
        f"{name}_uncertainty_us": None if amount is None else amount.uncertainty_us,
    }
