"""An analysis as data (docs/analysis.schema.json), and its reports as files in a folder."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from pwmscope.advice import SettingAction, SettingsAdvice
from pwmscope.bench import CAUTIONS
from pwmscope.findings import Findings
from pwmscope.report import (
    Action,
    Answer,
    Answered,
    Card,
    Evidence,
    Written,
    failsafe_data,
    finding_data,
    folder_names,
    hazard_data,
    refuse_report,
    timeline_fragment,
    to_data,
    wiring_data,
    write_report,
)
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
        "hazards": [hazard_data(hazard) for hazard in answer.hazards],
        "cards": [_card(card) for card in answer.cards],
        "actions": [_action(action) for action in answer.actions],
        "more_actions": answer.more_actions,
        "left_out": list(answer.left_out),
        "cautions": list(CAUTIONS if sheet is None else sheet.cautions),
        "recordings": [to_data(findings) for findings in recordings],
        "failsafe": failsafe_data(evidence.failsafe),
        "mixing": _mixing(evidence),
        "settings": _settings(evidence.settings),
        "wiring": None if evidence.wiring is None else wiring_data(evidence.wiring),
    }


def _card(card: Card) -> dict[str, Any]:
    return {
        "line": card.line,
        "role": card.role,
        "device": card.device,
        "verdict": card.verdict.value,
        "figure": card.figure,
        "action": card.action,
        "link": card.link,
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


def write_documents(
    analysis: Answered, settings: SettingsAdvice | None, folder: Path, *, replace: bool
) -> tuple[Written, ...]:
    """Write the report of each recording, as `Analysis.report`."""
    folders = [folder]
    if len(analysis.recordings) > 1:
        names = folder_names(recording.capture.source for recording in analysis.recordings)
        folders = [folder / name for name in names]
    for own in folders:
        refuse_report(own, replace=replace)
    advice = setting_sentences(settings)
    return tuple(
        write_report(
            analysis,
            own,
            number=number,
            advice=advice,
            timeline=timeline_fragment(analysis.findings[number]),
            replace=replace,
        )
        for number, own in enumerate(folders)
    )


def setting_sentences(settings: SettingsAdvice | None) -> tuple[str, ...]:
    """Say which settings of the transmitter to change, and what may go wrong until then."""
    wanted = {SettingAction.CHANGE, SettingAction.DEVICE}
    return tuple(
        f"{channel.line}: {sentence}"
        for channel in (() if settings is None else settings.channels)
        for sentence in (
            *(s.sentence for s in channel.settings if s.action in wanted),
            *channel.warnings,
        )
    )
