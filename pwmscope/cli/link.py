"""`pwmscope link`: say what binding left behind, and which control moves which output."""

from __future__ import annotations

from pathlib import Path

import click

from pwmscope.cli.printing import EXIT_CODES, JsonCopy, explain_option, json_option, print_sections
from pwmscope.cli.reading import Examination, Recording, examining_options, reading_options
from pwmscope.errors import HintError
from pwmscope.output import make_folder

_PICTURE = "channel-map.svg"


@click.command(short_help="Say what binding left behind: link, channel map, other memories.")
@reading_options
@examining_options
@explain_option
@json_option("the answer")
@click.option(
    "--register",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The register whose last failsafe check is held against bound_on.",
)
@click.option(
    "--pictures",
    "folder",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help=f"Also draw both sticks and what each axis moves ({_PICTURE}).",
)
@click.option("--replace", is_flag=True, help="Replace JSON and pictures that are there.")
@click.pass_context
def link(
    context: click.Context,
    recording: Recording,
    examination: Examination,
    json_copy: JsonCopy,
    *,
    register: Path | None,
    folder: Path | None,
    replace: bool,
) -> None:
    """Say what the link record in CAPTURE shows; --plan names the plan of `plan --link`.

    Exit code: 0 everything meets, 1 something does not, 3 not shown, 2 bad input.
    """
    from pwmscope.output import refuse_to_overwrite, write_text
    from pwmscope.plot import draw_channel_map
    from pwmscope.report.questions import link_json, link_paragraphs
    from pwmscope.report.register import last_failsafe

    if examination.plan_path is None:
        raise HintError("A link record is read by its plan. Name it with --plan.")
    json_copy.refuse(replace=replace)
    if folder is not None:
        refuse_to_overwrite(folder / _PICTURE, replace=replace)
    analysis = examination.analyse(recording)
    robot = "" if analysis.sheet is None else analysis.sheet.robot
    found = analysis.examine_link(
        last_failsafe=None if register is None else last_failsafe(register, robot)
    )
    data = link_json(analysis.captures[0], found)
    if json_copy.is_alone:
        click.echo(data, nl=False)
    else:
        print_sections(link_paragraphs(found))
        json_copy.write(lambda: data, replace=replace, said="The same answer is in")
    if folder is not None:
        make_folder(folder)
        picture = draw_channel_map(found.rows, found.plan.mode)
        write_text(folder / _PICTURE, picture.svg, replace=replace)
        click.echo(f"\nThe picture is {folder / _PICTURE}.", err=json_copy.is_alone)
    context.exit(EXIT_CODES[found.verdict.value])
