"""What an analysis becomes: data (docs/analysis.schema.json), tidy tables, reports in a folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeAlias

from pwmscope.bench import CAUTIONS, BenchSheet
from pwmscope.findings import Finding, Findings, LossEvent
from pwmscope.model import COVERAGE
from pwmscope.report import (
    Answer,
    Answered,
    Evidence,
    failsafe_data,
    finding_data,
    hazard_data,
    picked,
    to_data,
)

if TYPE_CHECKING:
    import pandas as pd
    import polars as pl

    from pwmscope.advice import SettingsAdvice
    from pwmscope.report import Written

SCHEMA: Final = 1
_ACTION: Final = "doing lines sentence value unit"


def analysis_data(
    answer: Answer, evidence: Evidence, recordings: tuple[Findings, ...]
) -> dict[str, Any]:
    """Turn an analysis into plain data, following schema 1."""
    from pwmscope.report import setting_data, wiring_data  # noqa: PLC0415 - slow to import

    sheet, advice = evidence.sheet, evidence.settings
    return {
        "schema": SCHEMA,
        "headline": answer.headline,
        "verdict": answer.verdict.value,
        "sheet": None if sheet is None else {"source": sheet.source, "robot": sheet.robot},
        "hazards": [hazard_data(hazard) for hazard in answer.hazards],
        "cards": [
            picked(card, "line role device verdict figure action link") for card in answer.cards
        ],
        "actions": [picked(action, _ACTION) for action in answer.actions],
        "more_actions": answer.more_actions,
        "further_actions": [picked(action, _ACTION) for action in answer.further],
        "left_out": list(answer.left_out),
        "cautions": list(CAUTIONS if sheet is None else sheet.cautions),
        "recordings": [to_data(findings) for findings in recordings],
        "failsafe": failsafe_data(evidence.failsafe),
        "mixing": _mixing(evidence),
        "settings": [
            {"line": channel.line, **setting_data(setting)}
            for channel in (() if advice is None else advice.channels)
            for setting in channel.settings
        ],
        "wiring": None if evidence.wiring is None else wiring_data(evidence.wiring),
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


def write_documents(
    analysis: Answered, settings: SettingsAdvice | None, folder: Path, *, replace: bool
) -> tuple[Written, ...]:
    """Write the report of each recording, as `Analysis.report`."""
    from pwmscope.report import folder_names, refuse_report, timeline_fragment, write_report  # noqa: PLC0415 - it draws

    folders = [folder]
    if len(analysis.recordings) > 1:
        names = folder_names(recording.capture.source for recording in analysis.recordings)
        folders = [folder / name for name in names]
    for own in folders:
        refuse_report(own, replace=replace)
    advice, written = setting_sentences(settings), []
    for number, own in enumerate(folders):
        drawn = timeline_fragment(analysis.findings[number])
        written.append(
            write_report(
                analysis, own, number=number, advice=advice, timeline=drawn, replace=replace
            )
        )
    return tuple(written)


def setting_sentences(settings: SettingsAdvice | None) -> tuple[str, ...]:
    """Say which settings of the transmitter to change, and what may go wrong until then."""
    from pwmscope.advice import SettingAction  # noqa: PLC0415 - slow to import

    wanted = {SettingAction.CHANGE, SettingAction.DEVICE}
    return tuple(
        f"{channel.line}: {sentence}"
        for channel in (() if settings is None else settings.channels)
        for sentence in (
            *(s.sentence for s in channel.settings if s.action in wanted),
            *channel.warnings,
        )
    )


Row: TypeAlias = dict[str, Any]

FINDING_COLUMNS: Final = {
    "source": "text", "line": "text", "role": "text", "device": "text", "finding": "text",
    "value": "number", "text": "text", "unit": "text", "uncertainty": "number", "low": "number",
    "high": "number", "limit": "text", "verdict": "text", "sentence": "text",
}  # fmt: skip
"""Columns of the table of findings. ``value`` holds numbers, ``text`` answers in words; ``low``
and ``high`` are the ends of the 95 % interval."""
LOSS_COLUMNS: Final = {
    "source": "text", "line": "text", "role": "text", "device": "text", "lost_s": "number",
    "class": "text", "verdict": "text", "stop_least_s": "number", "stop_most_s": "number",
    "settle_s": "number", "settled_us": "number", "recovered_s": "number", "relink_s": "number",
    "marked": "truth", "restart": "truth", "reason": "text",
}  # fmt: skip
"""Columns of the table of losses; ``_s`` are seconds, ``_us`` microseconds."""


def finding_rows(recordings: tuple[Findings, ...], sheet: BenchSheet | None) -> list[Row]:
    """List every finding of every line; those about the lines together have no line."""
    rows = []
    for findings in recordings:
        source = findings.capture.source
        together = _about(source, "", None)
        rows += [{**together, **_finding(finding)} for finding in findings.recording_findings]
        own = [(line, channel.findings) for line, channel in findings.channels.items()]
        own += [(line, sensor.findings) for line, sensor in findings.sensors.items()]
        for line, found in own:
            about = _about(source, line, sheet)
            rows += [{**about, **_finding(finding)} for finding in found]
    return rows


def loss_rows(recordings: tuple[Findings, ...], sheet: BenchSheet | None) -> list[Row]:
    """List every loss of every line."""
    return [
        {**_about(findings.capture.source, line, sheet), **_loss(event)}
        for findings in recordings
        for line, channel in findings.channels.items()
        for event in (() if channel.losses is None else channel.losses.events)
    ]


def _about(source: str, line: str, sheet: BenchSheet | None) -> Row:
    channel = None if sheet is None else sheet.channels.get(line)
    role, device = ("", "") if channel is None else (channel.role, channel.device)
    return {"source": source, "line": line, "role": role, "device": device}


def _finding(finding: Finding) -> Row:
    is_text = isinstance(finding.value, str)
    low, high = interval_of(finding)
    return {
        "finding": finding.name,
        "value": None if is_text else finding.value,
        "text": finding.value if is_text else None,
        "unit": finding.unit,
        "uncertainty": finding.uncertainty,
        "low": low,
        "high": high,
        "limit": finding.limit,
        "verdict": None if finding.verdict is None else finding.verdict.value,
        "sentence": finding.sentence,
    }


def interval_of(finding: Finding) -> tuple[float | None, float | None]:
    """Return the ends of a finding's 95 % interval; None where none is stated."""
    if finding.interval is not None:
        return finding.interval
    if isinstance(finding.value, str) or finding.value is None or finding.uncertainty is None:
        return None, None
    half = COVERAGE * finding.uncertainty
    return finding.value - half, finding.value + half


