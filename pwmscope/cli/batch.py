"""Many recordings at once, each in a process of its own, as many as there are processors."""

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

from pwmscope.cli.examining import Examination
from pwmscope.cli.progress_bar import progress_bar
from pwmscope.cli.reading import Recording
from pwmscope.errors import PwmscopeError

if TYPE_CHECKING:
    from pwmscope.report.index import Entry

MOST_WORKERS: Final = 4
"""An hour's recording takes up to a gibibyte of memory in each."""


@dataclass(frozen=True, slots=True)
class Job:
    """One recording to report on.

    Parameters
    ----------
    recording : Recording
        The recording's file, with the hints about it.
    examination : Examination
        How it is to be examined.
    folder : Path
        Where its report goes.
    replace : bool
        Whether a report that is there may be replaced.
    """

    recording: Recording
    examination: Examination
    folder: Path
    replace: bool


def run_jobs(jobs: list[Job]) -> list[Entry]:
    """Report on several recordings side by side, showing how many are done.

    Parameters
    ----------
    jobs : list of Job
        At least one.

    Returns
    -------
    list of Entry
        One for each, in the same order; one that could not be used says why.
    """
    from pwmscope.capture.reader.progress import report as tell  # noqa: PLC0415

    workers = min(len(jobs), os.cpu_count() or 1, MOST_WORKERS)
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
    sys.stderr = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - for good


def _run_interruptible(job: Job) -> Entry:
    signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        return run_job(job)
    finally:
        signal.signal(signal.SIGINT, signal.SIG_IGN)


def run_job(job: Job) -> Entry:
    """Report on one recording; say in one sentence what keeps it from being used."""
    from pwmscope.report.folder import refuse_report  # noqa: PLC0415
    from pwmscope.report.index import Entry, entry_of  # noqa: PLC0415

    source = str(job.recording.path)
    try:
        refuse_report(job.folder, replace=job.replace)
        analysis = job.examination.analyse(job.recording)
        (written,) = analysis.report(job.folder, replace=job.replace)
    except PwmscopeError as error:
        return Entry(source, str(error), "", (), ())
    return entry_of(source, analysis.findings[0], written)


def _lost(job: Job) -> Entry:
    from pwmscope.report.index import Entry  # noqa: PLC0415

    source = str(job.recording.path)
    trouble = (
        f"{source}: the process that measured it ended before it was done, as it does where "
        "memory runs out; report on it alone."
    )
    return Entry(source, trouble, "", (), ())
