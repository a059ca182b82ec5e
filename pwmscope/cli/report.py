"""`pwmscope report` and `compare`: many recordings, worked on side by side."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import chdir, contextmanager, nullcontext, redirect_stderr
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

import click

from pwmscope.cli.printing import (
    BAD_INPUT,
    JsonCopy,
    explain_option,
    json_option,
    quiet_option,
    screen,
)
from pwmscope.cli.reading import (
    OPTION_OF,
    Examination,
    Recording,
    examining_options,
    progress_bar,
    readings_options,
)
from pwmscope.errors import HintError, PwmscopeError, naming

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from pwmscope.findings import Findings
    from pwmscope.report.folder import Entry

_Result_co = TypeVar("_Result_co", covariant=True)

cluster_option = click.option(
    "--cluster",
    "address",
    metavar="ADDRESS",
    help="Let the workers of this dask.distributed scheduler do it, such as tcp://farm:8786. They "
    "need the same folders. Without it up to four processes of this machine do.",
)


class Work(Protocol[_Result_co]):
    """Something to do in a process of its own."""

    @property
    def name(self) -> str:
        """What it is about."""

    def run(self) -> _Result_co:
        """Do it."""


def refuse_cluster(address: str | None, what: str) -> None:
    """Refuse a cluster where there is nothing to share out."""
    if address is not None:
        raise HintError(f"--cluster is for {what}. Leave it out here.")


def run_side_by_side(
    jobs: Sequence[Work[_Result_co]], doing: str, address: str | None = None
) -> list[tuple[str, _Result_co | None, str]]:
    """Do several things side by side; give what each is about, what came of it, or its trouble.

    A cluster's workers do them, by the same paths, where the address of its scheduler is given.
    """
    from pwmscope.analysis import carry_out
    from pwmscope.capture.reader.unpack import report as tell

    home = None if address is None else Path.cwd()
    work: Any = partial(_run, home=home)
    with progress_bar(doing), _workers(address) as executor:
        done = []
        for outcome in carry_out(
            work, jobs, executor=executor, progress=tell, name_of=lambda job, _nth: job.name
        ):
            if outcome.error is not None and not isinstance(outcome.error, PwmscopeError):
                raise outcome.error
            result, trouble = outcome.result or (None, str(outcome.error))
            done.append((outcome.source, result, trouble))
    return done


@contextmanager
def _workers(address: str | None) -> Iterator[Executor | None]:
    """Reach a cluster's workers; none given means own processes."""
    from pwmscope.analysis import cluster

    with nullcontext() if address is None else cluster(address) as executor:
        yield executor


def _run(job: Work[_Result_co], *, home: Path | None) -> tuple[_Result_co | None, str]:
    """Do one job where the worker is; on a cluster's, in the folder that paths count from."""
    if home is not None and not home.is_dir():
        said = f"{job.name}: the worker has no folder {home}. Start workers that see the same ones."
        return None, said
    with (
        Path(os.devnull).open("w", encoding="utf-8") as nowhere,
        redirect_stderr(nowhere),  # one bar only
        nullcontext() if home is None else chdir(home),
        naming(OPTION_OF),
    ):
        try:
            return job.run(), ""
        except PwmscopeError as error:
            return None, str(error)


@click.command(short_help="Write page, PDF, Markdown and JSON about each CAPTURE to a folder.")
@readings_options
@examining_options
@click.option(
    "-o", "--output", "folder", type=click.Path(path_type=Path), required=True, metavar="DIR",
    help="Folder for the files; made if it is not there.",
)  # fmt: skip
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
        Reported(recording, examination, folder / name, replace)
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
class Reported:
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


@click.command(short_help="Put the findings of several recordings side by side.")
@readings_options
@examining_options
@explain_option
@json_option("the comparison")
@click.option(
    "-o", "--output", "page_path", type=click.Path(path_type=Path), metavar="FILE",
    help="Also write the comparison as a page, .html, for a screen or paper.",
)  # fmt: skip
@cluster_option
@click.option("--replace", is_flag=True, help="Replace files that are there.")
@click.pass_context
def compare(
    ctx: click.Context,
    recordings: tuple[Recording, ...],
    examination: Examination,
    json_copy: JsonCopy,
    *,
    page_path: Path | None,
    address: str | None,
    replace: bool,
) -> None:
    """Put the findings of several CAPTUREs side by side: receivers, or before and after.

    The first is what the others are held against; lines of the same name are compared. What
    differs by more than the uncertainty of both is marked. Options hold for every recording.
    """
    from pwmscope.findings.comparison import compare as compared
    from pwmscope.output import refuse_to_overwrite, write_text
    from pwmscope.report.questions import comparison_json, comparison_page, print_comparison

    json_copy.refuse(replace=replace)
    if page_path is not None:
        if page_path.suffix.lower() != ".html":
            raise HintError(f"{page_path}: a page's name ends in .html.")
        refuse_to_overwrite(page_path, replace=replace)
    examination.refuse_stated(len(recordings))
    if len(recordings) == 1:
        refuse_cluster(address, "several recordings")
    jobs = [Compared(recording, examination) for recording in recordings]
    if address is None:
        findings = [job.run() for job in jobs]
    else:
        examination.check()
        done = run_side_by_side(jobs, f"analysing {len(jobs)} recordings", address)
        findings = [found for _, found, _ in done if found is not None]
        for _, _, trouble in done:
            if trouble:
                click.echo(trouble, err=True)
        if len(findings) < len(done):
            ctx.exit(BAD_INPUT)
    comparison = compared(findings)
    if page_path is not None:
        write_text(page_path, comparison_page(comparison), replace=replace)
    if json_copy.is_alone:
        click.echo(comparison_json(comparison), nl=False)
        return
    print_comparison(comparison, screen())
    if page_path is not None:
        click.echo(f"\nThe same comparison is the page {page_path}.")
    json_copy.write(
        lambda: comparison_json(comparison), replace=replace, said="The same comparison is in"
    )


@dataclass(frozen=True, slots=True)
class Compared:
    """One recording to compare."""

    recording: Recording
    examination: Examination

    @property
    def name(self) -> str:
        """The recording, as a person named it."""
        return str(self.recording.path)

    def run(self) -> Findings:
        """Examine it."""
        return self.examination.analyse(self.recording).findings[0]
