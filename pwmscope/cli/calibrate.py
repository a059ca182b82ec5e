"""`pwmscope calibrate`: say which settings of the transmitter to change."""

from __future__ import annotations

import math
import re
from dataclasses import replace as replaced
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from pwmscope.cli.printing import EXIT_CODES, JsonCopy, explain_option, json_option, quiet_option
from pwmscope.cli.reading import Examination, Recording, examining_options, reading_options
from pwmscope.errors import HintError

if TYPE_CHECKING:
    from pwmscope.advice import Compared, PercentScale, SettingsAdvice, Transmitter
    from pwmscope.bench import BenchSheet
    from pwmscope.findings import Findings
    from pwmscope.findings.travel import Amount, Level

NOTHING_TO_CHANGE: Final = 0
SOMETHING_TO_CHANGE: Final = 1
MAX_PERCENT: Final = 125.0
"""The largest endpoint setting of usual transmitters (common practice, from memory)."""


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

    _refuse_files(card, json_copy, replace=replace)
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


def _refuse_files(card: Path | None, json_copy: JsonCopy, *, replace: bool) -> None:
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
