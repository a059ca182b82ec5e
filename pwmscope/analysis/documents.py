"""The reports of an analysis as files in a folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pwmscope.advice.settings import Action as SettingAction
from pwmscope.report.folder import Written, folder_names, refuse_report, write_report
from pwmscope.report.register import file_hash
from pwmscope.report.timeline import timeline_fragment

if TYPE_CHECKING:
    from pwmscope.analysis.analysis import Analysis


def write_documents(analysis: Analysis, folder: Path, *, replace: bool) -> tuple[Written, ...]:
    """Write the report of each recording, as `Analysis.report`.

    Parameters
    ----------
    analysis : Analysis
        What was found.
    folder : Path
        Where the files go.
    replace : bool
        Whether files that are there may be replaced.

    Returns
    -------
    tuple of Written
    """
    folders = [folder]
    if len(analysis.recordings) > 1:
        sources = (one.capture.source for one in analysis.recordings)
        folders = [folder / name for name in folder_names(sources)]
    for own in folders:
        refuse_report(own, replace=replace)
    check = None if analysis.sheet is None else analysis.failsafe
    advice = setting_sentences(analysis)
    return tuple(
        write_report(
            findings,
            own,
            check=check,
            sha256="" if recording.file is None else file_hash(recording.file),
            advice=advice,
            timeline=timeline_fragment(findings),
            replace=replace,
        )
        for recording, findings, own in zip(
            analysis.recordings, analysis.findings, folders, strict=True
        )
    )


def setting_sentences(analysis: Analysis) -> tuple[str, ...]:
    """Say which settings of the transmitter to change, and what may go wrong until then."""
    wanted = {SettingAction.CHANGE, SettingAction.DEVICE}
    return tuple(
        f"{channel.line}: {sentence}"
        for channel in (() if analysis.settings is None else analysis.settings.channels)
        for sentence in (
            *(s.sentence for s in channel.settings if s.action in wanted),
            *channel.warnings,
        )
    )
