"""`pwmscope mixing`: say what the drive outputs do with the sticks, and what to change."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from pwmscope.cli.printing import (
    EXIT_CODES,
    JsonCopy,
    explain_option,
    json_option,
    print_sections,
    quiet_option,
)
from pwmscope.cli.reading import Examination, Recording, examining_options, reading_options
from pwmscope.errors import HintError, PwmscopeError
from pwmscope.output import make_folder

if TYPE_CHECKING:
    from pwmscope.advice import Course, MixingAdvice
    from pwmscope.analysis import Analysis
    from pwmscope.bench import StepSpan
    from pwmscope.findings.mixing import Mixing

_PICTURES: Final = ("drive-path.svg", "sticks.svg")


@click.command(short_help="Say what the drive outputs do with the sticks, and what to change.")
@reading_options
@examining_options
@click.option("--left", metavar="LINE", help="The output that drives the left side.")
@click.option("--right", metavar="LINE", help="The output that drives the right side.")
@click.option("--elevator", metavar="LINE", help="The line of the stick for forward and back.")
@click.option("--aileron", metavar="LINE", help="The line of the stick for right and left.")
@explain_option
@quiet_option
@json_option("the answer")
@click.option(
    "--pictures", "folder", type=click.Path(path_type=Path), metavar="DIR",
    help="Also draw where the robot would go, before and after the advice (drive-path.svg), and "
    "what the hands did (sticks.svg).",
)  # fmt: skip
@click.option(
    "--wheel-base", type=float, metavar="M", help="Distance between left and right wheels, metres."
)
@click.option(
    "--top-speed", type=float, metavar="M/S", help="Speed at full command, metres a second."
)
@click.option(
    "--mode", type=click.Choice(["1", "2"]), default="2", show_default=True,
    help="Which stick does what, for the picture of the hands.",
)  # fmt: skip
@click.option("--replace", is_flag=True, help="Replace JSON and pictures that are there.")
@click.pass_context
def mixing(
    context: click.Context,
    recording: Recording,
    examination: Examination,
    json_copy: JsonCopy,
    *,
    left: str | None,
    right: str | None,
    elevator: str | None,
    aileron: str | None,
    folder: Path | None,
    wheel_base: float | None,
    top_speed: float | None,
    mode: str,
    quiet: bool,
    replace: bool,
) -> None:
    """Say what the two drive outputs in CAPTURE do with the sticks, and what to change.

    Exit code: 0 the outputs are mixed as wanted, 1 something is wrong, 3 not shown, 2 bad input.
    """
    from pwmscope.advice import advise_mixing, course_of
    from pwmscope.report.mixing import mixing_json

    _refuse_files(json_copy, folder, replace=replace)
    analysis = examination.analyse(recording)
    for alignment in analysis.alignments:
        if not alignment.fits:
            raise PwmscopeError(f"{examination.plan_path}: {alignment.sentence}")
    answer = analysis.examine_drive(
        sides={"left": left, "right": right}, axes={"elevator": elevator, "aileron": aileron}
    )
    findings = analysis.findings[0]
    if answer is None:
        raise HintError(
            "No drive output is named. Give two options, --left LINE and --right LINE, or a bench "
            f"sheet with --sheet. {findings.capture.source} has servo pulses on "
            f"{', '.join(findings.servo) or 'no line'}."
        )
    ways = advise_mixing(answer)
    course = course_of(
        answer, ways, tables=findings.servo_tables, end_s=findings.capture.end_s,
        sheet=analysis.sheet, spans=_spans(analysis), wheel_base_m=wheel_base,
        top_speed_m_s=top_speed,
    )  # fmt: skip
    data = mixing_json(findings.capture, answer, ways, course)
    if json_copy.is_alone:
        click.echo(data, nl=False)
    else:
        _print(answer, ways, course, quiet=quiet)
        json_copy.write(lambda: data, replace=replace, said="The same answer is in")
    if folder is not None:
        said = _draw(analysis, answer, course, folder, mode, replace=replace)
        click.echo(f"\n{said}", err=json_copy.is_alone)
    context.exit(EXIT_CODES[answer.verdict.value])


def _spans(analysis: Analysis) -> tuple[StepSpan, ...]:
    return analysis.alignments[0].spans if analysis.alignments else ()


def _refuse_files(json_copy: JsonCopy, folder: Path | None, *, replace: bool) -> None:
    from pwmscope.output import refuse_to_overwrite

    json_copy.refuse(replace=replace)
    if folder is not None:
        for name in _PICTURES:
            refuse_to_overwrite(folder / name, replace=replace)


def _print(
    answer: Mixing, ways: tuple[MixingAdvice, ...], course: Course | None, *, quiet: bool
) -> None:
    from pwmscope.report.mixing import mixing_paragraphs

    parts = list(mixing_paragraphs(answer, ways, course))
    print_sections([(parts[0][0], [])] if quiet else parts)


def _draw(
    analysis: Analysis,
    answer: Mixing,
    course: Course | None,
    folder: Path,
    mode: str,
    *,
    replace: bool,
) -> str:
    """Draw what can be drawn; say where it is."""
    from pwmscope.output import write_text
    from pwmscope.report.mixing import mixing_pictures

    findings = analysis.findings[0]
    sticks = {stick.axis: findings.servo_tables[stick.line] for stick in answer.lines.sticks}
    pictures = mixing_pictures(
        course, sticks, findings.capture.end_s, mode=2 if mode == "2" else 1,
        steps=_spans(analysis),
    )  # fmt: skip
    if not pictures:
        return "Nothing could be drawn: no matrix was fitted and no stick line is named."
    make_folder(folder)
    for picture in pictures:
        write_text(folder / f"{picture.name}.svg", picture.svg, replace=replace)
    return f"The pictures are {', '.join(f'{p.name}.svg' for p in pictures)} in {folder}."