def _loss(event: LossEvent) -> Row:
    least_s, most_s = event.stop_bounds_s or (None, None)
    return {
        "lost_s": event.lost_s,
        "class": None if event.behaviour is None else event.behaviour.value,
        "verdict": None if event.verdict is None else event.verdict.value,
        "stop_least_s": least_s,
        "stop_most_s": most_s,
        "settle_s": event.settle_s,
        "settled_us": event.preset_us,
        "recovered_s": event.recovered_s,
        "relink_s": event.recovery.relink_s,
        "marked": event.is_marked,
        "restart": event.is_restart,
        "reason": event.reason,
    }


def as_polars(rows: list[Row], columns: dict[str, str]) -> pl.DataFrame:
    """Make a polars frame of rows, with the same columns for any rows."""
    import polars as pl  # noqa: PLC0415 - slow to import

    kinds = {"text": pl.String, "number": pl.Float64, "truth": pl.Boolean}
    schema = {name: kinds[kind] for name, kind in columns.items()}
    return pl.DataFrame(rows, schema=schema, orient="row")


def as_pandas(rows: list[Row], columns: dict[str, str]) -> pd.DataFrame:
    """Make a pandas frame of rows, with the same columns for any rows."""
    import pandas as pd  # noqa: PLC0415 - slow to import

    kinds = {"text": "object", "number": "float64", "truth": "bool"}
    frame = pd.DataFrame(rows, columns=list(columns))
    return frame.astype({name: kinds[kind] for name, kind in columns.items()})
