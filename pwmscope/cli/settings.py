"""`pwmscope plan`, `calibrate` and `mixing`: what the hands do, and what to change then."""

from __future__ import annotations

import math
import re
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
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
    refuse_other_card,
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
    from pwmscope.bench import BenchSheet, CapturePlan, Mode, StepSpan
    from pwmscope.findings import Findings
    from pwmscope.findings.mixing import Mixing
    from pwmscope.findings.travel import Amount, Level

NOTHING_TO_CHANGE: Final = 0
SOMETHING_TO_CHANGE: Final = 1
MAX_PERCENT: Final = 125.0
"""The largest endpoint setting of usual transmitters (common practice, from memory)."""
_PICTURES: Final = ("drive-path.svg", "sticks.svg")


@click.command(short_help="Plan one recording: what to set, and what the hands do, by the second.")
@click.option(
    "--sheet", type=click.Path(path_type=Path), metavar="FILE",
    help="The bench sheet whose roles the plan is made for.",
)  # fmt: skip
@click.option(
    "--plan", "ready", type=click.Path(path_type=Path), metavar="FILE",
    help="Show or run this plan instead of making one; with --sheet, held against its limit.",
)  # fmt: skip
@click.option(
    "--outputs", type=click.IntRange(1, 32), default=4, show_default=True, metavar="N",
    help="Without a bench sheet: plan for so many outputs, RX1 to RXN.",
)  # fmt: skip
@click.option(
    "--mode", type=click.Choice(["1", "2"]), default="2", show_default=True,
    help="Which axes lie on which stick: 2 has throttle and rudder on the left stick, "
    "1 elevator and rudder.",
)  # fmt: skip
@click.option(
    "--within", "within_us", type=float, default=1.0, show_default=True, metavar="US",
    help="How well each width shall be known, in microseconds at 95 %.",
)  # fmt: skip
@click.option(
    "--scatter", "scatter_us", type=float, default=2.0, show_default=True, metavar="US",
    help="How much the widths scatter, as a standard deviation.",
)  # fmt: skip
@click.option(
    "--losses", type=int, default=10, show_default=True, metavar="N",
    help="How often the transmitter is switched off at the end, each time for another length; "
    "0 for never.",
)  # fmt: skip
@click.option(
    "--power-up/--no-power-up",
    default=None,
    help="Begin with the transmitter off and give the robot its power then. By default where the "
    "sheet's marker shows it.",
)
@click.option(
    "--link", "is_link", is_flag=True,
    help="Plan a link record instead: what binding leaves behind, and each control once.",
)  # fmt: skip
@click.option(
    "--marker", "is_marker", is_flag=True,
    help="Plan a calibration of the sheet's marker instead: a stick keeps moving while the link "
    "goes.",
)  # fmt: skip
@click.option(
    "-o", "--output", "path", type=click.Path(path_type=Path), metavar="FILE",
    help="Also write the plan as TOML; it finds the steps in the recording afterwards.",
)  # fmt: skip
@click.option(
    "--card", type=click.Path(path_type=Path), metavar="FILE",
    help="Also write a card to print: .html (A4, black and white) or .txt.",
)  # fmt: skip
@click.option(
    "--table", "at_table", is_flag=True,
    help="The shortest plan with one loss, for a table at an event: rest, hold, off, on.",
)  # fmt: skip
@click.option(
    "--states",
    is_flag=True,
    help="End with one loss for each state of the link, a restart of the receiver among them.",
)
@json_option("the plan with its times")
@click.option("--run", is_flag=True, help="Then count the steps down in the terminal, with a bell.")
@click.option("--replace", is_flag=True, help="Replace files that are there.")
def plan(
    *,
    sheet: Path | None,
    ready: Path | None,
    outputs: int,
    mode: str,
    within_us: float,
    scatter_us: float,
    losses: int,
    power_up: bool | None,
    is_link: bool,
    is_marker: bool,
    path: Path | None,
    card: Path | None,
    at_table: bool,
    states: bool,
    json_copy: JsonCopy,
    run: bool,
    replace: bool,
) -> None:
    """Say what to set and what the hands do, second by second, for one recording.

    The recording then shows power-up, rest, both ends of each stick axis, the drive moves
    and the weapon's ends. Last it shows what the outputs do when the transmitter goes off.

    Without a bench sheet the plan is a general one for so many --outputs.
    """
    from pwmscope.bench import load_plan, make_plan, plan_toml, refuse_short_losses
    from pwmscope.output import refuse_to_overwrite, write_text
    from pwmscope.report import plan_json, plan_text

    refuse_other_card(card)
    for file in (path, card):
        if file is not None:
            refuse_to_overwrite(file, replace=replace)
    json_copy.refuse(replace=replace)
    kinds = {"--table": at_table, "--link": is_link, "--marker": is_marker}
    asked = _asked(ready, sheet, kinds, only_json=json_copy.is_alone, run=run)
    sticks: Mode = 1 if mode == "1" else 2
    if ready is not None:
        made = load_plan(ready)
        if sheet is not None:
            refuse_short_losses(made, _sheet(sheet, outputs))
    elif asked is not None:
        made = _planned(asked, sheet, sticks, losses, outputs)
    else:
        made = make_plan(
            _sheet(sheet, outputs), mode=sticks, within_us=within_us, scatter_us=scatter_us,
            losses=losses, power_up=power_up, states=states,
        )  # fmt: skip
    if path is not None:
        write_text(path, plan_toml(made), replace=replace)
    if card is not None:
        write_text(card, _card_text(made, card), replace=replace)
    if json_copy.is_alone:
        click.echo(plan_json(made), nl=False)
        return
    click.echo(plan_text(made) + _handling(made) * at_table, nl=False)
    json_copy.write(lambda: plan_json(made), replace=replace, said="The same plan is in")
    for what, file in (("plan", path), ("card", card)):
        if file is not None:
            click.echo(f"\nThe {what} is {file}.")
    if run:
        _run(made)


