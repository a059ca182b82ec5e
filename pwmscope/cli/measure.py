"""`pwmscope measure`, `stretches`, `lag`, `failsafe` and `link`: what recordings show."""

from __future__ import annotations

import os
import sys
from functools import partial
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
    progress_bar,
    reading_options,
    readings_options,
)
from pwmscope.errors import HintError
from pwmscope.output import make_folder

if TYPE_CHECKING:
    from pwmscope.bench import Stretch
    from pwmscope.findings.failsafe import Failsafe


@click.command(short_help="Say what was found about every channel of CAPTURE.")
@partial(reading_options, required=False)
@examining_options
@click.option(
    "--line", "only", metavar="LINE", multiple=True,
    help="Tell only what was found about this line; may be given several times. All lines are "
    "still examined.",
)  # fmt: skip
@all_option
@why_option
@click.option(
    "--explain", "explained", metavar="FINDING", multiple=True,
    help="Explain one finding, such as 'neutral', instead: its definition, formula and source. "
    "With CAPTURE also the pulses it rests on. 'all' explains every one.",
)  # fmt: skip
@quiet_option
@json_option("the findings", them="them")
@click.option("--replace", is_flag=True, help="Let --json replace a file that is there.")
def measure(
    recording: Recording | None,
    examination: Examination,
    only: tuple[str, ...],
    why: str | None,
    explained: tuple[str, ...],
    *,
    json_copy: JsonCopy,
    is_all: bool,
    quiet: bool,
    replace: bool,
) -> None:
    """Measure every channel of CAPTURE and print the answer on one screen.

    CAPTURE is a text table, a value change dump, a Parquet or an Arrow file. It holds levels,
    voltages, or the edges that `pwmscope convert` kept. `pwmscope look CAPTURE` says how it
    is understood.
    """
    from pwmscope.report.data import to_json
    from pwmscope.report.failsafe import print_causes
    from pwmscope.report.terminal import print_checks, print_explanations, print_findings

    json_copy.refuse(replace=replace)
    if recording is None:
        if not explained:
            raise HintError("Name the recording: pwmscope measure CAPTURE.")
        print_explanations(None, explained, screen())
        return
    analysis = examination.analyse(recording)
    refuse_unknown(why, analysis)
    findings = analysis.findings[0]
    if only:
        findings = findings.only(only)
    if json_copy.is_alone:
        click.echo(to_json(findings), nl=False)
        return
    if explained:
        print_explanations(findings, explained, screen())
    elif quiet:
        click.echo(analysis.headline)
    else:
        print_screen(
            analysis, analysis.answer, only=only, figures=tuple(findings.servo.values()),
            more=" More: --all, --why LINE, --explain WORD.", room=None if is_all else 24,
        )  # fmt: skip
        if why is not None:
            print_checks([c for c in analysis.checks if why in (c.line, "all")], screen())
            print_causes(analysis.failsafe, screen(), why)
        if is_all:
            click.echo()
            print_findings(findings, screen())
    json_copy.write(lambda: to_json(findings), replace=replace, said="The same findings are in")


@click.command(short_help="Compare faults in parts of a recording: motors off, motors on.")
@reading_options
@examining_options
@click.option(
    "--stretch", "named", metavar="NAME=FROM..TO", multiple=True,
    help="A part in which one thing was done, such as 'motors on=20s..40s'; give two or more. By "
    "default those of the bench sheet.",
)  # fmt: skip
@json_option("the comparison")
@click.option("--replace", is_flag=True, help="Let --json replace a file that is there.")
@click.pass_context
def stretches(
    ctx: click.Context,
    recording: Recording,
    examination: Examination,
    *,
    named: tuple[str, ...],
    json_copy: JsonCopy,
    replace: bool,
) -> None:
    """Compare how often glitches, freezes and restarts come in parts of CAPTURE.

    Record once: motors off, motors on, one connector wiggled, and so on, 20 s or more each. Move
    the sticks all the time. The first part is what the others are held against.

    Before the motors get power: weapon removed or locked, wheels off the ground, robot restrained,
    eye protection on, battery looked after. Probe 5 V servo pins only. The event's rulebook and
    its safety officer decide.

    Exit code 0: compared, whether anything differs or not; 3: not shown by this recording; 2: bad
    input.
    """
    from pwmscope.report.questions import hunt_json, print_hunt

    json_copy.refuse(replace=replace)
    given = [_stretch(text) for text in named] or None
    analysis = examination.analyse(recording)
    hunt = analysis.fault_hunt(given)
    capture = analysis.captures[0]
    json_copy.tell(
        lambda: hunt_json(capture, hunt, capture.assumptions),
        lambda: print_hunt(hunt, capture.assumptions, screen()),
        replace=replace, said="The same comparison is in",
    )  # fmt: skip
    ctx.exit(0 if hunt.compared else EXIT_CODES["not shown"])


