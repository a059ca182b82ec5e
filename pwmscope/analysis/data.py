"""An analysis as data: the versioned JSON contract (docs/analysis.schema.json)."""

from __future__ import annotations

from typing import Any, Final

from pwmscope.advice.settings import SettingsAdvice
from pwmscope.analysis.answer import Action, Answer, Card, Evidence, Hazard
from pwmscope.bench import CAUTIONS
from pwmscope.findings import Findings
from pwmscope.report import failsafe_data, finding_data, to_data
from pwmscope.report.cards import setting_data

SCHEMA: Final = 1


def analysis_data(
    answer: Answer, evidence: Evidence, recordings: tuple[Findings, ...]
) -> dict[str, Any]:
    """Turn an analysis into plain data, following schema 1."""
    sheet = evidence.sheet
    return {
        "schema": SCHEMA,
        "headline": answer.headline,
        "verdict": answer.verdict.value,
        "sheet": None if sheet is None else {"source": sheet.source, "robot": sheet.robot},
        "hazards": [_hazard(hazard) for hazard in answer.hazards],
        "cards": [_card(card) for card in answer.cards],
        "actions": [_action(action) for action in answer.actions],
        "left_out": list(answer.left_out),
        "cautions": list(CAUTIONS),
        "recordings": [to_data(findings) for findings in recordings],
        "failsafe": failsafe_data(evidence.failsafe),
        "mixing": _mixing(evidence),
        "settings": _settings(evidence.settings),
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


def _mixing(evidence: Evidence) -> dict[str, Any] | None:
    mixing = evidence.mixing
    if mixing is None:
        return None
    return {
        "verdict": mixing.verdict.value,
        "arrangement": mixing.arrangement.name,
        "findings": [finding_data(finding) for finding in mixing.findings],
        "changes": [
            [change.words for change in way.by_effort] for way in evidence.ways if way.needed
        ],
    }


def _settings(advice: SettingsAdvice | None) -> list[dict[str, Any]]:
    return [
        {"line": channel.line, **setting_data(setting)}
        for channel in (() if advice is None else advice.channels)
        for setting in channel.settings
    ]
