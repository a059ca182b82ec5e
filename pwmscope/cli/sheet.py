"""`pwmscope sheet`: write a bench sheet, and hold one against the wiring rules."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pwmscope.cli.printing import EXIT_CODES, JsonCopy, explain_option, json_option, print_sections
from pwmscope.cli.reading import Examination, Recording, examining_options, reading_options
from pwmscope.errors import HintError

if TYPE_CHECKING:
    from pwmscope.bench import BenchSheet, Wiring


@click.group(short_help="Write a bench sheet, or check the wiring that one states.")
def sheet() -> None:
    """Write a bench sheet, or check the wiring that one states.

    A bench sheet is a text file. It says what is on each output of the receiver, what powers
    it, and what is expected. docs/sheet.md explains each key.
    """


@sheet.command(short_help="Ask a few questions and write a bench sheet.")
@click.option(
    "-o", "--output", "path", type=click.Path(path_type=Path), default=Path("bench.toml"),
    show_default=True, metavar="PATH",
    help="The sheet to write.",
)  # fmt: skip
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
    "--drawing", type=click.Path(path_type=Path), metavar="PATH.svg",
    help="Also draw the wiring: pins, cables, sources, and marks where a rule is not met.",
)  # fmt: skip
@click.option(
    "--lead", type=click.Path(path_type=Path), metavar="PATH",
    help="Also write a card for a test lead that stays in the robot, as .html (A4) or .txt.",
)  # fmt: skip
@explain_option
@json_option("the rulings", them="them")
@click.option("--replace", is_flag=True, help="Replace files that are there.")
@click.pass_context
def check(
    ctx: click.Context,
    path: Path,
    drawing: Path | None,
    lead: Path | None,
    json_copy: JsonCopy,
    *,
    replace: bool,
) -> None:
    """Hold the wiring that SHEET states against the wiring rules.

    The first line says whether exactly one source powers the receiver. Exit code: 0 every
    rule is met, 1 one is not met, 3 the sheet does not show one, 2 bad input.
    Nothing is measured; docs/wiring.md explains the rules.
    """
    from pwmscope.bench import check_wiring, load_sheet
    from pwmscope.report.wiring import wiring_json, wiring_text

    _refuse(drawing, lead, json_copy.file, replace=replace)
    wiring = check_wiring(load_sheet(path))
    told = wiring_json(wiring) if json_copy.is_alone else wiring_text(wiring)
    click.echo(told, nl=False)
    if not json_copy.is_alone:
        click.echo(_gaps_text(wiring.sheet), nl=False)
    written = _write(wiring, drawing, lead, json_copy.file, replace=replace)
    if written and not json_copy.is_alone:
        click.echo(f"\n{written}")
    ctx.exit(EXIT_CODES[wiring.verdict.value])


@sheet.command(short_help="Measure how late the marker is, from a calibration recording.")
@reading_options
@examining_options
@explain_option
@json_option("the findings", them="them")
@click.option("--write", is_flag=True, help="Write the keys into the bench sheet named by --sheet.")
@click.option("--replace", is_flag=True, help="Let --json replace a file that is there.")
@click.pass_context
def marker(
    ctx: click.Context,
    recording: Recording,
    examination: Examination,
    json_copy: JsonCopy,
    *,
    write: bool,
    replace: bool,
) -> None:
    """Measure in CAPTURE how late the sheet's marker changes after the outputs' last fresh frame.

    Record by `pwmscope plan --marker`: a stick keeps moving while the transmitter goes off.
    Exit code 0: measured; 3: not shown by this recording, and why; 2: bad input.
    """
    from pwmscope.bench import with_marker_keys
    from pwmscope.findings import measure_marker
    from pwmscope.output import write_text
    from pwmscope.report.wiring import marker_json, marker_paragraphs

    path = examination.sheet_path
    if path is None:
        raise HintError("The sheet names the marker. Name the sheet with --sheet.")
    json_copy.refuse(replace=replace)
    analysis = examination.analyse(recording)
    of = None if analysis.sheet is None else analysis.sheet.marker
    if of is None:
        raise HintError(f"{path} names no marker. Add [marker] with its line, on and kind.")
    found = measure_marker(analysis.findings[0], of)
    data = marker_json(analysis.captures[0], found)
    if json_copy.is_alone:
        click.echo(data, nl=False)
    else:
        print_sections(marker_paragraphs(found))
        json_copy.write(lambda: data, replace=replace, said="The same findings are in")
    if write and found.keys:
        text = Path(path).read_text("utf-8")
        write_text(Path(path), with_marker_keys(text, found.keys, source=path), replace=True)
        click.echo(f"\nThe keys are written into {path}.", err=json_copy.is_alone)
    ctx.exit(0 if found.is_shown else EXIT_CODES["not shown"])


def _gaps_text(sheet: BenchSheet) -> str:
    """Say which keys the failsafe check needs and the sheet does not state; empty where none."""
    if not sheet.gaps:
        return ""
    lines = [f"  {gap.key}\n      {gap.advice}" for gap in sheet.gaps]
    return "\n".join(["", "The failsafe check also needs these keys of the sheet:", *lines, ""])


def _refuse(
    drawing: Path | None, lead: Path | None, json_file: Path | None, *, replace: bool
) -> None:
    """Refuse what cannot be written before anything is said."""
    from pwmscope.output import refuse_to_overwrite

    if drawing is not None and drawing.suffix.lower() != ".svg":
        raise HintError(
            f"The drawing is an SVG picture, but --drawing names {drawing}; give it a name that "
            "ends in .svg."
        )
    if lead is not None and lead.suffix.lower() not in {".html", ".txt"}:
        raise HintError(f"A card is written as .html or .txt; '{lead}' ends otherwise.")
    if drawing is not None and drawing == json_file:
        raise HintError("--drawing and --json name the same file; give each its own.")
    for file in (drawing, lead, json_file):
        if file is not None:
            refuse_to_overwrite(file, replace=replace)


def _write(
    wiring: Wiring,
    drawing: Path | None,
    lead: Path | None,
    json_file: Path | None,
    *,
    replace: bool,
) -> str:
    """Write the drawing and the rulings where they are wanted; say where they are."""
    from pwmscope.output import write_text
    from pwmscope.plot import draw_wiring
    from pwmscope.report import lead_card, lead_text
    from pwmscope.report.wiring import wiring_json

    said = []
    if drawing is not None:
        write_text(drawing, draw_wiring(wiring), replace=replace)
        said.append(f"The drawing is {drawing}.")
    if lead is not None:
        card = lead_card if lead.suffix.lower() == ".html" else lead_text
        write_text(lead, card(wiring.sheet), replace=replace)
        said.append(f"The test lead's card is {lead}.")
    if json_file is not None:
        write_text(json_file, wiring_json(wiring), replace=replace)
        said.append(f"The same rulings are in {json_file}.")
    return " ".join(said)