def _stretch(text: str) -> Stretch:
    """Read a stretch as a person names it."""
    from pwmscope.bench import Stretch
    from pwmscope.capture import parse_instant_s

    name, equals, times = text.rpartition("=")
    begin, dots, end = times.partition("..")
    if not (equals and dots and name.strip()):
        raise HintError(
            f"--stretch: the value is {text!r}, expected a name and two times, such as "
            "'motors on=20s..40s'."
        )
    return Stretch(name.strip(), parse_instant_s(begin), parse_instant_s(end))


@click.command(short_help="Say how late an output follows an input, and with what curve.")
@reading_options
@click.option("--in", "source", metavar="LINE", help="The line before the device.")
@click.option("--out", "output", metavar="LINE", help="The line after the device.")
@click.option(
    "--with", "others", metavar="LINE", multiple=True,
    help="A further input that is mixed into --out; may be given several times.",
)  # fmt: skip
@explain_option
@json_option("the findings", them="them")
@click.option("--replace", is_flag=True, help="Let --json replace a file that is there.")
@click.pass_context
def lag(
    ctx: click.Context,
    recording: Recording,
    *,
    source: str | None,
    output: str | None,
    others: tuple[str, ...],
    json_copy: JsonCopy,
    replace: bool,
) -> None:
    """Measure delay and transfer from the line --in to the line --out of CAPTURE.

    Between the two lines is a device: a mixing converter, a gyro, a servo slower. Move the
    stick from end to end a few times, not evenly, with pauses, while recording. Without
    --in or --out, says which line follows which. Exit code 0: measured; 3: not shown by
    this recording, and why; 2: bad input.
    """
    from pwmscope.analysis import analyse
    from pwmscope.report.questions import (
        FIXED,
        follows_to_json,
        lag_to_json,
        print_follows,
        print_lag,
    )

    json_copy.refuse(replace=replace)
    named = (("--in", source), ("--out", output), *(("--with", other) for other in others))
    _check_unlike(named, others)
    with progress_bar(f"measuring {recording.path.name}"):
        analysis = analyse(recording.path, hints=recording.hints)
    capture = analysis.captures[0]
    assumptions = (*capture.assumptions, *analysis.lag_lines.notes, *FIXED)
    if source is not None and output is not None:
        found = analysis.lag(source, output, *others)
        shown = found.answer.value is not None
        text = partial(lag_to_json, capture, found, assumptions)
        show = partial(print_lag, capture, found, assumptions, screen())
    else:
        follows = analysis.follows(source, output)
        shown = any(finding.value is not None for finding in follows.findings)
        text = partial(follows_to_json, capture, follows, assumptions)
        show = partial(print_follows, capture, follows, assumptions, screen())
    json_copy.tell(text, show, replace=replace, said="The same findings are in")
    ctx.exit(0 if shown else EXIT_CODES["not shown"])


def _check_unlike(named: tuple[tuple[str, str | None], ...], others: tuple[str, ...]) -> None:
    seen: dict[str, str] = {}
    for option, line in named:
        if line is not None and line in seen:
            raise HintError(
                f"{seen[line]} and {option} both name line '{line}'; name different lines."
            )
        if line is None and others:
            raise HintError(f"--with needs both --in and --out; {option} is missing.")
        if line is not None:
            seen[line] = option


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
    from pwmscope.plot import write_failsafe_picture

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
    json_copy.tell(
        lambda: link_json(analysis.captures[0], found),
        lambda: print_sections(link_paragraphs(found)),
        replace=replace, said="The same answer is in",
    )  # fmt: skip
    if folder is not None:
        make_folder(folder)
        picture = draw_channel_map(found.rows, found.plan.mode)
        write_text(folder / _PICTURE, picture.svg, replace=replace)
        click.echo(f"\nThe picture is {folder / _PICTURE}.", err=json_copy.is_alone)
    context.exit(EXIT_CODES[found.verdict.value])
