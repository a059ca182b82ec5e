"""`pwmscope report`: write a page with findings and pictures."""

from __future__ import annotations

from pathlib import Path

import click

from pwmscope.cli.examining import Examination, examining_options
from pwmscope.cli.progress_bar import progress_bar
from pwmscope.cli.reading import Recording, reading_options
from pwmscope.cli.screen import screen


@click.command(short_help="Write a page with findings and pictures of CAPTURE to a folder.")
@reading_options
@examining_options
@click.option(
    "-o",
    "--output",
    "folder",
    type=click.Path(path_type=Path),
    required=True,
    metavar="DIR",
    help="Folder for report.html and findings.json; made if it is not there.",
)
@click.option("--replace", is_flag=True, help="Replace a report that is there.")
def report(recording: Recording, examination: Examination, folder: Path, *, replace: bool) -> None:
    """Write a page with every finding and picture of CAPTURE to DIR/report.html.

    The page holds everything in one file and opens without a network.
    """
    from pwmscope.output import refuse_to_overwrite, write_text  # noqa: PLC0415
    from pwmscope.report.data import to_json  # noqa: PLC0415
    from pwmscope.report.page import write_page  # noqa: PLC0415
    from pwmscope.report.terminal import print_findings  # noqa: PLC0415

    data = folder / "findings.json"
    refuse_to_overwrite(data, replace=replace)
    findings = examination.of(recording.load())
    with progress_bar("drawing"):
        page = write_page(findings, folder, replace=replace)
    write_text(data, to_json(findings), replace=replace)
    print_findings(findings, screen())
    click.echo(f"\nThe page is {page}; the same findings are in {data}.")
