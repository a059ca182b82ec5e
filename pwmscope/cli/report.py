"""`pwmscope report`: write what was found in one or many recordings as documents."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from pwmscope.cli.many import cluster_option, refuse_cluster, run_side_by_side
from pwmscope.cli.printing import explain_option, quiet_option
from pwmscope.cli.reading import (
    Examination,
    Recording,
    examining_options,
    progress_bar,
    readings_options,
)

if TYPE_CHECKING:
    from pwmscope.report.folder import Entry

BAD_INPUT: Final = 2


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
@explain_option
@cluster_option
@quiet_option
@click.option("--replace", is_flag=True, help="Replace a report that is there.")
@click.pass_context
def report(
    ctx: click.Context,
    recordings: tuple[Recording, ...],
    examination: Examination,
    folder: Path,
    *,
    address: str | None,
    quiet: bool,
    replace: bool,
) -> None:
    """Write everything found in CAPTURE to DIR: report.html, report.pdf, report.md, findings.json.

    The page opens without a network; all four tell the same numbers. With the bench sheet they
    name the devices and hold the failsafe check, which failsafe.json holds as data.

    Each of several CAPTUREs gets a folder of its own in DIR, and DIR/index.html lists them. One
    that cannot be used is named and does not stop the others; the exit code is then 2.
    """
    if len(recordings) == 1:
        refuse_cluster(address, "several recordings")
        _one(recordings[0], examination, folder, quiet=quiet, replace=replace)
    elif not _many(recordings, examination, folder, address, replace=replace):
        ctx.exit(BAD_INPUT)


def _one(
    recording: Recording, examination: Examination, folder: Path, *, quiet: bool, replace: bool
) -> None:
    from pwmscope.model import format_plainly
    from pwmscope.report.folder import refuse_report

    refuse_report(folder, replace=replace)
    analysis = examination.analyse(recording)
    with progress_bar("drawing"):
        (written,) = analysis.report(folder, replace=replace)
    click.echo(analysis.headline)
    if quiet:
        return
    for hazard in analysis.hazards[:1]:
        more = len(analysis.hazards) - 1
        also = f" The page has {more} more." if more else ""
        click.echo(format_plainly(str(hazard)) + also)
    files = (written.page, written.pdf, written.markdown, written.data, written.check)
    names = ", ".join(file.name for file in files if file is not None)
    click.echo(f"The report is in {folder}: {names}.")


def _many(
    recordings: tuple[Recording, ...],
    examination: Examination,
    folder: Path,
    address: str | None,
    *,
    replace: bool,
) -> bool:
    """Report on several recordings; say whether all of them could be used."""
    from pwmscope.output import refuse_to_overwrite
    from pwmscope.report.folder import INDEX_NAME, folder_names, unused_entry, write_index

    examination.refuse_stated(len(recordings))
    refuse_to_overwrite(folder / INDEX_NAME, replace=replace)
    robot = examination.check()
    names = folder_names(str(recording.path) for recording in recordings)
    jobs = [
        Job(recording, examination, folder / name, replace)
        for recording, name in zip(recordings, names, strict=True)
    ]
    done = run_side_by_side(jobs, f"reporting on {len(jobs)} recordings", address)
    entries = [entry or unused_entry(name, trouble, robot) for name, entry, trouble in done]
    for entry in entries:
        said = entry.trouble or f"{entry.source}: {entry.answer.headline}"
        click.echo(said, err=bool(entry.trouble))
    used = [entry for entry in entries if not entry.trouble]
    if used:
        index = write_index(entries, folder, replace=replace)
        click.echo(f"{len(used)} of {len(entries)} recordings have a report; {index} lists them.")
    return len(used) == len(entries)


@dataclass(frozen=True, slots=True)
class Job:
    """One recording to report on."""

    recording: Recording  # The recording's file, with the hints about it
    examination: Examination  # How it is to be examined
    folder: Path  # Where its report goes
    replace: bool  # Whether a report that is there may be replaced

    @property
    def name(self) -> str:
        """The recording, as a person named it."""
        return str(self.recording.path)

    def run(self) -> Entry:
        """Report on it."""
        from pwmscope.report.folder import entry_of, refuse_report

        refuse_report(self.folder, replace=self.replace)
        analysis = self.examination.analyse(self.recording)
        (written,) = analysis.report(self.folder, replace=self.replace)
        return entry_of(self.name, analysis, written)
