"""`pwmscope report`: write what was found in one or many recordings as documents."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from pwmscope.cli.examining import Examination, examining_options
from pwmscope.cli.reading import OPTION_OF, Recording, progress_bar, readings_options, screen
from pwmscope.errors import HintError, PwmscopeError, naming

if TYPE_CHECKING:
    from pwmscope.report.folder import Entry

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
    from pwmscope.output import refuse_to_overwrite  # noqa: PLC0415
    from pwmscope.report.folder import (  # noqa: PLC0415
        INDEX_NAME,
        folder_names,
        write_index,
    )

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


MAX_WORKERS: Final = 4
"""An hour's recording takes up to a gibibyte of memory in each."""


@dataclass(frozen=True, slots=True)
class Job:
    """One recording to report on."""

    recording: Recording  # The recording's file, with the hints about it
    examination: Examination  # How it is to be examined
    folder: Path  # Where its report goes
    replace: bool  # Whether a report that is there may be replaced


def run_jobs(jobs: list[Job]) -> list[Entry]:
    """Report on several recordings side by side, showing how many are done."""
    from pwmscope.capture.reader.progress import report as tell  # noqa: PLC0415

    workers = min(len(jobs), os.cpu_count() or 1, MAX_WORKERS)
    done: dict[int, Entry] = {}
    with (
        progress_bar(f"reporting on {len(jobs)} recordings"),
        ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"), _be_quiet) as pool,
    ):
        futures = {pool.submit(_run_interruptible, job): nth for nth, job in enumerate(jobs)}
        try:
            for future in as_completed(futures):
                nth = futures[future]
                try:
                    done[nth] = future.result()
                except BrokenProcessPool:
                    done[nth] = _lost(jobs[nth])
                tell(len(done), len(jobs), "recordings")
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return [done[nth] for nth in range(len(jobs))]


def _be_quiet() -> None:
    """Leave the terminal to the process that started this one, and wait for it when idle."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    sys.stderr = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115


def _run_interruptible(job: Job) -> Entry:
    signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with naming(OPTION_OF):
            return run_job(job)
    finally:
        signal.signal(signal.SIGINT, signal.SIG_IGN)


def run_job(job: Job) -> Entry:
    """Report on one recording; say in one sentence what keeps it from being used."""
    from pwmscope.report.folder import (  # noqa: PLC0415
        Entry,
        entry_of,
        refuse_report,
    )

    source = str(job.recording.path)
    try:
        refuse_report(job.folder, replace=job.replace)
        analysis = job.examination.analyse(job.recording)
        (written,) = analysis.report(job.folder, replace=job.replace)
    except PwmscopeError as error:
        return Entry(source, str(error), "", (), ())
    return entry_of(source, analysis.findings[0], written)


def _lost(job: Job) -> Entry:
    from pwmscope.report.folder import Entry  # noqa: PLC0415

    source = str(job.recording.path)
    trouble = (
        f"{source}: the process that measured it ended before it was done, as it does where "
        "memory runs out; report on it alone."
    )
    return Entry(source, trouble, "", (), ())
