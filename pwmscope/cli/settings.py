"""`pwmscope calibrate` and `mixing`: what to change in the transmitter."""

from __future__ import annotations

import math
import re
from dataclasses import replace as replaced
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
    from pwmscope.advice import (
        Compared,
        Course,
        MixingAdvice,
        PercentScale,
        SettingsAdvice,
        Transmitter,
    )
    from pwmscope.analysis import Analysis
    from pwmscope.bench import BenchSheet, StepSpan
    from pwmscope.findings import Findings
    from pwmscope.findings.mixing import Mixing
    from pwmscope.findings.travel import Amount, Level

NOTHING_TO_CHANGE: Final = 0
SOMETHING_TO_CHANGE: Final = 1
MAX_PERCENT: Final = 125.0
"""The largest endpoint setting of usual transmitters (common practice, from memory)."""
_PICTURES: Final = ("drive-path.svg", "sticks.svg")


@click.command(short_help="Say which settings of the transmitter to change, and by how much.")
@reading_options
@examining_options
@click.option(
    "--before", type=click.Path(path_type=Path), metavar="EARLIER",
    help="A recording from before the last change: say what improved. It is read with the same "
    "options as CAPTURE.",
)  # fmt: skip
@click.option(
    "--us-per-percent", "stated", multiple=True, metavar="[LINE=]US",
    help="What one percent of a setting is worth in microseconds, for all lines or for one.",
)  # fmt: skip
@click.option(
    "--solve", "solved", multiple=True, metavar="LINE:END=P1,P2",
    help="Solve for that instead, as in RX1:high=100,110. The endpoint setting (END is low or "
    "high) was P1 percent in the --before recording and is P2 now.",
)  # fmt: skip
@click.option(
    "--most-percent", type=float, default=MAX_PERCENT, show_default=True, metavar="P",
    help="The largest endpoint that the transmitter can be set to.",
)  # fmt: skip
@click.option(
    "-o", "--output", "card", type=click.Path(path_type=Path), metavar="FILE",
    help="Also write the settings card, as .html (A4, black and white) or .txt.",
)  # fmt: skip
@explain_option
@quiet_option
@json_option("the advice")
@click.option("--replace", is_flag=True, help="Replace files that are there.")
@click.pass_context
def calibrate(
    ctx: click.Context,
    *,
    recording: Recording,
    examination: Examination,
    before: Path | None,
    stated: tuple[str, ...],
    solved: tuple[str, ...],
    most_percent: float,
    card: Path | None,
    json_copy: JsonCopy,
    quiet: bool,
    replace: bool,
) -> None:
    """Hold endpoints, neutral and direction of CAPTURE against what each device expects.

    Exit code 0: nothing to change; 1: something to change; 3: not shown by this recording;
    2: bad input.
    """
    from pwmscope.advice import compare_settings
    from pwmscope.output import write_text
    from pwmscope.report import settings_card, settings_headline, settings_json, settings_text

    _refuse_card(card, json_copy, replace=replace)
    analysis = examination.analyse(recording)
    sheet = analysis.sheet
    if sheet is None:
        raise HintError(
            "calibrate needs two options. --sheet FILE says what each device expects; `pwmscope "
            "sheet new` writes it. --plan FILE says where the sticks were; `pwmscope plan -o "
            "FILE` writes it."
        )
    earlier = None
    if before is not None:
        earlier = replaced(examination, plan_path=None).analyse(Recording(before, recording.hints))
    transmitters = parse_transmitters(
        stated, solved, most_percent, sheet=sheet, now=analysis.findings[0],
        before=None if earlier is None else earlier.findings[0],
    )  # fmt: skip
    advice = analysis.advise_settings(transmitters=transmitters)
    compared: tuple[Compared, ...] = ()
    if earlier is not None:
        compared = compare_settings(earlier.advise_settings(transmitters=transmitters), advice)
    source, was = analysis.captures[0].source, None if before is None else str(before)
    data = settings_json(advice, sheet, source, before=was, compared=compared)
    text = settings_text(advice, sheet, compared)
    if card is not None:
        is_text = card.suffix.lower() == ".txt"
        page = text if is_text else settings_card(advice, sheet, source, compared)
        write_text(card, page, replace=replace)
    if json_copy.file is not None:
        write_text(json_copy.file, data, replace=replace)
    if quiet and not json_copy.is_alone:
        text = f"{settings_headline(advice, sheet)}\n"
    click.echo(data if json_copy.is_alone else text, nl=False)
    if not json_copy.is_alone:
        for what, file in (("card", card), ("same as JSON", json_copy.path)):
            if file is not None:
                click.echo(f"\nThe {what} is {file}.")
    ctx.exit(_exit_code(advice))


