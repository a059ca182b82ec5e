"""`pwmscope compare`: the findings of several recordings side by side."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pwmscope.cli.printing import JsonCopy, explain_option, json_option, screen
from pwmscope.cli.reading import Examination, Recording, examining_options, readings_options
from pwmscope.cli.report import BAD_INPUT, cluster_option, refuse_cluster, run_side_by_side
from pwmscope.errors import HintError

if TYPE_CHECKING:
    from pwmscope.findings import Findings


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
    jobs = [Job(recording, examination) for recording in recordings]
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
class Job:
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
