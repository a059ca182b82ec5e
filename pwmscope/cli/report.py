"""`pwmscope report`: write what was found in one or many recordings as documents."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol, TypeVar

import click

from pwmscope.cli.printing import explain_option, quiet_option
from pwmscope.cli.reading import (
    OPTION_OF,
    Examination,
    Recording,
    examining_options,
    progress_bar,
    readings_options,
)
from pwmscope.errors import PwmscopeError, naming

if TYPE_CHECKING:
    from pwmscope.report.folder import Entry

BAD_INPUT: Final = 2
_Result_co = TypeVar("_Result_co", covariant=True)


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
@quiet_option
@click.option("--replace", is_flag=True, help="Replace a report that is there.")
@click.pass_context
def report(
    ctx: click.Context,
    recordings: tuple[Recording, ...],
    examination: Examination,
    folder: Path,
    *,
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
        _one(recordings[0], examination, folder, quiet=quiet, replace=replace)
    elif not _many(recordings, examination, folder, replace=replace):
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
    recordings: tuple[Recording, ...], examination: Examination, folder: Path, *, replace: bool
) -> bool:
    """Report on several recordings; say whether all of them could be used."""
    from pwmscope.output import refuse_to_overwrite
    from pwmscope.report.folder import INDEX_NAME, Entry, folder_names, write_index

    examination.refuse_stated(len(recordings))
    refuse_to_overwrite(folder / INDEX_NAME, replace=replace)
    examination.check()
    names = folder_names(str(recording.path) for recording in recordings)
    jobs = [
        Job(recording, examination, folder / name, replace)
        for recording, name in zip(recordings, names, strict=True)
    ]
    done = run_side_by_side(jobs, f"reporting on {len(jobs)} recordings")
    entries = [entry or Entry(name, trouble, "", (), ()) for name, entry, trouble in done]
    for entry in entries:
        click.echo(entry.trouble or f"{entry.source}: {entry.answer}", err=bool(entry.trouble))
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


class Work(Protocol[_Result_co]):
    """Something to do in a process of its own."""

    @property
    def name(self) -> str:
        """What it is about."""

    def run(self) -> _Result_co:
        """Do it."""


def run_side_by_side(
    jobs: Sequence[Work[_Result_co]], doing: str
) -> list[tuple[str, _Result_co | None, str]]:
    """Do several things side by side; give what each is about, what came of it, or its trouble."""
    from pwmscope.analysis import carry_out
    from pwmscope.capture.reader.progress import report as tell

    with progress_bar(doing):
        done = []
        for outcome in carry_out(_run, jobs, progress=tell, name_of=lambda job, _nth: job.name):
            if outcome.error is not None and not isinstance(outcome.error, PwmscopeError):
                raise outcome.error
            result, trouble = outcome.result or (None, str(outcome.error))
            done.append((outcome.source, result, trouble))
    return done


def _run(job: Work[_Result_co]) -> tuple[_Result_co | None, str]:
    sys.stderr = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - one bar only
    with naming(OPTION_OF):
        try:
            return job.run(), ""
        except PwmscopeError as error:
            return None, str(error)
