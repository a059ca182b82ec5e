"""The settings to change as text, as a card to print, and as data (docs/calibrate.schema.json)."""

from __future__ import annotations

import textwrap
from typing import Any, Final

from pwmscope.advice import (
    SETTINGS_ORDER,
    ChannelSettings,
    Compared,
    Setting,
    SettingAction,
    SettingsAdvice,
)
from pwmscope.bench import CAUTIONS, BenchSheet
from pwmscope.findings.travel import Amount
from pwmscope.model import format_line
from pwmscope.report.cards.plan import BEFORE, WIDTH, fill_card
from pwmscope.report.data import json_text
from pwmscope.report.sentences import RULEBOOK

ORDER_HEADING: Final = "In this order"
COMPARED_HEADING: Final = "Since the earlier recording"


def settings_text(
    advice: SettingsAdvice,
    sheet: BenchSheet,
    compared: tuple[Compared, ...] = (),
    width: int = WIDTH,
) -> str:
    """Write the settings card as text."""
    told = [BEFORE, *(_filled(caution, "  - ", "    ", width) for caution in CAUTIONS)]
    told += ["", _filled(settings_headline(advice, sheet), "", "", width)]
    for channel in advice.channels:
        told += ["", channel_title(channel.line, channel.role, channel.device)]
        for setting in channel.settings:
            lead = f"  {setting.action.value:<21}"
            told.append(_filled(setting.sentence, lead, " " * len(lead), width))
        lead = f"  {'warning':<21}"
        told += [_filled(warning, lead, " " * len(lead), width) for warning in channel.warnings]
    if advice.changes:
        told += ["", ORDER_HEADING]
        told += [
            _filled(step, f"  {n}. ", "     ", width) for n, step in enumerate(SETTINGS_ORDER, 1)
        ]
    if compared:
        told += ["", COMPARED_HEADING]
        told += [
            _filled(f"{format_line(c.line)}: {c.sentence}", "  - ", "    ", width) for c in compared
        ]
    told += [_filled(note, "\n", "", width) for note in settings_notes(advice)]
    return "\n".join([*told, "", _filled(RULEBOOK, "", "", width)]) + "\n"


def settings_headline(advice: SettingsAdvice, sheet: BenchSheet) -> str:
    """Say in one sentence or two what there is to do."""
    of = f"{sheet.robot}: " if sheet.robot else ""
    changes, not_shown = advice.changes, advice.not_shown
    if changes:
        said = f"{changes} setting{'s' if changes > 1 else ''} to change."
    elif not_shown:
        said = "Nothing is shown to need a change, but not everything is shown."
    else:
        said = "Nothing to change: each setting is where its device expects it."
    if not_shown:
        said += f" {not_shown} {'are' if not_shown > 1 else 'is'} not shown by this recording."
    return of + said


def channel_title(line: str, role: str, device: str) -> str:
    """Name a channel.

    Examples
    --------
    >>> channel_title("RX1", "drive-left", "left ESC"), channel_title("RX2", "servo", "")
    ('RX1, drive-left, left ESC', 'RX2, servo')
    """
    return ", ".join(part for part in (format_line(line), role, device) if part)


def settings_notes(advice: SettingsAdvice) -> tuple[str, ...]:
    """Say what stands beside the settings: the plan's fit, and devices that are not recorded."""
    notes = []
    if advice.alignment is not None:
        notes.append(advice.alignment.sentence)
    if advice.missing:
        lines = ", ".join(format_line(line) for line in advice.missing)
        notes.append(f"On the sheet but not in the recording: {lines}.")
    todo = [s for channel in advice.channels for s in channel.settings if s.change is not None]
    if any(setting.percent is None for setting in todo):
        notes.append(
            "For figures in percent, state us_per_percent in the bench sheet. Or record at two "
            "settings: docs/calibrate.md says how."
        )
    shown = [s for channel in advice.channels for s in channel.settings if s.measured is not None]
    if shown:
        notes.append(
            "± is the expanded uncertainty, k = 2, about 95 % (JCGM 100). Endpoints are the "
            "outermost widths at which the stick was held."
        )
    return tuple(notes)


def is_to_do(action: SettingAction) -> bool:
    """Whether a card marks an action for the hands."""
    return action in {SettingAction.CHANGE, SettingAction.DEVICE}


def _filled(text: str, first: str, next_lines: str, width: int) -> str:
    return textwrap.fill(
        text, width, initial_indent=first, subsequent_indent=next_lines, break_long_words=False
    )


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
        order=SETTINGS_ORDER if advice.changes else (),
        compared_heading=COMPARED_HEADING,
        compared=[(format_line(entry.line), entry) for entry in compared],
        notes=settings_notes(advice),
        rulebook=RULEBOOK,
    )


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
        "order": list(SETTINGS_ORDER),
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
