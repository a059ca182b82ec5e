"""`pwmscope sheet`: write a bench sheet, and hold one against the wiring rules."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pwmscope.cli.printing import EXIT_CODES, JsonCopy, explain_option, json_option
from pwmscope.errors import HintError

if TYPE_CHECKING:
    from pwmscope.bench import BenchSheet
    from pwmscope.bench.wiring import Wiring


@click.group(short_help="Write a bench sheet, or check the wiring that one states.")
def sheet() -> None:
    """Write a bench sheet, or check the wiring that one states.

    A bench sheet is a text file. It says what is on each output of the receiver, what powers
    it, and what is expected. docs/sheet.md explains each key.
    """


@sheet.command(short_help="Ask a few questions and write a bench sheet.")
@click.option(
    "-o",
    "--output",
    "path",
    type=click.Path(path_type=Path),
    default=Path("bench.toml"),
    show_default=True,
    metavar="PATH",
    help="The sheet to write.",
)
@click.option("--blank", is_flag=True, help="Ask nothing; write every key as a comment to fill in.")
@click.option("--replace", is_flag=True, help="Replace a file that is there.")
def new(path: Path, *, blank: bool, replace: bool) -> None:
    """Ask a few questions about the robot and write a bench sheet."""
    from pwmscope.bench import BLANK, filled_sheet, parse_sheet
    from pwmscope.cli.sheet_questions import ask
    from pwmscope.output import refuse_to_overwrite, write_text

    refuse_to_overwrite(path, replace=replace)
    try:
        text = BLANK if blank else filled_sheet(ask())
    except click.Abort:
        click.echo()
        raise HintError(
            "The questions ended before all were answered, and nothing was written. "
            "`pwmscope sheet new --blank` writes a sheet to fill in instead."
        ) from None
    parse_sheet(text, source=str(path))
    write_text(path, text, replace=replace)
    click.echo(
        f"The sheet is {path}; fill in what you know. `pwmscope sheet check {path}` says what it "
        "shows about the wiring and what is missing."
    )


@sheet.command(short_help="Hold the wiring that SHEET states against the wiring rules.")
@click.argument("path", metavar="SHEET", type=click.Path(path_type=Path))
@click.option(
    "--drawing",
    type=click.Path(path_type=Path),
    metavar="PATH.svg",
    help="Also draw the wiring: pins, cables, sources, and marks where a rule is not met.",
)
@explain_option
@json_option("the rulings", them="them")
@click.option("--replace", is_flag=True, help="Replace files that are there.")
@click.pass_context
def check(
    ctx: click.Context, path: Path, drawing: Path | None, json_copy: JsonCopy, *, replace: bool
) -> None:
    """Hold the wiring that SHEET states against the wiring rules.

    The first line says whether exactly one source powers the receiver. Exit code: 0 every
    rule is met, 1 one is not met, 3 the sheet does not show one, 2 bad input.
    Nothing is measured; docs/wiring.md explains the rules.
    """
    from pwmscope.bench import load_sheet
    from pwmscope.bench.wiring import check_wiring
    from pwmscope.report.wiring import wiring_json, wiring_text

    _refuse(drawing, json_copy.file, replace=replace)
    wiring = check_wiring(load_sheet(path))
    told = wiring_json(wiring) if json_copy.is_alone else wiring_text(wiring)
    click.echo(told, nl=False)
    if not json_copy.is_alone:
        click.echo(_gaps_text(wiring.sheet), nl=False)
    written = _write(wiring, drawing, json_copy.file, replace=replace)
    if written and not json_copy.is_alone:
        click.echo(f"\n{written}")
    ctx.exit(EXIT_CODES[wiring.verdict.value])


def _gaps_text(sheet: BenchSheet) -> str:
    """Say which keys the failsafe check needs and the sheet does not state; empty where none."""
    if not sheet.gaps:
        return ""
    lines = [f"  {gap.key}\n      {gap.advice}" for gap in sheet.gaps]
    return "\n".join(["", "The failsafe check also needs these keys of the sheet:", *lines, ""])


def _refuse(drawing: Path | None, json_file: Path | None, *, replace: bool) -> None:
    """Refuse what cannot be written before anything is said."""
    from pwmscope.output import refuse_to_overwrite

    if drawing is not None and drawing.suffix.lower() != ".svg":
        raise HintError(
            f"The drawing is an SVG picture, but --drawing names {drawing}; give it a name that "
            "ends in .svg."
        )
    if drawing is not None and drawing == json_file:
        raise HintError("--drawing and --json name the same file; give each its own.")
    for file in (drawing, json_file):
        if file is not None:
            refuse_to_overwrite(file, replace=replace)


def _write(wiring: Wiring, drawing: Path | None, json_file: Path | None, *, replace: bool) -> str:
    """Write the drawing and the rulings where they are wanted; say where they are."""
    from pwmscope.output import write_text
    from pwmscope.plot import draw_wiring
    from pwmscope.report.wiring import wiring_json

    said = []
    if drawing is not None:
        write_text(drawing, draw_wiring(wiring), replace=replace)
        said.append(f"The drawing is {drawing}.")
    if json_file is not None:
        write_text(json_file, wiring_json(wiring), replace=replace)
        said.append(f"The same rulings are in {json_file}.")
    return " ".join(said)
