"""The settings to change as plain text, cautions first."""

from __future__ import annotations

import textwrap
from typing import Final

from pwmscope.advice.settings import ORDER, Action, Compared, SettingsAdvice
from pwmscope.bench import CAUTIONS, BenchSheet
from pwmscope.model import format_line
from pwmscope.report.cards.plan_text import BEFORE, WIDTH
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
    told = [BEFORE, *(_wrapped(caution, "  - ", "    ", width) for caution in CAUTIONS)]
    told += ["", _wrapped(settings_headline(advice, sheet), "", "", width)]
    for channel in advice.channels:
        told += ["", channel_title(channel.line, channel.role, channel.device)]
        for setting in channel.settings:
            lead = f"  {setting.action.value:<21}"
            told.append(_wrapped(setting.sentence, lead, " " * len(lead), width))
        lead = f"  {'warning':<21}"
        told += [_wrapped(warning, lead, " " * len(lead), width) for warning in channel.warnings]
    if advice.changes:
        told += ["", ORDER_HEADING]
        told += [_wrapped(step, f"  {n}. ", "     ", width) for n, step in enumerate(ORDER, 1)]
    if compared:
        told += ["", COMPARED_HEADING]
        told += [
            _wrapped(f"{format_line(c.line)}: {c.sentence}", "  - ", "    ", width)
            for c in compared
        ]
    told += [_wrapped(note, "\n", "", width) for note in settings_notes(advice)]
    return "\n".join([*told, "", _wrapped(RULEBOOK, "", "", width)]) + "\n"


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
            "For figures in percent say what one percent is worth, with --us-per-percent; or "
            "record at two settings and have it solved for, with --before and --solve."
        )
    shown = [s for channel in advice.channels for s in channel.settings if s.measured is not None]
    if shown:
        notes.append(
            "± is the expanded uncertainty, k = 2, about 95 % (JCGM 100). Endpoints are the "
            "outermost widths at which the stick was held."
        )
    return tuple(notes)


def is_to_do(action: Action) -> bool:
    """Whether a card marks an action for the hands."""
    return action in {Action.CHANGE, Action.DEVICE}


def _wrapped(text: str, first: str, next_lines: str, width: int) -> str:
    return textwrap.fill(
        text, width, initial_indent=first, subsequent_indent=next_lines, break_long_words=False
    )
