"""`pwmscope mixing`: say what the drive outputs do with the sticks, and what to change."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from pwmscope.cli.progress_bar import progress_bar
from pwmscope.cli.reading import Recording, reading_options
from pwmscope.cli.screen import screen
from pwmscope.errors import HintError, PwmscopeError

if TYPE_CHECKING:
    from pwmscope.advice.mixing.search import Advice
    from pwmscope.bench.plan import Axis, StepSpan
    from pwmscope.bench.sheet import BenchSheet
    from pwmscope.capture import Capture
    from pwmscope.findings.mixing.examination import Mixing
    from pwmscope.findings.mixing.lines import Side
    from pwmscope.pulses import PulseTable

_FAULT: Final = 1
_NOT_SHOWN: Final = 3


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
@click.option(
    "--json",
    "json_path",
    metavar="PATH",
    help="Also write the answer as JSON; '-' writes it to the terminal instead of the text.",
)
@click.option("--replace", is_flag=True, help="Let --json replace a file that is there.")
@click.pass_context
def mixing(
    context: click.Context,
    recording: Recording,
    json_path: str | None,
    *,
    sheet_path: Path | None,
    plan_path: Path | None,
    left: str | None,
    right: str | None,
    elevator: str | None,
    aileron: str | None,
    replace: bool,
) -> None:
    """Say what the two drive outputs in CAPTURE do with the sticks, and what to change.

    It ends with exit code 0 if the outputs are mixed as wanted, 1 if something is wrong, 3 if the
    recording does not show it, and 2 on bad input.
    """
    from pwmscope.advice.mixing.search import advise  # noqa: PLC0415
    from pwmscope.bench.sheet import load_sheet  # noqa: PLC0415
    from pwmscope.findings.finding import Verdict  # noqa: PLC0415
    from pwmscope.output import refuse_to_overwrite, write_text  # noqa: PLC0415
    from pwmscope.report.mixing.data import mixing_json  # noqa: PLC0415

    if json_path not in {None, "-"}:
        refuse_to_overwrite(Path(str(json_path)), replace=replace)
    sheet = None if sheet_path is None else load_sheet(sheet_path)
    sides: dict[Side, str | None] = {"left": left, "right": right}
    axes: dict[Axis, str | None] = {"elevator": elevator, "aileron": aileron}
    capture = recording.load()
    answer = _answer(capture, sheet, plan_path, sides, axes)
    ways = advise(answer)
    if json_path == "-":
        click.echo(mixing_json(capture, answer, ways), nl=False)
    else:
        _print(answer, ways)
        if json_path is not None:
            write_text(Path(json_path), mixing_json(capture, answer, ways), replace=replace)
            click.echo(f"\nThe same answer is in {json_path}.")
    ends = {Verdict.MEETS: 0, Verdict.DOES_NOT_MEET: _FAULT, Verdict.NOT_SHOWN: _NOT_SHOWN}
    context.exit(ends[answer.verdict])


def _answer(
    capture: Capture,
    sheet: BenchSheet | None,
    plan_path: Path | None,
    sides: dict[Side, str | None],
    axes: dict[Axis, str | None],
) -> Mixing:
    from pwmscope.findings import examine  # noqa: PLC0415
    from pwmscope.findings.mixing.examination import examine_mixing  # noqa: PLC0415
    from pwmscope.findings.mixing.lines import find_lines  # noqa: PLC0415

    with progress_bar("measuring"):
        findings = examine(capture, sheet=sheet)
    servo = {name: c.table for name, c in findings.channels.items() if c.not_servo is None}
    lines = find_lines(servo, sheet, sides, axes)
    if not lines.outputs:
        raise HintError(
            "No drive output is named: say which lines they are with --left and --right, or give "
            f"them the roles drive-left and drive-right in a bench sheet. {capture.source} has "
            f"servo pulses on {', '.join(servo) or 'no line'}."
        )
    return examine_mixing(
        servo,
        lines,
        spans=() if plan_path is None else _spans(plan_path, servo),
        lost={name: c.loss_spans for name, c in findings.channels.items()},
        ties=findings.order.grouping.ties,
    )


def _spans(path: Path, servo: dict[str, PulseTable]) -> tuple[StepSpan, ...]:
    from pwmscope.bench.plan_reading import load_plan  # noqa: PLC0415
    from pwmscope.findings.plan_alignment import align_plan  # noqa: PLC0415

    alignment = align_plan(load_plan(path), servo)
    if not alignment.fits:
        raise PwmscopeError(f"{path}: {alignment.sentence}")
    return alignment.spans


def _print(answer: Mixing, ways: tuple[Advice, ...]) -> None:
    from rich.text import Text  # noqa: PLC0415

    from pwmscope.report.mixing.text import mixing_paragraphs  # noqa: PLC0415

    console = screen()
    for at, (heading, paragraphs) in enumerate(mixing_paragraphs(answer, ways)):
        if at:
            console.print()
        if heading:
            console.print(Text(heading, style="bold"))
        for paragraph in paragraphs:
            console.print(Text(paragraph))
