"""The reports of an analysis as files in a folder."""

from __future__ import annotations

from pathlib import Path

from pwmscope.advice.settings import Action as SettingAction
from pwmscope.advice.settings import SettingsAdvice
from pwmscope.analysis.sources import Recording
from pwmscope.findings import Findings
from pwmscope.findings.failsafe import Failsafe
from pwmscope.report import (
    Written,
    file_hash,
    folder_names,
    refuse_report,
    timeline_fragment,
    write_report,
)


def write_documents(
    recordings: tuple[Recording, ...],
    findings: tuple[Findings, ...],
    check: Failsafe | None,
    settings: SettingsAdvice | None,
    folder: Path,
    *,
    replace: bool,
) -> tuple[Written, ...]:
    """Write the report of each recording, as `Analysis.report`."""
    folders = [folder]
    if len(recordings) > 1:
        folders = [folder / name for name in folder_names(r.capture.source for r in recordings)]
    for own in folders:
        refuse_report(own, replace=replace)
    advice = setting_sentences(settings)
    return tuple(
        write_report(
            found,
            own,
            check=check,
            sha256="" if recording.file is None else file_hash(recording.file),
            advice=advice,
            timeline=timeline_fragment(found),
            replace=replace,
        )
        for recording, found, own in zip(recordings, findings, folders, strict=True)
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
