"""An analysis as data: the versioned JSON contract (docs/analysis.schema.json)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from pwmscope.report.cards.settings_data import setting_data
from pwmscope.report.data import finding_data, to_data
from pwmscope.report.failsafe_data import failsafe_data

if TYPE_CHECKING:
    from pwmscope.advice.settings import SettingsAdvice
    from pwmscope.analysis.analysis import Analysis
    from pwmscope.analysis.answer import Action, Card, Hazard

SCHEMA: Final = 1


def analysis_data(analysis: Analysis) -> dict[str, Any]:
    """Turn an analysis into plain data, following schema 1.

    Parameters
    ----------
    analysis : Analysis
        What was found.

    Returns
    -------
    dict
        Only dicts, lists, strings, finite numbers, booleans and None.
    """
    sheet = analysis.sheet
    return {
        "schema": SCHEMA,
        "headline": analysis.headline,
        "verdict": analysis.verdict.value,
        "sheet": None if sheet is None else {"source": sheet.source, "robot": sheet.robot},
        "hazards": [_hazard(hazard) for hazard in analysis.hazards],
        "cards": [_card(card) for card in analysis.cards],
        "actions": [_action(action) for action in analysis.actions],
        "left_out": list(analysis.answer.left_out),
        "cautions": list(analysis.cautions),
        "recordings": [to_data(findings) for findings in analysis.findings],
        "failsafe": failsafe_data(analysis.failsafe),
        "mixing": _mixing(analysis),
        "settings": _settings(analysis.settings),
    }


def _hazard(hazard: Hazard) -> dict[str, Any]:
    return {"lines": list(hazard.lines), "sentence": hazard.sentence}


def _card(card: Card) -> dict[str, Any]:
    return {
        "line": card.line,
        "role": card.role,
        "device": card.device,
        "verdict": card.verdict.value,
        "figure": card.figure,
        "action": card.action,
    }


def _action(action: Action) -> dict[str, Any]:
    return {
        "doing": action.doing,
        "lines": list(action.lines),
        "sentence": action.sentence,
        "value": action.value,
        "unit": action.unit,
    }


def _mixing(analysis: Analysis) -> dict[str, Any] | None:
    mixing = analysis.mixing
    if mixing is None:
        return None
    return {
        "verdict": mixing.verdict.value,
        "arrangement": mixing.arrangement.name,
        "findings": [finding_data(finding) for finding in mixing.findings],
        "changes": [
            [change.words for change in way.by_effort]
            for way in analysis.mixing_advice
            if way.needed
        ],
    }


def _settings(advice: SettingsAdvice | None) -> list[dict[str, Any]]:
    return [
        {"line": channel.line, **setting_data(setting)}
        for channel in (() if advice is None else advice.channels)
        for setting in channel.settings
    ]
