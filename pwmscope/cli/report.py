"""`pwmscope report`: write what was found in one or many recordings as documents."""

from __future__ import annotations

from pathlib import Path

import click

from pwmscope.cli.examining import Examination, examining_options
from pwmscope.cli.progress_bar import progress_bar
from pwmscope.cli.reading import Recording, readings_options
from pwmscope.cli.screen import screen
from pwmscope.errors import HintError

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
    analysis = examination.analyse(recording)
    with progress_bar("drawing"):
        (written,) = analysis.report(folder, replace=replace)
    print_findings(analysis.findings[0], screen())
    others = [written.markdown, written.data, *filter(None, [written.check])]
    click.echo(
        f"\nThe page is {written.page}, for paper {written.pdf}; the same findings are in "
        f"{', '.join(map(str, others))}."
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
