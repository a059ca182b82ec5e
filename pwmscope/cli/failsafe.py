"""`pwmscope failsafe`: what happens on every line when the radio goes silent."""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pwmscope.cli.examining import Examination, examining_options
from pwmscope.cli.json_copy import JsonCopy, json_option
from pwmscope.cli.reading import Recording, progress_bar, readings_options, screen
from pwmscope.errors import HintError

if TYPE_CHECKING:
    from pwmscope.bench import BenchSheet, Limits
    from pwmscope.findings.failsafe import Failsafe

DOES_NOT_MEET = 1
NOT_SHOWN = 3
MIN_LIMIT_S = 0.05
MAX_LIMIT_S = 60.0


@click.command(short_help="Say what every line does when the radio goes silent.")
@readings_options
@examining_options
@click.option(
    "--limit",
    metavar="TIME",
    help="Hold the stop time against this limit, such as 2s, instead of the bench sheet's.",
)
@click.option(
    "--picture",
    "picture_path",
    type=click.Path(path_type=Path),
    metavar="PATH",
    help="Also draw the pulse width around each loss, as .svg, .png or .pdf.",
)
@click.option(
    "--why",
    metavar="LINE",
    help="Also tell which other causes the recording refutes, of this line, or of 'all'.",
)
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
    replace: bool,
) -> None:
    """Say what every line of one or more CAPTUREs does when the radio goes silent.

    The answer comes first, then hazards, each line's verdict and what to do; below stand what
    each line did at each loss, how long it took, and what happened when the link came back. The
    bench sheet says which widths make a device stand still; without it nothing is said to meet
    the limit. Several recordings are judged together: the worst loss governs.

    Exit code: 0 every line with a device meets the limit, 1 one does not, 3 not shown,
    2 bad input.

    Before you record a signal loss: weapon removed or locked, wheels off the ground, robot
    restrained, eye protection on, battery looked after. The event's rulebook and its safety
    officer decide.
    """
    from pwmscope.findings import Verdict  # noqa: PLC0415
    from pwmscope.report.failsafe_data import failsafe_json  # noqa: PLC0415
    from pwmscope.report.failsafe_text import print_failsafe  # noqa: PLC0415

    json_copy.refuse(replace=replace)
    _refuse_picture(picture_path, replace=replace)
    check = _check(recordings, examination, limit)
    _refuse_unknown(why, check)
    codes = {Verdict.MEETS: 0, Verdict.DOES_NOT_MEET: DOES_NOT_MEET, Verdict.NOT_SHOWN: NOT_SHOWN}
    code = codes[check.verdict]
    try:
        if json_copy.is_alone:
            click.echo(failsafe_json(check), nl=False)
        else:
            print_failsafe(check, screen(), why)
            json_copy.write(
                lambda: failsafe_json(check), replace=replace, said="The same check is in"
            )
        sys.stdout.flush()
    except (BrokenPipeError, SystemExit):
        # Who reads the first lines only gets the check's exit code all the same; the screen
        # itself ends the program where nobody reads on.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    if picture_path is not None:
        said = _draw(check, picture_path, replace=replace)
        click.echo(f"\n{said}", err=json_copy.is_alone)
    ctx.exit(code)


def _refuse_unknown(why: str | None, check: Failsafe) -> None:
    lines = [line.line for line in check.lines]
    if why is not None and why != "all" and why not in lines:
        raise HintError(
            f"There is no line '{why}' to explain; write --why all, or one of {', '.join(lines)}."
        )


def _check(
    recordings: tuple[Recording, ...], examination: Examination, limit: str | None
) -> Failsafe:
    """Listen to all recordings and put them together."""
    from pwmscope.findings.failsafe import check_failsafe, listen_to  # noqa: PLC0415

    off_at_s = examination.off_at_s()
    if off_at_s and len(recordings) > 1:
        raise HintError(
            f"--off-at states times of one recording, and {len(recordings)} are given; check "
            "them one by one, or put the transmitter's switch on a marker line."
        )
    sheet = examination.sheet()
    limits = _limits(sheet, limit)
    listened = []
    for recording in recordings:
        part = examination.part(recording.load(), sheet)
        with progress_bar("listening"):
            heard = listen_to(
                part,
                off_line=examination.off_line,
                off_at_s=off_at_s,
                sheet=sheet,
                convention=examination.convention(),
                limits=limits,
            )
        listened.append(heard)
    return check_failsafe(listened, sheet, limits)


def _draw(check: Failsafe, path: Path, *, replace: bool) -> str:
    from pwmscope.report.loss_picture import write_failsafe_picture  # noqa: PLC0415

    if write_failsafe_picture(check, path, replace=replace):
        return f"The picture is {path}."
    return "No loss was seen, so no picture was drawn."


def _refuse_picture(path: Path | None, *, replace: bool) -> None:
    from pwmscope.output import refuse_to_overwrite  # noqa: PLC0415

    if path is not None:
        from pwmscope.plot import picture_form  # noqa: PLC0415

        picture_form(path)
        refuse_to_overwrite(path, replace=replace)


def _limits(sheet: BenchSheet | None, limit: str | None) -> Limits:
    """Take the bench sheet's limits, with the failsafe time that was asked for."""
    from pwmscope.bench import COMMON_PRACTICE  # noqa: PLC0415
    from pwmscope.capture import parse_instant_s  # noqa: PLC0415

    limits = COMMON_PRACTICE if sheet is None else sheet.limits
    if limit is None:
        return limits
    limit_s = parse_instant_s(limit)
    if not MIN_LIMIT_S <= limit_s <= MAX_LIMIT_S:
        raise HintError(
            f"The limit {limit} is {limit_s:g} s; state one from {MIN_LIMIT_S:g} to "
            f"{MAX_LIMIT_S:g} s."
        )
    said = f"the failsafe limit of {limit_s:g} s is as asked for (--limit)"
    return replace(limits, failsafe_s=limit_s, source=f"{COMMON_PRACTICE.source}; {said}")
