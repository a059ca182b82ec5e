"""`pwmscope report`: write what was found in one or many recordings as documents."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from dataclasses import replace as replaced
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol, TypeVar

import click

from pwmscope.cli.printing import quiet_option
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
    from pwmscope.model.letters import format_plainly  # noqa: PLC0415
    from pwmscope.report.folder import refuse_report  # noqa: PLC0415

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
    from pwmscope.output import refuse_to_overwrite  # noqa: PLC0415
    from pwmscope.report.folder import (  # noqa: PLC0415
        INDEX_NAME,
        folder_names,
        write_index,
    )

    examination.refuse_stated(len(recordings))
    refuse_to_overwrite(folder / INDEX_NAME, replace=replace)
    examination.check()
    names = folder_names(str(recording.path) for recording in recordings)
    jobs = [
        Job(recording, examination, folder / name, replace)
        for recording, name in zip(recordings, names, strict=True)
    ]
    entries = run_side_by_side(jobs, f"reporting on {len(jobs)} recordings")
    for entry in entries:
        click.echo(entry.trouble or f"{entry.source}: {entry.answer}", err=bool(entry.trouble))
    used = [entry for entry in entries if not entry.trouble]
    if used:
        index = write_index(entries, folder, replace=replace)
        click.echo(f"{len(used)} of {len(entries)} recordings have a report; {index} lists them.")
    return len(used) == len(entries)


MAX_WORKERS: Final = 4
"""An hour's recording takes up to a gibibyte of memory in each."""
_Done_co = TypeVar("_Done_co", covariant=True)


class Work(Protocol[_Done_co]):
    """Something to do in a process of its own."""

    def run(self) -> _Done_co:
        """Do it; what keeps it from being done is part of the result."""

    def lost(self) -> _Done_co:
        """Say that its process ended before it was done."""


@dataclass(frozen=True, slots=True)
class Job:
    """One recording to report on."""

    recording: Recording  # The recording's file, with the hints about it
    examination: Examination  # How it is to be examined
    folder: Path  # Where its report goes
    replace: bool  # Whether a report that is there may be replaced

    def run(self) -> Entry:
        """Report on it; say in one sentence what keeps it from being used."""
        from pwmscope.report.folder import Entry, entry_of, refuse_report  # noqa: PLC0415

        source = str(self.recording.path)
        try:
            refuse_report(self.folder, replace=self.replace)
            analysis = self.examination.analyse(self.recording)
            (written,) = analysis.report(self.folder, replace=self.replace)
        except PwmscopeError as error:
            return Entry(source, str(error), "", (), ())
        entry = entry_of(source, analysis.findings[0], written)
        return replaced(entry, answer=analysis.headline, verdicts=(analysis.verdict,))

    def lost(self) -> Entry:
        """Say that its process ended before it was done."""
        from pwmscope.report.folder import Entry  # noqa: PLC0415

        return Entry(str(self.recording.path), lost_sentence(self.recording.path), "", (), ())


def lost_sentence(path: Path) -> str:
    """Say that the process that measured a recording was lost."""
    return (
        f"{path}: its process ended before it was done, as it does where memory runs out. "
        "Take it alone."
    )


def run_side_by_side(jobs: Sequence[Work[_Done_co]], doing: str) -> list[_Done_co]:
    """Do several things side by side, showing how many are done."""
    from pwmscope.capture.reader.progress import report as tell  # noqa: PLC0415

    workers = max(1, min(len(jobs), os.cpu_count() or 1, MAX_WORKERS))
    done: dict[int, _Done_co] = {}
    with (
        progress_bar(doing),
        ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"), _be_quiet) as pool,
    ):
        futures = {pool.submit(_run_interruptible, job): nth for nth, job in enumerate(jobs)}
        try:
            for future in as_completed(futures):
                nth = futures[future]
                try:
                    done[nth] = future.result()
                except BrokenProcessPool:
                    done[nth] = jobs[nth].lost()
                tell(len(done), len(jobs), "recordings")
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return [done[nth] for nth in range(len(jobs))]


def _be_quiet() -> None:
    """Leave the terminal to the process that started this one, and wait for it when idle."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    sys.stderr = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115


def _run_interruptible(job: Work[_Done_co]) -> _Done_co:
    signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with naming(OPTION_OF):
            return job.run()
    finally:
        signal.signal(signal.SIGINT, signal.SIG_IGN)
