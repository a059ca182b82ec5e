"""`pwmscope failsafe` and `link`: what happens as the signal is lost, and after binding."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pwmscope.cli.printing import (
    EXIT_CODES,
    JsonCopy,
    all_option,
    explain_option,
    json_option,
    print_screen,
    print_sections,
    quiet_option,
    refuse_unknown,
    screen,
    why_option,
)
from pwmscope.cli.reading import (
    Examination,
    Recording,
    examining_options,
    reading_options,
    readings_options,
)
from pwmscope.errors import HintError
from pwmscope.output import make_folder

if TYPE_CHECKING:
    from pwmscope.findings.failsafe import Failsafe


@click.command(short_help="Say what every line does when the radio goes silent.")
@readings_options
@examining_options
@click.option(
    "--limit",
    metavar="TIME",
    help="Hold the stop time against this limit, such as 2s, instead of the bench sheet's.",
)
@click.option(
    "--picture", "picture_path", type=click.Path(path_type=Path), metavar="PATH",
    help="Also draw the pulse width around each loss, as .svg, .png or .pdf.",
)  # fmt: skip
@all_option
@why_option
@explain_option
@quiet_option
@json_option("the check")
@click.option("--replace", is_flag=True, help="Replace a picture or JSON file that is there.")
@click.pass_context
def failsafe(
    ctx: click.Context,
    recordings: tuple[Recording, ...],
    examination: Examination,
    *,
    limit: str | None,
    why: str | None,
    picture_path: Path | None,
    json_copy: JsonCopy,
    is_all: bool,
    quiet: bool,
    replace: bool,
) -> None:
    """Say what every line of one or more CAPTUREs does when the radio goes silent.

    The answer comes first, then hazards, each line's verdict and what to do. --all adds what
    each line did at each loss and when the link came back. The
    bench sheet says which widths make a device stand still. Without it nothing is said to meet
    the limit. Several recordings are judged together: the worst loss governs.

    Exit code: 0 every line with a device meets the limit, 1 one does not, 3 not shown,
    2 bad input.

    Before you record a signal loss: weapon removed or locked, wheels off the ground, robot
    restrained, eye protection on, battery looked after. The event's rulebook and its safety
    officer decide.
    """
    from pwmscope.report.failsafe import failsafe_json, print_causes, print_failsafe_details

    json_copy.refuse(replace=replace)
    _refuse_picture(picture_path, replace=replace)
    examination.refuse_stated(len(recordings))
    analysis = examination.analyse(*recordings, limit=limit)
    refuse_unknown(why, analysis)
    check, answer = analysis.failsafe, analysis.failsafe_answer
    try:
        if json_copy.is_alone:
            click.echo(failsafe_json(check), nl=False)
        elif quiet:
            click.echo(answer.headline)
        else:
            room = None if is_all else 20
            print_screen(analysis, answer, more=" More: --all, --why LINE.", room=room)
            if why is not None:
                print_causes(check, screen(), why)
            if is_all:
                print_failsafe_details(check, screen())
        json_copy.write(lambda: failsafe_json(check), replace=replace, said="The same check is in")
        sys.stdout.flush()
    except (BrokenPipeError, SystemExit):
        # Who reads the first lines only gets the check's exit code all the same; the screen
        # itself ends the program where nobody reads on.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    if picture_path is not None:
        said = _draw(check, picture_path, replace=replace)
        click.echo(f"\n{said}", err=json_copy.is_alone)
    ctx.exit(EXIT_CODES[check.verdict.value])


def _draw(check: Failsafe, path: Path, *, replace: bool) -> str:
    from pwmscope.report.pictures import write_failsafe_picture

    if write_failsafe_picture(check, path, replace=replace):
        return f"The picture is {path}."
    return "No loss was seen, so no picture was drawn."


def _refuse_picture(path: Path | None, *, replace: bool) -> None:
    from pwmscope.output import refuse_to_overwrite

    if path is not None:
        from pwmscope.plot import picture_form

        picture_form(path)
        refuse_to_overwrite(path, replace=replace)


_PICTURE = "channel-map.svg"


@click.command(short_help="Say what binding left behind: link, channel map, other memories.")
@reading_options
@examining_options
@explain_option
@json_option("the answer")
@click.option(
    "--register", type=click.Path(path_type=Path), metavar="FILE",
    help="The register whose last failsafe check is held against bound_on.",
)  # fmt: skip
@click.option(
    "--pictures", "folder", type=click.Path(path_type=Path), metavar="DIR",
    help=f"Also draw both sticks and what each axis moves ({_PICTURE}).",
)  # fmt: skip
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
