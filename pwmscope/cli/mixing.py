"""`pwmscope mixing`: say what the drive outputs do with the sticks, and what to change."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from pwmscope.cli.json_copy import JsonCopy, json_option
from pwmscope.cli.reading import Recording, progress_bar, reading_options, screen
from pwmscope.errors import HintError, PwmscopeError
from pwmscope.output import make_folder

if TYPE_CHECKING:
    from pwmscope.advice.mixing import Advice, Course
    from pwmscope.bench.plan import Axis, StepSpan
    from pwmscope.bench.sheet import BenchSheet
    from pwmscope.capture import Capture
    from pwmscope.findings import Findings
    from pwmscope.findings.mixing import Mixing, Side
    from pwmscope.pulses import PulseTable

_FAULT: Final = 1
_NOT_SHOWN: Final = 3
_PICTURES: Final = ("drive-path.svg", "sticks.svg")


@click.command(short_help="Say what the drive outputs do with the sticks, and what to change.")
@reading_options
@click.option(
    "--sheet",
    "sheet_path",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The bench sheet: its roles say which lines are the drive outputs and the sticks.",
)
@click.option(
    "--plan",
    "plan_path",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The capture plan that the hands followed; it tells where the sticks were.",
)
@click.option("--left", metavar="LINE", help="The output that drives the left side.")
@click.option("--right", metavar="LINE", help="The output that drives the right side.")
@click.option("--elevator", metavar="LINE", help="The line of the stick for forward and back.")
@click.option("--aileron", metavar="LINE", help="The line of the stick for right and left.")
@json_option("the answer")
@click.option(
    "--pictures",
    "folder",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Also draw where the robot would go, before and after the advice (drive-path.svg), and "
    "what the hands did (sticks.svg).",
)
@click.option(
    "--wheel-base", type=float, metavar="M", help="Distance between left and right wheels, metres."
)
@click.option(
    "--top-speed", type=float, metavar="M/S", help="Speed at full command, metres a second."
)
@click.option(
    "--mode",
    type=click.Choice(["1", "2"]),
    default="2",
    show_default=True,
    help="Which stick does what, for the picture of the hands.",
)
@click.option("--replace", is_flag=True, help="Replace JSON and pictures that are there.")
@click.pass_context
def mixing(
    context: click.Context,
    recording: Recording,
    json_copy: JsonCopy,
    *,
    sheet_path: Path | None,
    plan_path: Path | None,
    left: str | None,
    right: str | None,
    elevator: str | None,
    aileron: str | None,
    folder: Path | None,
    wheel_base: float | None,
    top_speed: float | None,
    mode: str,
    replace: bool,
) -> None:
    """Say what the two drive outputs in CAPTURE do with the sticks, and what to change.

    It ends with exit code 0 if the outputs are mixed as wanted, 1 if something is wrong, 3 if the
    recording does not show it, and 2 on bad input.
    """
    from pwmscope.advice.mixing import advise, course_of  # noqa: PLC0415
    from pwmscope.bench.sheet import load_sheet  # noqa: PLC0415
    from pwmscope.model.finding import Verdict  # noqa: PLC0415
    from pwmscope.report.mixing.data import mixing_json  # noqa: PLC0415

    _refuse_files(json_copy, folder, replace=replace)
    sheet = None if sheet_path is None else load_sheet(sheet_path)
    bench = _listen(recording.load(), sheet, plan_path)
    answer = _answer(
        bench, {"left": left, "right": right}, {"elevator": elevator, "aileron": aileron}
    )
    ways = advise(answer)
    course = course_of(
        answer, ways, tables=bench.servo, end_s=bench.capture.end_s, sheet=sheet,
        spans=bench.spans, wheel_base_m=wheel_base, top_speed_m_s=top_speed,
    )  # fmt: skip
    data = mixing_json(bench.capture, answer, ways, course)
    if json_copy.is_alone:
        click.echo(data, nl=False)
    else:
        _print(answer, ways, course)
        json_copy.write(lambda: data, replace=replace, said="The same answer is in")
    if folder is not None:
        said = _draw(bench, answer, course, folder, mode, replace=replace)
        click.echo(f"\n{said}", err=json_copy.is_alone)
    ends = {Verdict.MEETS: 0, Verdict.DOES_NOT_MEET: _FAULT, Verdict.NOT_SHOWN: _NOT_SHOWN}
    context.exit(ends[answer.verdict])


@dataclass(frozen=True, slots=True)
class _Bench:
    """A recording measured, with what is known about it."""

    capture: Capture
    findings: Findings
    sheet: BenchSheet | None
    servo: dict[str, PulseTable]
    spans: tuple[StepSpan, ...]


def _refuse_files(json_copy: JsonCopy, folder: Path | None, *, replace: bool) -> None:
    from pwmscope.output import refuse_to_overwrite  # noqa: PLC0415

    json_copy.refuse(replace=replace)
    if folder is not None:
        for name in _PICTURES:
            refuse_to_overwrite(folder / name, replace=replace)


def _listen(capture: Capture, sheet: BenchSheet | None, plan_path: Path | None) -> _Bench:
    from pwmscope.findings import examine  # noqa: PLC0415

    with progress_bar("measuring"):
        findings = examine(capture, sheet=sheet)
    servo = findings.servo_tables
    spans = () if plan_path is None else _spans(plan_path, servo)
    return _Bench(findings.capture, findings, sheet, servo, spans)


def _answer(bench: _Bench, sides: dict[Side, str | None], axes: dict[Axis, str | None]) -> Mixing:
    from pwmscope.findings.mixing import examine_mixing, find_lines  # noqa: PLC0415

    lines = find_lines(bench.servo, bench.sheet, sides, axes)
    if not lines.outputs:
        raise HintError(
            "No drive output is named: say which lines they are with --left and --right, or give "
            f"them the roles drive-left and drive-right in a bench sheet. {bench.capture.source} "
            f"has servo pulses on {', '.join(bench.servo) or 'no line'}."
        )
    return examine_mixing(
        bench.servo,
        lines,
        spans=bench.spans,
        lost={name: c.loss_spans for name, c in bench.findings.channels.items()},
        ties=bench.findings.order.grouping.ties,
    )


def _spans(path: Path, servo: dict[str, PulseTable]) -> tuple[StepSpan, ...]:
    from pwmscope.bench.plan_reading import load_plan  # noqa: PLC0415
    from pwmscope.findings import align_plan  # noqa: PLC0415

    alignment = align_plan(load_plan(path), servo)
    if not alignment.fits:
        raise PwmscopeError(f"{path}: {alignment.sentence}")
    return alignment.spans


def _print(answer: Mixing, ways: tuple[Advice, ...], course: Course | None) -> None:
    from rich.text import Text  # noqa: PLC0415

    from pwmscope.report.mixing.text import mixing_paragraphs  # noqa: PLC0415

    console = screen()
    for at, (heading, paragraphs) in enumerate(mixing_paragraphs(answer, ways, course)):
        if at:
            console.print()
        if heading:
            console.print(Text(heading, style="bold"))
        for paragraph in paragraphs:
            console.print(Text(paragraph))


def _draw(
    bench: _Bench, answer: Mixing, course: Course | None, folder: Path, mode: str, *, replace: bool
) -> str:
    """Draw what can be drawn; say where it is."""
    from pwmscope.output import write_text  # noqa: PLC0415
    from pwmscope.report.mixing.pictures import mixing_pictures  # noqa: PLC0415

    sticks = {stick.axis: bench.servo[stick.line] for stick in answer.lines.sticks}
    pictures = mixing_pictures(
        course, sticks, bench.capture.end_s, mode=2 if mode == "2" else 1, steps=bench.spans
    )
    if not pictures:
        return "Nothing could be drawn: no matrix was fitted and no stick line is named."
    make_folder(folder)
    for picture in pictures:
        write_text(folder / f"{picture.name}.svg", picture.svg, replace=replace)
    return f"The pictures are {', '.join(f'{p.name}.svg' for p in pictures)} in {folder}."