def _exit_code(advice: SettingsAdvice) -> int:
    if advice.changes:
        return SOMETHING_TO_CHANGE
    return EXIT_CODES["not shown"] if advice.not_shown else NOTHING_TO_CHANGE


def _refuse_card(card: Path | None, json_copy: JsonCopy, *, replace: bool) -> None:
    from pwmscope.output import refuse_to_overwrite

    if card is not None:
        if card.suffix.lower() not in {".html", ".txt"}:
            raise HintError(f"A card is written as .html or .txt; '{card}' ends otherwise.")
        refuse_to_overwrite(card, replace=replace)
    json_copy.refuse(replace=replace)


_SOLVE: Final = re.compile(r"(?P<line>.+):(?P<end>low|high)=(?P<was>[^,=]+),(?P<now>[^,=]+)")


def parse_transmitters(
    stated: tuple[str, ...],
    solved: tuple[str, ...],
    most_percent: float,
    *,
    sheet: BenchSheet,
    now: Findings,
    before: Findings | None,
) -> dict[str, Transmitter]:
    """Work out each line's transmitter from the options."""
    from pwmscope.advice import Transmitter

    if not 1.0 <= most_percent <= 1000.0:
        raise HintError(f"--most-percent {most_percent:g} cannot be; expected 1 to 1000.")
    scales = _stated(stated, sheet)
    for option in solved:
        line, scale = _solved(option, sheet, now, before)
        scales[line] = scale
    return {
        line: Transmitter(scales.get(line), most_percent=most_percent) for line in sheet.channels
    }


def _stated(stated: tuple[str, ...], sheet: BenchSheet) -> dict[str, PercentScale]:
    from pwmscope.advice import stated_scale

    of_sheet = {
        line: stated_scale(channel.us_per_percent, "as the sheet states")
        for line, channel in sheet.channels.items()
        if channel.us_per_percent is not None
    }
    for_all: dict[str, PercentScale] = {}
    for_one: dict[str, PercentScale] = {}
    for option in stated:
        line, equals, size = option.rpartition("=")
        scale = stated_scale(_number(size, "--us-per-percent", option))
        if equals:
            _check_line(line, sheet, "--us-per-percent")
            for_one[line] = scale
        else:
            for_all = dict.fromkeys(sheet.channels, scale)
    return {**of_sheet, **for_all, **for_one}


def _solved(
    option: str, sheet: BenchSheet, now: Findings, before: Findings | None
) -> tuple[str, PercentScale]:
    from pwmscope.advice import PercentReading, solve_scale

    parts = _SOLVE.fullmatch(option)
    if parts is None:
        raise HintError(
            f"--solve {option} cannot be read. Write RX1:high=100,110: line, end, the earlier "
            "setting, the setting now."
        )
    line, end = parts["line"], parts["end"]
    _check_line(line, sheet, "--solve")
    if before is None:
        raise HintError(f"--solve {option} needs the recording at the first setting: add --before.")
    readings = [
        PercentReading(_number(parts[which], "--solve", option), _throw(findings, line, end))
        for which, findings in (("was", before), ("now", now))
    ]
    return line, solve_scale(readings)


def _throw(findings: Findings, line: str, end: str) -> Amount:
    """Width at one end from neutral, or the width itself where there is no neutral."""
    from pwmscope.findings.travel import weighed_sum

    found = findings.channels.get(line)
    travel = None if found is None else found.travel
    level: Level | None = None
    if travel is not None:
        level = travel.low if end == "low" else travel.high
    if travel is None or level is None:
        raise HintError(
            f"--solve: {findings.capture.source} does not show the {end} endpoint of {line}; "
            "record again with the stick held at that end."
        )
    if travel.neutral is None:
        return level.repeated.amount
    return weighed_sum((1.0, level.repeated), (-1.0, travel.neutral.repeated))


def _check_line(line: str, sheet: BenchSheet, option: str) -> None:
    if line not in sheet.channels:
        raise HintError(
            f"{option} names a line '{line}' that {sheet.source} does not have; its lines are "
            f"{', '.join(sheet.channels)}."
        )


def _number(text: str, option: str, whole: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise HintError(f"{option} {whole} cannot be read: '{text}' is no number.")
    return number


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
    from pwmscope.report.questions import mixing_json

    _refuse_pictures(json_copy, folder, replace=replace)
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


def _refuse_pictures(json_copy: JsonCopy, folder: Path | None, *, replace: bool) -> None:
    from pwmscope.output import refuse_to_overwrite

    json_copy.refuse(replace=replace)
    if folder is not None:
        for name in _PICTURES:
            refuse_to_overwrite(folder / name, replace=replace)


def _print(
    answer: Mixing, ways: tuple[MixingAdvice, ...], course: Course | None, *, quiet: bool
) -> None:
    from pwmscope.report.questions import mixing_paragraphs

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
    from pwmscope.report.pictures import mixing_pictures

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