def _handling(plan: CapturePlan) -> str:
    """Say how long a test at the table takes in all."""
    from pwmscope.bench import table_handling

    whole, *parts = table_handling(plan)
    return f"\n{whole}\n" + "".join(f"  {part}\n" for part in parts)


def _sheet(path: Path | None, outputs: int) -> BenchSheet:
    """Read the bench sheet, or make a general one for so many outputs."""
    from pwmscope.bench import load_sheet, sheet_of

    lines = {f"RX{number}": {"role": "servo"} for number in range(1, outputs + 1)}
    return sheet_of({"channels": lines}) if path is None else load_sheet(str(path))


def _planned(asked: str, sheet: Path | None, mode: Mode, losses: int, outputs: int) -> CapturePlan:
    """Make the plan of another kind that an option asks for."""
    from pwmscope.bench import make_link_plan, make_marker_plan, make_table_plan

    of = _sheet(sheet, outputs)
    if asked == "--table":
        return make_table_plan(of, mode=mode)
    if asked == "--link":
        return make_link_plan(of, mode=mode)
    return make_marker_plan(of, mode=mode, losses=losses)


def _asked(
    ready: Path | None, sheet: Path | None, kinds: dict[str, bool], *, only_json: bool, run: bool
) -> str | None:
    """Give the option that asks for another kind of plan; refuse options that clash."""
    asked = [kind for kind, is_asked in kinds.items() if is_asked]
    if len(asked) > 1:
        raise HintError(f"Ask for a plan with {asked[0]} or with {asked[1]}, not both.")
    if ready is not None and asked:
        raise HintError(f"Name a plan with --plan or ask for one with {asked[0]}, not both.")
    if sheet is None and kinds["--table"]:
        raise HintError("--table needs a bench sheet with --sheet: it names the controls to hold.")
    if sheet is None and kinds["--marker"]:
        raise HintError("--marker needs a bench sheet with --sheet: it names the marker.")
    if only_json and run:
        raise HintError("--run counts down in the terminal; write the JSON to a file beside it.")
    return asked[0] if asked else None


def _card_text(made: CapturePlan, card: Path) -> str:
    from pwmscope.report import plan_card, plan_text

    return plan_card(made) if card.suffix.lower() == ".html" else plan_text(made)


def _run(made: CapturePlan) -> None:
    click.echo("")
    run_metronome(
        made, lambda text: click.echo(text, nl=False), Clock(), counts=sys.stdout.isatty()
    )


LEAD_S: Final = 5.0
_BELL: Final = "\a"


@dataclass(frozen=True, slots=True)
class Clock:
    """Where the metronome takes its time from."""

    now_s: Callable[[], float] = time.monotonic  # Seconds of a clock that never goes back
    wait_s: Callable[[float], None] = time.sleep  # Waits so many seconds

    def wait_until(self, instant_s: float) -> None:
        """Wait until the clock shows an instant; not at all if that is over."""
        left_s = instant_s - self.now_s()
        if left_s > 0.0:
            self.wait_s(left_s)


def run_metronome(
    plan: CapturePlan, write: Callable[[str], object], clock: Clock, *, counts: bool
) -> None:
    """Lead the hands through a plan: count each step down and ring."""
    from pwmscope.report import format_clock

    begin_s = clock.now_s() + LEAD_S
    bell = _BELL if counts else ""
    write(f"{bell}Start the recorder now. The first step begins in {LEAD_S:g} s.\n")
    if counts:
        _count_down("first step in", begin_s, write, clock)
    clock.wait_until(begin_s)
    names = [step.name for step in plan.steps]
    for at_s, step, follows in zip(plan.starts_s, plan.steps, [*names[1:], "the end"], strict=True):
        write(f"{bell}{format_clock(at_s):>6}  {step.name}, {step.seconds:g} s: {step.hands}\n")
        end_s = begin_s + at_s + step.seconds
        if counts:
            _count_down(f"then {follows} in", end_s, write, clock)
        clock.wait_until(end_s)
    write(f"{bell}The plan is over: stop the recorder. Switch the robot off before you touch it.\n")


def _count_down(what: str, end_s: float, write: Callable[[str], object], clock: Clock) -> None:
    """Rewrite one line each second, and blank it at the end."""
    said = ""
    for left in range(math.ceil(end_s - clock.now_s()), 0, -1):
        clock.wait_until(end_s - left)
        said = f"        {what} {left} "
        write(f"\r{said}")
    clock.wait_until(end_s)
    write("\r" + " " * len(said) + "\r")


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

    refuse_other_card(card)
    if card is not None:
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
        spans=_spans(analysis), wheel_base_m=wheel_base,
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
    from pwmscope.plot import mixing_pictures

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
