"""`pwmscope report`: write what was found in one or many recordings as documents."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pwmscope.cli.examining import Examination, examining_options
from pwmscope.cli.progress_bar import progress_bar
from pwmscope.cli.reading import Recording, readings_options
from pwmscope.cli.screen import screen
from pwmscope.errors import HintError

if TYPE_CHECKING:
    from pwmscope.bench import BenchSheet
    from pwmscope.findings import Findings
    from pwmscope.report.folder import Written

BAD_INPUT = 2


@click.command(short_help="Write page, PDF, Markdown and JSON about each CAPTURE to a folder.")
@readings_options
@examining_options
@click.option(
    "-o",
    "--output",
    "folder",
    type=click.Path(path_type=Path),
    required=True,
    metavar="DIR",
    help="Folder for the files; made if it is not there.",
)
@click.option("--replace", is_flag=True, help="Replace a report that is there.")
@click.pass_context
def report(
    ctx: click.Context,
    recordings: tuple[Recording, ...],
    examination: Examination,
    folder: Path,
    *,
    replace: bool,
) -> None:
    """Write everything found in CAPTURE to DIR: report.html, report.pdf, report.md, findings.json.

    The page opens without a network; all four tell the same numbers. With the bench sheet they
    name the devices and hold the failsafe check, which failsafe.json holds as data.

    Each of several CAPTUREs gets a folder of its own in DIR, and DIR/index.html lists them. One
    that cannot be used is told and does not stop the others; the exit code is then 2.
    """
    if len(recordings) == 1:
        _one(recordings[0], examination, folder, replace=replace)
    elif not _many(recordings, examination, folder, replace=replace):
        ctx.exit(BAD_INPUT)


def _one(recording: Recording, examination: Examination, folder: Path, *, replace: bool) -> None:
    from pwmscope.report.folder import refuse_report  # noqa: PLC0415
    from pwmscope.report.terminal import print_findings  # noqa: PLC0415

    refuse_report(folder, replace=replace)
    findings, written = documented(recording, examination, folder, replace=replace)
    print_findings(findings, screen())
    others = [written.markdown, written.data, *filter(None, [written.check])]
    click.echo(
        f"\nThe page is {written.page}, for paper {written.pdf}; the same findings are in "
        f"{', '.join(map(str, others))}."
    )


def documented(
    recording: Recording, examination: Examination, folder: Path, *, replace: bool
) -> tuple[Findings, Written]:
    """Measure one recording and write its report.

    Parameters
    ----------
    recording : Recording
        The recording's file, with the hints about it.
    examination : Examination
        How it is to be examined.
    folder : Path
        Where the files go.
    replace : bool
        Whether a report that is there may be replaced.

    Returns
    -------
    Findings
        What was found.
    Written
        Where it is written.

    Raises
    ------
    PwmscopeError
        If the recording or the sheet cannot be used, or the report cannot be written.
    """
    from pwmscope.report.folder import write_report  # noqa: PLC0415
    from pwmscope.report.register import file_hash  # noqa: PLC0415
    from pwmscope.report.timeline import timeline_fragment  # noqa: PLC0415

    findings = examination.of(recording.load())
    sheet = examination.sheet()
    check = None
    advice: tuple[str, ...] = ()
    if sheet is not None:
        advice = _settings(findings, sheet)
        from pwmscope.findings.failsafe.check import check_failsafe  # noqa: PLC0415

        check = check_failsafe([findings.listened], sheet, sheet.limits)
    with progress_bar("drawing"):
        written = write_report(
            findings,
            folder,
            check=check,
            sha256=file_hash(recording.path),
            advice=advice,
            timeline=timeline_fragment(findings),
            replace=replace,
        )
    return findings, written


def _settings(findings: Findings, sheet: BenchSheet) -> tuple[str, ...]:
    """Say which settings of the transmitter to change, as `pwmscope calibrate` does."""
    from pwmscope.advice.settings import advise_settings  # noqa: PLC0415
    from pwmscope.advice.settings.setting import Action  # noqa: PLC0415
    from pwmscope.cli.calibrate import MOST_PERCENT  # noqa: PLC0415
    from pwmscope.cli.percent_options import parse_transmitters  # noqa: PLC0415

    if not any(channel.line in findings.channels for channel in sheet.devices):
        return ()
    transmitters = parse_transmitters((), (), MOST_PERCENT, sheet=sheet, now=findings, before=None)
    told = advise_settings(findings, sheet, transmitters=transmitters)
    wanted = {Action.CHANGE, Action.DEVICE}
    return tuple(
        f"{channel.line}: {sentence}"
        for channel in told.channels
        for sentence in (
            *(s.sentence for s in channel.settings if s.action in wanted),
            *channel.warnings,
        )
    )


def _many(
    recordings: tuple[Recording, ...], examination: Examination, folder: Path, *, replace: bool
) -> bool:
    """Report on several recordings; say whether all of them could be used."""
    from pwmscope.cli.batch import Job, run_jobs  # noqa: PLC0415
    from pwmscope.output import refuse_to_overwrite  # noqa: PLC0415
    from pwmscope.report.folder import INDEX_NAME, folder_names  # noqa: PLC0415
    from pwmscope.report.index import write_index  # noqa: PLC0415

    if examination.off_at:
        raise HintError(
            f"--off-at states times of one recording, and {len(recordings)} are given; report on "
            "them one by one, or put the transmitter's switch on a marker line."
        )
    refuse_to_overwrite(folder / INDEX_NAME, replace=replace)
    examination.sheet()
    examination.convention()
    names = folder_names(str(recording.path) for recording in recordings)
    jobs = [
        Job(recording, examination, folder / name, replace)
        for recording, name in zip(recordings, names, strict=True)
    ]
    entries = run_jobs(jobs)
    for entry in entries:
        click.echo(entry.trouble or f"{entry.source}: {entry.answer}", err=bool(entry.trouble))
    used = [entry for entry in entries if not entry.trouble]
    if used:
        index = write_index(entries, folder, replace=replace)
        click.echo(f"\n{len(used)} of {len(entries)} recordings have a report; {index} lists them.")
    return len(used) == len(entries)
