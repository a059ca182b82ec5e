"""`pwmscope compare`: the findings of several recordings side by side."""

from __future__ import annotations

from pathlib import Path

import click

from pwmscope.cli.printing import JsonCopy, explain_option, json_option, screen
from pwmscope.cli.reading import Examination, Recording, examining_options, readings_options
from pwmscope.errors import HintError


@click.command(short_help="Put the findings of several recordings side by side.")
@readings_options
@examining_options
@explain_option
@json_option("the comparison")
@click.option(
    "-o",
    "--output",
    "page_path",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Also write the comparison as a page, .html, for a screen or paper.",
)
@click.option("--replace", is_flag=True, help="Replace files that are there.")
def compare(
    recordings: tuple[Recording, ...],
    examination: Examination,
    json_copy: JsonCopy,
    *,
    page_path: Path | None,
    replace: bool,
) -> None:
    """Put the findings of several CAPTUREs side by side: receivers, or before and after.

    The first is what the others are held against; lines of the same name are compared. What
    differs by more than the uncertainty of both is marked. Options hold for every recording.
    """
    from pwmscope.findings.comparison import compare as compared
    from pwmscope.output import refuse_to_overwrite, write_text
    from pwmscope.report.comparison import comparison_json, comparison_page, print_comparison

    json_copy.refuse(replace=replace)
    if page_path is not None:
        if page_path.suffix.lower() != ".html":
            raise HintError(f"{page_path}: a page's name ends in .html.")
        refuse_to_overwrite(page_path, replace=replace)
    examination.refuse_stated(len(recordings))
    analyses = [examination.analyse(recording) for recording in recordings]
    comparison = compared([analysis.findings[0] for analysis in analyses])
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
